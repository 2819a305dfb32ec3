"""The same work on many items in processes of their own, here or on a cluster, which end when this one does."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager, suppress
from multiprocessing import get_context
from multiprocessing.connection import Connection
from threading import Thread

from reachmap.errors import SettingError
from reachmap.threads import share_processors

ANSWERS_S = 10
"""A cluster that has not answered for so long is not there [s]; assumed."""


@contextmanager
def processes_here(count: int) -> Iterator[Executor]:
    """A pool of processes on this machine; leaving the block by an error drops what is in work and what waits.

    They go as well when this process is killed, so that none stays behind.
    """
    # A forked child would inherit the threads of the numerical libraries in whatever state they are.
    spawn = get_context("spawn")
    # Nothing is ever sent: they end when the end that only this process holds is closed, by itself or with it.
    theirs, ours = spawn.Pipe(duplex=False)
    with theirs, ours, ProcessPoolExecutor(count, spawn, initializer=_begin, initargs=(count, theirs)) as pool:
        try:
            yield pool
        except BaseException:
            # Leaving the pool waits for its processes.
            ours.close()
            raise


def _begin(count: int, lifeline: Connection) -> None:
    """In a process of the pool: share the processors, leave Ctrl-C to the one that started it, end with that."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    share_processors(count)
    Thread(target=_end_with, args=(lifeline,), daemon=True).start()


def _end_with(lifeline: Connection) -> None:
    with suppress(EOFError, OSError):
        lifeline.recv()
    os._exit(1)


@contextmanager
def processes_of_cluster(address: str) -> Iterator[Executor]:
    """A running Dask cluster as a pool; leaving the block by an error drops what has not begun.

    Raises
    ------
    SettingError : no cluster answers there, or the library is not installed
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise SettingError("--dask needs the optional part: pip install 'reachmap[cluster]'") from error
    try:
        client = Client(address, timeout=ANSWERS_S)
    except OSError as error:
        raise SettingError(f"--dask {address}: no cluster answers there ({error})") from error
    with client:
        pool = client.get_executor(pure=False)
        try:
            yield pool
        finally:
            pool.shutdown(wait=False)

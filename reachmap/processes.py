"""The same work on many tasks in processes of their own, here or on a cluster.

They end when this one does, and one that is killed takes no other's work with it.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, ProcessPoolExecutor, as_completed
from contextlib import contextmanager, suppress
from multiprocessing import get_context
from multiprocessing.connection import Connection
from threading import Thread
from typing import Any, TypeVar

from reachmap.errors import ReachmapError, SettingError
from reachmap.threads import share_processors

Made = TypeVar("Made")

ANSWERS_S = 10
"""A cluster that has not answered for so long is not there [s]; assumed."""


class LostError(ReachmapError):
    """A task came to nothing, through no fault that it could tell of."""


def done_here(
    work: Callable[..., Made], tasks: Sequence[tuple[Any, ...]], count: int
) -> Generator[tuple[int, Made | LostError], None, None]:
    """What `work` makes of every task in so many processes, with the task's number, in the order they are done.

    A process that is killed breaks its pool. The tasks in work then, which are the first of those left, are done one
    by one, so that it is known whose process gets killed, and the others in a new pool.
    """
    left = dict(enumerate(tasks))
    while left:
        yield from _until_broken(work, left, count)
        for number in [*left][:count]:
            alone = {number: left.pop(number)}
            yield from _until_broken(work, alone, 1)
            if alone:
                why = "the process that worked on it was killed, as happens where memory runs out"
                yield number, LostError(f"{why}; larger cells (--cell) take less of it")


def _until_broken(
    work: Callable[..., Made], left: dict[int, tuple[Any, ...]], count: int
) -> Iterator[tuple[int, Made]]:
    """Take out of `left` what is done before a process is killed."""
    with suppress(BrokenExecutor), processes_here(count) as pool:
        numbers = {pool.submit(work, *task): number for number, task in left.items()}
        for future in as_completed(numbers):
            if not isinstance(future.exception(), BrokenExecutor):
                del left[numbers[future]]
                yield numbers[future], future.result()


def done_on_cluster(
    work: Callable[..., Made], tasks: Sequence[tuple[Any, ...]], address: str
) -> Generator[tuple[int, Made | LostError], None, None]:
    """As `done_here` on a running Dask cluster, which itself sees to workers that are killed.

    Raises
    ------
    SettingError : no cluster answers there, or the library is not installed
    """
    with processes_of_cluster(address) as pool:
        numbers = {pool.submit(work, *task): number for number, task in enumerate(tasks)}
        for future in as_completed(numbers):
            number = numbers[future]
            if future.cancelled():
                yield number, LostError("the cluster went away before it was done")
            elif error := future.exception():
                yield number, LostError(f"the cluster could not do it ({type(error).__name__}: {error})")
            else:
                yield number, future.result()


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

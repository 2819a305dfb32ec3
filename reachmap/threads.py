"""The same work on many items or on pieces of long vectors, on all processors at once.

For work that numpy does outside Python's lock. Pieces keep what is only needed on the way small.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

import numpy as np

Item = TypeVar("Item")
Made = TypeVar("Made")

MOST_THREADS = 8
"""More hardly help: memory is the limit then; assumed."""

ONE_THREAD = "OPENBLAS_NUM_THREADS"
"""What the numerical library reads when it is loaded; a command says 1 before that, which takes no time."""

_crowd = [1]
"""Processes that share this machine's processors with this one, itself among them."""

PIECE = 1 << 17
"""Cells in a piece of a wet vector: a few such arrays fit a processor's cache; assumed."""


def pieces(n: int, most: int = PIECE) -> list[slice]:
    """A vector of n values cut into consecutive pieces of so many at most."""
    return [slice(start, min(start + most, n)) for start in range(0, n, most)]


@contextmanager
def matrices_alone() -> Iterator[None]:
    """Within, the numerical library takes one thread for a matrix, as ours are small and worked on side by side.

    Its own threads would wait for each other and for ours: the water takes twice the time with them.
    """
    if os.environ.get(ONE_THREAD) == "1":
        yield
        return
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1, user_api="blas"):
        yield


def side_by_side(work: Callable[[Item], Made], items: Iterable[Item]) -> list[Made]:
    """`work` of every item, in the order of the items."""
    items = list(items)
    threads = min(MOST_THREADS, (os.cpu_count() or 1) // _crowd[0], len(items))
    if threads <= 1:
        return [work(item) for item in items]
    with ThreadPoolExecutor(threads) as pool:
        return list(pool.map(work, items))


def in_pieces(work: Callable[..., np.ndarray], *vectors: np.ndarray) -> np.ndarray:
    """What `work` makes of long vectors (n,) of which each value stands for itself, piece by piece, float32 (n,)."""
    out = np.empty(len(vectors[0]), np.float32)

    def fill(piece: slice) -> None:
        out[piece] = work(*(vector[piece] for vector in vectors))

    side_by_side(fill, pieces(len(out)))
    return out


def share_processors(processes: int) -> None:
    """Take only this process's part of the processors from now on, one of so many at work on this machine."""
    _crowd[0] = max(1, processes)

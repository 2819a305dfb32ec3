"""The same work on many items, on all processors at once: for work that numpy does outside Python's lock."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

Item = TypeVar("Item")
Made = TypeVar("Made")

MOST_THREADS = 8
"""More hardly help: memory is the limit then; assumed."""


def side_by_side(work: Callable[[Item], Made], items: Iterable[Item]) -> list[Made]:
    """`work` of every item, in the order of the items."""
    with ThreadPoolExecutor(min(MOST_THREADS, os.cpu_count() or 1)) as pool:
        return list(pool.map(work, items))

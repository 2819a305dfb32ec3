"""Memory that is given up and asked for again, with the GNU C library; with any other nothing is changed.

That library hands a block above 32 MiB back to the system at once, and the system finds and clears the next one anew,
page by page (mallopt(3)); every layer of a river of 10^7 cells is such a block.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

TRIM_THRESHOLD, MMAP_THRESHOLD, MMAP_MAX = -1, -3, -4
"""Numbers of mallopt's parameters (malloc.h)."""

MOST = 2**31 - 1
"""Bytes of free memory to keep: the greatest number mallopt takes."""

GIVEN_BACK = {MMAP_MAX: 65536, MMAP_THRESHOLD: 32 << 20, TRIM_THRESHOLD: 64 << 20}
"""Its own default, and the thresholds it raises to by itself as blocks up to 32 MiB come and go (mallopt(3))."""


@contextmanager
def keeping_freed() -> Iterator[None]:
    """Within, this process keeps the memory it frees, for what it asks for next; on leaving, what is free goes back."""
    library = _c_library()
    if library is None:
        yield
        return
    library.malloc_trim(0)
    library.mallopt(MMAP_MAX, 0)
    library.mallopt(TRIM_THRESHOLD, MOST)
    try:
        yield
    finally:
        for parameter, value in GIVEN_BACK.items():
            library.mallopt(parameter, value)
        library.malloc_trim(0)


def _c_library() -> Any:
    """The C library this process runs on, if it has these functions."""
    if not sys.platform.startswith("linux"):
        return None
    from ctypes import CDLL

    library = CDLL(None)
    return library if hasattr(library, "mallopt") and hasattr(library, "malloc_trim") else None

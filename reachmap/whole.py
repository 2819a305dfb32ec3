"""A file written whole or not at all, and told by its bytes."""

from __future__ import annotations

import errno
import hashlib
from pathlib import Path


class UnfinishedError(OSError):
    """A library could not finish a file, which it does not always say of itself."""

    def __init__(self) -> None:
        super().__init__(errno.ENOSPC, "the disk seems to be full")


def checksum(path: str | Path) -> str:
    """SHA-256 of a file that fits into memory, as what stands under one name may be edited."""
    return hashlib.sha256(Path(path).read_bytes()).hexdigest()


def write_whole(path: Path, text: str) -> None:
    """Write a text as UTF-8, its line ends as they are, in place of what stands there.

    Raises
    ------
    OSError : it can't be written; what stood there still does, and nothing is left beside it
    """
    beside = path.with_name(f".{path.name}.new")
    try:
        beside.write_text(text, encoding="utf-8", newline="")
        beside.replace(path)
    except OSError:
        if beside.is_file():
            beside.unlink()
        raise

"""The output folder, written whole or not at all."""

from __future__ import annotations

import errno
import json
import os
import platform
import re
import shutil
import tempfile
import time
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from reachmap.errors import OutputError
from reachmap.write.model import Result
from reachmap.write.rasters import write_layers
from reachmap.write.record import run_record
from reachmap.write.vectors import write_table, write_vectors, write_waypoints

STALE_S = 3600
"""A half-written folder older than this was left by a killed run, wherever that ran, and is swept [s]."""

BESIDE_A_FILE = ("lies.gpkg-", "layers.tif.")
"""How names begin of what other programs keep about these two: unsaved edits, pyramids, statistics of the old file."""

SWAPS = 20
"""How often the new folder is offered while other runs put theirs into the same place."""


def write_outputs(result: Result, out: Path, pages: Mapping[str, Callable[[], str]]) -> list[Path]:
    """Write everything into `out`: beside it first, then renamed, so that no half-written folder ever stands there.

    Parameters
    ----------
    result : what one run found
    out : the folder; one that reachmap wrote before is replaced as a whole, whatever else stands in it is kept
    pages : by file name what makes an html page; the layers are written meanwhile

    Raises
    ------
    OutputError : `out` holds something else, or can't be written; whatever stood there still stands
    """
    _refuse_foreign(out)
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        _sweep(out)
        beside = Path(tempfile.mkdtemp(dir=out.parent, prefix=f".{out.name}.new-{_mark()}-"))
    except OSError as error:
        raise OutputError(_cannot(out, error)) from error
    try:
        beside.chmod(0o755)
        _fill(result, beside, pages)
        # Not looked up in its place: another run may be just about to replace it.
        names = sorted(path.name for path in beside.iterdir())
        _swap(beside, out)
    except OSError as error:
        raise OutputError(_cannot(out, error)) from error
    finally:
        shutil.rmtree(beside, ignore_errors=True)
    return [out / name for name in names]


def _fill(result: Result, folder: Path, pages: Mapping[str, Callable[[], str]]) -> None:
    """Every file of a run."""
    # Leaving the block waits for the layers, so that nothing is written into a folder that is done with.
    with ThreadPoolExecutor(1) as aside:
        layers = aside.submit(write_layers, result, folder / "layers.tif")
        for name, page in pages.items():
            (folder / name).write_text(page(), encoding="utf-8")
        write_vectors(result, folder / "lies.gpkg")
        write_table(result, folder / "lies.csv")
        write_waypoints(result, folder / "waypoints.gpx")
        record = json.dumps(run_record(result), indent=2, sort_keys=True, ensure_ascii=False)
        (folder / "run.json").write_text(record + "\n", encoding="utf-8")
        layers.result()


def _swap(beside: Path, out: Path) -> None:
    """Put the new folder in place; the old one comes back if that fails.

    Another run may put its own there at the same moment: then whoever comes last replaces the other's, whole.
    """
    for _ in range(SWAPS):
        old = None
        if out.exists():
            old = Path(tempfile.mkdtemp(dir=out.parent, prefix=f".{out.name}.old-{_mark()}-"))
            try:
                out.replace(old)
            except FileNotFoundError:
                old.rmdir()
                continue
        try:
            if old is not None:
                _carry_over(old, beside)
            beside.replace(out)
        except BaseException as error:
            if not out.exists():
                if old is not None:
                    old.replace(out)
                raise
            if not isinstance(error, OSError):
                raise
        if old is not None:
            shutil.rmtree(old, ignore_errors=True)
        if not beside.exists():
            return
    raise OSError(errno.EBUSY, "other runs write there all the time")


def _carry_over(old: Path, beside: Path) -> None:
    """Give the new folder what the old one holds and the run did not write: notes, pictures, maps of other beats."""
    for entry in old.iterdir():
        kept = beside / entry.name
        if kept.exists() or entry.name.startswith(BESIDE_A_FILE):
            continue
        if entry.is_dir() and not entry.is_symlink():
            shutil.copytree(entry, kept, symlinks=True, copy_function=_second_name)
        else:
            _second_name(entry, kept)


def _second_name(file: str | Path, name: str | Path) -> None:
    """Give a file another name, so that it stands in both folders at no cost; a copy of it where the disk has none."""
    try:
        os.link(file, name, follow_symlinks=False)
    except OSError:
        shutil.copy2(file, name, follow_symlinks=False)


def _refuse_foreign(out: Path) -> None:
    """Only a folder of our own, or an empty one, may be replaced."""
    if out.is_file():
        raise OutputError(f"{out} is a file. Choose a folder with --out.")
    for _ in range(SWAPS):
        try:
            before = out.stat().st_ino
            if not any(out.iterdir()) or _is_ours(out):
                return
            # Another run may have put its folder there meanwhile; then this has to be asked of that one.
            if out.stat().st_ino == before:
                raise OutputError(f"{out} holds files that reachmap did not write. Choose another folder with --out.")
        except (FileNotFoundError, NotADirectoryError):
            return
        except OSError as error:
            raise OutputError(_cannot(out, error)) from error


def _is_ours(folder: Path) -> bool:
    """Whether a folder holds the record of a run."""
    try:
        return "reachmap" in json.loads((folder / "run.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False


def sweep_below(folder: Path) -> None:
    """Remove what killed runs left half written in a folder of output folders; put old ones back in their places."""
    left = [re.fullmatch(r"\.(.+)\.(?:new|old)-[^-]*-\d+-[^-]+", path.name) for path in folder.iterdir()]
    for name in {found[1] for found in left if found}:
        _sweep(folder / name)


def _sweep(out: Path) -> None:
    """Remove what a killed run left half written; put back an old folder that lost its place."""
    for left in sorted(path for path in out.parent.iterdir() if path.name.startswith(f".{out.name}.old-")):
        if not _abandoned(left):
            continue
        if not out.exists() and (left / "run.json").is_file():
            left.replace(out)
        else:
            shutil.rmtree(left, ignore_errors=True)
    for left in [path for path in out.parent.iterdir() if path.name.startswith(f".{out.name}.new-")]:
        if _abandoned(left):
            shutil.rmtree(left, ignore_errors=True)


def _mark() -> str:
    """Machine and process, so that another run can tell whether this one still lives."""
    return f"{re.sub('[^A-Za-z0-9]', '', platform.node())}-{os.getpid()}"


def _abandoned(left: Path) -> bool:
    """True for a folder whose run is dead: on this machine by its process, elsewhere by its age."""
    try:
        if time.time() - left.stat().st_mtime > STALE_S:
            return True
        node, pid = left.name.rsplit("-", 3)[-3:-1]
        if os.name != "posix" or node != _mark().split("-")[0] or int(pid) == os.getpid():
            return False
        os.kill(int(pid), 0)
    except ProcessLookupError:
        return True
    except (OSError, ValueError):
        return False
    return False


def _cannot(out: Path, error: OSError) -> str:
    """The message for a folder that can't be written."""
    why = error.strerror or str(error)
    return f"{out}: can't be written ({why}). Free some space or choose another folder with --out; nothing was changed."

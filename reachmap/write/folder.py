"""The output folder, written whole or not at all."""

from __future__ import annotations

import json
import shutil
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path

from reachmap.errors import OutputError
from reachmap.write.model import Result
from reachmap.write.rasters import write_layers
from reachmap.write.record import run_record
from reachmap.write.vectors import write_table, write_vectors, write_waypoints

STALE_S = 3600
"""A half-written folder older than this was left by a killed run and is swept [s]."""

KEPT = ("notes.geojson",)
"""Files of the user's that may stand in an output folder and are carried over."""


def write_outputs(result: Result, out: Path, pages: Mapping[str, str]) -> list[Path]:
    """Write everything into `out`: beside it first, then renamed, so that no half-written folder ever stands there.

    Parameters
    ----------
    result : what one run found
    out : the folder; one that reachmap wrote before is replaced as a whole, the user's notes in it are kept
    pages : html pages by file name

    Raises
    ------
    OutputError : `out` holds something else, or can't be written; whatever stood there still stands
    """
    _refuse_foreign(out)
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        _sweep(out)
        beside = Path(tempfile.mkdtemp(dir=out.parent, prefix=f".{out.name}.new-"))
    except OSError as error:
        raise OutputError(_cannot(out, error)) from error
    try:
        beside.chmod(0o755)
        _fill(result, beside, pages)
        for name in KEPT:
            if (out / name).is_file():
                shutil.copy2(out / name, beside / name)
        _swap(beside, out)
    except OSError as error:
        raise OutputError(_cannot(out, error)) from error
    finally:
        shutil.rmtree(beside, ignore_errors=True)
    return sorted(out.iterdir())


def _fill(result: Result, folder: Path, pages: Mapping[str, str]) -> None:
    """Every file of a run."""
    write_layers(result, folder / "layers.tif")
    write_vectors(result, folder / "lies.gpkg")
    write_table(result, folder / "lies.csv")
    write_waypoints(result, folder / "waypoints.gpx")
    for name, page in pages.items():
        (folder / name).write_text(page, encoding="utf-8")
    record = json.dumps(run_record(result), indent=2, sort_keys=True, ensure_ascii=False)
    (folder / "run.json").write_text(record + "\n", encoding="utf-8")


def _swap(beside: Path, out: Path) -> None:
    """Put the new folder in place; the old one comes back if that fails."""
    if not out.exists():
        beside.replace(out)
        return
    old = Path(tempfile.mkdtemp(dir=out.parent, prefix=f".{out.name}.old-"))
    out.replace(old)
    try:
        beside.replace(out)
    except OSError:
        old.replace(out)
        raise
    shutil.rmtree(old, ignore_errors=True)


def _refuse_foreign(out: Path) -> None:
    """Only a folder of our own, or an empty one, may be replaced."""
    if out.is_file():
        raise OutputError(f"{out} is a file. Choose a folder with --out.")
    if not out.is_dir() or not any(out.iterdir()):
        return
    try:
        ours = "reachmap" in json.loads((out / "run.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        ours = False
    if not ours:
        raise OutputError(f"{out} holds files that reachmap did not write. Choose another folder with --out.")


def _sweep(out: Path) -> None:
    """Remove what a killed run left half written; put back an old folder that lost its place."""
    for left in sorted(out.parent.glob(f".{out.name}.old-*")):
        if not out.exists() and (left / "run.json").is_file():
            left.replace(out)
        elif time.time() - left.stat().st_mtime > STALE_S:
            shutil.rmtree(left, ignore_errors=True)
    for left in out.parent.glob(f".{out.name}.new-*"):
        if time.time() - left.stat().st_mtime > STALE_S:
            shutil.rmtree(left, ignore_errors=True)


def _cannot(out: Path, error: OSError) -> str:
    """The message for a folder that can't be written."""
    why = error.strerror or str(error)
    return f"{out}: can't be written ({why}). Free some space or choose another folder with --out; nothing was changed."

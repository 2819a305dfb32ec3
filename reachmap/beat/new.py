"""A new beat folder: a tiny example, or one made from files at hand with every guess told."""

from __future__ import annotations

import glob
import json
import math
import os
import shutil
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from string import Template

import numpy as np
from pyproj import CRS

from reachmap.beat.guess import Guess, Said, guess_beat
from reachmap.beat.messages import Report, plain
from reachmap.beat.place import local_crs, to_degrees
from reachmap.beat.read import check_beat
from reachmap.beat.settings import FILE, LONGEST_NAME
from reachmap.errors import Finding, InputError, OutputError, SettingError

EXAMPLE_LAT, EXAMPLE_LON = 54.6123, -2.8123
"""Where the example lies [deg]: an invented water."""

STALE_S = 3600.0
"""Age from which a scratch folder counts as left behind [s]."""


@dataclass
class _Plan:
    """What will be written: texts by name, files to copy by name, and what beat.toml says."""

    texts: dict[str, str] = field(default_factory=dict)
    copies: dict[str, Path] = field(default_factory=dict)
    guess: Guess = field(default_factory=Guess)


def new_beat(
    folder: str | Path,
    name: str | None = None,
    sources: Sequence[str | Path] = (),
    said: Said | None = None,
) -> tuple[Finding, ...]:
    """Make a commented beat folder that maps, whole or not at all; nothing is ever overwritten.

    Parameters
    ----------
    folder : must not be there yet
    name : of the beat; None takes the folder's
    sources : files at hand (outline, soundings, cover, ...): copied in, their columns, units and coordinate systems
        guessed, each guess a note; without any a tiny invented example is written
    said : of the files, what they don't say themselves

    Returns
    -------
    The guesses as notes, and what a check of the new folder found.

    Raises
    ------
    SettingError : the name can't be used
    InputError : the files can't be used, with everything that was found
    OutputError : the folder is there already or can't be written
    """
    target = Path(folder)
    if target.exists() or target.is_symlink():
        raise OutputError(f"{target} is already there. Choose another name, or remove it yourself.")
    title = _title(name if name is not None else target.name)
    report = Report()
    if not sources and said not in (None, Said()):
        raise SettingError("what is said of a place, a water level or an end is said of files at hand: name them too")
    plan = _from_files([Path(source) for source in sources], said or Said(), report) if sources else _example()
    plan.texts[FILE] = _settings(title, plan.guess)
    try:
        found = _write(target, plan)
    except InputError as error:
        # What the files were taken for may be why they can't be used.
        raise InputError((*report.findings(), *error.findings)) from error
    return (*report.findings(), *found)


def _title(name: str) -> str:
    title = name.strip()
    if not title or len(title) > LONGEST_NAME or not title.isprintable():
        raise SettingError(f"name {plain(name)!r}: a name has 1 to {LONGEST_NAME} visible characters")
    return title


def _settings(name: str, guess: Guess) -> str:
    """beat.toml with its remarks."""
    from importlib.resources import files

    template = Template((files("reachmap.beat") / "new.toml").read_text(encoding="utf-8"))
    head = guess.head and f"head = [{guess.head[0]:.6f}, {guess.head[1]:.6f}]   # upstream end: latitude, longitude"
    example_head = "# head = [54.61234, -2.81234]   # latitude, longitude of the upstream end: please give it"
    return template.substitute(
        name=json.dumps(name, ensure_ascii=False),
        zone=json.dumps(guess.zone),
        date=(guess.date and f"date = {guess.date}") or "# date = 2026-06-14",
        head=head or example_head,
        files="\n".join(guess.file_lines) or '# [files.soundings]\n# depth_unit = "ft"\n# speed_unit = "mph"',
        place="\n".join(guess.place_lines)
        or "# [place]                    # for local metres: where (0, 0) lies and which way +y points\n"
        "# anchor = [54.61234, -2.81234]\n# bearing_deg = 0\n",
    )


def _example() -> _Plan:
    """A bend of 120 m with a pool and a riffle, sections every 8 m."""
    crs = local_crs(EXAMPLE_LAT, EXAMPLE_LON)
    along = np.linspace(0, 120, 31)
    turn = along / 120 * math.radians(70)
    radius = 120 / math.radians(70)
    banks = [
        np.column_stack([(radius + side) * np.sin(turn), (radius + side) * np.cos(turn) - radius]) for side in (-6, 6)
    ]
    ring = np.vstack([banks[0], banks[1][::-1], banks[0][:1]])
    lonlat = to_degrees(ring, crs)
    outline = {"type": "Polygon", "coordinates": [[[round(x, 7), round(y, 7)] for x, y in lonlat]]}
    head = to_degrees(np.array([[0.0, 0.0]]), crs)[0]
    guess = Guess(zone="Europe/London", date="2026-06-14", head=(float(head[1]), float(head[0])))
    feature = {"type": "Feature", "properties": {}, "geometry": outline}
    texts = {
        "outline.geojson": json.dumps({"type": "FeatureCollection", "features": [feature]}) + "\n",
        "soundings.csv": _example_soundings(crs, radius),
    }
    return _Plan(texts=texts, guess=guess)


def _example_soundings(crs: CRS, radius: float) -> str:
    """Cross-sections: deeper toward the outer bank, a pool at 50 m, a riffle at 95 m; a float in mid-stream."""
    lines = ["lon,lat,depth_m,speed_m_s,speed_how,line,note"]
    for k, s in enumerate(range(4, 120, 8)):
        middle = 0.55 + 0.5 * math.exp(-(((s - 50) / 18) ** 2)) - 0.25 * math.exp(-(((s - 95) / 14) ** 2))
        for side in (-5.0, -3.0, -1.0, 1.0, 3.0, 5.0):
            angle = s / radius
            place = np.array([[(radius + side) * math.sin(angle), (radius + side) * math.cos(angle) - radius]])
            lon, lat = to_degrees(place, crs)[0]
            depth = middle * (1 - (side / 6) ** 4) * (1 + 0.05 * side)
            timed = side == 1.0
            speed = f"{0.45 / middle:.2f},surface float" if timed else ","
            lines.append(f"{lon:.7f},{lat:.7f},{depth:.2f},{speed},section {k + 1},")
    return "\n".join(lines) + "\n"


def _from_files(sources: Sequence[Path], said: Said, report: Report) -> _Plan:
    """Copies of the files under the names a beat has, and what was guessed about them."""
    guess = guess_beat(sources, report, said)
    if report.failed:
        raise InputError(report.findings())
    return _Plan(copies=guess.copies, guess=guess)


def _write(target: Path, plan: _Plan) -> tuple[Finding, ...]:
    """Write beside, check, then rename; on any failure nothing is left, nor what a killed run left before."""
    beside = target.with_name(f".{target.name}.new-{os.getpid()}")
    _sweep(target)
    try:
        beside.mkdir(parents=True)
        for name, text in plan.texts.items():
            (beside / name).write_text(text, encoding="utf-8", newline="\n")
        for name, path in plan.copies.items():
            shutil.copyfile(path, beside / name)
        found = check_beat(beside)
        if any(finding.severity == "error" for finding in found):
            raise InputError(found)
        beside.rename(target)
    except OSError as error:
        why = error.strerror or type(error).__name__
        raise OutputError(f"{target}: can't be written ({why}). Nothing was left behind.") from error
    finally:
        shutil.rmtree(beside, ignore_errors=True)
    return found


def _sweep(target: Path) -> None:
    """Remove scratch folders of runs that were killed; one younger than an hour may still be at work."""
    try:
        for stale in target.parent.glob(f".{glob.escape(target.name)}.new-*"):
            if time.time() - stale.stat().st_mtime > STALE_S:
                shutil.rmtree(stale, ignore_errors=True)
    except OSError:
        return  # the folder can't be listed; writing will say so

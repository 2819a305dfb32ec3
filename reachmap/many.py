"""Many beats at once: the same chain in several processes, one failing beat not stopping the rest."""

from __future__ import annotations

import json
from collections.abc import Callable, Generator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reachmap import __version__
from reachmap.errors import Finding, InputError, OutputError, ReachmapError, SettingError
from reachmap.processes import LostError, done_here, done_on_cluster
from reachmap.whole import checksum

if TYPE_CHECKING:
    from reachmap.beat import Beat

MOST_TOLD, SHOWN = 8, 80
"""Lines of a catalogue that are told to be wrong, and characters shown of each."""

REMEDY = "A catalogue is a text file that names one beat folder a line."
"""What to do about a catalogue that is none."""

OF_A_BEAT = ("told", "scenes", "best")
"""What of an `Outcome` is kept for the next run."""


@dataclass(frozen=True)
class Outcome:
    """What became of one beat.

    Parameters
    ----------
    beat : its folder
    out : where its map stands, None when it failed
    title : the beat's name, its folder's when it could not be read
    message : "" or what went wrong
    told : that the water is too warm to fish, another water level than the survey's and another engine than the
        ordinary one, in words; "" without
    units : those the beat is printed in, "metric" or "imperial"; here all is metric
    kept : True if an earlier result of the same input was kept
    scenes : names of those it was mapped for
    best : rows of `lies_table` of the best lie of each scene in which one stands out
    """

    beat: Path
    out: Path | None
    title: str
    message: str = ""
    told: str = ""
    units: str = "metric"
    kept: bool = False
    scenes: Sequence[str] = ()
    best: Sequence[Mapping[str, Any]] = field(default_factory=tuple)


def list_beats(paths: Sequence[Path]) -> list[Path]:
    """Beat folders from folders and catalogue files (one folder a line, relative to the file, # for remarks).

    Each folder once, however often and by whatever path it is named.

    Raises
    ------
    InputError : a catalogue can't be read, names a folder that is not there, or names none
    SettingError : two beats would be written to the same place
    """
    beats: list[Path] = []
    missing = []
    for path in paths:
        if not path.is_file():
            beats.append(path)
            continue
        for number, line in enumerate(_lines(path), 1):
            entry = _entry(line, path.parent)
            if entry and not _is_folder(path.parent / entry):
                what = f"there is no folder {line.strip()[:SHOWN]!r}"
                missing.append(Finding("error", str(path), f"line {number}", what, "Mend the path."))
            elif entry:
                beats.append(path.parent / entry)
    if missing:
        more = Finding(
            "error", missing[0].file, "", f"{len(missing) - MOST_TOLD} more lines name no folder", "See above."
        )
        raise InputError([*missing[:MOST_TOLD], *([more] if len(missing) > MOST_TOLD else [])])
    if not beats:
        raise InputError([Finding("error", str(path), "", "names no beat", REMEDY) for path in paths])
    places: dict[Path, Path] = {}
    for beat in beats:
        places.setdefault(beat.resolve(), beat)
    names = [place.name for place in places]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise SettingError(f"two beats are called {twice[0]!r}; rename one of the folders")
    return [*places.values()]


def _entry(line: str, root: Path) -> str:
    """What a line names: as much of it as a folder is called, for a name may hold a "#"; else all before the first."""
    names = [line[:end].strip() for end in range(len(line), -1, -1) if line[end : end + 1] in ("", "#")]
    return next((name for name in names if name and _is_folder(root / name)), names[-1])


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except OSError:
        # Longer than a name can be, say.
        return False


def _lines(catalogue: Path) -> list[str]:
    try:
        return catalogue.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        what = f"can't be read ({getattr(error, 'strerror', None) or 'no text in UTF-8'})"
        raise InputError([Finding("error", str(catalogue), "", what, REMEDY)]) from error


def map_many(
    beats: Sequence[Path],
    out: Path,
    *,
    jobs: int = 2,
    dask: str | None = None,
    fresh: bool = False,
    settings: Mapping[str, Any] | None = None,
    told: Callable[[Outcome, int, int], None] | None = None,
) -> list[Outcome]:
    """Map every beat into a folder of its own below `out`, then write the index page over all of them.

    Stopped by Ctrl-C, say, it drops the beats in work; those that are mapped stay, and are kept by the next run.

    Parameters
    ----------
    beats : beat folders
    out : where the folders and `index.html` go
    jobs : processes on this machine
    dask : address of a running Dask cluster to use instead, whose workers see the same disk (needs the extra
        `reachmap[cluster]`)
    fresh : work everything out again, whatever stands or is kept of earlier runs
    settings : as for `reachmap.analyse`; and `species` and `length_m` [m] of the fish, `imagery` as for `run.write_map`
    told : called with each outcome, how many are done, how many there are

    Raises
    ------
    OutputError : the folder or the index page can't be written
    """
    from reachmap.write import index_page
    from reachmap.write.folder import sweep_below
    from reachmap.write.pages import write_page

    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{out}: can't be made ({error.strerror}). Choose another folder with --out.") from error
    work = [(beat, out / beat.resolve().name, dict(settings or {}), fresh) for beat in beats]
    done: dict[Path, Outcome] = {}
    try:
        with closing(_outcomes(work, jobs, dask)) as outcomes_of_work:
            for outcome in outcomes_of_work:
                done[outcome.beat] = outcome
                if told:
                    told(outcome, len(done), len(work))
    except BaseException:
        sweep_below(out)
        raise
    outcomes = [done[beat] for beat in beats]
    page = index_page([vars(o) | {"out": o.out and o.out.name} for o in outcomes])
    write_page(out / "index.html", page, "The maps themselves are written")
    return outcomes


def _outcomes(work: Sequence[tuple[Any, ...]], jobs: int, dask: str | None) -> Generator[Outcome, None, None]:
    """Run the tasks, here one by one, in processes, or on a cluster; yield them as they finish."""
    if dask is None and jobs <= 1:
        for task in work:
            yield map_one(*task)
        return
    # Workers of a cluster stand in folders of their own.
    there = None if dask is None else done_on_cluster(map_one, [_from_anywhere(*task) for task in work], dask)
    with closing(there or done_here(map_one, work, jobs)) as done:
        for number, outcome in done:
            beat, place, *_ = work[number]
            if isinstance(outcome, LostError):
                yield _failed(beat, str(outcome))
            else:
                yield replace(outcome, beat=beat, out=outcome.out and place)


def _from_anywhere(beat: Path, out: Path, settings: Mapping[str, Any], fresh: bool) -> tuple[Any, ...]:
    """What `map_one` takes, with paths that mean the same in every folder."""
    curves = {"curves": Path(settings["curves"]).resolve()} if settings.get("curves") else {}
    return beat.resolve(), out.resolve(), {**settings, **curves}, fresh


def map_one(beat: Path, out: Path, settings: Mapping[str, Any], fresh: bool) -> Outcome:
    """Map one beat; whatever goes wrong with it becomes its message."""
    try:
        from reachmap.beat import read_beat
        from reachmap.run import analyse, with_fish, write_map
        from reachmap.write import lies_table, run_record
        from reachmap.write.summary import engine_words, let_be_words, level_words

        more = dict(settings)
        species, length_m, imagery = (more.pop(name, None) for name in ("species", "length_m", "imagery"))
        made_of = with_fish(read_beat(beat, strict=more.get("strict", False)), species, length_m)
        if not fresh and (earlier := _earlier(made_of, beat, out, settings)):
            return earlier
        result = analyse(made_of, fresh=fresh, **more)
        files = [path.name for path in write_map(result, out, bool(imagery))]
        words = let_be_words(result.visit), level_words(result.channel), engine_words(result)
        known: dict[str, Any] = {
            "told": "; ".join(filter(None, words)),
            "scenes": [*result.outlooks],
            "best": [row for row in lies_table(result) if row["rank"] == 1],
        }
        memo = _memo(out)
        memo.parent.mkdir(exist_ok=True)
        kept = {
            "asked": _asked(settings),
            # Not looked up in its place, where another run may have put its own by now.
            "record": run_record(result),
            "map": checksum(out / "map.html"),
            "files": files,
            **known,
        }
        memo.write_text(json.dumps(kept), encoding="utf-8")
        return Outcome(beat, out, made_of.name, units=made_of.units, **known)
    except ReachmapError as error:
        return _failed(beat, str(error))
    except Exception as error:
        return _failed(beat, f"failed in a way it should not: {type(error).__name__}: {error}")


def _failed(beat: Path, message: str) -> Outcome:
    """A beat that could not be mapped, by the name of its folder, also where that is asked for as "."."""
    return Outcome(beat, None, beat.resolve().name, message)


def _asked(settings: Mapping[str, Any]) -> dict[str, str]:
    """Version, code and settings in a form that compares equal after a trip through a file; curves by what they say."""
    from reachmap.channel.kept import code_mark

    told = {key: repr(value) for key, value in sorted(settings.items())}
    if (curves := settings.get("curves")) and Path(curves).is_file():
        told["curves"] = checksum(curves)
    return {"reachmap": __version__, "code": code_mark(), **told}


def _earlier(made_of: Beat, beat: Path, out: Path, settings: Mapping[str, Any]) -> Outcome | None:
    """The earlier result of the same bytes, settings, version and code, if it stands whole."""
    try:
        record = json.loads((out / "run.json").read_text(encoding="utf-8"))
        memo = json.loads(_memo(out).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    # Mapped by itself since then, at another hour or without tiles say, the folder holds another run's files.
    if memo.get("record") != record:
        return None
    if memo.get("asked") != _asked(settings) or record.get("sources") != dict(made_of.sources):
        return None
    if not {*OF_A_BEAT, "files"} <= memo.keys() or not all((out / name).is_file() for name in memo["files"]):
        return None
    if memo.get("map") != checksum(out / "map.html"):
        return None
    known = {name: memo[name] for name in OF_A_BEAT}
    return Outcome(beat, out, record["beat"], units=made_of.units, kept=True, **known)


def _memo(out: Path) -> Path:
    """Where best lies and files of a finished beat are kept for the next run, beside the folders and not inside."""
    return out.parent / ".made" / f"{out.name}.json"

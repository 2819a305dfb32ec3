"""One more entry in the log of a beat, written safely."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from reachmap.beat.columns import TIME, Column
from reachmap.beat.features import LOG_KEYS, columns_of
from reachmap.beat.files import find_parts
from reachmap.beat.messages import Report
from reachmap.beat.settings import read_settings
from reachmap.beat.tables import Layout, layout_of
from reachmap.errors import Finding, InputError, OutputError
from reachmap.whole import write_whole

COLUMNS = (
    "date_time", "lat", "lon", "what", "species", "length_m", "count", "hours", "cloud", "clarity_m", "note", "trip",
)  # fmt: skip
KEYS = {
    "date_time": "time", "lat": "lat", "lon": "lon", "what": "what", "species": "species", "length_m": "fish_length",
    "count": "count", "hours": "hours", "cloud": "cloud", "clarity_m": "clarity", "note": "note", "trip": "trip",
}  # fmt: skip
"""What every column is, by the keys of `reachmap.beat.columns`."""

OTHERWISE = {"what": "kind", "note": "text"}
"""Where the reader looks for what there is no column of."""

USUAL = {"hours": TIME["h"]}
"""Factors to SI of the units in which entries come, where that is not 1."""


@dataclass(frozen=True)
class LogFile:
    """The log as a table: how it is written, what its columns are, and the text as it stands."""

    path: Path
    layout: Layout
    columns: Mapping[str, Column]
    text: str


def add_entry(folder: Path, entry: Mapping[str, object]) -> Path:
    """Append one entry to the log of a beat, making log.csv if there is none.

    Parameters
    ----------
    folder : the beat
    entry : values by the names of `COLUMNS`, checked; None and "" stay blank

    Returns
    -------
    The file it went into; other columns of it stay, blank in this row.

    Raises
    ------
    InputError : the log is no table, or has no column for something that was given
    OutputError : it can't be written; the old one still stands
    """
    log = _log_of(folder)
    row = [""] * len(log.layout.header)
    for name in COLUMNS:
        value = entry.get(name)
        if value is None or value == "":
            continue
        for key, told in _cells(KEYS[name], value, log.columns):
            key = OTHERWISE[key] if key not in log.columns and key in OTHERWISE else key
            if key not in log.columns:
                what = f"has no column for {name}; there are: {', '.join(log.layout.header)}"
                remedy = f"Add a column {name} and try again."
                raise InputError([Finding("error", log.path.name, "row 1", what, remedy, "log-column")])
            cell = told.replace(".", ",") if log.layout.decimal == "," and _is_number(told) else told
            row[log.columns[key].index] = cell
    out = io.StringIO()
    csv.writer(out, delimiter=log.layout.separator, lineterminator="\n").writerow(row)
    text = log.text + ("" if log.text.endswith("\n") else "\n") + out.getvalue()
    try:
        write_whole(log.path, text)
    except OSError as error:
        raise OutputError(f"{log.path}: can't be written ({error.strerror}); the log is as it was.") from error
    return log.path


def _log_of(folder: Path) -> LogFile:
    """The log of a beat, or an empty one."""
    report = Report()
    with report.collecting():
        found = find_parts(folder, read_settings(folder, report), report).one("log")
        if found is None:
            columns = columns_of(COLUMNS, LOG_KEYS, "log.csv", {}, report)
            return LogFile(folder / "log.csv", Layout(COLUMNS, 1, ",", "."), columns, ",".join(COLUMNS) + "\n")
        source, settings = found
        if source.kind != "table" or source.path.suffix.lower() == ".xlsx":
            what = "is no text table, so an entry can't be added to it from here"
            remedy = "Save it as log.csv, or write the entry into it yourself."
            raise InputError([Finding("error", source.name, "", what, remedy, "log-no-table")])
        text = source.path.read_text(encoding=source.encoding).removeprefix("\ufeff").replace("\r\n", "\n")
        layout = layout_of(source, settings)
        columns = columns_of(layout.header, LOG_KEYS, source.name, settings, report)
        return LogFile(source.path, layout, columns, text)
    raise InputError(report.findings())


def _cells(key: str, value: object, columns: Mapping[str, Column]) -> Iterator[tuple[str, str]]:
    """The columns a value goes into, as the reader will take it from there: a day apart from its hour, their units."""
    column = columns.get(key)
    if key == "time" and "date" in columns:
        day, _, hour = str(value).partition("T")
        own = next((name for name in ("time", "hour") if name in columns), "")
        yield from (("date", day), (own, hour)) if own else [("date", f"{day} {hour}")]
    elif column is not None and column.unit and isinstance(value, int | float):
        yield key, f"{value * USUAL.get(key, 1.0) / column.factor:.6g}"
    else:
        yield key, str(value)


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True

"""Text tables, row by row: separator, decimal sign, header, row numbers are checked, nothing is guessed in silence."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TextIO

from reachmap.beat.messages import Report, plain, stop
from reachmap.beat.source import Source

if TYPE_CHECKING:
    import numpy as np
    from pyproj import CRS

SEPARATORS = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|"}
LONGEST_LINE = 1_000_000
"""Characters of one line above which a file is refused."""

MOST_COLUMNS = 500
_SAMPLE = 200
_COMMA_NUMBER = re.compile(r"\s*[-+]?\d+,\d+\s*")
_POINT_NUMBER = re.compile(r"\s*[-+]?\d*\.\d+\s*")
_NUMBER = re.compile(r"\s*[-+]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d+)?\s*")


@dataclass(frozen=True)
class Table:
    """Rows of one file, whatever its format.

    Parameters
    ----------
    file : as shown to the user
    header : column names as the file has them
    rows : (number as counted in the file, cells), one after another, to be walked once
    word : what a row is called in messages, "row" or "feature"
    geometry : shapely geometries, one a row, or None
    crs : of the geometry, None if the file says none
    decimal : decimal sign of numbers in text
    settings : what beat.toml says about the file
    """

    file: str
    header: tuple[str, ...]
    rows: Iterator[tuple[int, Sequence[Any]]]
    word: str = "row"
    geometry: np.ndarray | None = None
    crs: CRS | None = None
    decimal: str = "."
    settings: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Layout:
    """How a text table is written.

    Parameters
    ----------
    header : column names
    skip : lines up to the header, it among them
    separator : between cells
    decimal : decimal sign of numbers
    """

    header: tuple[str, ...]
    skip: int
    separator: str
    decimal: str


def read_table(source: Source, settings: Mapping[str, Any], report: Report) -> Table:
    """Open a text table; the rows are read while they are walked.

    Raises
    ------
    InputError : as `layout_of`; while walking: a row of the wrong length, a damaged line
    """
    layout = layout_of(source, settings)
    if layout.decimal == "," and "decimal" not in settings:
        report.say("decimal-comma-read", source.name)
    rows = _rows(source, layout)
    return Table(source.name, layout.header, rows, decimal=layout.decimal, settings=settings)


def layout_of(source: Source, settings: Mapping[str, Any]) -> Layout:
    """How a text table is written, by its first rows and what beat.toml says about it.

    Raises
    ------
    InputError : no header, one column only, no rows
    """
    skip, declared, first, sample = _peek(source)
    separator = _separator(settings.get("separator") or declared, first, source.name)
    if separator is None:
        raise stop("one-column", source.name, f"row {skip + 1}", text=first)
    header = [cell.strip() for cell in next(csv.reader([first], delimiter=separator), [])]
    while header and not header[-1]:
        header.pop()
    _check_header(header, source.name, skip + 1)
    return Layout(tuple(header), skip + 1, separator, settings.get("decimal") or _decimal(separator, sample))


def _peek(source: Source) -> tuple[int, str, str, list[str]]:
    """Lines before the header, a declared separator, the header line, some lines after it."""
    skip, declared = 0, ""
    with source.path.open(encoding=source.encoding, newline="") as file:
        lines = _lines(file, source.name)
        for line in lines:
            text = line.strip().lstrip("\ufeff")
            if text.lower().startswith("sep=") and len(text) == 5:
                declared = text[4]
            elif text and not text.startswith(("#", "//")):
                return skip, declared, line.rstrip("\r\n"), [row for _, row in zip(range(_SAMPLE), lines, strict=False)]
            skip += 1
    raise stop("no-rows", source.name)


def _lines(file: TextIO, name: str) -> Iterator[str]:
    """Lines of bounded length, so that one endless line can't fill the memory."""
    number = 0
    while line := file.readline(LONGEST_LINE):
        number += 1
        if len(line) == LONGEST_LINE:
            raise stop("long-line", name, f"row {number}", limit=f"{LONGEST_LINE:,}")
        yield line


def _separator(given: str, header: str, file: str) -> str | None:
    if given:
        sign = SEPARATORS.get(given, given)
        if sign not in SEPARATORS.values():
            raise stop("separator", file, "[files] separator", value=given, known=", ".join(SEPARATORS))
        return sign if sign in header else None
    unquoted = re.sub(r'"[^"]*"', "", header)
    counts = {sign: unquoted.count(sign) for sign in ("\t", ";", "|", ",")}
    best = max(counts, key=lambda sign: counts[sign])
    return best if counts[best] else None


def _check_header(header: Sequence[str], file: str, row: int) -> None:
    filled = [cell for cell in header if cell]
    if len(header) > MOST_COLUMNS:
        raise stop("many-columns", file, f"row {row}", count=len(header), limit=MOST_COLUMNS)
    if filled and sum(bool(_NUMBER.fullmatch(cell)) for cell in filled) > len(filled) / 2:
        raise stop("no-header", file, f"row {row}", text=", ".join(header[:6]))


def _decimal(separator: str, sample: Sequence[str]) -> str:
    """The decimal sign of the first rows; a comma only where it can't be the separator."""
    if separator == ",":
        return "."
    cells = [cell for line in sample for cell in line.rstrip("\r\n").split(separator)]
    commas = sum(bool(_COMMA_NUMBER.fullmatch(cell)) for cell in cells)
    points = sum(bool(_POINT_NUMBER.fullmatch(cell)) for cell in cells)
    return "," if commas > points else "."


def _rows(source: Source, layout: Layout) -> Iterator[tuple[int, list[str]]]:
    skip, separator, width = layout.skip, layout.separator, len(layout.header)
    with source.path.open(encoding=source.encoding, newline="") as file:
        lines = _lines(file, source.name)
        for _ in range(skip):
            next(lines, "")
        reader = csv.reader(lines, delimiter=separator, strict=True)
        before = 0
        while True:
            number = skip + before + 1
            try:
                cells = next(reader)
            except StopIteration:
                return
            except csv.Error as error:
                if "end of data" in str(error):
                    raise stop("quote-open", source.name, f"row {number}", span=reader.line_num - before) from error
                raise stop("table-damaged", source.name, f"row {number}", why=str(error)) from error
            span, before = reader.line_num - before, reader.line_num
            if not cells or (len(cells) == 1 and not cells[0].strip()):
                continue
            if len(cells) > width and not any(cell.strip() for cell in cells[width:]):
                cells = cells[:width]
            if len(cells) != width:
                raise _wrong_length(source.name, number, cells, width, separator, span)
            yield number, cells


def _wrong_length(file: str, number: int, cells: Sequence[str], width: int, separator: str, span: int) -> Exception:
    where = f"row {number}"
    if span > 5:
        return stop("quote-open", file, where, span=span)
    numeric = sum(bool(_NUMBER.fullmatch(cell)) for cell in cells)
    if separator == "," and len(cells) > width and numeric > width:
        return stop(
            "decimal-comma", file, where, text=plain(separator.join(cells), 40), count=len(cells), expected=width
        )
    return stop("row-length", file, where, count=len(cells), expected=width)

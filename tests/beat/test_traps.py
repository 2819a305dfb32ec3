# ruff: noqa: E501 - a table of traps, one a line
"""Broken and hostile beats: each ends in one clear message with file and place, never in a traceback.

The table of input traps: what a careless reader does with each was measured when the project began; here the
message a person gets is held. Expectations are the plain meaning of each trap, not output of this code.
"""

from __future__ import annotations

import io
import json
import os
import re
import stat
import struct
import zipfile

import numpy as np
import pytest
from click.testing import CliRunner

from reachmap.beat import check_beat, read_beat
from reachmap.cli import main
from reachmap.errors import InputError
from tests.beat.folders import (
    BOX,
    SOUNDING_COLUMNS,
    TOML,
    collection,
    feature,
    make,
    outline_text,
    ring,
    sounding_rows,
    table_text,
    to_degrees,
)
from tests.beat.test_formats import frame, through

ROWS = sounding_rows()


def csv_with(row: int, column: str, value: str) -> str:
    """The usual soundings with one cell changed; `row` counts from 2 as in the file."""
    rows = [list(r) for r in ROWS]
    rows[row - 2][SOUNDING_COLUMNS.index(column)] = value
    return table_text(rows)


def zipped(**files: bytes) -> bytes:
    """A zip archive; names with dots as double underscores."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name.replace("__", "."), content)
    return out.getvalue()


def zip_patched(field: int, value: int) -> bytes:
    """A zip archive with one 16-bit field of both its headers changed, by its place in the local one (from memory)."""
    out = bytearray(zipped(outline__geojson=outline_text().encode()))
    for mark, shift in ((b"PK\x03\x04", 0), (b"PK\x01\x02", 2)):
        at = out.index(mark) + field + shift
        out[at : at + 2] = value.to_bytes(2, "little")
    return bytes(out)


def zip_hurt(packing: int) -> bytes:
    """A zip archive whose packed bytes are damaged in the middle, as by a copy that went wrong."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", packing) as archive:
        archive.writestr("outline.geojson", outline_text())
        size = archive.infolist()[0].compress_size
    whole = bytearray(out.getvalue())
    for at in range(60, 45 + size, 3):
        whole[at] ^= 0x5A
    return bytes(whole)


def zip_entry(name: str, content: bytes, link: bool = False) -> bytes:
    """A zip archive with one entry of any name, perhaps a symbolic link."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        entry = zipfile.ZipInfo(name)
        entry.external_attr = (stat.S_IFLNK | 0o777 if link else stat.S_IFREG | 0o644) << 16
        archive.writestr(entry, content, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def corners(points) -> str:
    """An outline of raw coordinates as GeoJSON."""
    return collection(feature("Polygon", [[list(p) for p in points]]))


BOWTIE = [(-60, -8), (60, 8), (60, -8), (-60, 8), (-60, -8)]
METRES = [[338429.2, 272918.1], [338549.2, 272918.1], [338549.2, 272934.1], [338429.2, 272934.1], [338429.2, 272918.1]]
SWAPPED = [[y, x] for x, y in ring(BOX)]
VRT = '<OGRVRTDataSource><OGRVRTLayer name="a"><SrcDataSource>/etc/passwd</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>'
BOMB = '<!DOCTYPE k [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>'
KML_HEAD = '<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2">'
TIFF_HUGE = struct.pack(
    "<2sHIH" + "HHII" * 8 + "I", b"II", 42, 8, 8,
    256, 4, 1, 2_000_000, 257, 4, 1, 2_000_000, 258, 3, 1, 8, 259, 3, 1, 1, 262, 3, 1, 1, 273, 4, 1, 8, 278, 4, 1, 1,
    279, 4, 1, 1, 0,
)  # fmt: skip

# name: (files to write, file the message names, where it points, words of the message)
TRAPS: dict[str, tuple[dict, str, str, str]] = {
    "empty outline": ({"outline__geojson": b""}, "outline.geojson", "", "empty"),
    "text as GeoJSON": ({"outline__geojson": "just words\n"}, "outline.geojson", "", "holds plain text"),
    "web page as GeoJSON": ({"outline__geojson": "<!DOCTYPE html><html></html>"}, "outline.geojson", "", "web page"),
    "other JSON": ({"outline__geojson": '{"a": [1, 2]}'}, "outline.geojson", "", "not GeoJSON"),
    "GeoJSON cut": ({"outline__geojson": outline_text()[:150]}, "outline.geojson", "line 1", "breaks off"),
    "no features": ({"outline__geojson": collection()}, "outline.geojson", "", "nothing in it"),
    "geometry of no kind": (
        {"outline__geojson": json.dumps({"type": "Feature", "properties": {}, "geometry": {"type": [["Polygon"]]}})},
        "outline.geojson", "feature 1", "no GeoJSON feature",
    ),
    "null geometry": (
        {"outline__geojson": json.dumps({"type": "Feature", "properties": {}, "geometry": None})},
        "outline.geojson", "", "no outline in it",
    ),
    "NaN coordinate": (
        {"outline__geojson": outline_text().replace(str(ring(BOX)[1][0]), "NaN", 1)},
        "outline.geojson", "feature 1", "no number",
    ),
    "open ring": (
        {"outline__geojson": corners([*ring(BOX)[:-1], [-2.8001, 54.6]])}, "outline.geojson", "feature 1", "isn't closed",
    ),
    "outline crosses itself": (
        {"outline__geojson": corners(ring(BOWTIE))}, "outline.geojson", "polygon 1", r"crosses itself near 54\.6\d+, -2\.8",
    ),
    "degrees and minutes in one": ({"soundings__csv": table_text([["-248.05", f"5436.{k:03d}", *row[2:]] for k, row in enumerate(ROWS)])}, "soundings.csv", "", "minutes run together"),
    "degrees and minutes in an outline": ({"outline__geojson": corners([[248, 5436], [248.1, 5436], [248.1, 5436.01], [248, 5436]])}, "outline.geojson", "", "minutes run together"),
    "metres in GeoJSON": ({"outline__geojson": corners(METRES)}, "outline.geojson", "", "look like metres"),
    "outline swapped": ({"outline__geojson": corners(SWAPPED)}, "outline.geojson", "", "look swapped"),
    "all swapped": (
        {
            "outline__geojson": corners(SWAPPED),
            "soundings__csv": table_text(ROWS, ("lat", "lon", *SOUNDING_COLUMNS[2:])),
            "toml": TOML.replace("head = [54.6, -2.80093]", ""),
        },
        "beat.toml", "time_zone", "swapped it fits",
    ),
    "soundings swapped": (
        {"soundings__csv": table_text(ROWS, ("lat", "lon", *SOUNDING_COLUMNS[2:]))}, "soundings.csv", "", "swapped it fits",
    ),
    "soundings elsewhere": (
        {"soundings__csv": table_text([["-1.5", "52.1", "0.4", "", "", "", ""]] * 5)}, "soundings.csv", "", "km from the outline",
    ),
    "points as outline": (
        {"outline__geojson": collection(feature("Point", [-2.8, 54.6]))}, "outline.geojson", "", "no outline in it",
    ),
    "unknown crs": (
        {"toml": TOML + '[files.soundings]\ncrs = "utm33"\n'}, "beat.toml", "crs of soundings.csv", "no coordinate system known",
    ),
    "EPSG that isn't": (
        {"toml": TOML + '[files.soundings]\ncrs = "EPSG:999999"\n'}, "beat.toml", "crs of soundings.csv", "EPSG:999999",
    ),
    "metres without crs": (
        {"soundings__csv": "x,y,depth_m\n338429,272918,0.5\n"}, "soundings.csv", "", "coordinate system",
    ),
    "VRT in disguise": ({"outline__geojson": VRT}, "outline.geojson", "", "points to other files"),
    "address as path": (
        {"toml": TOML + '[files.outline]\npath = "https://example.org/a.geojson"\n'}, "beat.toml", "[files.outline] path", "network",
    ),
    "virtual path": (
        {"toml": TOML + '[files.outline]\npath = "/vsicurl/http://example.org/a"\n'}, "beat.toml", "[files.outline] path", "virtual",
    ),
    "path out of the folder": (
        {"toml": TOML + '[files.notes]\npath = "../../secret.geojson"\n'}, "beat.toml", "[files.notes] path", "out of the beat folder",
    ),
    "absolute path": (
        {"toml": TOML + '[files.notes]\npath = "/etc/passwd"\n'}, "beat.toml", "[files.notes] path", "out of the beat folder",
    ),
    "Windows path": (
        {"toml": TOML + "[files.notes]\npath = 'C:\\notes.geojson'\n"}, "beat.toml", "[files.notes] path", "out of the beat folder",
    ),
    "driver prefix": (
        {"toml": TOML + '[files.outline]\npath = "PG:dbname=x"\n'}, "beat.toml", "[files.outline] path", "not a file of the beat",
    ),
    "missing file": (
        {"toml": TOML + '[files.soundings]\npath = "soundngs.csv"\n'}, "beat.toml", "[files.soundings] path", "Did you mean 'soundings.csv'",
    ),
    "damaged GeoPackage": (
        {"outline__geojson": None, "outline__gpkg": b"SQLite format 3\x00" + b"\x01" * 5000}, "outline.gpkg", "", "damaged",
    ),
    "zip without a map": ({"outline__geojson": None, "outline__zip": zipped(readme__txt=b"x")}, "outline.zip", "", "no map file"),
    "cut zip": ({"outline__geojson": None, "outline__zip": zipped(a__geojson=b"{}" * 99)[:60]}, "outline.zip", "", "damaged"),
    "zip of a later version": ({"outline__geojson": None, "outline__zip": zip_patched(4, 99)}, "outline.zip", "", "damaged"),
    "zip with a password": ({"outline__geojson": None, "outline__zip": zip_patched(6, 1)}, "outline.zip", "", "damaged"),
    "zip in an unknown packing": ({"outline__geojson": None, "outline__zip": zip_patched(8, 97)}, "outline.zip", "", "damaged"),
    "zip with hurt bytes, deflated": (
        {"outline__geojson": None, "outline__zip": zip_hurt(zipfile.ZIP_DEFLATED)}, "outline.zip", "", "damaged",
    ),
    "zip with hurt bytes, lzma": (
        {"outline__geojson": None, "outline__zip": zip_hurt(zipfile.ZIP_LZMA)}, "outline.zip", "", "damaged",
    ),
    "zip with hurt bytes, bzip2": (
        {"outline__geojson": None, "outline__zip": zip_hurt(zipfile.ZIP_BZIP2)}, "outline.zip", "", "damaged",
    ),
    "zip with a nameless entry": (
        {"outline__geojson": None, "outline__zip": zip_entry("x.geojson", b"{}").replace(b"x.geojson", b"\0.geojson")},
        "outline.zip", "", "no name",
    ),
    "zip with a dot for a name": (
        {"outline__geojson": None, "outline__zip": zip_entry(".", b"{}")}, "outline.zip", "", "no name",
    ),
    "zip that climbs": (
        {"outline__geojson": None, "outline__zip": zip_entry("../../outline.geojson", outline_text().encode())},
        "outline.zip", "", "land outside",
    ),
    "zip with a link": (
        {"outline__geojson": None, "outline__zip": zip_entry("outline.geojson", b"/etc/passwd", link=True)},
        "outline.zip", "", "link elsewhere",
    ),
    "zip bomb": (
        {"outline__geojson": None, "outline__zip": zip_entry("outline.geojson", b"\0" * 120_000_000)}, "outline.zip", "", "grows beyond",
    ),
    "zip in a zip": (
        {"outline__geojson": None, "outline__zip": zipped(outline__geojson=zipped(a__geojson=b"{}"))}, "outline.zip", "", "archive again",
    ),
    "lone .shp": (
        {"outline__geojson": None, "outline__shp": b"\x00\x00\x27\x0a" + b"\0" * 96}, "outline.shp", "", r"lacks its part \.shx",
    ),
    "entity bomb": (
        {"outline__geojson": None, "outline__kml": f"{BOMB}{KML_HEAD}&b;</kml>"}, "outline.kml", "", "entities",
    ),
    "cut KML": ({"outline__geojson": None, "outline__kml": KML_HEAD + "<Document><Place"}, "outline.kml", "", "damaged"),
    "nested brackets": (
        {"outline__geojson": '{"type": "Feature", "a": ' + "[" * 200_000}, "outline.geojson", "", "nested deeper",
    ),
    "picture as outline": ({"outline__geojson": b"\x89PNG\r\n\x1a\n" + b"\x00" * 50}, "outline.geojson", "", "no file of a kind"),
    "two outlines": ({"outline__kml": KML_HEAD + "</kml>"}, "beat.toml", "[files.outline]", "several files"),
    "cut TIFF": ({"terrain__tif": b"II*\x00\x08\x00\x00\x00"}, "terrain.tif", "", "damaged"),
    "text as TIFF": ({"terrain__tif": "heights\n"}, "terrain.tif", "", "holds plain text"),
    "TIFF that claims 4e12 cells": ({"terrain__tif": TIFF_HUGE}, "terrain.tif", "", "2000000 by 2000000"),
    "semicolons missing": ({"soundings__csv": "depth\n0.5\n"}, "soundings.csv", "row 1", "no separator"),
    "decimal commas in commas": (
        {"soundings__csv": "lon,lat,depth_m\n-2,8,54,6,0,85\n"}, "soundings.csv", "row 2", "has 6 values, the header 3",
    ),
    "quoted decimal comma": ({"soundings__csv": csv_with(5, "depth_m", "0,85")}, "soundings.csv", "row 5", "decimal comma"),
    "no header": ({"soundings__csv": "-2.8,54.6,0.85\n-2.8,54.6,0.9\n"}, "soundings.csv", "row 1", "isn't a header"),
    "short row": ({"soundings__csv": "lon,lat,depth_m\n-2.8,54.6,1\n-2.8,54.6\n"}, "soundings.csv", "row 3", "has 2 values, expected 3"),
    "header only": ({"soundings__csv": "lon,lat,depth_m\n"}, "soundings.csv", "", "no rows"),
    "blank lines only": ({"soundings__csv": "\n\n"}, "soundings.csv", "", "no rows"),
    "double column": ({"soundings__csv": "lon,lat,depth,Depth\n-2.8,54.6,1,1\n"}, "soundings.csv", "header", "both 'depth' and 'Depth'"),
    "words as depth": ({"soundings__csv": csv_with(7, "depth_m", "deep")}, "soundings.csv", "row 7", "'deep', which is no number"),
    "infinite": ({"soundings__csv": csv_with(3, "depth_m", "1e400")}, "soundings.csv", "row 3", "beyond any number"),
    "inf": ({"soundings__csv": csv_with(3, "depth_m", "inf")}, "soundings.csv", "row 3", "beyond any number"),
    "no depth": ({"soundings__csv": "lon,lat,tide\n-2.8,54.6,1\n"}, "soundings.csv", "header", "no depth among"),
    "no position": ({"soundings__csv": "point,depth\n1,1\n"}, "soundings.csv", "header", "no position among"),
    "depths down": (
        {"soundings__csv": table_text([[*r[:2], "-" + r[2], *r[3:]] for r in ROWS])}, "soundings.csv", "", "most depths are negative",
    ),
    "bed level alone": (
        {"soundings__csv": "lon,lat,bed_level_m\n-2.8,54.6,174.2\n"}, "soundings.csv", "header", "level of the water",
    ),
    "levels as depth": (
        {"soundings__csv": table_text([[*r[:2], str(174 + float(r[2])), *r[3:]] for r in ROWS])}, "soundings.csv", "", "levels above the sea",
    ),
    "unknown unit": (
        {"soundings__csv": table_text(ROWS, ("lon", "lat", "depth (cubits)", *SOUNDING_COLUMNS[3:]))}, "soundings.csv", "column", "cubits",
    ),
    "endless line": ({"soundings__csv": "lon,lat,depth_m\n" + "1" * 1_100_000}, "soundings.csv", "row 2", "longer than 1,000,000"),
    "open quotation": (
        {"soundings__csv": 'lon,lat,depth_m\n-2.8,54.6,"0.5\n' + "-2.8,54.6,0.5\n" * 9}, "soundings.csv", "row 2", "quotation mark",
    ),
    "binary as CSV": ({"soundings__csv": bytes(range(256)) * 10}, "soundings.csv", "", "no file of a kind"),
    "soundings as lines": (
        {"soundings__csv": None, "soundings__geojson": collection(feature("LineString", [[-2.8, 54.6], [-2.8001, 54.6]], depth=1))},
        "soundings.geojson", "feature 1", "soundings are points",
    ),
    "no checksum fits": ({"soundings__csv": None, "soundings__nmea": "$SDDBT,3.3,f,1.0,M,0.5,F*FF\n"}, "soundings.nmea", "", "no depth in it"),
    "unknown kind of cover": (
        {"cover__geojson": collection(feature("Point", [-2.8, 54.6], kind="bolder"))}, "cover.geojson", "feature 1", "Did you mean 'boulder'",
    ),
    "misspelt setting": ({"toml": TOML.replace("clarity_m", "clarty_m")}, "beat.toml", "[water] clarty_m", "Did you mean clarity_m"),
    "misspelt section": ({"toml": TOML.replace("[water]", "[watr]")}, "beat.toml", "[watr]", "Did you mean 'water'"),
    "setting of the wrong kind": ({"toml": TOML.replace("= 2.5", '= "far"')}, "beat.toml", "[water] clarity_m", "which is no length"),
    "number for yes": ({"toml": TOML.replace("= 2.5", "= true")}, "beat.toml", "[water] clarity_m", "which is no length"),
    "setting out of range": ({"toml": TOML.replace("cloud = 1", "cloud = 9")}, "beat.toml", "[[scenes]] number 1 cloud", "between 0 and 8"),
    "NaN setting": ({"toml": TOML.replace("= 2.5", "= nan")}, "beat.toml", "[water] clarity_m", "is nan"),
    "word not known": ({"toml": TOML.replace('"brown"', '"browm"')}, "beat.toml", "[fish] species", "Did you mean 'brown'"),
    "TOML with a decimal comma": ({"toml": TOML.replace("2.5", "2,5")}, "beat.toml", "line 10", "decimal comma"),
    "TOML without quotes": ({"toml": TOML.replace('"Trial water"', "Trial water")}, "beat.toml", "line 1", "name = Trial water"),
    "impossible date": ({"toml": TOML.replace("2026-06-14", "2026-06-31")}, "beat.toml", "line 5", "2026-06-31"),
    "zone unknown": ({"toml": TOML.replace("Europe/London", "GMT+1h")}, "beat.toml", "time_zone", "no time zone"),
    "zone climbs": ({"toml": TOML.replace("Europe/London", "../../etc/passwd")}, "beat.toml", "time_zone", "no time zone"),
    "name of 10,000 characters": ({"toml": TOML.replace("Trial water", "x" * 10_000)}, "beat.toml", "name", "10000 characters"),
    "scene twice": ({"toml": TOML + '[[scenes]]\nname = "sunny noon"\nwhen = 2026-06-20T13:00:00\n'}, "beat.toml", "number 2", "used twice"),
    "scene without time": ({"toml": TOML + '[[scenes]]\nname = "b"\n'}, "beat.toml", "number 2", "no time"),
    "deep TOML": ({"toml": "a = " + "[" * 100_000}, "beat.toml", "line 1", "can't be read"),
}  # fmt: skip


@pytest.mark.parametrize("name", TRAPS)
def test_a_trap_ends_in_one_clear_message(tmp_path, name):
    files, file, where, words = TRAPS[name]
    folder = make(tmp_path / "beat", **files)
    before = sorted(tmp_path.rglob("*"))
    found = [f for f in check_beat(folder) if f.severity == "error"]
    assert len(found) == 1, [str(f) for f in found]
    assert found[0].file == file
    assert where in found[0].where
    assert found[0].remedy
    assert re.search(words, str(found[0]))
    assert sorted(tmp_path.rglob("*")) == before, "something was left behind"


def test_all_traps_through_the_command_line_counted(tmp_path, capsys):
    """Each by `check` and by `map`: exit code 1, one clear message, no traceback, nothing left behind."""
    clear = tracebacks = left = 0
    for k, (files, file, _, words) in enumerate(TRAPS.values()):
        folder = make(tmp_path / str(k) / "beat", **files)
        before = sorted(folder.parent.rglob("*"))
        calls = (["check", str(folder)], ["map", str(folder), "--out", str(folder.parent / "out"), "--quiet"])
        done = [CliRunner().invoke(main, call) for call in calls]
        clear += all(one.exit_code == 1 and file in one.output and re.search(words, one.output) for one in done)
        tracebacks += any("Traceback" in one.output or "should not" in one.output for one in done)
        left += sorted(folder.parent.rglob("*")) != before
    with capsys.disabled():
        print(f"\n{len(TRAPS)} bad inputs: {clear} clear messages, {tracebacks} tracebacks, {left} left files behind")
    assert (clear, tracebacks, left) == (len(TRAPS), 0, 0)


WARNINGS = {
    "BOM": ({"soundings__csv": "\ufeff" + table_text(ROWS)}, None),
    "trailing comma": ({"soundings__csv": table_text(ROWS).replace("\n", ",\n")}, None),
    "spaces in the header": ({"soundings__csv": table_text(ROWS).replace("lon,lat", " Lon , LAT ")}, None),
    "comment first": ({"soundings__csv": "# kayak, morning\n" + table_text(ROWS)}, None),
    "blank cells": ({"soundings__csv": csv_with(4, "depth_m", "n/a")}, "row 4: 1 have no depth"),
    "no value number": ({"soundings__csv": csv_with(4, "depth_m", "-999")}, "-999 in 1 cells"),
    "unit in the cell": ({"soundings__csv": csv_with(4, "depth_m", "0.85 m")}, None),
    "unknown column": ({"soundings__csv": table_text(ROWS).replace("note", "Tide", 1)}, "not used: 'Tide'"),
    "no settings": ({"toml": None}, "there is none"),
    "no soundings": ({"soundings__csv": None}, "depth will be an estimate"),
    "windows-1252": ({"soundings__csv": csv_with(4, "note", "tr\u00e8s profond").encode("cp1252")}, "read as Windows-1252"),
    "clocks go forward": (
        {"toml": TOML + '[[scenes]]\nname = "b"\nwhen = 2026-03-29T01:30:00\n'},
        "doesn't exist in Europe/London",
    ),
    "clocks go back": (
        {"toml": TOML + '[[scenes]]\nname = "b"\nwhen = 2026-10-25T01:30:00\n'},
        "happens twice in Europe/London",
    ),
    "invisible characters": ({"toml": TOML.replace("Trial water", "Trial\\u202e water")}, "invisible"),
    "boat speed": (
        {"soundings__csv": table_text([[*r[:3], "1.1", *r[4:]] for r in ROWS], ("lon", "lat", "depth_m", "SOG", "how", "line", "note"))},
        "speed of the boat",
    ),
    "speeds all zero": (
        {"soundings__csv": table_text([[*r[:3], "0", *r[4:]] for r in ROWS])}, "all 0, were taken as not measured",
    ),
    "row without a place": ({"soundings__csv": csv_with(9, "lat", "")}, "row 9: has no position"),
    "misnamed file": ({"soundings__csv": None, "sounding__csv": table_text(ROWS)}, "looks like the soundings"),
}  # fmt: skip


@pytest.mark.parametrize("name", WARNINGS)
def test_a_lesser_trap_is_read_and_told(tmp_path, name):
    files, words = WARNINGS[name]
    beat = read_beat(make(tmp_path / "beat", **files))
    text = "\n".join(str(f) for f in beat.findings)
    if words is None:
        assert not [f for f in beat.findings if f.severity == "warning"], text
        assert len(beat.soundings) == len(ROWS)
        np.testing.assert_allclose(beat.soundings["depth_m"].iloc[0], float(ROWS[0][2]))
    else:
        assert words in text
    assert beat.outline.area == pytest.approx(120 * 16, rel=1e-3)


def test_what_the_bed_is_made_of_stands_beside_a_depth(tmp_path):
    """A column of levels only where there are no depths."""
    rows = [[*row[:3], ("cobble", "gravel", "?")[k % 3], "low"] for k, row in enumerate(ROWS)]
    text = table_text(rows, ("lon", "lat", "depth_m", "bed", "water level"))
    beat = read_beat(make(tmp_path / "beat", soundings__csv=text))
    np.testing.assert_allclose(beat.soundings["depth_m"], [float(row[2]) for row in ROWS])
    assert not [f for f in beat.findings if f.file == "soundings.csv"]


def test_files_that_play_no_part_are_named_once(tmp_path):
    folder = make(tmp_path / "beat", soundings__csv=None, depths__csv=table_text(ROWS), sounding__csv=table_text(ROWS))
    for name in ("bank.jpg", "letter.txt", ".hidden.csv", "curves.toml"):
        (folder / name).write_text("x", encoding="utf-8")
    told = {f.code: f for f in check_beat(folder)}
    assert told["file-unused"].file == "depths.csv"
    assert told["file-unused"].severity == "note"
    assert told["file-near"].file == "sounding.csv"
    for k in range(20):
        (folder / f"walk {k}.gpx").write_text("x", encoding="utf-8")
    (found,) = [f for f in check_beat(folder) if f.code == "file-unused"]
    assert found.file.endswith("and 16 more")
    named = make(
        tmp_path / "named",
        TOML + '[files.soundings]\npath = "depths.csv"\n',
        soundings__csv=None,
        depths__csv=table_text(ROWS),
    )
    assert "file-unused" not in {f.code for f in check_beat(named)}


def test_soundings_that_the_one_named_in_beat_toml_leaves_out_are_told(tmp_path):
    """Where one is named those named are read alone; files of other parts and parts of a shapefile are used."""
    toml = TOML + '[files.soundings]\npath = "soundings.csv"\n'
    halves = {"soundings__csv": table_text(ROWS[:40]), "soundings-2__csv": table_text(ROWS[40:])}
    folder = make(tmp_path / "beat", toml=toml, **halves, **{"soundings 3__txt": table_text(ROWS[40:])})
    told = {f.code: f.file for f in check_beat(folder) if f.code.startswith("file")}
    assert told == {"file-left-out": "soundings 3.txt, soundings-2.csv"}
    # Not beside the file that can't be found.
    (folder / "beat.toml").write_text(toml.replace("soundings.csv", "sonar.csv"), encoding="utf-8")
    assert not [f for f in check_beat(folder) if f.code.startswith("file")]
    (folder / "beat.toml").write_text(TOML, encoding="utf-8")
    assert not [f for f in check_beat(folder) if f.code.startswith("file")]
    (folder / "terrain.csv").write_text("x", encoding="utf-8")
    assert [f.file for f in check_beat(folder) if f.code.startswith("file")] == ["terrain.csv"]


def test_strict_turns_warnings_into_errors(tmp_path):
    folder = make(tmp_path / "beat", soundings__csv=None)
    assert read_beat(folder).soundings.empty
    with pytest.raises(InputError, match="depth will be an estimate"):
        read_beat(folder, strict=True)


def test_all_problems_are_told_at_once_twenty_a_file(tmp_path):
    rows = [[*r[:2], "deep", *r[3:]] for r in ROWS]
    bad = make(tmp_path / "beat", toml=TOML.replace("cloud = 1", "cloud = 9"), soundings__csv=table_text(rows))
    found = [f for f in check_beat(bad) if f.severity == "error"]
    of_rows = [f for f in found if f.code == "cell-text"]
    assert len(of_rows) == 20
    assert [f.where for f in of_rows[:2]] == ["row 2", "row 3"]
    assert any(f.what == f"and {len(rows) - 20} more like these" for f in found)
    assert any("cloud" in f.where for f in found)


@pytest.mark.parametrize("name", ["absent", "file", "empty", "map"])
def test_a_folder_that_is_none(tmp_path, name):
    (tmp_path / "file").write_text("x")
    (tmp_path / "empty").mkdir()
    (tmp_path / "map").mkdir()
    for file in ("map.html", "run.json", "lies.csv"):
        (tmp_path / "map" / file).write_text("{}")
    found = check_beat(tmp_path / name)
    words = {
        "absent": "no such folder",
        "file": "a file, not a beat folder",
        "empty": "there is no outline",
        "map": "a finished map, not a beat",
    }
    assert any(words[name] in f.what for f in found if f.severity == "error")


def test_swapped_degrees_of_an_impossible_latitude(tmp_path):
    lon, lat = to_degrees(np.array([-60.0, 60, 60, -60, -60]) + 0, np.array([-8.0, -8, 8, 8, -8]))
    points = [[float(y), float(x) + 100] for x, y in zip(lon, lat, strict=True)]
    folder = make(tmp_path / "beat", outline__geojson=corners(points), soundings__csv=None)
    with pytest.raises(InputError, match=r"latitude .* is impossible"):
        read_beat(folder)


def test_things_that_are_no_files(tmp_path):
    folder = make(tmp_path / "beat", outline__geojson=None, soundings__csv=None)
    os.mkfifo(folder / "soundings.csv")
    (folder / "outline.geojson").symlink_to(folder / "outline.geojson")
    (folder / "cover.geojson").symlink_to(tmp_path / "absent")
    (folder / "shade.geojson").mkdir()
    found = {f.file: f.what for f in check_beat(folder) if f.severity == "error"}
    assert "special file" in found["soundings.csv"]
    assert "can't be read" in found["outline.geojson"]
    assert "can't be read" in found["cover.geojson"]
    assert "holds 0 map files" in found["shade.geojson"]


def test_metres_in_a_geojson_are_taken_when_their_system_is_named(tmp_path):
    toml = TOML.replace("head = [54.6, -2.80093]", "") + '[files.outline]\ncrs = "EPSG:27700"\n'
    beat = read_beat(make(tmp_path / "beat", toml=toml, outline__geojson=corners(METRES), soundings__csv=None))
    # The national grid's scale is within 0.04 % of the ground there.
    assert beat.outline.area == pytest.approx(120 * 16, rel=1e-3)


def test_a_file_and_the_settings_may_not_name_two_systems(tmp_path):
    toml = TOML + '[files.soundings]\ncrs = "EPSG:27700"\n'
    content = through(tmp_path, "gpkg", layer="soundings")
    with pytest.raises(InputError, match=r"the file says .WGS 84., beat\.toml says .EPSG:27700."):
        read_beat(make(tmp_path / "beat", toml=toml, soundings__csv=None, soundings__gpkg=content))


def test_a_head_with_its_numbers_swapped_is_told(tmp_path):
    with pytest.raises(InputError, match=r"lies [0-9,.]+ km from the outline"):
        read_beat(make(tmp_path / "beat", toml=TOML.replace("[54.6, -2.80093]", "[-2.80093, 54.6]")))


def test_several_layers_are_told_and_can_be_chosen(tmp_path):
    path = tmp_path / "two.gpkg"
    frame().to_file(path, layer="kayak")
    frame().head(5).to_file(path, layer="wading")
    files = {"soundings__csv": None, "soundings__gpkg": path.read_bytes()}
    both = read_beat(make(tmp_path / "a", **files))
    assert "several layers" in next(f.what for f in both.findings if f.code == "layer-taken")
    toml = TOML + '[files.soundings]\nlayer = "wading"\n'
    assert len(read_beat(make(tmp_path / "b", toml=toml, **files)).soundings) == 5
    with pytest.raises(InputError, match="there is no layer 'wadng'; there are: kayak, wading"):
        read_beat(make(tmp_path / "c", toml=toml.replace("wading", "wadng"), **files))

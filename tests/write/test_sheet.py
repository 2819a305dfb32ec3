"""The field sheet: typed back in, its grid lands where the water is; it prints on two sides."""

from __future__ import annotations

import re
import subprocess

import numpy as np
import pytest
from click.testing import CliRunner

from reachmap.beat import read_beat
from reachmap.cli import main
from reachmap.visit.wading import STANDING_CAUTIONS
from reachmap.write.sheet import FLOAT_ROWS, SOUNDING_ROWS, sheet_page
from tests import toy
from tests.beat.folders import make


@pytest.mark.parametrize(("unit", "metres"), [("m", 1.0), ("ft", 0.3048)])
def test_what_is_written_on_the_sheet_can_be_typed_in(tmp_path, unit, metres):
    """A place read off the grid, with the corner the sheet gives as anchor, comes back to the same water.

    The international foot is 0.3048 m exactly.
    """
    units = f"units = '{'metric' if unit == 'm' else 'imperial'}'\n"
    head = f"name = 'b'\ntime_zone = 'Europe/London'\n{units}"
    beat = read_beat(make(tmp_path / "first", toml=head))
    step = metres * float(re.search(rf"Grid (\d+) {unit}", sheet_page(beat))[1])
    corner = re.search(r"anchor = \[(-?[0-9.]+), (-?[0-9.]+)\]", sheet_page(beat))
    x0, y0, x1, y1 = beat.outline.bounds
    x, y = np.array([50.0, 60.0, 70.0, 55.0]), np.array([18.0, 19.0, 21.0, 22.0])
    toml = head + "[place]\nanchor = [" + ", ".join(corner.groups()) + "]\n"
    names = re.findall(r"<th>(\w+_\w+)</th>", sheet_page(beat))[:4]
    assert names == [f"x_{unit}", f"y_{unit}", f"depth_{unit}", f"speed_{unit}_s"]
    rows = ",".join(names) + "\n"
    rows += "".join(f"{a},{b},{0.5 / metres},{0.3 / metres}\n" for a, b in zip(x / metres, y / metres, strict=True))
    toml += "[files.soundings]\ncrs = 'local'\n"
    again = read_beat(make(tmp_path / "second", toml=toml, soundings__csv=rows))
    got = again.soundings.geometry
    np.testing.assert_allclose(again.soundings["depth_m"], 0.5)
    np.testing.assert_allclose(again.soundings["speed_m_s"], 0.3)
    west, south = np.floor(x0 / step) * step, np.floor(y0 / step) * step
    np.testing.assert_allclose(got.x, west + x, atol=0.1)
    np.testing.assert_allclose(got.y, south + y, atol=0.1)
    assert y1 > y0
    assert x1 > x0


@pytest.mark.parametrize(("units", "metres"), [("metric", 1.0), ("imperial", 0.3048)])
def test_float_timings_typed_in_as_the_sheet_says_are_used(tmp_path, units, metres):
    """6 lengths in 10 s: 0.6 of them a second."""
    head = f"name = 'b'\ntime_zone = 'Europe/London'\nunits = '{units}'\n[place]\nanchor = [54.6, -2.8]\n"
    page = sheet_page(read_beat(make(tmp_path / "first", toml=head)))
    floats = page.partition("Float timings")[2]
    names = [*re.findall(r"<th>(\w+_\w+)</th>", floats), re.search(r"goes into\s+(\w+)", floats)[1], "speed_how"]
    row = {"y": "3", "depth": "0.8", "speed": "0.6", "speed_how": "surface float"}
    rows = ",".join(names) + "\n"
    for x in range(-40, 50, 20):
        rows += ",".join(f"{x}" if n[0] == "x" else row.get(n) or row[n.split("_")[0]] for n in names) + "\n"
    toml = head + "[files.soundings]\ncrs = 'local'\n"
    got = read_beat(make(tmp_path / "second", toml=toml, soundings__csv=rows))
    assert set(got.soundings["flag"]) == {""}
    np.testing.assert_allclose(got.soundings["speed_m_s"], 0.6 * metres)
    assert set(got.soundings["speed_how"]) == {"surface float"}


@pytest.mark.parametrize("bearing", [0.0, 30.0, -110.0])
def test_a_beat_in_metres_of_its_own_keeps_them(tmp_path, bearing):
    """What is typed in as the sheet says lies where it was measured, and nothing else moves."""
    ring = [(311.0, 96.0), (429.0, 96.0), (429.0, 119.0), (311.0, 119.0)]
    outline = "x,y\n" + "".join(f"{x},{y}\n" for x, y in ring)
    rows = "x (m),y (m),depth (m)\n" + "".join(f"{x},{y},0.5\n" for x in range(320, 430, 20) for y in (100, 110))
    toml = "name = 'b'\ntime_zone = 'Europe/London'\n[place]\nanchor = [54.2, -2.4]\n"
    toml += f"bearing_deg = {bearing}\n[files.outline]\ncrs = 'local'\n[files.soundings]\ncrs = 'local'\n"
    folder = make(tmp_path / "beat", toml=toml, outline__geojson=None, outline__csv=outline, soundings__csv=rows)
    beat = read_beat(folder)
    page = sheet_page(beat)
    assert "under [place]" not in page
    assert "(0, 0) is at 54.200000, -2.400000" in page
    step = int(re.search(r"Grid (\d+) m", page)[1])
    first = [int(n) for n in re.findall(r"text-anchor='(?:middle|end)'>(-?\d+)</text>", page)]
    assert set(range(311 // step * step, 431, step)) | set(range(96 // step * step, 121, step)) == set(first)
    assert (f"y_m runs toward {bearing % 360:g}° from north" in page) == ("rotate" in page) == (bearing != 0)
    name = re.search(r"Type both tables into <b>([\w.-]+)</b>", page)[1]
    (folder / name).write_text("x_m,y_m,depth_m\n325.0,105.0,0.9\n", encoding="utf-8")
    again = read_beat(folder)
    assert again.outline.equals(beat.outline)
    new = again.soundings["file"] == name
    assert again.soundings.geometry[~new].tolist() == beat.soundings.geometry.tolist()
    # By its neighbours: a sounding at (320, 100) and one at (320, 110) lie 5 m aside and 5 m up and down of it.
    near = beat.soundings.geometry.iloc[:2]
    np.testing.assert_allclose(near.distance(again.soundings.geometry[new].iloc[0]), np.hypot(5, 5), atol=0.01)


@pytest.mark.parametrize(("said", "told"), [("", False), ("crs = 'local'", False), ("depth_unit = 'ft'", True)])
def test_what_is_said_of_other_soundings_is_kept_from_those_of_the_sheet(tmp_path, said, told):
    toml = "name = 'b'\ntime_zone = 'Europe/London'\n[place]\nanchor = [54.6, -2.8]\n"
    rows = "x,y,depth\n0,0,1.2\n20,4,1.4\n40,-3,1.1\n60,2,0.9\n"
    folder = make(tmp_path / "beat", toml=f"{toml}[files.soundings]\n{said}\n", soundings__csv=rows)
    page = sheet_page(read_beat(folder))
    assert ("name every file of soundings by a [[files.soundings]] with its path" in page) == told
    assert "<b>soundings-2.csv</b>" in page


def test_blanks_grid_cautions_and_nothing_from_outside():
    page = sheet_page(toy.beat(name='<b>Mill & "Weir"</b>'))
    assert page.count("<tr>") == SOUNDING_ROWS + FLOAT_ROWS + 2
    assert all(text in page for text in STANDING_CAUTIONS)
    assert "&lt;b&gt;Mill &amp;" in page
    assert "http" not in page.replace("http-equiv", "")


@pytest.mark.browser
@pytest.mark.parametrize("length", [60, 120, 900])
def test_it_prints_on_two_sides(browser, tmp_path, length):
    import shapely

    outline = shapely.MultiPolygon([shapely.box(-length / 2, -8, length / 2, 8)])
    place = {"place": {"anchor": [54.2, -2.4], "bearing_deg": 30}, "files": {"soundings": {"depth_unit": "ft"}}}
    upright = shapely.affinity.rotate(outline, 90)
    for beat in (toy.beat(outline=outline), toy.beat(outline=upright), toy.beat(outline=outline, settings=place)):
        page = browser.new_page()
        page.set_content(sheet_page(beat))
        for paper in ("A4", "Letter"):
            page.pdf(path=tmp_path / "sheet.pdf", format=paper)
            told = subprocess.run(
                ["pdfinfo", tmp_path / "sheet.pdf"], capture_output=True, text=True, check=True
            ).stdout
            assert re.search(r"Pages:\s+2\b", told), (length, paper, told)
        page.close()


def test_the_command_writes_it_and_says_where_it_cannot(tmp_path):
    folder = make(tmp_path / "beat")
    done = CliRunner().invoke(main, ["sheet", str(folder), "--out", str(tmp_path / "s.html")])
    assert done.exit_code == 0, done.output
    assert "field sheet" in (tmp_path / "s.html").read_text(encoding="utf-8")
    done = CliRunner().invoke(main, ["sheet", str(folder), "--out", str(tmp_path / "no" / "s.html")])
    assert done.exit_code == 1
    assert "Choose another place" in done.output

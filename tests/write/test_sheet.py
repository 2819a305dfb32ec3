"""The field sheet: typed back in, its grid lands where the water is; it prints on two sides."""

from __future__ import annotations

import re
import subprocess
from dataclasses import replace

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
    for beat in (toy.beat(outline=outline), replace(toy.beat(), outline=shapely.affinity.rotate(outline, 90))):
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

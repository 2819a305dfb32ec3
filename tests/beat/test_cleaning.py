"""Odd soundings are set aside with a reason and a count; the sound ones stay."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pytest

from reachmap.beat import outline_from_points, read_beat
from tests.beat.folders import SOUNDING_COLUMNS, TOML, make, outline_text, sounding_rows, table_text, to_degrees

N = len(sounding_rows())


def at(x, y, depth, speed=""):
    """One row at metres from the middle."""
    lon, lat = to_degrees(x, y)
    return [f"{float(lon):.8f}", f"{float(lat):.8f}", str(depth), str(speed), "mean" if speed else "", "", ""]


def read_with(tmp_path, *extra, toml=TOML, island=False):
    """The usual soundings and some more; returns the flags of those, the findings' codes and the beat."""
    text = table_text([*sounding_rows(), *extra])
    beat = read_beat(make(tmp_path / "beat", toml=toml, soundings__csv=text, outline__geojson=outline_text(island)))
    return list(beat.soundings["flag"][N:]), {f.code: f for f in beat.findings}, beat


@pytest.mark.parametrize(
    ("row", "flag", "code"),
    [
        (at(0, 14, 0.4), "outside the water, 6.0 m from it", "flag-outside"),
        (at(1, 1, 0.0), "no echo (depth 0)", "flag-no-echo"),
        (at(1, 1, 22), "deeper than 15 m", "flag-deep"),
        (sounding_rows()[10], "same place and depth as an earlier row", "flag-duplicate"),
    ],
)
def test_an_odd_sounding_is_set_aside(tmp_path, row, flag, code):
    flags, found, beat = read_with(tmp_path, row)
    assert flags == [flag]
    assert found[code].where == f"row {N + 2}"
    assert f"1 of {N + 1} soundings" in found[code].what
    assert (beat.soundings["flag"][:N] == "").all()


def test_a_sounding_well_on_an_island(tmp_path):
    rows = [at(15, 0, 0.4)]
    toml = TOML + "[cleaning]\noutside_m = 1\n"
    flags, found, _ = read_with(tmp_path, *rows, toml=toml, island=True)
    assert flags == ["on an island, 2.0 m from it"]
    assert "flag-outside" in found


def test_just_outside_and_dry_at_the_edge_are_kept(tmp_path):
    flags, found, _ = read_with(tmp_path, at(0, 9.5, 0.2), at(0, 7.5, 0.0))
    assert flags == ["", ""]
    assert not [code for code in found if code.startswith("flag")]


def test_a_spike_among_close_soundings(tmp_path):
    # A lattice of 1 m, 0.8 m deep; one value 2.4 m: three times the depth of all its neighbours.
    rows = [at(x, y, 2.4 if (x, y) == (2, 0) else 0.8) for x in range(-2, 7) for y in (-2, -1, 0, 1, 2)]
    flags, found, beat = read_with(tmp_path, *rows)
    odd = [flag for flag in flags if flag]
    assert odd == ["spike: neighbours are about 0.80 m deep"]
    assert beat.soundings["depth_m"][N + flags.index(odd[0])] == 2.4
    assert "flag-spike" in found


def test_thresholds_come_from_the_settings(tmp_path):
    toml = TOML + "[cleaning]\noutside_m = 10\ndeepest_ft = 100\n"
    flags, _, _ = read_with(tmp_path, at(0, 14, 0.4), at(1, 1, 22), toml=toml)
    assert flags == ["", ""]


def test_a_speed_no_stream_has_is_taken_off_and_told(tmp_path):
    flags, found, beat = read_with(tmp_path, at(1, 1, 0.9, 12.4))
    assert flags == [""]
    assert np.isnan(beat.soundings["speed_m_s"].iloc[-1])
    assert "12.40 m/s left out" in beat.soundings["note"].iloc[-1]
    assert "up to 12.4" in found["speed-fast"].what


DRAWN = TOML + "[files.outline]\nfrom_soundings = true\n"


def drawn(tmp_path, *rows):
    """A beat whose outline is drawn round some soundings."""
    return read_beat(make(tmp_path, toml=DRAWN, outline__geojson=None, soundings__csv=table_text(rows)))


@pytest.mark.parametrize(
    ("stray", "away"),
    [
        ([at(0, 150, 0.9)], "143 m"),
        ([at(0, 3000, 0.9)], "2,993 m"),
        ([["0", "0", "0.9", "", "", "", ""]], "km"),
        ([["87.2", "0", "0.9", "", "", "", ""]], "km"),
        ([at(0, 150, 0.9), at(40, -700, 0.9)], "143 m"),
        ([["0", "0", f"0.{k}", "", "", "", ""] for k in range(4, 9)], "km"),
    ],
    ids=["mistyped by little", "mistyped by much", "no fix", "nowhere", "two", "no fix for a while"],
)
def test_a_stray_sounding_draws_no_outline_round_itself(tmp_path, stray, away):
    alone = drawn(tmp_path / "clean", *sounding_rows())
    assert "flag-alone" not in {f.code for f in alone.findings}
    beat = drawn(tmp_path / "stray", *sounding_rows()[:40], *stray, *sounding_rows()[40:])
    # What the sound ones alone give.
    assert beat.outline.area == pytest.approx(alone.outline.area, rel=1e-6)
    flags = list(beat.soundings["flag"][40 : 40 + len(stray)])
    assert all(flag.startswith("alone, ") for flag in flags)
    assert away in flags[0] or away == "km"
    (told,) = (f for f in beat.findings if f.code == "flag-alone")
    assert (told.severity, told.file) == ("warning", "soundings.csv")
    rows = ", ".join(str(42 + k) for k in range(len(stray)))
    assert told.where == f"row{'s' * (len(stray) > 1)} {rows}"


def sections(*places):
    """Cross-sections of three soundings at metres down the river."""
    return [at(x, y, 0.6) for x in places for y in (-5, 0, 5)]


@pytest.mark.parametrize(
    "rows",
    [
        sections(0, 100),
        sections(0, 60, 120, 180, 300, 360),
        sections(-60, -50, -45, 200),
        [*sounding_rows(), *sections(100, 140, 180, 240)],
        [*sounding_rows(), at(95, 0, 0.5)],
        [*sounding_rows(), *(at(160 + row % 5, row / 5, 0.7) for row in range(30))],
        [*sounding_rows(), *sections(115)],
        [
            *(at(0.5 * x, y, 0.6) for x in range(100) for y in range(-7, 8)),
            *(at(120 + 2 * k, k % 3, 0.6) for k in range(14)),
        ],
    ],
    ids=[
        "two sections",
        "one left out",
        "one far off",
        "a log and sections",
        "one on its own",
        "two pools",
        "one section below a run",
        "a pool sounded closely and one hardly",
    ],
)
def test_a_sparse_survey_has_no_strays(tmp_path, rows):
    beat = drawn(tmp_path / "beat", *rows)
    assert (beat.soundings["flag"] == "").all()
    assert "flag-alone" not in {f.code for f in beat.findings}


def track(n=400, still=False):
    """A kayak zigzag at 1.2 m/s, a fix a second: rows of time, place, depth, speed over ground."""
    t = np.arange(n)
    x = -55 + 0.27 * t
    y = 6 * np.sin(t / 5.2)
    speed = np.hypot(np.gradient(x), np.gradient(y))
    lon, lat = to_degrees(x, y)
    shown = 0.3 + 0 * speed if still else speed
    clock = [f"2026-06-14T10:{k // 60:02d}:{k % 60:02d}" for k in t]
    return [
        [clock[k], f"{lon[k]:.7f}", f"{lat[k]:.7f}", f"{0.5 + 0.1 * np.cos(k / 9):.3f}", f"{shown[k]:.2f}"]
        for k in range(n)
    ]


def test_a_boats_own_speed_is_no_current(tmp_path):
    header = ("time", "lon", "lat", "depth_m", "speed_m_s")
    beat = read_beat(make(tmp_path / "a", soundings__csv=table_text(track(), header)))
    assert np.isnan(beat.soundings["speed_m_s"]).all()
    assert "boat-speed-found" in {f.code for f in beat.findings}
    toml = TOML + '[files.soundings]\nspeed_is = "current"\n'
    told = read_beat(make(tmp_path / "b", toml=toml, soundings__csv=table_text(track(), header)))
    assert np.isfinite(told.soundings["speed_m_s"]).all()
    current = read_beat(make(tmp_path / "c", soundings__csv=table_text(track(still=True), header)))
    assert np.isfinite(current.soundings["speed_m_s"]).all()


@pytest.mark.parametrize(
    ("header", "told"),
    [
        (("Date", "Time"), lambda when: (f"{when:%Y-%m-%d}", f"{when:%H:%M:%S}")),
        (("Date", "Time"), lambda when: (f"{when:%m/%d/%Y}", f"{when:%I:%M:%S %p}")),
        (("time", "line"), lambda when: (f"{when:%d.%m.%Y %H:%M:%S}", "")),
        (("time", "line"), lambda when: (f"{when:%d-%m-%Y %I:%M:%S %p}", "")),
        *(
            (("Date", other), lambda when: (f"{when:%Y-%m-%d}", f"{when:%H:%M:%S}"))
            for other in ("Time (UTC)", "GPS Time", "UTC", "Local Time")
        ),
        (("Date (UTC)", "Time (UTC)"), lambda when: (f"{when:%Y-%m-%d}", f"{when:%H:%M:%S}")),
        (("time", "line"), lambda when: (f"{when:%d %b %Y %H:%M:%S}", "")),
        (("time", "line"), lambda when: (f"{when:%b %d, %Y %I:%M:%S %p}", "")),
        (("time", "line"), lambda when: (f"{1000 * when.timestamp():.0f}", "")),
        (("time", "line"), lambda when: (f"{(when - datetime(1899, 12, 30)) / timedelta(days=1):.6f}", "")),
        (("time", "line"), lambda when: (f"{when:%H:%M}", "")),
    ],
)
def test_a_boats_own_speed_is_known_however_its_clock_is_written(tmp_path, header, told):
    rows = [[*told(datetime.fromisoformat(clock)), *rest] for clock, *rest in track()]
    beat = read_beat(
        make(tmp_path / "a", soundings__csv=table_text(rows, (*header, "lon", "lat", "depth_m", "speed_m_s")))
    )
    assert "boat-speed-found" in {f.code for f in beat.findings}


def test_times_that_dont_tell_whose_speed_it_is_are_told(tmp_path):
    header = ("time", "lon", "lat", "depth_m", "speed_m_s")
    days = [[clock[:10], *rest] for clock, *rest in track()]
    beat = read_beat(make(tmp_path / "a", soundings__csv=table_text(days, header)))
    assert np.isfinite(beat.soundings["speed_m_s"]).all()
    (told,) = (f for f in beat.findings if f.code == "boat-speed-untold")
    assert (told.severity, told.where) == ("note", "column 'speed_m_s'")
    assert "'2026-06-14'" in told.what


def test_a_waders_speeds_are_asked_nothing(tmp_path):
    """Forty speeds of a meter: said how and dated, or timed to the minute and nothing said."""
    rows = [[f"2026-06-14 {10 + k // 20}:{3 * (k % 20):02d}", *row[:3], "0.6"] for k, row in enumerate(sounding_rows())]
    header = ("time", "lon", "lat", "depth_m", "speed_m_s")
    timed = table_text(rows, header)
    dated = table_text([[row[0][:10], *row[1:], "0.6 depth"] for row in rows], (*header, "speed_how"))
    for name, text in (("a", timed), ("b", dated)):
        beat = read_beat(make(tmp_path / name, soundings__csv=text))
        assert np.isfinite(beat.soundings["speed_m_s"]).all()
        assert not [f for f in beat.findings if f.code.startswith("boat-speed")]


def test_header_names_with_their_ways(tmp_path):
    header = ("Longitude", "LAT", "Water Depth [cm]", "Current Speed (ft/s)", "Method", "Transect", "Remarks")
    rows = [
        [r[0], r[1], f"{float(r[2]) * 100:.1f}", r[3] and f"{float(r[3]) / 0.3048:.6f}", r[4], *r[5:]]
        for r in sounding_rows()
    ]
    got = read_beat(make(tmp_path / "a", soundings__csv=table_text(rows, header))).soundings
    want = read_beat(make(tmp_path / "b", soundings__csv=table_text(sounding_rows(), SOUNDING_COLUMNS))).soundings
    for column in ("depth_m", "speed_m_s"):
        np.testing.assert_allclose(got[column], want[column], atol=1e-6)
    assert (got["speed_how"] == want["speed_how"]).all()
    assert (got["line"] == want["line"]).all()


def test_an_outline_round_cross_sections():
    # Sections every 20 m of a straight channel 12 m wide, a point a metre: the wet area is known.
    x, y = np.meshgrid(np.arange(0, 201, 20.0), np.arange(-5.5, 6, 1.0))
    water = outline_from_points(x.ravel(), y.ravel())
    assert len(water.geoms) == 1
    assert water.area == pytest.approx(201 * 12, rel=0.02)
    assert water.covers(water.centroid)


def test_an_outline_round_a_bend_does_not_bridge_it():
    # Half a ring of radius 60 m and width 10 m, sections every 6 degrees; area of a half ring is pi r w.
    angle, side = np.meshgrid(np.radians(np.arange(0, 181, 6.0)), np.arange(-4.5, 5, 1.0))
    x, y = ((60 + side) * f(angle) for f in (np.cos, np.sin))
    water = outline_from_points(x.ravel(), y.ravel())
    assert water.area == pytest.approx(np.pi * 60 * 10, rel=0.05)


@pytest.mark.parametrize("points", [([0, 1], [0, 1]), ([0, 1, 2, 3], [0, 1, 2, 3])])
def test_an_outline_needs_three_places_off_one_line(points):
    with pytest.raises(ValueError, match="fewer than three"):
        outline_from_points(np.array(points[0], float), np.array(points[1], float))


def test_a_drawn_outline_is_told(tmp_path):
    toml = TOML + "[files.outline]\nfrom_soundings = true\n"
    beat = read_beat(make(tmp_path / "beat", toml=toml, outline__geojson=None))
    assert "outline-drawn" in {f.code for f in beat.findings}
    # Soundings span 110 x 14 m; half a neighbour's distance (2 to 2.5 m, so about 1.1 m) is added around.
    assert 110 * 14 < beat.outline.area < 114 * 18


def test_depths_of_the_other_sign_than_beat_toml_says_are_set_aside(tmp_path):
    rows = [[*row[:2], f"-{row[2]}", *row[3:]] for row in sounding_rows()]
    text = table_text([*rows, at(1, 1, 0.35), at(5, 1, 0.35)])
    toml = TOML + '[files.soundings]\ndepth_sign = "down is negative"\n'
    beat = read_beat(make(tmp_path / "beat", toml=toml, soundings__csv=text))
    np.testing.assert_allclose(beat.soundings["depth_m"][:N], [float(row[2]) for row in sounding_rows()])
    assert list(beat.soundings["flag"]) == [""] * N + ["positive depth"] * 2
    (told,) = [f for f in beat.findings if f.code == "depth-positive"]
    assert told.where == f"rows {N + 2}, {N + 3}"


@pytest.mark.parametrize(
    "toml", [TOML.replace("[survey]", "[survey]\nstage_m = -0.4"), TOML + "[files.soundings]\nstage_m = -0.4\n"]
)
def test_what_lower_water_leaves_dry_is_set_aside(tmp_path, toml):
    beat = read_beat(make(tmp_path / "beat", toml=toml))
    written = np.array([float(row[2]) for row in sounding_rows()])
    dry = written <= 0.4
    assert 0 < dry.sum() < N
    assert list(beat.soundings["flag"]) == ["dry" if one else "" for one in dry]
    np.testing.assert_allclose(beat.soundings["depth_m"], np.where(dry, np.nan, written - 0.4))
    (told,) = [f for f in beat.findings if f.code == "depth-dry"]
    assert f"{dry.sum()} soundings" in told.what


def test_rows_without_a_depth_are_told_once_with_the_speeds_that_go_with_them(tmp_path):
    """One is empty with a speed and one without, two are negative."""
    extra = [at(1, 1, "", 0.5), at(3, 1, ""), at(5, 1, -0.4, 0.5), at(7, 1, -0.4)]
    flags, found, _ = read_with(tmp_path, *extra)
    assert flags == ["no depth"] * 2 + ["negative depth"] * 2
    missing, negative = found["depth-missing"], found["depth-negative"]
    assert missing.where == f"rows {N + 2}, {N + 3}"
    assert "2 have no depth and were set aside, and with them 1 speed(s)" in missing.what
    assert negative.where == f"rows {N + 4}, {N + 5}"
    _, found, _ = read_with(tmp_path / "other", at(3, 1, ""))
    assert "speed" not in str(found["depth-missing"])

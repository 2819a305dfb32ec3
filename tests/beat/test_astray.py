"""What lies far from the water is told with its row; what stands where such things do is not."""

from __future__ import annotations

import pytest
from pyproj import Geod

from reachmap.beat import read_beat
from tests.beat.folders import LAT, LON, collection, feature, make, ring

KINDS = {"cover": "boulder", "shade": "tree", "notes": "note"}


def read(tmp_path, role, *places):
    """A beat with things of one part at latitudes and longitudes as typed, and what is told of their places."""
    rows = "".join(f"{lat},{lon},{KINDS[role]},x,2\n" for lat, lon in places)
    beat = read_beat(make(tmp_path / "beat", files={f"{role}.csv": f"lat,lon,kind,note,height_m\n{rows}"}))
    assert len(getattr(beat, role)) == len(places)
    assert list(getattr(beat, role).index) == list(range(len(places)))
    return [finding for finding in beat.findings if finding.code == "far-off"]


@pytest.mark.parametrize("role", KINDS)
@pytest.mark.parametrize(
    ("typed", "slip"),
    [
        ((LON, LAT), "latitude and longitude swapped"),
        ((LAT, -LON), "the other sign of the longitude"),
        ((-LAT, LON), "the other sign of the latitude"),
        ((LAT - 0.36, LON), ""),
    ],
)
def test_a_mistyped_place_is_told_with_its_row_and_its_slip(tmp_path, role, typed, slip):
    (told,) = read(tmp_path, role, (LAT, LON), typed, (LAT, LON))
    assert (told.severity, told.file, told.where) == ("warning", f"{role}.csv", "row 3")
    assert told.what.startswith("1 of 3 lie far from the water")
    assert ("they fit" in told.what) == bool(slip)
    assert slip in told.what
    if not slip:
        # The geodesic on the WGS 84 ellipsoid (pyproj.Geod); the water reaches 8 m to the south.
        away = Geod(ellps="WGS84").inv(LON, LAT, typed[1], typed[0])[2] / 1000
        assert f"up to {away:.0f} km" in told.what


def test_all_swapped_is_one_warning(tmp_path):
    (told,) = read(tmp_path, "shade", *[(LON, LAT + 0.0001 * k) for k in range(30)])
    assert told.what.startswith("30 of 30")
    assert "swapped they fit" in told.what


@pytest.mark.parametrize(("role", "north_m"), [("cover", 40), ("shade", 2500), ("notes", 2500)])
def test_what_stands_where_such_things_do_is_not_told(tmp_path, role, north_m):
    """A boulder up the bank, a row of trees on the hillside, a note where one parks."""
    lon, lat, _ = Geod(ellps="WGS84").fwd(LON, LAT, 0, north_m + 8)
    assert not read(tmp_path, role, (lat, lon))
    lon, lat, _ = Geod(ellps="WGS84").fwd(LON, LAT, 0, 2 * north_m + 8)
    assert read(tmp_path, role, (lat, lon))


def test_a_log_may_hold_what_was_caught_elsewhere(tmp_path):
    log = f"date_time,lat,lon,what\n2026-06-14 19:30,{LAT - 1},{LON},catch\n"
    beat = read_beat(make(tmp_path / "beat", log__csv=log))
    assert list(beat.log.index) == [0]
    (told,) = [finding for finding in beat.findings if finding.code in ("far-off", "log-off")]
    assert (told.severity, told.file, told.where) == ("note", "log.csv", "row 2")
    assert "don't count here" in told.what


def test_a_log_is_measured_where_it_counts(tmp_path):
    """A line counts at a corner near its middle: for one from the water up the bank that lies on land."""
    lines = [(0, 7), (0, 22), (0, 40)], [(0, 7), (15, 7), (30, 7)]
    up, along = (feature("LineString", ring(line), what="catch") for line in lines)
    beat = read_beat(make(tmp_path / "beat", log__geojson=collection(along, up)))
    (told,) = [finding for finding in beat.findings if finding.code == "log-off"]
    assert told.where == "feature 2"
    assert told.what.startswith("1 of 2 lie off the water, up to 14 m")


def test_a_note_taken_back_is_told_no_more(tmp_path):
    far = feature("Point", ring([(0, 9000)])[0], id="a", text="x", kind="note", replaces=[], deleted=True)
    beat = read_beat(make(tmp_path / "beat", notes__geojson=collection(far)))
    assert "far-off" not in {finding.code for finding in beat.findings}

"""Places: the beat's metres are true, end lines and heads are found, time zones have a place."""

from __future__ import annotations

import json

import numpy as np
import pytest
import rasterio
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod
from rasterio.transform import from_origin

from reachmap.beat import check_beat, read_beat
from reachmap.beat.place import Anchor, distance_km, local_crs, to_degrees, to_local, zone_places
from reachmap.errors import InputError
from tests.beat.folders import (
    BOX,
    LAT,
    LON,
    SOUNDING_COLUMNS,
    TOML,
    collection,
    feature,
    make,
    outline_text,
    ring,
    sounding_rows,
    table_text,
)
from tests.beat.folders import to_degrees as plane_degrees

GEOD = Geod(ellps="WGS84")


@settings(max_examples=60, deadline=None)
@given(
    lat=st.floats(-75, 75),
    lon=st.floats(-179, 179),
    bearing=st.floats(0, 360),
    far=st.floats(1, 1000),
)
def test_local_metres_are_true_to_a_decimetre_over_a_kilometre(lat, lon, bearing, far):
    # The geodesic on the WGS 84 ellipsoid (pyproj.Geod) is the truth.
    crs = local_crs(lat, lon)
    origin = float(f"{lon:.7f}"), float(f"{lat:.7f}")
    lon2, lat2, _ = GEOD.fwd(*origin, bearing, far)
    x, y = to_local(np.array([[lon2, lat2]]), crs)[0]
    assert np.hypot(x - far * np.sin(np.radians(bearing)), y - far * np.cos(np.radians(bearing))) < 0.1
    np.testing.assert_allclose(to_degrees(np.array([[x, y]]), crs)[0], [lon2, lat2], atol=1e-9)


@settings(max_examples=60, deadline=None)
@given(x=st.floats(-500, 500), y=st.floats(-500, 500), bearing=st.floats(-360, 360))
def test_an_anchor_turns_by_its_bearing(x, y, bearing):
    lon, lat = Anchor(54.6, -2.8, bearing).to_degrees(np.array([[x, y]]))[0]
    azimuth = bearing + np.degrees(np.arctan2(x, y))
    want = GEOD.fwd(-2.8, 54.6, azimuth, np.hypot(x, y))
    assert GEOD.inv(lon, lat, want[0], want[1])[2] < 0.1


def test_distance_is_the_geodesic():
    assert distance_km((54.6, -2.8), (51.5, -0.1)) == pytest.approx(GEOD.inv(-2.8, 54.6, -0.1, 51.5)[2] / 1000)


@pytest.mark.parametrize(
    ("zone", "lat", "lon"),
    [
        ("Europe/London", 51.5083, -0.1253),
        ("America/Denver", 39.7392, -104.9842),
        ("Pacific/Auckland", -36.8667, 174.7667),
    ],
)
def test_zones_lie_where_their_cities_are(zone, lat, lon):
    # IANA zone.tab: +513030-0000731, +394421-1045903, -3652+17446.
    np.testing.assert_allclose(zone_places()[zone], (lat, lon), atol=1e-3)


def test_the_origin_is_the_middle_of_the_outline(tmp_path):
    beat = read_beat(make(tmp_path / "beat"))
    assert (beat.lat, beat.lon) == pytest.approx((LAT, LON), abs=1e-6)
    np.testing.assert_allclose(beat.outline.bounds, (-60, -8, 60, 8), atol=0.01)
    assert beat.head == pytest.approx((-60, 0), abs=0.2)


@pytest.mark.parametrize("flip", [False, True])
def test_end_lines_have_the_true_left_bank_first(tmp_path, flip):
    # The water flows east, so its true left bank is north.
    ends = {"head end": [(-60, -8), (-60, 8)], "tail end": [(60, -8), (60, 8)]}
    lines = [feature("LineString", ring(points[::-1] if flip else points), role=role) for role, points in ends.items()]
    text = collection(feature("Polygon", [ring(BOX)]), *lines)
    silent = TOML.replace("head = [54.6, -2.80093]", "")
    beat = read_beat(make(tmp_path / "beat", toml=silent, outline__geojson=text))
    want = [(-60, 8, -60, -8), (60, 8, 60, -8)]
    np.testing.assert_allclose(beat.caps, want, atol=0.01)
    # They say which end is upstream, and nothing else needs to.
    assert "head-unknown" not in [f.code for f in beat.findings]


def test_an_end_line_alone_says_which_end_is_upstream_if_it_is_the_head(tmp_path):
    """At the east end, so that the water flows west; a tail end without a head end says nothing and that is told."""
    silent = TOML.replace("head = [54.6, -2.80093]", "")

    def read(role):
        line = feature("LineString", ring([(60, -6), (60, 8)]), role=role)
        text = collection(feature("Polygon", [ring(BOX)]), line)
        beat = read_beat(make(tmp_path / role, toml=silent, outline__geojson=text))
        return beat, {f.code for f in beat.findings}

    beat, found = read("head end")
    assert beat.caps is None
    assert beat.head == pytest.approx((60, 1), abs=0.01)
    assert not {"head-unknown", "cap-alone"} & found
    beat, found = read("tail end")
    assert (beat.caps, beat.head) == (None, None)
    assert "cap-alone" in found


@pytest.mark.parametrize("shift", [0.0, 174.6])
@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:32630"])
def test_terrain_is_brought_onto_the_beats_metres(tmp_path, crs, shift):
    # A ramp rising 1 m in 10 m to the north, from 20 m south of the middle.
    from pyproj import Transformer

    change = Transformer.from_crs(4326, crs, always_xy=True)
    lon, lat = plane_degrees(np.array([-200.0, 200]), np.array([-200.0, 200]))
    (x0, x1), (y0, y1) = change.transform(lon, lat)
    columns = rows = 200
    dx, dy = (x1 - x0) / columns, (y1 - y0) / rows
    back = Transformer.from_crs(crs, local_crs(LAT, LON), always_xy=True)
    gx, gy = np.meshgrid(x0 + (np.arange(columns) + 0.5) * dx, y1 - (np.arange(rows) + 0.5) * dy)
    _, north = back.transform(gx, gy)
    heights = (np.clip((north + 20) / 10, 0, None) + shift).astype("float32")
    folder = make(tmp_path / "beat", toml=TOML + (f"[files.terrain]\nwater_level_m = {shift}\n" if shift else ""))
    with rasterio.open(
        folder / "terrain.tif", "w", driver="GTiff", width=columns, height=rows, count=1, dtype="float32", crs=crs,
        transform=from_origin(x0, y1, dx, dy),
    ) as raster:  # fmt: skip
        raster.write(heights, 1)
    terrain = read_beat(folder).terrain
    for x, y in ((0, 0), (-150, 100), (120, -50)):
        column, row = int((x - terrain.x0) / terrain.cell_m), int((terrain.y1 - y) / terrain.cell_m)
        at_y = terrain.y1 - (row + 0.5) * terrain.cell_m
        assert terrain.height_m[row, column] == pytest.approx(max(0, (at_y + 20) / 10), abs=0.06)


@pytest.mark.parametrize(
    ("unit", "scale", "offset", "written", "metres"),
    [
        ("US survey foot", 1.0, 0.0, 3937.0, 1200.0),  # by definition
        ("Foot_US", 1.0, 0.0, 3937.0, 1200.0),
        ("international foot", 1.0, 0.0, 100.0, 30.48),
        ("foot", 1.0, 0.0, 100.0, 30.48),
        ("metre", 0.01, 0.0, 3000.0, 30.0),
        ("ft", 0.1, -100.0, 2000.0, 30.48),
        (None, 1.0, 0.0, 30.0, 30.0),
        ("cubit", 1.0, 0.0, 30.0, 30.0),
    ],
)
def test_heights_are_in_the_unit_and_scale_their_band_names(tmp_path, unit, scale, offset, written, metres):
    """Level as the water but for a hill beside it."""
    folder = make(tmp_path / "beat")
    values = np.full((40, 40), -offset / scale, "float32")
    values[:6] = written
    with rasterio.open(
        folder / "terrain.tif", "w", driver="GTiff", width=40, height=40, count=1, dtype="float32", crs="EPSG:4326",
        transform=from_origin(LON - 0.004, LAT + 0.002, 0.0002, 0.0001),
    ) as raster:  # fmt: skip
        raster.write(values, 1)
        raster.units, raster.scales, raster.offsets = (unit,), (scale,), (offset,)
    beat = read_beat(folder)
    assert np.nanmax(beat.terrain.height_m) == pytest.approx(metres, rel=1e-5)
    assert ("tiff-unit" in {f.code for f in beat.findings}) == (unit == "cubit")
    (folder / "beat.toml").write_text(TOML + "[files.terrain]\nlength_unit = 'ft'\n", encoding="utf-8")
    assert np.nanmax(read_beat(folder).terrain.height_m) == pytest.approx(0.3048 * (written * scale + offset), rel=1e-5)


def test_heights_on_a_grid_of_ones_own_are_asked_where_they_lie(tmp_path):
    own = 'LOCAL_CS["site grid",UNIT["metre",1],AXIS["Easting",EAST],AXIS["Northing",NORTH]]'
    folder = make(tmp_path / "beat")
    with rasterio.open(
        folder / "terrain.tif", "w", driver="GTiff", width=40, height=40, count=1, dtype="float32", crs=own,
        transform=from_origin(0, 40, 1, 1),
    ) as raster:  # fmt: skip
        raster.write(np.ones((40, 40), "float32"), 1)

    found = [f for f in check_beat(folder) if f.severity == "error"]
    assert [f.code for f in found] == ["tiff-no-place"]
    assert "[files.terrain]" in found[0].remedy


def test_heights_above_the_sea_are_asked_about(tmp_path):
    folder = make(tmp_path / "beat")
    with rasterio.open(
        folder / "terrain.tif", "w", driver="GTiff", width=40, height=40, count=1, dtype="float32", crs="EPSG:4326",
        transform=from_origin(LON - 0.01, LAT + 0.01, 0.0005, 0.0005),
    ) as raster:  # fmt: skip
        raster.write(np.full((40, 40), 180.0, "float32"), 1)

    found = [f for f in check_beat(folder) if f.severity == "error"]
    assert [f.code for f in found] == ["tiff-absolute"]
    assert "water_level_m" in found[0].remedy


def heights(folder, of):
    """Terrain of a beat in its own metres, cells of 2 m over 400 by 400 m, by a function of places east and north."""
    east, north = np.meshgrid(np.arange(-199, 200, 2.0), np.arange(199, -200, -2.0))
    with rasterio.open(
        folder / "terrain.tif", "w", driver="GTiff", width=200, height=200, count=1, dtype="float32",
        crs=local_crs(LAT, LON).to_wkt(), transform=from_origin(-200, 200, 2, 2),
    ) as raster:  # fmt: skip
        raster.write(of(east, north).astype("float32"), 1)
    return folder


@pytest.mark.parametrize("level", [4.0, 9.0])
def test_a_river_of_the_plain_has_heights_above_the_sea_too(tmp_path, level):
    """Banks a metre above the water: as heights above it they are flat, as heights above the sea a dark trench."""

    def plain(_, north):
        return np.where(np.abs(north) < 8, level, level + 1)

    with pytest.raises(InputError, match="heights above the water"):
        read_beat(heights(make(tmp_path / "a"), plain))
    told = make(tmp_path / "b", toml=TOML + f"[files.terrain]\nwater_level_m = {level}\n")
    terrain = read_beat(heights(told, plain)).terrain
    assert (terrain.height_m.min(), terrain.height_m.max()) == pytest.approx((0, 1), abs=1e-3)


@pytest.mark.parametrize(
    "of",
    [
        lambda east, north: np.where(np.abs(north) < 8, 0.0, 4 + 0.5 * np.abs(north)),
        lambda east, north: np.where(np.abs(north) < 12, 8.0, 1.0),
        lambda east, north: np.where(np.abs(north) < 8, 0.02 * (east - 200), 3.0),
    ],
    ids=["a ravine", "a brook under trees", "water that falls 8 m"],
)
def test_heights_above_the_water_are_taken_as_they_are(tmp_path, of):
    beat = read_beat(heights(make(tmp_path / "beat"), of))
    assert not [f for f in beat.findings if f.code.startswith("tiff")]


def test_who_says_the_level_is_zero_is_believed(tmp_path):
    wood = heights(make(tmp_path / "beat", toml=TOML + "[files.terrain]\nwater_level_m = 0\n"), lambda e, n: 0 * e + 7)
    assert read_beat(wood).terrain.height_m.max() == pytest.approx(7)


@pytest.mark.parametrize(
    ("level", "crowns", "code"),
    [(0, 14, "tiff-wooded"), (174.6, 14, "tiff-wooded"), (174.6, 11, ""), (17.5, 14, "tiff-level"),
     (190, 1, "tiff-level")],
)  # fmt: skip
def test_a_tall_wood_over_water_of_a_known_level_is_told_not_refused(tmp_path, level, crowns, code):
    """Whoever gave the level isn't asked for it again; one that can't be is to be mended."""
    toml = TOML + f"[files.terrain]\nwater_level_m = {level}\n"
    wood = heights(make(tmp_path / "beat", toml=toml), lambda east, north: 0 * east + crowns + (174.6 if level else 0))
    told = [f for f in check_beat(wood) if f.code.startswith("tiff")]
    assert [f.code for f in told] == ([code] if code else [])
    assert all("mend water_level_m" in f.remedy.lower() for f in told)
    if code != "tiff-level":
        assert read_beat(wood).terrain.height_m.max() == pytest.approx(crowns, abs=1e-3)


def test_a_track_closed_on_itself_with_an_island(tmp_path):
    closed = [*ring(BOX)[:-1], ring([(-60.5, -6)])[0]]
    text = collection(
        feature("LineString", closed), feature("LineString", ring([(10, -2), (20, -2), (20, 2), (10, 2), (10, -2)]))
    )
    beat = read_beat(make(tmp_path / "beat", outline__geojson=text))
    assert beat.outline.area == pytest.approx(120 * 16 - 40, rel=0.01)
    assert "track-closed" in {f.code for f in beat.findings}


HALVES = [(-60, -8), (10, -8), (10, 8), (-60, 8), (-60, -8)], [(0, -9), (60, -9), (60, 9), (0, 9), (0, -9)]


@pytest.mark.parametrize("kind", ["tracks", "rings", "polygons"])
def test_two_outlines_that_overlap_where_they_meet_are_joined(tmp_path, kind):
    """The area is that of their union by shapely; an island in one of them stays, a pond on it too."""
    island, pond = [(20, -4), (40, -4), (40, 4), (20, 4), (20, -4)], [(28, -1), (32, -1), (32, 1), (28, 1), (28, -1)]
    rings = [pond, HALVES[0], island, HALVES[1]]
    if kind == "polygons":
        rings = [*HALVES]
        text = collection(*(feature("Polygon", [ring(points)]) for points in rings))
    elif kind == "tracks":
        text = collection(*(feature("LineString", ring(points)) for points in rings))
    else:
        corners = [(k, *place) for k, points in enumerate(rings) for place in ring(points)[:-1]]
        text = "ring,lon,lat\n" + "".join(f"{k},{lon},{lat}\n" for k, lon, lat in corners)
    files = {"outline.csv" if kind == "rings" else "outline.geojson": text}
    beat = read_beat(make(tmp_path / "beat", files={"outline.geojson": None, **files}))
    want = shapely.union_all([shapely.Polygon(points) for points in HALVES]).area
    if kind != "polygons":
        want -= shapely.Polygon(island).area - shapely.Polygon(pond).area
    assert beat.outline.area == pytest.approx(want, rel=1e-3)
    (told,) = (f for f in beat.findings if f.code == "outline-overlap")
    assert "160.0 m2" in told.what, "10 m of 16 m"


@pytest.mark.parametrize("over", [0.4, 1.5, 3.0])
@pytest.mark.parametrize("first", [False, True])
def test_an_island_that_reaches_over_the_bank_stays_land(tmp_path, over, first):
    """By as much as a receiver held by hand errs."""
    bar = [(-10, over), (10, over), (10, 8 + over), (-10, 8 + over), (-10, over)]
    tracks = [feature("LineString", ring(points)) for points in (BOX, bar)]
    beat = read_beat(make(tmp_path / "beat", outline__geojson=collection(*tracks[:: -1 if first else 1])))
    assert beat.outline.area == pytest.approx(120 * 16 - 20 * (8 - over), rel=1e-3)
    assert "outline-overlap" not in {f.code for f in beat.findings}
    (told,) = (f for f in beat.findings if f.code == "island-over")
    assert f"{20 * over:.1f} m2" in told.what


def test_a_reach_on_the_date_line(tmp_path):
    def turned(lon):
        return lon - LON + (180 if lon < LON else -180)

    shifted = [[turned(x), y] for x, y in ring(BOX)]
    toml = TOML.replace("Europe/London", "UTC").replace("head = [54.6, -2.80093]", "")
    rows = [[turned(float(lon)), *rest] for lon, *rest in sounding_rows()]
    folder = make(
        tmp_path / "beat",
        toml=toml,
        outline__geojson=collection(feature("Polygon", [shifted])),
        soundings__csv=table_text(rows),
    )
    beat = read_beat(folder)
    assert beat.outline.area == pytest.approx(120 * 16, rel=1e-3)
    assert abs(beat.lon) == pytest.approx(180, abs=1e-4)
    # As many on either side: the middle of their longitudes lies on the other side of the Earth.
    assert sum(row[0] < 0 for row in rows) == len(rows) / 2
    assert set(beat.soundings["flag"]) == {""}
    assert beat.soundings.geometry.within(beat.outline).all()


def test_an_outline_with_a_corner_at_infinity_is_told(tmp_path):
    """A number too large for any machine reads as infinite."""
    corners = "-2.80,54.600 -2.79,54.600 -1e400,54.601 -2.80,54.600"
    ring = f"<outerBoundaryIs><LinearRing><coordinates>{corners}</coordinates></LinearRing></outerBoundaryIs>"
    kml = f'<kml xmlns="http://www.opengis.net/kml/2.2"><Placemark><Polygon>{ring}</Polygon></Placemark></kml>'
    with pytest.raises(InputError) as told:
        read_beat(make(tmp_path, outline__geojson=None, outline__kml=kml))
    assert "outline.kml" in str(told.value)


def test_soundings_that_lie_nowhere_are_told(tmp_path):
    rows = [["1e15", "1e15", *row[2:]] for row in sounding_rows()]
    text = table_text(rows, ("x", "y", *SOUNDING_COLUMNS[2:]))
    folder = make(tmp_path / "beat", TOML + "[files.soundings]\ncrs = 'EPSG:27700'\n", soundings__csv=text)
    (told,) = [f for f in check_beat(folder) if f.severity == "error"]
    assert (told.file, told.code) == ("soundings.csv", "nowhere")


def test_holes_are_islands_and_geometry_is_flat(tmp_path):
    content = json.loads(outline_text(island=True))
    for part in content["features"][0]["geometry"]["coordinates"]:
        for point in part:
            point.append(12.5)
    beat = read_beat(make(tmp_path / "beat", outline__geojson=json.dumps(content)))
    assert len(beat.outline.geoms[0].interiors) == 1
    assert not shapely.has_z(beat.outline)

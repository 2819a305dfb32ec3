"""A beat turned over to the other hemisphere half a year later sees the same light, mirrored north to south."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
import shapely
from pyproj import CRS

from reachmap.light import light_at, prepare_shade
from tests import toy
from tests.light.waters import shade_table, tree, wall

# The sun's declination of 21 March 2026 comes back with the other sign about 23 September; the equation of time
# differs by some minutes of the clock, which the tolerance on the azimuth takes in.
NORTH_SPRING, SOUTH_SPRING = datetime(2026, 3, 30, 9, 40, tzinfo=UTC), datetime(2026, 10, 2, 9, 25, tzinfo=UTC)
LIT_WITHIN = 0.05


def mirrored(beat):
    """The beat with north and south swapped, at the opposite latitude."""
    over = lambda shape: shapely.transform(shape, lambda xy: xy * (1, -1))  # noqa: E731
    crs = CRS.from_proj4(f"+proj=tmerc +lat_0={-toy.LAT} +lon_0={toy.LON} +k=1 +x_0=0 +y_0=0 +datum=WGS84 +units=m")
    shade = beat.shade.set_geometry(over(beat.shade.geometry.to_numpy()), crs=toy.CRS_LOCAL)
    return replace(beat, lat=-beat.lat, crs=crs, shade=shade.set_crs(crs, allow_override=True))


@pytest.mark.parametrize("hours", [-2.0, 0.0, 2.5, 5.0])
def test_the_light_is_mirrored(hours):
    rows = [tree(-20, -11, 9, 3), tree(15, -10, 6, 2), wall(25, 9, 45, 10, height_m=5)]
    north = toy.channel(1.0, beat=toy.beat(shade=shade_table(*rows), cover=toy.beat().cover.iloc[:0]))
    south = replace(north, beat=mirrored(north.beat))
    flip = lambda values: north.grid.spread(values)[::-1][north.grid.wet]  # noqa: E731
    south = south.with_layers(depth=flip(north["depth"]), overhead=flip(north["overhead"]))
    shift = np.timedelta64(int(hours * 3600), "s").item()
    scene = toy.scenes()[0]
    light = [
        light_at(channel, replace(scene, when=when + shift, leaf_on=True), prepare_shade(channel))
        for channel, when in ((north, NORTH_SPRING), (south, SOUTH_SPRING))
    ]
    assert light[1].sun.altitude_deg == pytest.approx(light[0].sun.altitude_deg, abs=0.7)
    assert (180.0 - light[1].sun.azimuth_deg) % 360 == pytest.approx(light[0].sun.azimuth_deg % 360, abs=1.5)
    share, other = light[0]["sun_share"], flip(light[1]["sun_share"])
    assert share.min() < 0.3
    assert np.mean(np.abs(share - other) > 0.5) < LIT_WITHIN
    assert np.median(light[1]["light_bed"]) == pytest.approx(np.median(light[0]["light_bed"]), rel=0.03)

"""The five waters once more, from 400 soundings through the whole chain: the same answers as when stated.

Channel, light, sight and scores are the package's own; only the soundings, what covers the water and the wall that
shades it are given.
"""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely

from reachmap.channel import build_channel
from reachmap.light import light_at, prepare_shade
from reachmap.trout import find_lies, load_curves, outlook_for
from tests import toy
from tests.trout import waters

pytestmark = pytest.mark.slow

CURVES = load_curves()
SOUNDINGS = 400


WALL = ("wall", 7.0, shapely.box(40, -8, 80, -6))
"""Kind, height [m] and place of what shades the southern bank at noon: a shadow 4 m wide under a sun of 58 deg."""


def beat_of(stated, cover, shade):
    """A beat with soundings drawn from a stated water; four in ten with a speed."""
    g, rng = waters.grid(), np.random.default_rng(1)
    keep = rng.permutation(g.n_wet)[:SOUNDINGS]
    speed = np.where(rng.random(SOUNDINGS) < 0.4, stated.speed[keep], np.nan)
    soundings = gpd.GeoDataFrame(
        {
            "depth_m": stated.depth[keep],
            "speed_m_s": speed,
            "speed_how": np.where(np.isfinite(speed), "mean", ""),
            "toward_deg": np.nan,
            "line": [f"x{int(x // 10)}" for x in g.x[keep]],
            "note": "",
            "file": "soundings.csv",
            "row": np.arange(2, SOUNDINGS + 2),
            "flag": "",
        },
        geometry=shapely.points(g.x[keep], g.y[keep]),
        crs=toy.CRS_LOCAL,
    )
    kinds = gpd.GeoDataFrame(
        {"kind": [c[0] for c in cover], "size_m": [c[1] for c in cover], "height_m": np.nan, "note": ""},
        geometry=[c[2] for c in cover],
        crs=toy.CRS_LOCAL,
    )
    shades = gpd.GeoDataFrame(
        {
            "kind": [s[0] for s in shade],
            "height_m": [s[1] for s in shade],
            "base_m": 0.0,
            "radius_m": np.nan,
            "leaf": "",
            "note": "",
        },
        geometry=[s[2] for s in shade],
        crs=toy.CRS_LOCAL,
    )
    section = np.abs(g.x - 30.25) < 0.1
    half, length = waters.HALF, waters.LENGTH
    return toy.beat(
        outline=shapely.MultiPolygon([shapely.box(0, -half, length, half)]),
        soundings=soundings,
        cover=kinds,
        shade=shades,
        head=(0.0, 0.0),
        caps=((0.0, half, 0.0, -half), (length, half, length, -half)),
        flow_m3_s=float((stated.depth * stated.speed)[section].sum() * waters.CELL),
        d84_m=0.06,
    )


def lies_through_the_chain(stated, cover=(), shade=()):
    beat = beat_of(stated, cover, shade)
    channel = build_channel(beat, cell_m=waters.CELL)
    laid = prepare_shade(channel)
    outlooks = {s.name: outlook_for(channel, light_at(channel, s, laid), CURVES) for s in toy.scenes()}
    return find_lies(channel, outlooks, curves=CURVES), channel, outlooks


def best(lies, scene):
    table = lies.scenes[scene]
    return lies.table.loc[table.index[table["rank"] == 1][0]]


def test_a_lone_boulder():
    """Only the boulder is given; pocket and seams come from the wake behind it."""
    run = replace(waters.lone_boulder(), speed=waters.profile(waters.grid().y, 0.85))
    lies, channel, outlooks = lies_through_the_chain(run, [("boulder", 1.5, shapely.Point(60, 0))])
    for outlook in outlooks.values():
        top = int(np.argmax(outlook.holding["hold"]))
        assert 59 < channel["along"][top] < 66
        assert abs(channel["across"][top]) < 1.5
    # By night the pocket that is better than the slack along both banks is smaller than a lie has to be.
    for scene in ("sunny noon", "overcast noon"):
        lie = best(lies, scene)
        assert 59 < lie["along_m"] < 66
        assert abs(lie["across_m"]) < 1.5
        assert "by a boulder" in lies.scenes[scene].loc[lie.name, "why"]
        assert "seam" in lies.scenes[scene].loc[lie.name, "why"]


def test_an_undercut_in_full_sun():
    under = [("undercut", 1.5, shapely.LineString([(50, -5.5), (65, -5.5)]))]
    lie = best(lies_through_the_chain(waters.undercut_in_sun(), under)[0], "sunny noon")
    assert 50 < lie["along_m"] < 65
    assert lie["across_m"] < -4
    assert lie["kind"] in ("sheltering", "prime")


def test_a_featureless_canal():
    assert len(lies_through_the_chain(waters.canal())[0].table) == 0


def test_a_deep_pool_beside_a_riffle():
    lies = lies_through_the_chain(waters.pool_and_riffle())[0]
    noon, night = best(lies, "sunny noon"), best(lies, "night")
    assert noon["depth_m"] > 1.2
    assert 62 < noon["along_m"] < 100
    assert night["depth_m"] < noon["depth_m"]


def test_a_shaded_bank_against_an_open_one():
    lie = best(lies_through_the_chain(waters.shaded_bank(), shade=[WALL])[0], "sunny noon")
    assert lie["across_m"] < -2
    assert 40 < lie["along_m"] < 80

"""How sure the ranking is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import rankdata

from reachmap.trout import find_lies, how_sure, load_curves, sure
from reachmap.trout.sure import INPUTS, _places
from tests import toy
from tests.trout import waters

CURVES = load_curves()


def many_boulders() -> waters.Stated:
    """A long water with many like boulders and one far better place, the undercut."""
    g = waters.grid()
    x, y = g.x, g.y
    pockets = [(10 + 12 * k, 3.0 * (-1) ** k) for k in range(9)]
    behind = sum(np.exp(-(((y - b) / 0.8) ** 2)) * ((x > a) & (x < a + 5)) for a, b in pockets)
    under = (y < -4.5) & (x > 52) & (x < 60)
    depth = np.where(under, 0.8, waters.trapeze(y, 0.8))
    speed = np.where(under, 0.3, waters.profile(y, 0.8) * (1 - 0.7 * np.clip(behind, 0, 1)))
    seam = np.full(g.n_wet, np.nan)
    for a, b in pockets:
        near = (x > a) & (x < a + 5) & (np.abs(y - b) < 1)
        seam[near] = 1 - np.abs(y - b)[near]
    return waters.Stated(depth, speed, overhead=under.astype(float), seam_distance=seam, seam_contrast=0.4)


@pytest.fixture(scope="module")
def run():
    water = waters.score(many_boulders(), CURVES)
    lies = find_lies(water.channel, water.outlooks, curves=CURVES)
    return water, lies


def sure_of(run, **settings):
    water, lies = run
    return how_sure(water.channel, water.outlooks, lies, CURVES, **settings)


def test_the_outstanding_place_is_surer_than_one_of_many_alike(run):
    sure = sure_of(run).scenes["sunny noon"]
    ranked = sure[sure["rank"] > 0].sort_values("rank")
    assert len(ranked) > 6
    assert ranked["sure"].iloc[0] > 0.99
    assert ranked["sure"].iloc[1:].max() < 0.99
    assert ranked["sure"].sum() == pytest.approx(5.0)


def test_a_sample_of_each_lie_gives_the_shares_that_all_cells_give(run, monkeypatch):
    """Among lies of four hundred cells scattered over the water, whose scores differ by less than those of samples.

    The scores of the samples themselves give shares up to 0.30 off, and places moved up to 0.65 off.
    """
    water, lies = run
    name = "overcast noon"
    hold = water.outlooks[name].holding["hold"]
    scattered = np.random.default_rng(1).permutation(np.flatnonzero(hold > 0.6))
    label, numbers = np.zeros(len(hold), np.float32), pd.RangeIndex(1, 13, name="lie")
    for number, own in zip(numbers, np.array_split(scattered, len(numbers)), strict=True):
        label[own] = number
    table = pd.DataFrame({"rank": 1, "score": [hold[label == n].mean() for n in numbers], "sure": np.nan}, numbers)
    many = replace(lies, table=table, scenes={name: table}, label=label)
    outs = []
    for cells in (sure.CELLS, len(hold)):
        monkeypatch.setattr(sure, "CELLS", cells)
        outs.append(how_sure(water.channel, {name: water.outlooks[name]}, many, CURVES))
    some, every = (out.scenes[name]["sure"] for out in outs)
    assert np.abs(some - every).max() <= 0.05
    told, true = (out.report["sensitivity"][name] for out in outs)
    for drawn_alone in ("depth", "speed"):
        assert told[drawn_alone]["moves"] == pytest.approx(true[drawn_alone]["moves"], abs=0.1)


def test_only_lies_of_the_scene_get_a_share(run):
    """And nobody is sure of being among the five best of five."""
    counts = []
    for table in sure_of(run).scenes.values():
        counts.append((table["rank"] > 0).sum())
        assert np.array_equal((table["rank"] > 0) & (counts[-1] > 5), table["sure"].notna())
    assert max(counts) > 5
    water, lies = run
    few = {name: table.assign(rank=table["rank"].where(table["rank"] <= 5, 0)) for name, table in lies.scenes.items()}
    for table in sure_of((water, replace(lies, scenes=few))).scenes.values():
        assert table["sure"].isna().all()


def test_the_same_seed_draws_the_same(run):
    one, two, other = sure_of(run, seed=1), sure_of(run, seed=1), sure_of(run, seed=2)
    name = "sunny noon"
    assert one.scenes[name].equals(two.scenes[name])
    assert not one.scenes[name]["sure"].equals(other.scenes[name]["sure"])
    assert one.report == two.report


def test_without_error_nothing_moves(run):
    water, lies = run
    zero = np.zeros(water.channel.grid.n_wet, np.float32)
    exact = water.channel.with_layers(depth_sd=zero, speed_sd=zero)
    out = how_sure(exact, water.outlooks, lies, CURVES)
    for table in out.report["sensitivity"].values():
        assert table["depth"] == table["speed"] == {"moves": 0.0, "kept": 1.0}


def test_a_wild_depth_matters_most(run):
    water, lies = run
    wild = water.channel.with_layers(depth_sd=np.full(water.channel.grid.n_wet, 0.6, np.float32))
    out = how_sure(wild, water.outlooks, lies, CURVES)
    assert out.report["matters_most"]["sunny noon"] == "depth"
    assert set(out.report["sensitivity"]["sunny noon"]) == set(INPUTS)


def test_inputs_are_left_as_they_were(run):
    _, lies = run
    sure_of(run)
    assert all(table["sure"].isna().all() for table in lies.scenes.values())


def test_a_water_without_lies():
    water = waters.score(waters.canal(), CURVES)
    lies = find_lies(water.channel, water.outlooks, curves=CURVES)
    out = how_sure(water.channel, water.outlooks, lies, CURVES)
    assert out.report["sensitivity"] == {}


def test_the_energy_engine_is_drawn_too():
    """On the same lies it is another score that is drawn."""
    water = waters.score(many_boulders(), CURVES, "energy")
    lies = find_lies(water.channel, water.outlooks, curves=CURVES)
    table = sure_of((water, lies)).scenes["overcast noon"]
    assert (table["rank"] > 0).sum() > 5
    assert table["sure"][table["rank"] > 0].between(0, 1).all()
    ordinary = sure_of((waters.score(many_boulders(), CURVES), lies)).scenes["overcast noon"]
    assert not table["sure"].equals(ordinary["sure"])


def test_the_amount_of_food_is_drawn_where_energy_counts_it(run):
    """Nothing is known of it, so its doubt is told; the ordinary engine doesn't ask for it."""
    water = waters.score(many_boulders(), CURVES, "energy")
    lies = find_lies(water.channel, water.outlooks, curves=CURVES)
    found = sure_of((water, lies)).report["sensitivity"]
    assert all(set(table) == {*INPUTS, "food"} for table in found.values())
    assert found["overcast noon"]["food"]["moves"] > 0
    assert all(set(table) == set(INPUTS) for table in sure_of(run).report["sensitivity"].values())


def test_places_are_ranks_from_the_top():
    """scipy.stats.rankdata is the reference."""
    scores = np.random.default_rng(0).random((4, 9))
    assert np.array_equal(_places(scores), rankdata(-scores, axis=1).astype(int) - 1)


def test_toy_scenes_are_those_of_the_waters():
    assert [s.name for s in toy.scenes()] == list(waters.SURFACE_LUX)

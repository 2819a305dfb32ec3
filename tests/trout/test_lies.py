"""Lies on five waters where a guide knows the answer, and what must always hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from reachmap.errors import SettingError
from reachmap.layers import Derived
from reachmap.trout import FACTORS, LIE_CLASSES, find_lies, load_curves, outlook_for
from reachmap.trout.lies import _kinds, weigh_factors
from reachmap.trout.shift import Curve
from reachmap.write.summary import beside_the_map, moment_words
from tests import toy
from tests.trout import waters

CURVES = load_curves()
SCENES = ("sunny noon", "overcast noon", "night")


def lies_of(stated):
    water = waters.score(stated, CURVES)
    return water, find_lies(water.channel, water.outlooks, curves=CURVES)


def best(lies, scene):
    table = lies.scenes[scene]
    return lies.table.loc[table.index[table["rank"] == 1][0]]


@pytest.fixture(scope="module")
def toy_run(toy_channel):
    outlooks = {s.name: outlook_for(toy_channel, toy.light(toy_channel, s), CURVES) for s in toy.scenes()}
    return toy_channel, outlooks, dict.fromkeys(outlooks, toy.day(toy_channel))


@pytest.fixture(scope="module")
def toy_lies(toy_run):
    channel, outlooks, days = toy_run
    return find_lies(channel, outlooks, days=days, curves=CURVES)


@pytest.mark.parametrize("scene", SCENES)
def test_a_lone_boulder_in_a_run_is_the_lie(scene):
    """Common practice: the slow pocket behind a boulder, with a seam on each side."""
    _, lies = lies_of(waters.lone_boulder())
    lie = best(lies, scene)
    assert 59 < lie["along_m"] < 66
    assert abs(lie["across_m"]) < 1.5


def test_an_undercut_in_full_sun_is_the_lie_at_noon():
    """Common practice: bright sun sends trout under the bank."""
    _, lies = lies_of(waters.undercut_in_sun())
    lie = best(lies, "sunny noon")
    assert 50 < lie["along_m"] < 65
    assert lie["across_m"] < -4
    assert lie["kind"] in ("sheltering", "prime")


@pytest.mark.parametrize("scene", SCENES)
def test_a_featureless_canal_gets_no_lie(scene):
    """No place in it is better than another, so none is named."""
    _, lies = lies_of(waters.canal())
    assert len(lies.table) == 0
    assert len(lies.scenes[scene]) == 0
    assert not lies.label.any()


@pytest.mark.parametrize("seed", range(4))
def test_a_canal_measured_with_noise_gets_no_lie_either(seed):
    """Ripples of 3 cm (root mean square) are what soundings leave behind, not places."""
    rng, g, stated = np.random.default_rng(seed), waters.grid(), waters.canal()
    waves = sum(rng.normal() * np.sin(g.x / rng.uniform(2, 9) + rng.uniform(0, 6)) for _ in range(6))
    _, lies = lies_of(replace(stated, depth=np.maximum(stated.depth + 0.03 * waves / waves.std(), 0.03)))
    assert len(lies.table) == 0


def test_a_deep_pool_beside_a_riffle():
    """Common practice: under a bright sun the deep pool; by night fish come up to shallower water."""
    _, lies = lies_of(waters.pool_and_riffle())
    noon, night = best(lies, "sunny noon"), best(lies, "night")
    assert noon["depth_m"] > 1.2
    assert 62 < noon["along_m"] < 100
    assert night["depth_m"] < noon["depth_m"]
    riffle = lies.table[lies.table["along_m"] < 55]
    assert not (lies.scenes["sunny noon"].loc[riffle.index, "rank"] > 0).any()


def test_a_shaded_bank_against_an_open_one():
    """Common practice: in bright sun the shaded side."""
    _, lies = lies_of(waters.shaded_bank())
    lie = best(lies, "sunny noon")
    assert lie["across_m"] < -2
    assert 40 < lie["along_m"] < 80
    assert (lies.scenes["sunny noon"]["rank"] > 0).sum() == 1


def test_numbers_run_from_downstream_to_upstream(toy_lies):
    """Common practice: most fish a beat upstream, so lie 1 is the farthest down."""
    assert list(toy_lies.table.index) == list(range(1, len(toy_lies.table) + 1))
    assert toy_lies.table["along_m"].is_monotonic_decreasing
    assert len(toy_lies.table) >= 3


def test_the_label_layer_and_the_patches_agree(toy_run, toy_lies):
    grid = toy_run[0].grid
    for number, row in toy_lies.table.iterrows():
        cells = toy_lies.label == number
        assert row["area_m2"] == pytest.approx(cells.sum() * grid.cell_m**2)
        assert row.geometry.area == pytest.approx(row["area_m2"])
        assert shapely.contains_xy(row.geometry, grid.x[cells], grid.y[cells]).all()
        assert row.geometry.covers(shapely.Point(row["x"], row["y"]))
        assert row["kind"] in LIE_CLASSES
    assert toy_lies.label.dtype == np.float32


@pytest.mark.parametrize(
    ("eye", "factor", "kind"),
    [("day", "food", "feeding"), ("day", "nose", "feeding"), ("night", "nose", "sheltering"), ("day", "seam", "")],
)
def test_what_a_lie_is_goes_by_what_the_curves_file_says(toy_run, toy_lies, eye, factor, kind):
    """Where nothing suits of what the file names no lie is of that kind; what it doesn't name changes none."""
    channel, outlooks, _ = toy_run
    cells = list(toy_lies.cells.values())
    poor = {**getattr(CURVES, eye), factor: Curve(1.0, ((0.0, 0.01), (1.0, 0.01)))}
    curves = replace(CURVES, **{eye: poor})
    then = [outlook_for(channel, outlook.light, curves) for outlook in outlooks.values()]
    told, before = (_kinds(channel, cells, outs, CURVES) for outs in (then, list(outlooks.values())))
    if kind:
        assert {kind, "prime"} & {*before}
        assert "prime" not in told
        assert factor in CURVES.entries[f"lies.{kind}"]["source"]
    else:
        assert told == before
        assert not any(factor in CURVES.entries[f"lies.{kind}"]["source"] for kind in ("feeding", "sheltering"))


def stated(outlook, day=(), night=(), eye=1.0):
    """An outlook of the same cells whose factors are stated, 1 where they aren't."""
    n = len(outlook.holding["hold"])

    def factors(some):
        values = dict.fromkeys(FACTORS, 1.0) | dict(some)
        return Derived(FACTORS, lambda name, cells: np.full(n, values[name], np.float32)[cells], n)

    light = replace(outlook.light, layers=outlook.light.layers | {"eye_day": np.full(n, eye, np.float32)})
    holding = replace(outlook.holding, factors_day=factors(day), factors_night=factors(night))
    return replace(outlook, light=light, holding=holding)


def test_what_feeds_is_a_feeding_lie_what_shelters_a_sheltering_one_and_a_prime_lie_does_both(toy_run):
    """In the open at noon, or under a roof; with food beside it, or with none."""
    channel, outlooks, _ = toy_run
    noon = outlooks["sunny noon"]
    lit = replace(noon.light, layers=noon.light.layers | {"sun_share": np.ones(channel.grid.n_wet, np.float32)})
    cells = [np.arange(8)]
    for roof, food, kind in ((0.0, 1.0, "feeding"), (1.0, 0.05, "sheltering"), (1.0, 1.0, "prime")):
        water = channel.with_layers(
            overhead=np.full(channel.grid.n_wet, roof, np.float32),
            structure=np.zeros(channel.grid.n_wet, np.float32),
            depth=np.full(channel.grid.n_wet, 0.5, np.float32),
        )
        one = replace(stated(noon, day={"food": food}), light=lit)
        assert _kinds(water, cells, [one], CURVES) == [kind]


@pytest.mark.parametrize(("feeds", "shelters", "kind"), [(0.7, 0.4, "feeding"), (0.6, 0.45, "sheltering")])
def test_what_neither_feeds_nor_shelters_is_called_by_what_it_comes_nearer_to(toy_run, feeds, shelters, kind):
    """As a share of what the curves file asks for: 0.75 and 0.5."""
    channel, outlooks, _ = toy_run
    n = channel.grid.n_wet
    water = channel.with_layers(
        overhead=np.full(n, shelters, np.float32), structure=np.zeros(n, np.float32), depth=np.full(n, 0.1, np.float32)
    )
    noon = stated(outlooks["sunny noon"], day={"food": feeds})
    lit = replace(noon.light, layers=noon.light.layers | {"sun_share": np.ones(n, np.float32)})
    assert _kinds(water, [np.arange(8)], [replace(noon, light=lit)], CURVES) == [kind]


def test_what_a_lie_is_does_not_hang_on_the_order_of_the_scenes(toy_run):
    """How it feeds is told by the brightest bed: by energy a night feeds nobody."""
    channel, outlooks, _ = toy_run
    noon = stated(outlooks["sunny noon"], day={"food": 1.0})
    night, as_bright = stated(outlooks["night"], day={"food": 0.0}), stated(outlooks["sunny noon"], day={"food": 0.0})
    other_name = replace(as_bright.light, scene=replace(as_bright.scene, name="cold noon"))

    def kinds(*outs):
        return _kinds(channel, [np.arange(8)], outs, CURVES)

    assert kinds(noon, night) == kinds(night, noon) == kinds(noon)
    assert kinds(noon) != kinds(night)
    same = replace(as_bright, light=other_name)
    assert kinds(noon, same) == kinds(same, noon)


@pytest.mark.parametrize(("eye", "limiting"), [(1.0, "food"), (0.0, "depth")])
def test_the_factor_that_costs_a_lie_most_limits_it_by_the_eye_that_counts(toy_run, eye, limiting):
    """As -w ln f: by day 1.0 x ln 5 for food and 1.2 x ln 2 for the speed at the nose, by night 0.8 x ln 10."""
    outlook = stated(toy_run[1]["sunny noon"], {"food": 0.2, "nose": 0.5}, {"depth": 0.1}, eye)
    factor, suits = weigh_factors(outlook.holding, outlook.light, [np.arange(5)])[0]
    assert factor == limiting
    want = {"food": 0.2, "nose": 0.5} if eye else {"depth": 0.1}
    assert suits == pytest.approx(dict.fromkeys(FACTORS, 1.0) | want)


def test_ranks_follow_scores(toy_lies):
    for table in toy_lies.scenes.values():
        ranked = table[table["rank"] > 0].sort_values("rank")
        assert list(ranked["rank"]) == list(range(1, len(ranked) + 1))
        assert ranked["score"].is_monotonic_decreasing
        assert set(table["limiting"]) <= set(FACTORS)


def test_scores_are_means_over_the_patch(toy_run, toy_lies):
    outlooks = toy_run[1]
    for name, table in toy_lies.scenes.items():
        for number, row in table.iterrows():
            assert row["score"] == pytest.approx(
                outlooks[name].holding["hold"][toy_lies.label == number].mean(), rel=1e-5
            )


def test_a_lie_keeps_its_number_across_scenes(toy_lies):
    """The boulder's pocket is found in every scene, under one number."""
    ranks = [table["rank"] for table in toy_lies.scenes.values()]
    everywhere = [n for n in toy_lies.table.index if all(r[n] > 0 for r in ranks)]
    assert any(abs(toy_lies.table.loc[n, "along_m"] - 72) < 3 for n in everywhere)


def test_the_same_again(toy_run, toy_lies):
    channel, outlooks, days = toy_run
    again = find_lies(channel, outlooks, days=days, curves=CURVES)
    assert again.table.equals(toy_lies.table)
    assert all(again.scenes[name].equals(table) for name, table in toy_lies.scenes.items())


def test_lies_known_before_keep_their_places_and_numbers(toy_run, toy_lies):
    """With those of a sunny noon known, the other scenes add what they have besides, after them."""
    channel, outlooks, days = toy_run
    noon = {SCENES[0]: outlooks[SCENES[0]]}
    others = {name: outlooks[name] for name in SCENES[1:]}
    known = find_lies(channel, noon, days=days, curves=CURVES)
    lies = find_lies(channel, others, days=days, curves=CURVES, known=known)
    n = len(known.table)
    assert lies.table.iloc[:n].equals(known.table)
    assert list(lies.table.index) == list(range(1, len(lies.table) + 1))
    assert len(lies.table) > n
    assert (known.report["known_before"], lies.report["known_before"]) == (None, n)
    assert (lies.label[known.label > 0] == known.label[known.label > 0]).all()
    for number, cells in lies.cells.items():
        assert len(cells)
        assert (known.label[cells] == (number if number <= n else 0)).all()
    with pytest.raises(SettingError, match="lie on 7 cells"):
        find_lies(channel, others, known=replace(known, label=known.label[:7]))
    deeper = {**channel.layers, "depth": channel["depth"] + np.float32(0.1)}
    with pytest.raises(SettingError, match="another water"):
        find_lies(replace(channel, layers=deeper), others, known=known)
    # Nothing new in the scenes they were all found in.
    same = find_lies(channel, outlooks, days=days, curves=CURVES, known=toy_lies)
    assert same.table.equals(toy_lies.table)
    assert all(same.scenes[name]["rank"].equals(table["rank"]) for name, table in toy_lies.scenes.items())


def test_lies_are_none_of_the_maps_where_the_map_has_none(toy_run, toy_lies):
    """Where nothing stands out in the beat's own scenes another sky may still bring lies up."""
    channel, outlooks, days = toy_run
    flat = find_lies(channel, outlooks, curves=CURVES, max_lies=0)
    assert len(flat.table) == 0
    lies = find_lies(channel, outlooks, days=days, curves=CURVES, known=flat)
    again = find_lies(channel, outlooks, days=days, curves=CURVES, known=lies)
    assert len(lies.table) == len(again.table) > 1
    for found in (lies, again):
        assert beside_the_map(found, [1]).startswith("Not on the map, as they don't stand out in the beat's own")
        assert moment_words(found).startswith(f"lies 1 to {len(lies.table)} stand out at this moment, not in")
    assert beside_the_map(toy_lies, [1]) == moment_words(toy_lies) == ""
    for more, said in ((0, ""), (1, f"lie {len(lies.table)} stands out at"), (2, f"lies {len(lies.table) - 1} to ")):
        partly = replace(lies, report={**lies.report, "known_before": len(lies.table) - more})
        assert moment_words(partly).startswith(said)
        assert bool(moment_words(partly)) == (more > 0)


def test_a_cap_keeps_the_best_of_each_scene(toy_run, toy_lies):
    channel, outlooks, days = toy_run
    few = find_lies(channel, outlooks, days=days, curves=CURVES, max_lies=3)
    assert len(few.table) == 3
    for name in SCENES:
        place = best(toy_lies, name)
        assert any(np.hypot(few.table["x"] - place["x"], few.table["y"] - place["y"]) < 0.1)


def test_a_cell_size_hardly_moves_the_best_lie():
    found = []
    for cell in (0.25, 0.5, 1.0):
        channel = toy.channel(cell)
        light = toy.light(channel, toy.scenes()[1])
        name = light.scene.name
        lies = find_lies(channel, {name: outlook_for(channel, light, CURVES)}, curves=CURVES)
        found.append(best(lies, name)[["along_m", "across_m"]].to_numpy(float))
    assert np.ptp(found, axis=0).max() < 2.0

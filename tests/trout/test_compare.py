"""Comparing two scores of one water."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from reachmap.beat.model import Fish
from reachmap.errors import SettingError
from reachmap.layers import Derived
from reachmap.sight import see
from reachmap.trout import find_lies, hold, load_curves, outlook_for
from reachmap.trout.compare import GOOD, _best, _lies, compare
from reachmap.trout.model import CHANGES
from tests import toy
from tests.trout import waters

CURVES = load_curves()


@pytest.fixture(scope="module")
def run():
    water = waters.score(waters.shaded_bank(), CURVES)
    lies = find_lies(water.channel, water.outlooks, curves=CURVES)
    return water, lies


def test_sunny_against_overcast(run):
    """Common practice: cloud frees the open water; what changed is the light."""
    water, lies = run
    out = compare(water.channel, water.outlooks["sunny noon"].holding, water.outlooks["overcast noon"].holding, lies)
    assert out.difference.dtype == np.float32
    assert np.allclose(
        out.difference, water.outlooks["overcast noon"].holding["hold"] - water.outlooks["sunny noon"].holding["hold"]
    )
    grown = out.table[out.table["gain"] > 0.05]
    assert len(grown)
    assert set(grown["factor"]) == {"light"}
    assert set(out.table["what"]) <= set(CHANGES)
    assert "grows from" in out.paragraph
    assert "the bed is less bright" in out.paragraph


def test_back_again_is_the_mirror(run):
    water, lies = run
    sunny, overcast = (water.outlooks[n].holding for n in ("sunny noon", "overcast noon"))
    there, back = compare(water.channel, sunny, overcast, lies), compare(water.channel, overcast, sunny, lies)
    mirror = {"appears": "vanishes", "gains": "loses", "holds": "holds", "loses": "gains", "vanishes": "appears"}
    assert [mirror[w] for w in there.table["what"]] == list(back.table["what"])
    assert np.allclose(there.table["gain"], -back.table["gain"])
    assert list(there.table["factor"]) == list(back.table["factor"])


def test_day_against_night_names_the_eye(run):
    water, lies = run
    out = compare(water.channel, water.outlooks["sunny noon"].holding, water.outlooks["night"].holding, lies)
    light = out.table[(out.table["factor"] == "light") & (out.table["gain"] > 0)]
    assert set(light["why"]) == {"the glare is gone"}


def test_nothing_changed(run):
    water, lies = run
    one = water.outlooks["night"].holding
    out = compare(water.channel, one, one, lies)
    assert not out.difference.any()
    assert set(out.table["what"]) == {"holds"}
    assert set(out.table["why"]) == {"nothing moved"}
    assert set(out.table["factor"]) == {""}
    assert "stays" in out.paragraph


def test_a_lie_that_only_just_vanishes_has_its_reason(run):
    """However little its score moves."""
    water, lies = run
    one = water.outlooks["overcast noon"].holding
    layers = one.layers
    scores = {**layers.held, "hold": layers.held["hold"] - np.float32(0.003)}
    poorer = replace(one, layers=Derived(("hold_day", "hold_night"), layers.read, layers.n_wet, scores))
    own = next(iter(lies.cells.values()))
    just = replace(lies, report={**lies.report, "least_score": float(one["hold"][own].mean()) - 0.001})
    table = compare(water.channel, one, poorer, just).table
    first = table.loc[next(iter(lies.cells))]
    assert (first["what"], abs(first["gain"]) < 0.005) == ("vanishes", True)
    assert first["why"] != "nothing moved"


def test_two_fish_and_two_engines_are_told_apart(run):
    water, lies = run
    scene = "overcast noon"
    light, sight = water.outlooks[scene].light, water.outlooks[scene].sight
    brown, rainbow = (hold(water.channel, light, sight, Fish(s), CURVES) for s in ("brown", "rainbow"))
    out = compare(water.channel, brown, rainbow, lies)
    assert (out.before, out.after) == ("overcast noon, brown of 35 cm", "overcast noon, rainbow of 35 cm")
    energy = hold(water.channel, light, sight, Fish(), CURVES, engine="energy")
    by_energy = compare(water.channel, brown, energy, lies)
    assert by_energy.after == "overcast noon, energy engine"
    moved = by_energy.table[by_energy.table["factor"].isin(["food", "nose"])]
    assert moved["why"].str.startswith("by energy").all()


def test_another_fish_minds_the_light_less(run):
    """Nothing changed on the water, so the words must speak of the fish."""
    water, lies = run
    light, sight = water.outlooks["sunny noon"].light, water.outlooks["sunny noon"].sight
    brown, rainbow = (hold(water.channel, light, sight, Fish(s), CURVES) for s in ("brown", "rainbow"))
    out = compare(water.channel, brown, rainbow, lies)
    freed = out.table[out.table["factor"] == "light"]
    assert set(freed["why"]) == {"this fish minds the light less"}


def test_another_fish_needs_more_light_by_night(run):
    """Brown and brook trout see in less light than rainbow and cutthroat (Rader et al. 2007, in the curves file)."""
    water, lies = run
    dim = water.outlooks["night"].light
    dim = replace(dim, layers={**dim.layers, "light_bed": (0.3 * dim["light_bed"]).astype(np.float32)})
    brown, rainbow = (
        hold(water.channel, dim, see(water.channel, dim, Fish(s)), Fish(s), CURVES) for s in ("brown", "rainbow")
    )
    by_light = compare(water.channel, brown, rainbow, lies).table.query("factor == 'light'")
    assert set(by_light["why"]) == {"this fish needs more light"}
    back = compare(water.channel, rainbow, brown, lies).table.query("factor == 'light'")
    assert set(back["why"]) == {"this fish makes do with less light"}


def test_brighter_and_darker_are_told_by_the_light_itself(run):
    """In murk a day's bed may be so dark that still less light scores worse, and more light better."""
    water, lies = run
    noon = water.outlooks["overcast noon"].light

    def lit(lux):
        light = replace(noon, layers={**noon.layers, "light_bed": np.full_like(noon["light_bed"], lux)})
        return hold(water.channel, light, water.outlooks["overcast noon"].sight, Fish(), CURVES)

    for less, more, worse, better in (
        (0.2, 45.0, "there is less light to see by", "there is more light to see by"),
        (3000.0, 50000.0, "the bed is less bright", "the bed is brighter"),
    ):
        darker, brighter = (
            compare(water.channel, *pair, lies).table for pair in ((lit(more), lit(less)), (lit(less), lit(more)))
        )
        assert set(darker["why"]) == {worse}
        assert set(brighter["why"]) == {better}


def test_no_lies_at_all():
    water = waters.score(waters.canal(), CURVES)
    lies = find_lies(water.channel, water.outlooks, curves=CURVES)
    out = compare(water.channel, water.outlooks["sunny noon"].holding, water.outlooks["night"].holding, lies)
    assert len(out.table) == 0
    assert "No lie stands out" in out.paragraph


def test_of_lies_that_all_vanish_none_stays_the_best(run):
    water, lies = run
    one = water.outlooks["overcast noon"].holding
    scores = one.layers.held
    poor = replace(
        one,
        layers=Derived(
            ("hold_day", "hold_night"), one.layers.read, one.layers.n_wet, {**scores, "hold": 0.5 * scores["hold"]}
        ),
    )
    there, back = compare(water.channel, one, poor, lies), compare(water.channel, poor, one, lies)
    assert set(there.table["what"]) == {"vanishes"}
    assert there.told.endswith("No lie stands out after.")
    assert "stays the best" not in there.told + back.told
    assert back.told.endswith(f"No lie stood out before; the best is lie {back.table['after'].idxmax()}.")


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        ([0.6, 0.5], [0.7, 0.5], "Lie 4 stays the best."),
        ([0.6, 0.5], [0.4, 0.5], "The best is lie 9 instead of 4."),
        ([0.6, 0.5], [0.1, 0.2], "No lie stands out after."),
        ([0.1, 0.2], [0.3, 0.5], "No lie stood out before; the best is lie 9."),
        ([0.6, 0.2], [0.7, 0.1], "Lie 4 stays the best."),
        ([], [], "No lie stands out in either."),
    ],
)
def test_which_lie_is_the_best_is_told(before, after, says):
    """Where lies of less than 0.3 don't count."""
    table = pd.DataFrame({"before": before, "after": after}, index=[4, 9][: len(before)], dtype=float)
    assert _best(table, 0.3) == says


@pytest.mark.parametrize(
    ("numbers", "words"),
    [
        ([3], "Lie 3"),
        ([3, 5], "Lies 3 and 5"),
        ([3, 5, 8, 9, 12, 1], "Lies 3, 5, 8, 9, 12 and 1"),
        ([3, 5, 8, 9, 12, 1, 2], "Lies 3, 5, 8, 9, 12 and 2 others"),
    ],
)
def test_lies_are_named_and_the_many_counted(numbers, words):
    assert _lies(numbers) == words


def test_another_channel_is_refused(run):
    water, lies = run
    other = toy.channel(1.0)
    light = toy.light(other, toy.scenes()[0])
    strange = hold(other, light, see(other, light, Fish()), Fish(), CURVES)
    with pytest.raises(SettingError, match="different numbers of wet cells"):
        compare(water.channel, water.outlooks["sunny noon"].holding, strange, lies)


def test_another_stage_is_compared_by_place():
    """The same water 0.3 m lower: what fell dry lost its depth, what stayed wet is compared cell by cell.

    The share of good water is told of each water for itself, as its own map shows it.
    """
    high = toy.channel(0.5)
    keep = high["depth"] > 0.3
    wet = high.grid.spread(keep, dry=0).astype(bool)
    grid = replace(high.grid, water=wet)
    low_layers = {name: values[keep] for name, values in high.layers.items()}
    low_layers["depth"] = (low_layers["depth"] - np.float32(0.3)).astype(np.float32)
    low = replace(high, grid=grid, layers=low_layers, stage_m=-0.3)
    before, after = (outlook_for(channel, toy.light(channel, toy.scenes()[1]), CURVES) for channel in (high, low))
    lies = find_lies(high, {"overcast noon": before}, curves=CURVES)
    out = compare(high, before.holding, after.holding, lies, after_channel=low)
    dry = ~keep
    assert np.allclose(out.difference[dry], -before.holding["hold"][dry])
    assert np.allclose(out.difference[keep], after.holding["hold"] - before.holding["hold"][keep])
    assert out.after == "overcast noon at -0.30 m"
    share, share_low = (f"{100 * (one.holding['hold'] > GOOD).mean():.0f}" for one in (before, after))
    assert out.told.startswith(f"the share of the water that scores above 0.5 shrinks from {share} to {share_low} %.")
    lies_low = find_lies(low, {"overcast noon": after}, curves=CURVES)
    back = compare(low, after.holding, before.holding, lies_low, after_channel=high)
    assert f"grows from {share_low} to {share} %" in back.told

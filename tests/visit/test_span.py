"""The lies over a day: scores and light of every hour against those of a scene at that hour."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest

import reachmap


def test_hours_are_scores(run):
    _, made, visit = run
    assert visit.hours.shape == (144, len(made.lies.table))
    assert visit.hours.to_numpy().min() >= 0
    assert visit.hours.to_numpy().max() <= 1
    # By day the eye is a day's, in a night of June hardly.
    assert visit.eye.index.equals(visit.hours.index)
    assert visit.eye.iloc[72] == 1
    assert visit.eye.min() < 0.5


@pytest.mark.parametrize(
    ("hour", "more"), [("13:00", {}), ("13:00", {"cloud": 7}), ("02:00", {}), ("02:00", {"town_glow_lux": 0.5})]
)
def test_the_hours_agree_with_the_scene_at_its_own(sample_folder, hour, more):
    """By night too, and under the glow of a town; the sample's lies are small enough to be looked at whole."""
    beat = reachmap.read_beat(sample_folder)
    first = beat.scenes[0]
    when = first.when.replace(hour=int(hour[:2]))
    made = reachmap.analyse(replace(beat, scenes=(replace(first, when=when, **more),)))
    hours = made.visit.hours.iloc[made.day.step_of(when)]
    np.testing.assert_allclose(hours, made.lies.scenes[first.name]["score"], atol=0.01)


@pytest.mark.parametrize("hour", [11, 17, 22])
def test_the_edge_of_the_shade_goes_with_the_hour(sample_folder, hour):
    """Hours asked for in the morning, under a clear sky, are those of a map of each hour itself."""

    def at(hour, **known):
        return reachmap.analyse(sample_folder, moment=reachmap.Moment(datetime(2026, 7, 30, hour), cloud=0), **known)

    made = at(11)
    then = at(hour, known=made.lies)
    hours = made.visit.hours.iloc[made.day.step_of(then.first[1].scene.when)]
    np.testing.assert_allclose(hours, then.lies.scenes[then.first[0]]["score"].loc[hours.index], atol=0.002)


@pytest.mark.parametrize("hour", ["13:00", "02:00"])
def test_by_energy_the_food_goes_with_the_light_of_every_hour(sample_folder, hour):
    """In murk, asked for at noon or at night: what the fish sees and so takes at dusk is that of dusk."""
    beat = reachmap.read_beat(sample_folder)
    first = replace(beat.scenes[0], cloud=1, water=replace(beat.scenes[0].water, clarity_m=0.5))

    def at(time, **known):
        when = first.when.replace(hour=int(time[:2]), minute=int(time[3:]))
        return reachmap.analyse(replace(beat, scenes=(replace(first, when=when),)), engine="energy", **known)

    made = at(hour)
    for time in ("13:00", "21:00", "21:30"):
        then = at(time, known=made.lies)
        hours = made.visit.hours.iloc[made.day.step_of(then.first[1].scene.when)]
        own = then.lies.scenes[first.name]["score"].loc[hours.index]
        np.testing.assert_allclose(hours, own, atol=0.01)
    assert own.max() < made.visit.hours.max().max() - 0.1, "dusk is no worse than any other hour, so this shows nothing"

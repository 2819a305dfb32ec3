"""The light of a scene on the toy water: orders that must hold whatever the numbers."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from reachmap.beat.model import Fish, Water
from reachmap.channel.model import check_layers
from reachmap.errors import SettingError
from reachmap.light import light_at, prepare_shade
from reachmap.light.water import DARK_LAW
from tests import toy


@pytest.fixture(scope="module")
def shade(toy_channel):
    return prepare_shade(toy_channel)


def test_layers_are_registered_vectors(toy_channel, shade):
    light = light_at(toy_channel, toy.scenes()[0], shade)
    check_layers(light.layers, toy_channel.grid.n_wet)
    assert set(light.layers) == {"light_bed", "shade_edge", "sun_share", "sky_share", "eye_day"}
    assert all(np.isfinite(values).all() for values in light.layers.values())
    for name in ("shade_edge", "sun_share", "sky_share", "eye_day"):
        assert 0 <= light[name].min() <= light[name].max() <= 1


def test_sunny_noon_overcast_noon_and_night(toy_channel, shade):
    sunny, overcast, night = (light_at(toy_channel, scene, shade) for scene in toy.scenes())
    assert sunny.beam_lux > 50_000
    assert overcast.beam_lux == 0
    # Kasten & Czeplak: a quarter to a third of the clear sky's light is left.
    assert 0.2 < overcast.surface_lux / sunny.surface_lux < 0.35
    assert night.surface_lux < 1
    assert sunny["eye_day"].min() == 1
    assert night["eye_day"].max() == 0
    spread = {light.scene.name: np.ptp(np.log(light["light_bed"])) for light in (sunny, overcast)}
    assert spread["overcast noon"] < spread["sunny noon"]
    dark_m = DARK_LAW / sunny.beam_attenuation_per_m
    assert (sunny.kd_per_m, dark_m) == pytest.approx((1.834 / 2.5, 0.699 * 2.5), rel=2e-3)


def test_shade_depth_and_cover_take_light(toy_channel, shade):
    light = light_at(toy_channel, toy.scenes()[0], shade)
    under = toy_channel["overhead"] > 0.5
    shaded = (light["sun_share"] < 0.3) & ~under
    open_water = light["sun_share"] > 0.99
    assert shaded.any()
    same = np.abs(toy_channel["depth"] - np.median(toy_channel["depth"][shaded])) < 0.1
    assert light["light_bed"][shaded].mean() < 0.6 * light["light_bed"][open_water & same].mean()
    assert 0 < light["light_bed"][under].max() < 0.1 * light.surface_lux


def test_murk_town_glow_and_leaves(toy_channel, shade):
    noon, _, night = toy.scenes()
    clear = light_at(toy_channel, noon, shade)
    murky = light_at(toy_channel, replace(noon, water=Water(0.5, "white from above", "spate")), shade)
    assert np.all(murky["light_bed"] <= clear["light_bed"])
    dark = light_at(toy_channel, replace(night, cloud=8), shade)
    lit = light_at(toy_channel, replace(night, cloud=8, town_glow_lux=0.05), shade)
    assert np.all(lit["light_bed"] > dark["light_bed"])
    bare = light_at(toy_channel, replace(noon, leaf_on=False), shade)
    assert bare["sun_share"].mean() > clear["sun_share"].mean()


def test_the_dull_hour_switches_every_eye_and_rainbows_first(toy_channel):
    states = {}
    for species in ("brown", "rainbow"):
        channel = replace(toy_channel, beat=replace(toy_channel.beat, fish=Fish(species)))
        # Civil dusk there is at about 21:42 UTC.
        for minute in (0, 20, 40):
            when = datetime(2026, 6, 20, 22, minute, tzinfo=UTC)
            scene = replace(toy.scenes()[0], name="dusk", when=when)
            states[species, minute] = light_at(channel, scene, prepare_shade(channel))["eye_day"].mean()
    for species in ("brown", "rainbow"):
        assert states[species, 0] > states[species, 20] > states[species, 40]
    assert all(states["rainbow", m] < states["brown", m] for m in (0, 20))


def test_the_same_twice(toy_channel):
    one, two = (light_at(toy_channel, toy.scenes()[0]) for _ in range(2))
    assert all(np.array_equal(one[name], two[name]) for name in one.layers)


def test_water_that_cannot_be(toy_channel, shade):
    with pytest.raises(SettingError, match="clarity -1"):
        light_at(toy_channel, replace(toy.scenes()[0], water=Water(-1.0)), shade)

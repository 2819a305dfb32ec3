"""What reaches the bed: the values that travel out of the light room."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime

import numpy as np

from reachmap.beat.model import Scene


@dataclass(frozen=True)
class Body:
    """Sun or moon as seen from the reach.

    Parameters
    ----------
    altitude_deg : topocentric altitude of its centre, without refraction [deg]
    azimuth_deg : clockwise from north [deg]
    clear_lux : illuminance on an open horizontal surface under a clear sky [lux]
    lit : lit fraction (moon), 1 for the sun
    """

    altitude_deg: float
    azimuth_deg: float
    clear_lux: float
    lit: float = 1.0


@dataclass(frozen=True)
class Light:
    """The light of one scene.

    Parameters
    ----------
    scene : the moment and sky
    sun, moon : where they stand
    beam_lux, diffuse_lux : on an open horizontal surface, under this cloud [lux]
    kd_per_m : diffuse attenuation of the water for a high sun [1/m]
    beam_attenuation_per_m : beam attenuation c of the water [1/m]
    layers : light_bed, shade_edge, sun_share, sky_share, eye_day (n_wet,) float32
    """

    scene: Scene
    sun: Body
    moon: Body
    beam_lux: float
    diffuse_lux: float
    kd_per_m: float
    beam_attenuation_per_m: float
    layers: Mapping[str, np.ndarray]

    def __getitem__(self, name: str) -> np.ndarray:
        """The wet vector of one layer."""
        return self.layers[name]

    @property
    def surface_lux(self) -> float:
        """Illuminance on an open horizontal surface [lux]."""
        return self.beam_lux + self.diffuse_lux


@dataclass(frozen=True)
class DayLight:
    """A whole day in equal steps, everything a page needs to redraw any minute of it.

    Parameters
    ----------
    times : time-zone-aware moments, one per step (n_steps,)
    sun, moon : one `Body` a step
    sun_share, moon_share : (n_steps, n_places) uint8, share of the beam in 1/255; a row of zeros while the body is
        down, and for the moon also while the sun is up
    sky_clear, sky_overcast : (n_wet,) float32, share of diffuse light for a uniform and a CIE overcast sky
    events : named moments (sunrise, sunset, civil_dawn, civil_dusk, nautical_dawn, nautical_dusk, moonrise,
        moonset), only those that happen, by their time and in the place's clock
    place : (n_wet,) int32, column of the shares that serves each wet cell; None where every cell has its own
    leaf_on : whether trees are in leaf
    """

    times: tuple[datetime, ...]
    sun: tuple[Body, ...]
    moon: tuple[Body, ...]
    sun_share: np.ndarray
    moon_share: np.ndarray
    sky_clear: np.ndarray
    sky_overcast: np.ndarray
    events: Mapping[str, datetime]
    place: np.ndarray | None = None
    leaf_on: bool = True

    @property
    def date(self) -> date:
        """The day, by the clock of the place."""
        return self.times[0].date()

    @property
    def step_min(self) -> float:
        """Minutes from step to step."""
        # As in `step_of`: clocks may change at midnight.
        return (self.times[1].astimezone(UTC) - self.times[0].astimezone(UTC)).total_seconds() / 60

    def step_of(self, when: datetime) -> int:
        """The step nearest to a moment of this day."""
        # Differences of local times do not see a change of clocks.
        passed = (when.astimezone(UTC) - self.times[0].astimezone(UTC)).total_seconds() / 60
        return min(max(round(passed / self.step_min), 0), len(self.times) - 1)

    def columns(self, cells: np.ndarray | slice) -> np.ndarray | slice:
        """Columns of the shares that serve some cells (positions in the wet vector)."""
        return cells if self.place is None else self.place[cells]

    def sun_on(self, cells: np.ndarray) -> np.ndarray:
        """Share of the sun's beam on some cells at every step, uint8 in 1/255 (n_steps, n_cells)."""
        return self.sun_share[:, self.columns(cells)]

"""The register of every layer: name, unit, the room that writes it, meaning.

A layer is a float32 vector with one value per wet cell, in the order of `Grid.wet` read row by row;
`Grid.spread` lays it out as a (rows, columns) map with NaN where dry. Vectors instead of maps keep the
cost of every later step proportional to the wetted cells, not to the box around a winding river.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from reachmap.threads import pieces, side_by_side

WetCells = np.ndarray | slice
"""Some wet cells: their positions, or a slice of the wet vector."""


@dataclass(frozen=True)
class Layer:
    """One entry of the register.

    Parameters
    ----------
    name : key used in code, in `layers.tif` and on the map
    unit : SI unit, "" for a pure number
    room : the room that writes it
    meaning : one sentence for a person
    """

    name: str
    unit: str
    room: str
    meaning: str


_ROWS = [
    # channel
    ("along", "m", "channel", "distance downstream from the head of the reach"),
    ("across", "m", "channel", "distance from the centreline, positive toward the true left bank"),
    ("width", "m", "channel", "local wetted width"),
    ("bank_distance", "m", "channel", "distance to the nearest waterline (banks and islands, not the end caps)"),
    ("depth", "m", "channel", "water depth"),
    ("depth_sd", "m", "channel", "standard error of the depth; depth +- 1.645 of it is the 90 % band"),
    ("speed", "m/s", "channel", "speed averaged over the vertical"),
    ("speed_sd", "m/s", "channel", "standard error of the speed; speed +- 1.645 of it is the 90 % band"),
    ("flow_east", "", "channel", "east component of the unit vector along the current"),
    ("flow_north", "", "channel", "north component of the unit vector along the current"),
    ("nose_speed", "m/s", "channel", "speed at the nose of a feeding fish near the bed"),
    ("rest_speed", "m/s", "channel", "speed at the nose of a resting fish close to the bed"),
    ("drift_speed", "m/s", "channel", "speed of the fastest water that carries food within a metre"),
    ("profile_flag", "", "channel", "1 where the bed is too rough for the depth to resolve a profile, else 0"),
    ("shear", "1/s", "channel", "lateral gradient of the speed at the stated scale"),
    ("seam_contrast", "m/s", "channel", "speed difference across the seam whose slow side this is, 0 away from seams"),
    ("seam_distance", "m", "channel", "distance to the nearest seam, on its slow side; NaN elsewhere"),
    ("overhead", "", "channel", "overhead cover (undercut, log, bridge, weed), share of the cell, 0-1"),
    ("structure", "", "channel", "closeness of cover to lie against (boulder, log, pier), 0-1"),
    ("confidence", "", "channel", "2 near measurements, 1 between them, 0 beyond them or a guess"),
    # light
    ("light_bed", "lux", "light", "illuminance on a horizontal surface at the river bed"),
    ("shade_edge", "", "light", "how much sunnier the water is a step away, times the sun's share of all light, 0-1"),
    ("sun_share", "", "light", "share of the direct beam of sun or moon that reaches the water here, 0-1"),
    ("sky_share", "", "light", "share of the light of the open sky that reaches the water here, 0-1"),
    ("eye_day", "", "light", "state of the eye: 1 day eye, 0 night eye, between while it switches over"),
    # sight
    ("sighting_range", "m", "sight", "how far a trout can make out a fly-sized thing here and now"),
    ("decide_time", "s", "sight", "how long a drifting thing is in view before it passes the fish"),
    # trout
    ("hold_day", "", "trout", "likelihood ranking for holding with the day eye, 0-1; no probability of a fish"),
    ("hold_night", "", "trout", "likelihood ranking for holding with the night eye, 0-1; no probability of a fish"),
    ("hold", "", "trout", "likelihood ranking for holding in this scene, 0-1; no probability of a fish"),
    ("limiting", "", "trout", "factor that holds the score down: 1 food, 2 nose, 3 depth, 4 light, 5 cover, 6 seam"),
    ("lie", "", "trout", "number of the lie the cell belongs to, 0 for none"),
    # visit
    ("wading", "", "visit", "wading class by daylight: 1 usual care, 2 strong care, 3 do not wade"),
    ("wading_dark", "", "visit", "the same after dark, when every step is harder"),
    ("redd", "", "visit", "1 where spawning gravel is likely, in the season of any of the scenes, keep off; else 0"),
]

LAYERS: dict[str, Layer] = {row[0]: Layer(*row) for row in _ROWS}
"""Every layer by name."""


class Derived(Mapping[str, np.ndarray]):
    """Vectors by name that are worked out when read: on a long river they would fill the memory.

    Parameters
    ----------
    names : of the vectors
    read : called with a name and some cells, gives the values there (n,) float32
    n_wet : number of wet cells; all of them are read in pieces, on all processors
    held : vectors that stand beside them, worked out already
    """

    def __init__(
        self,
        names: tuple[str, ...],
        read: Callable[[str, WetCells], np.ndarray],
        n_wet: int,
        held: Mapping[str, np.ndarray] | None = None,
    ) -> None:
        self.names, self.read, self.n_wet, self.held = names, read, n_wet, held or {}

    def __getitem__(self, name: str) -> np.ndarray:
        if name in self.held:
            return self.held[name]
        return np.concatenate(side_by_side(lambda cells: self.part(name, cells), pieces(self.n_wet)))

    def __iter__(self) -> Iterator[str]:
        yield from self.held
        yield from self.names

    def __len__(self) -> int:
        return len(self.held) + len(self.names)

    def part(self, name: str, cells: WetCells) -> np.ndarray:
        """One of them in some cells."""
        if name in self.held:
            return self.held[name][cells]
        if name not in self.names:
            raise KeyError(name)
        return self.read(name, cells)

    def at(self, cells: WetCells) -> dict[str, np.ndarray]:
        """All of them in some cells."""
        return {name: self.part(name, cells) for name in self}

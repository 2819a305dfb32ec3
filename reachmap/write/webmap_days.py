"""The days a page carries: for every step what sky, sun and moon put into the light at the bed, and the shade then."""

from __future__ import annotations

from typing import Any

import numpy as np

from reachmap.light import bed_terms
from reachmap.light.model import DayLight
from reachmap.threads import side_by_side
from reachmap.visit.wading import spawning_now
from reachmap.write.model import Result
from reachmap.write.pack import SHARE, Average, Coarse, figures, pack_bytes, pack_rows, pack_words

MOST_SHADE = 16_000_000
"""Bytes of shade (cells x steps) a page holds at most, for sun and moon each, all days together; more and only every
second, third or sixth step is kept."""


def distinct_days(result: Result) -> list[DayLight]:
    """The days of the scenes, each once, that of the first scene first."""
    return list({id(day): day for day in result.days.values()}.values())


SKIES = ("sky_clear", "sky_overcast")
"""Layers of the sky's light; `bare` after them where trees are without leaves."""


def _sky_names(day: DayLight) -> list[str]:
    """Names of the layers that tell how much of the sky's light reaches the water on a day."""
    return [name if day.leaf_on else f"{name}_bare" for name in SKIES]


def skies(days: list[DayLight], coarse: Coarse) -> dict[str, Any]:
    """The shares of the sky's light, for each state of the leaves that occurs."""
    shares = {
        name: values
        for day in days
        for name, values in zip(_sky_names(day), (day.sky_clear, day.sky_overcast), strict=True)
    }
    return {name: pack_words(coarse.mean(values), SHARE) for name, values in shares.items()}


def days_data(result: Result, days: list[DayLight], coarse: Coarse) -> list[dict[str, Any]]:
    """Every day as tables; what the sun's shade has in common with the first day is carried once."""
    rows = MOST_SHADE // coarse.grid.n_wet
    own_suns = 1 + sum(not _mostly_alike(day.sun_share, days[0].sun_share) for day in days[1:])
    first = _Shades(days[0].sun_share, rows // own_suns)
    # Made once, as all days lie on the same cells.
    average = coarse.averager(days[0].sun_share.shape[1], days[0].place)
    out = []
    for day in days:
        scenes = [result.outlooks[name].scene for name, one in result.days.items() if one is day]
        sun = first if day is days[0] else _Shades(day.sun_share, rows // own_suns, first)
        # In daylight the moon adds at most 0.3 lux to thousands: its shade is carried only while the sun is down.
        moon = _Shades(day.moon_share, rows // len(days), wanted=np.array([s.altitude_deg < 0 for s in day.sun]))
        data = _day(day, sun, moon, average, max(scene.town_glow_lux for scene in scenes))
        twice = sum(one.date == day.date for one in days) > 1
        name = f"{day.date:%d %B %Y}".lstrip("0") + (", trees bare" if twice and not day.leaf_on else "")
        spawning = any(spawning_now(result.channel.beat, scene) for scene in scenes)
        out.append({"date": name, "iso": f"{day.date}", "spawning": spawning, **data})
    return out


def _mostly_alike(share: np.ndarray, other: np.ndarray) -> bool:
    """Whether most steps of two days have the same shade, so that the second needs hardly any room of its own."""
    return share.shape == other.shape and sum(map(np.array_equal, share, other)) > len(share) / 2


def _day(day: DayLight, sun: _Shades, moon: _Shades, average: Average, glow_lux: float) -> dict[str, Any]:
    """A day as tables: what each step and sky puts into the light at the bed, and the shade of sun and moon."""
    terms = [
        [bed_terms(sun, moon, cloud, glow_lux) for cloud in range(9)]
        for sun, moon in zip(day.sun, day.moon, strict=True)
    ]
    shade_of_sun, shade_of_moon = side_by_side(lambda body: body.packed(average), (sun, moon))
    return {
        "times": [f"{t:%H:%M}" for t in day.times],
        "step_min": day.step_min,
        "lux": [
            [[figures(v) for v in (t.sun_lux, t.moon_lux, t.clear_lux, t.overcast_lux)] for t in row] for row in terms
        ],
        "slant": [[figures(row[0].sun_slant), figures(row[0].moon_slant)] for row in terms],
        "sky": _sky_names(day),
        "sky_slant": [figures(terms[0][0].clear_slant), figures(terms[0][0].overcast_slant)],
        "altitude": [
            [round(s.altitude_deg, 4), round(m.altitude_deg, 4)] for s, m in zip(day.sun, day.moon, strict=True)
        ],
        "sun": shade_of_sun,
        "moon": shade_of_moon,
        "events": {name: f"{moment:%H:%M}" for name, moment in day.events.items()},
    }


class _Shades:
    """The steps at which a body is up and its shade then; thinned to every so many steps on large reaches.

    Parameters
    ----------
    share : (n_steps, n_places) uint8
    most_rows : steps to carry at most, if every sixth is not more
    like : of another day; steps that are the same there are not carried again
    wanted : (n_steps,) bool, steps that count; None takes all
    """

    def __init__(
        self, share: np.ndarray, most_rows: int, like: _Shades | None = None, wanted: np.ndarray | None = None
    ) -> None:
        self.share = share
        self.up = np.flatnonzero(share.any(axis=1) & (True if wanted is None else wanted))
        stride = next((s for s in (1, 2, 3, 6) if len(self.up) / s <= most_rows), 6)
        # The first and last step stay, so that there is something on both sides of every step between.
        self.kept = np.unique(np.concatenate([self.up[:1], self.up[self.up % stride == 0], self.up[-1:]]))
        self.same = [] if like is None else self._in_common(like)

    def _in_common(self, like: _Shades) -> list[int]:
        """Carried steps that are carried for the other day and are the same there."""
        both = np.intersect1d(self.kept, like.kept)
        return [int(k) for k in both if np.array_equal(self.share[k], like.share[k])]

    def packed(self, average: Average) -> dict[str, Any]:
        """Steps, and the averaged rows of those that are not carried by the other day."""
        own = np.setdiff1d(self.kept, self.same)
        data = pack_rows(average(self.share, own)) if len(own) else pack_bytes(b"")
        return {"steps": self.kept.tolist(), "same": self.same, "up": self.up.tolist(), "data": data}

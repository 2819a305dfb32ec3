"""Everything one run found out, gathered for whoever writes it down."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from reachmap.channel.model import Channel
from reachmap.light.model import DayLight, Light
from reachmap.sight.model import Sight
from reachmap.trout.model import Holding, Lies
from reachmap.visit.model import Visit


@dataclass(frozen=True)
class Result:
    """One beat, mapped.

    Parameters
    ----------
    channel : the water (and through it the beat)
    lights, sights, holdings : by scene name, in the beat's order
    days : the day of each scene in 10-minute steps, by scene name; scenes of one day share it
    lies, visit : what was found and what to do about it
    curves : the curves in use as plain tables (what `trout.Curves.tables()` returns), for pages that score again
    record : inputs, settings, versions, errors, for run.json
    """

    channel: Channel
    lights: Mapping[str, Light]
    sights: Mapping[str, Sight]
    holdings: Mapping[str, Holding]
    days: Mapping[str, DayLight]
    lies: Lies
    visit: Visit
    curves: Mapping[str, Any]
    record: Mapping[str, Any] = field(default_factory=dict)

    @property
    def day(self) -> DayLight:
        """The day of the first scene, for which the visit is planned."""
        return next(iter(self.days.values()))

"""Everything one run found out, gathered for whoever writes it down."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from reachmap.beat.model import Scene
from reachmap.channel.model import Channel
from reachmap.light.model import DayLight
from reachmap.trout.curves import Curves
from reachmap.trout.model import Lies, Outlook
from reachmap.visit.model import Visit


@dataclass(frozen=True)
class Result:
    """One beat, mapped.

    Parameters
    ----------
    channel : the water (and through it the beat)
    outlooks : what each scene comes to, by its name, in the beat's order
    days : the day of each scene in 10-minute steps, by scene name; scenes of one day share it
    lies, visit : what was found and what to do about it
    curves : the curves in use
    record : inputs, settings, versions, errors, for run.json
    """

    channel: Channel
    outlooks: Mapping[str, Outlook]
    days: Mapping[str, DayLight]
    lies: Lies
    visit: Visit
    curves: Curves
    record: Mapping[str, Any] = field(default_factory=dict)

    @property
    def first(self) -> tuple[str, Outlook]:
        """The first scene, for which the visit is planned, by its name."""
        return next(iter(self.outlooks.items()))

    @property
    def scenes(self) -> list[Scene]:
        """All that were looked at."""
        return [outlook.scene for outlook in self.outlooks.values()]

    @property
    def day(self) -> DayLight:
        """The day of the first scene."""
        return next(iter(self.days.values()))

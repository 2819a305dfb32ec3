"""Everything one run found out, gathered for whoever writes it down."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from reachmap.beat.model import Scene
from reachmap.channel.model import Channel
from reachmap.light.model import DayLight
from reachmap.trout.model import Lies, Outlook
from reachmap.visit.model import Visit


def temperatures(scenes: Iterable[Scene]) -> list[float | None]:
    """The water temperatures of some scenes [degC], each once, in their order; None where it is not known."""
    return list(dict.fromkeys(scene.water.temperature_c for scene in scenes))


@dataclass(frozen=True)
class Result:
    """One beat, mapped.

    Parameters
    ----------
    channel : the water (and through it the beat)
    outlooks : what each scene comes to, by its name, in the beat's order
    days : the day of each scene in 10-minute steps, by scene name; scenes of one day share it
    lies, visit : what was found and what to do about it
    curves : the curves in use as plain tables (what `trout.Curves.tables` returns for the scenes' `temperatures`), for
        pages that score again
    record : inputs, settings, versions, errors, for run.json
    """

    channel: Channel
    outlooks: Mapping[str, Outlook]
    days: Mapping[str, DayLight]
    lies: Lies
    visit: Visit
    curves: Mapping[str, Any]
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

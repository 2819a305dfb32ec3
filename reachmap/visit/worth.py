"""Which lies are worth going to: those that stand out in a scene, or else at another hour of its day."""

from __future__ import annotations

import pandas as pd

from reachmap.trout.model import Lies


def ranked(lies: Lies, scene: str) -> list[int]:
    """Numbers of the lies that stand out in one scene, best first."""
    table = lies.scenes[scene]
    return [int(n) for n in table[table["rank"] > 0].sort_values("rank").index]


def best_lies(lies: Lies, scene: str, hours: pd.DataFrame) -> list[int]:
    """Numbers of the lies that stand out in one scene, or where none does, at some of these hours; best first.

    Parameters
    ----------
    hours : hold scores of the scene's day as in `Visit.hours`; may be empty
    """
    best = hours.max()
    here = best[best >= lies.report["least_score"]].sort_values(ascending=False, kind="stable")
    return ranked(lies, scene) or [int(n) for n in here.index]

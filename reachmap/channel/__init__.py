"""The water: a grid along the channel with depth and speed everywhere."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from reachmap.channel.model import Channel, Grid

if TYPE_CHECKING:
    from reachmap.channel.build import build_channel

__all__ = ["Channel", "Grid", "build_channel"]


def __getattr__(name: str) -> Any:
    """`build_channel` when it is asked for: a run whose water is kept does without the solvers it brings along."""
    if name != "build_channel":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from reachmap.channel.build import build_channel

    return build_channel

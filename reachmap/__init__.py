"""Where trout are likely to hold on one reach, at one hour, under one sky, and what to do about it.

The public verbs load their libraries when first used, so that `import reachmap` and `reachmap --help` are quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.2.0"

_HOMES = {
    "Moment": "reachmap.beat",
    "read_beat": "reachmap.beat",
    "check_beat": "reachmap.beat",
    "build_channel": "reachmap.channel",
    "prepare_shade": "reachmap.light",
    "light_at": "reachmap.light",
    "light_through_day": "reachmap.light",
    "see": "reachmap.sight",
    "load_curves": "reachmap.trout",
    "hold": "reachmap.trout",
    "outlook_for": "reachmap.trout",
    "find_lies": "reachmap.trout",
    "compare": "reachmap.trout.compare",
    "plan_visit": "reachmap.visit",
    "analyse": "reachmap.run",
    "map_beat": "reachmap.run",
    "write_map": "reachmap.run",
}

__all__ = ["__version__", *_HOMES]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'reachmap' has no attribute {name!r}")

"""run.json: what went in, what was set, what was measured, so that anybody can do it again."""

from __future__ import annotations

from importlib import import_module
from typing import Any

import numpy as np

from reachmap.write.model import Result

LIBRARIES = ("numpy", "scipy", "shapely", "geopandas", "pyproj", "pyogrio", "rasterio", "folium", "ephem")


def run_record(result: Result) -> dict[str, Any]:
    """The record of a run as plain values; no clock time, so the same input gives the same bytes."""
    return plain(
        {
            **result.record,
            "libraries": {name: import_module(name).__version__ for name in LIBRARIES},
            "lies": result.lies.report,
            "cautions": [caution.text for caution in result.visit.cautions],
        }
    )


def plain(value: Any) -> Any:
    """A value as JSON takes it; a number that is none becomes null."""
    if isinstance(value, dict) or hasattr(value, "items"):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | set | np.ndarray):
        return [plain(v) for v in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    return value if isinstance(value, bool | int | str) or value is None else str(value)

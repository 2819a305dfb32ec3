"""Peak memory of whole runs, files and map included, beside what is estimated before a run.

    python -m tests.benchmarks.memory

Each pond runs in a process of its own, so that its peak is its own. Rivers with cells of 0.13 m stand in `stages`.
"""

from __future__ import annotations

import resource
import sys
import tempfile
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import shapely

from reachmap.beat.model import Beat
from reachmap.channel.grid import memory_needed
from reachmap.run import analyse, write_map
from tests.channel.rivers import beat

PONDS = ((400.0, 300.0, 0.2), (400.0, 300.0, 0.25), (800.0, 300.0, 0.33), (800.0, 300.0, 0.5), (800.0, 300.0, 1.0))
"""Length, width and cell [m]."""

UNIT = 1 if sys.platform == "darwin" else 1024
"""Bytes in which the system tells the peak."""


def pond(length: float, width: float) -> Beat:
    """Still water with 300 soundings, a speed at every fifth."""
    rng = np.random.default_rng(1)
    x, y = rng.uniform(2, length - 2, 300), rng.uniform(2, width - 2, 300)
    depth = 0.3 + 1.2 * (1 - (2 * y / width - 1) ** 2) + 0.2 * np.sin(x / 40)
    speed = np.where(np.arange(300) % 5 == 0, 0.5 * depth**0.67, np.nan)
    caps = ((0.0, width, 0.0, 0.0), (length, width, length, 0.0))
    known = {"speed": speed, "flow_m3_s": width / 2, "caps": caps, "head": (0.0, width / 2)}
    return beat(shapely.box(0, 0, length, width), x, y, depth, **known)


def peak_bytes(length: float, width: float, cell_m: float) -> tuple[int, float]:
    """Wet cells of one pond, and the peak of this process."""
    result = analyse(pond(length, width), cell_m=cell_m)
    with tempfile.TemporaryDirectory() as folder:
        write_map(result, Path(folder) / "out")
    return result.channel.grid.n_wet, UNIT * float(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)


def main() -> None:
    print(f"{'cell':>6}{'wet cells':>12}{'peak':>10}{'estimate':>10}{'ratio':>7}")
    for length, width, cell_m in PONDS:
        with get_context("spawn").Pool(1) as pool:
            wet, peak = pool.apply(peak_bytes, (length, width, cell_m))
        need = memory_needed(pond(length, width).outline, cell_m)
        print(f"{cell_m:6.2f}{wet:12,d}{peak / 1e9:7.2f} GB{need / 1e9:7.2f} GB{need / peak:7.2f}", flush=True)


if __name__ == "__main__":
    main()

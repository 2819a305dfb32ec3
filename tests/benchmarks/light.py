"""Processor time and memory of the light of a whole day, by number of wet cells; prints the exponents.

Run with `python -m tests.benchmarks.light [most_cells]`. The water is a straight river 20 m wide on cells of 0.5 m
with a tree every 12 m along the south bank and a wall or hedge now and then, as long as the number of cells asks for.
"""

from __future__ import annotations

import resource
from datetime import date
from time import process_time

import numpy as np

from reachmap.light import light_at, light_through_day, prepare_shade
from tests import toy
from tests.benchmarks.asked import numbers
from tests.light.waters import pond, tree, wall

SIZES = (10_000, 25_000, 100_000, 1_000_000)


def river(cells: int):
    """A river of about so many cells with its trees, and their number."""
    half = cells / 40 * 0.5 / 2
    rng = np.random.default_rng(3)
    rows = [
        tree(x, -12 - rng.uniform(0, 3), rng.uniform(5, 12), rng.uniform(1.5, 3.5)) for x in np.arange(-half, half, 12)
    ]
    rows += [wall(x, 11, x + 30, 11.4, height_m=2.0) for x in np.arange(-half, half, 300)]
    return pond(half, 10, 0.5, rows, depth_m=0.8), len(rows)


def main() -> None:
    most = max(numbers(__doc__, "most_cells", SIZES[-1:]))
    measured = []
    print("cells      things  prepare [s]  sky [s]  scene [s]  day of 144 steps [s]  packed [MB]  peak [MB]")
    for size in (n for n in SIZES if n <= most):
        channel, things = river(size)
        clock = [process_time()]
        shade = prepare_shade(channel)
        clock.append(process_time())
        shade.sky(True)
        clock.append(process_time())
        light_at(channel, toy.scenes()[0], shade)
        clock.append(process_time())
        day = light_through_day(channel, date(2026, 6, 20), shade)
        clock.append(process_time())
        took = np.diff(clock)
        packed = (day.sun_share.nbytes + day.moon_share.nbytes) / 1e6
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
        print(
            f"{channel.grid.n_wet:9d}  {things:6d}  "
            + "  ".join(f"{t:9.3f}" for t in took)
            + f"  {packed:9.1f}  {peak:9.0f}"
        )
        measured.append([channel.grid.n_wet, took[1], took[3]])
    log = np.log(measured)
    for name, k in (("sky", 1), ("day", 2)):
        print(f"exponent of the {name}: {np.polyfit(log[:, 0], log[:, k], 1)[0]:.2f}")


if __name__ == "__main__":
    main()

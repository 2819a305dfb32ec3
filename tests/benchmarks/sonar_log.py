"""A sonar log of many rows read, cleaned and mapped: seconds and peak memory.

Run with `python -m tests.benchmarks.sonar_log [rows]`. The log is what a boat's recorder writes: a row a fifth of a
second with time, place, depth and temperature, the same place twice while the boat stands, zero depths where the echo
was lost, a few spikes, a few rows without a fix.
"""

from __future__ import annotations

import resource
import tempfile
from datetime import datetime, timedelta
from pathlib import Path
from time import perf_counter

import numpy as np
from pyproj import Transformer

from reachmap.beat import read_beat
from reachmap.run import analyse, write_map
from tests.beat.folders import TOML, collection, feature, make, ring, to_degrees
from tests.benchmarks.asked import numbers
from tests.channel.rivers import River


def log_of(river: River, rows: int) -> str:
    """The log as text."""
    rng = np.random.default_rng(6)
    s = np.abs((np.linspace(0, 8, rows) + 1) % 2 - 1) * (river.s[-1] - 4) + 2
    n = 0.42 * river.width * np.sin(np.linspace(0, rows / 40, rows))
    x, y = (river.at(s, n) + np.cumsum(rng.normal(0, 0.002, (rows, 2)), axis=0) % 0.5).T
    depth = river.depth(s, n) + rng.normal(0, 0.03, rows)
    depth[rng.random(rows) < 0.01] = 0.0
    depth[rng.random(rows) < 0.0005] += 6.0
    lon, lat = to_degrees(x, y)
    stands = rng.random(rows) < 0.05
    lon[1:][stands[1:]], lat[1:][stands[1:]] = lon[:-1][stands[1:]], lat[:-1][stands[1:]]
    begin = datetime(2026, 6, 14, 9, 0)
    lines = ["time,lat,lon,depth_m,temp_c"]
    for k in range(rows):
        place = "," if k % 997 == 5 else f"{lat[k]:.7f},{lon[k]:.7f}"
        lines.append(f"{begin + timedelta(seconds=k / 5):%Y-%m-%d %H:%M:%S},{place},{max(depth[k], 0):.2f},13.2")
    return "\n".join(lines) + "\n"


def main() -> None:
    rows = numbers(__doc__, "rows", [200_000])[0]
    river = River.make(600.0)
    shore = np.array(river.outline.exterior.coords)
    with tempfile.TemporaryDirectory() as scratch:
        x, y = river.at(np.array([0.0]), np.array([0.0]))[0]
        lon, lat = to_degrees(x, y)
        toml = TOML.replace("head = [54.6, -2.80093]", f"head = [{float(lat):.6f}, {float(lon):.6f}]")
        outline = collection(feature("Polygon", [ring(shore)]))
        folder = make(Path(scratch) / "beat", toml=toml, outline__geojson=outline, soundings__csv=log_of(river, rows))
        clock = [perf_counter()]
        beat = read_beat(folder)
        clock.append(perf_counter())
        result = analyse(beat, fresh=True)
        clock.append(perf_counter())
        write_map(result, Path(scratch) / "out")
        clock.append(perf_counter())
    flags = beat.soundings["flag"].str.split(":").str[0].replace("", "used").value_counts().to_dict()
    grid = result.channel.grid
    lon, lat = Transformer.from_crs(beat.crs, "EPSG:4326", always_xy=True).transform(grid.x, grid.y)
    zero, one = np.array(to_degrees(0.0, 0.0)), np.array(to_degrees(1.0, 1.0))
    plane = (np.array([lon, lat]) - zero[:, None]) / (one - zero)[:, None]
    truth = river.depth(*river.channel(*plane))
    error = float(np.sqrt(np.mean((result.channel["depth"] - truth) ** 2)))
    read, mapped, files = np.diff(clock)
    print(f"{rows:,} rows, {grid.n_wet:,} cells: read {read:.1f} s, mapped {mapped:.1f} s, written {files:.1f} s")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB; depth RMSE {error:.3f} m")
    print("flags:", flags)
    for finding in beat.findings:
        print(f"{finding.severity}: {finding}"[:160])


if __name__ == "__main__":
    main()

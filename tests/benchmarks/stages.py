"""Seconds, memory and growth of every stage, beside general libraries and a floor.

    python -m tests.benchmarks.stages                        # 10^5, 10^6 and 10^7 wet cells, as a river gets longer
    python -m tests.benchmarks.stages --length 600           # the same numbers of cells on one reach of 600 m
    python -m tests.benchmarks.stages --turned 45            # the river runs across the map, in a far larger box
    python -m tests.benchmarks.stages --hills                # with a surface model of the land 1 km round the river
    python -m tests.benchmarks.stages --given-back           # as if freed memory were not kept for the next layer
    python -m tests.benchmarks.stages --crowded              # as if the numerical library's threads were not kept out
    python -m tests.benchmarks.stages --sizes 100000 --json stages.json

The river is sine-generated, 18 m wide, with soundings every 1.5 m along a zigzag track, a speed at every fourth, a tree
every 12 m on one bank and two boulders every 100 m. Each size runs in a process of its own, so that its peak memory is
its own; in the first table it holds what the libraries beside the stages took as well, that of a run stands in the
second. "library" is the nearest general-purpose call on the same cells; "floor" is numpy copying the bytes the stage
reads and writes (for files: writing and reading them). Times are elapsed and processor seconds of one run, for the grid
the least of five. "so much memory" is what this machine takes to hand that out at all: a process that writes once to
every page and does no more.
"""

from __future__ import annotations

import argparse
import json
import mmap
import os
import resource
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from pathlib import Path
from time import perf_counter, process_time
from typing import Any
from unittest.mock import patch

import geopandas as gpd
import numpy as np
import rasterio
import rasterio.features
import shapely
from scipy import ndimage as ndi
from scipy.interpolate import griddata
from scipy.spatial import cKDTree

from reachmap import memory, threads
from reachmap.beat.model import Beat, Terrain
from reachmap.channel import build_channel
from reachmap.channel.bed import lay_bed
from reachmap.channel.build import lay_reach
from reachmap.channel.grid import make_grid
from reachmap.channel.ground import Bedded, lay_ground
from reachmap.channel.kriging import TaperedField
from reachmap.channel.seams import find_seams
from reachmap.channel.soundings import take_soundings
from reachmap.channel.speed import find_speed
from reachmap.light import light_at, light_through_day, prepare_shade
from reachmap.light.bodies import sun_and_moon
from reachmap.run import analyse, write_map
from reachmap.sight import see
from reachmap.trout import Outlook, find_lies, hold
from tests import toy
from tests.channel.rivers import River, beat
from tests.light.waters import shade_table, tree

SIZES = (100_000, 1_000_000, 10_000_000)
CELL_M = 0.134
WIDTH = 18.0

LAND_CELL_M = 10.0

MOST_BOX = 100_000_000
"""Cells of the box around the river up to which general libraries are timed beside ours."""


def river_beat(length_m: float, turned_deg: float = 0.0, hills: bool = False) -> Beat:
    """The river, its survey, its trees and boulders; turned, it runs across the map; with hills, there is land."""
    river = River.make(length_m, turned=np.radians(turned_deg))
    rng = np.random.default_rng(5)
    s = np.arange(2.0, length_m - 2.0, 1.5)
    n = (2 * np.abs(2 * (s / 34 - np.floor(s / 34 + 0.5))) - 1) * 0.46 * WIDTH
    place = river.at(s, n) + rng.normal(0, 0.5, (len(s), 2))
    depth = np.maximum(river.depth(s, n) + rng.normal(0, 0.03, len(s)), 0.02)
    speed = np.where(np.arange(len(s)) % 4 == 0, 0.5 * depth ** (2 / 3), np.nan)
    banks = river.at(np.arange(6.0, length_m, 12.0), np.full(len(np.arange(6.0, length_m, 12.0)), WIDTH / 2 + 2.5))
    # Trees that would stand in another limb of the river are left out.
    banks = banks[cKDTree(river.line).query(banks)[0] > WIDTH / 2 + 1.5]
    stones = river.at(np.arange(30.0, length_m, 50.0), np.full(len(np.arange(30.0, length_m, 50.0)), 2.0))
    cover = {"kind": ["boulder"] * len(stones), "size_m": 1.2, "height_m": 0.8, "note": ""}
    return beat(
        river.outline,
        place[:, 0],
        place[:, 1],
        depth,
        speed=speed,
        caps=river.caps,
        head=tuple(river.at(np.zeros(1), np.zeros(1))[0]),
        flow_m3_s=3.0,
        shade=shade_table(*(tree(x, y) for x, y in banks)),
        cover=gpd.GeoDataFrame(cover, geometry=shapely.points(stones), crs=toy.CRS_LOCAL),
        terrain=rough_land(river.outline) if hills else None,
    )


def rough_land(outline: shapely.Geometry) -> Terrain:
    """Hills of some tens of metres in cells of `LAND_CELL_M`, 1 km round the river."""
    west, south, east, north = outline.bounds
    shape = [int((high - low + 2000.0) / LAND_CELL_M) for low, high in ((south, north), (west, east))]
    height = ndi.gaussian_filter(np.random.default_rng(6).normal(size=shape), 200.0 / LAND_CELL_M)
    return Terrain(np.float32(30.0 * np.abs(height) / height.std()), west - 1000.0, north + 1000.0, LAND_CELL_M)


def peak_gb() -> float:
    """Memory peak of this process so far [GB]."""
    return round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6, 2)


@dataclass
class Clock:
    """Times named pieces of work."""

    rows: dict[str, dict[str, Any]] = field(default_factory=dict)

    def time(self, name: str, work: Callable[[], Any], rounds: int = 1) -> Any:
        """Run `work` so often, note the time of the quickest round and the memory peak so far."""
        taken = []
        for _ in range(rounds):
            wall, cpu = perf_counter(), process_time()
            out = work()
            taken.append((perf_counter() - wall, process_time() - cpu))
        seconds, cpu = (round(min(kind), 4) for kind in zip(*taken, strict=True))
        self.rows[name] = {"seconds": seconds, "cpu": cpu, "peak_GB": peak_gb()}
        return out

    def add_up(self, name: str, parts: Sequence[str], less: Sequence[str] = ()) -> None:
        """Note the time of several pieces, one of them twice if it is named twice, less that of others."""
        peak = max(self.rows[part]["peak_GB"] for part in parts)
        self.rows[name] = {
            **{
                kind: round(
                    sum(self.rows[part][kind] for part in parts) - sum(self.rows[part][kind] for part in less), 3
                )
                for kind in ("seconds", "cpu")
            },
            "peak_GB": peak,
        }

    @contextmanager
    def all_calls(self, name: str, owner: type, method: str) -> Iterator[None]:
        """Note the time that all calls of a class's method take together."""
        real, wall, cpu = getattr(owner, method), 0.0, 0.0

        def timed(*given: Any, **named: Any) -> Any:
            nonlocal wall, cpu
            wall, cpu = wall - perf_counter(), cpu - process_time()
            out = real(*given, **named)
            wall, cpu = wall + perf_counter(), cpu + process_time()
            return out

        with patch.object(owner, method, timed):
            yield
        self.rows[name] = {"seconds": round(wall, 3), "cpu": round(cpu, 3), "peak_GB": peak_gb()}

    def beside(self, name: str, label: str, work: Callable[[], Any]) -> None:
        """Time a general library's or the floor's way of the stage `name`."""
        wall = perf_counter()
        work()
        self.rows[name][label] = round(perf_counter() - wall, 3)


@memory.keeping_freed()
@threads.matrices_alone()
def stages(length_m: float, cell_m: float, turned_deg: float, hills: bool) -> dict[str, Any]:
    """Every stage on one river."""
    a_beat, clock = river_beat(length_m, turned_deg, hills), Clock()
    build_channel(river_beat(120.0), 0.5)
    n, box = _of_the_water(a_beat, cell_m, clock)
    # What the water was worked out from is gone by now, as in a run.
    _of_the_light(a_beat, cell_m, clock, box < MOST_BOX)
    for name, layers in FLOORS.items():
        clock.beside(name, "floor", lambda layers=layers: np.zeros((layers, n), np.float32).copy())
    held_out, flow_and_wakes = "of these: held out", "of speed: flow, wakes"
    clock.add_up("to the score, two suns", TO_THE_SCORE)
    clock.add_up("less held out", TO_THE_SCORE, less=[held_out])
    clock.add_up("less flow and wakes", TO_THE_SCORE, less=[flow_and_wakes])
    clock.add_up("less both", TO_THE_SCORE, less=[held_out, flow_and_wakes])
    told = {"length_m": length_m, "cell_m": cell_m, "turned_deg": turned_deg, "hills": hills}
    return {"wet_cells": n, "box_cells": box, **told, "stages": clock.rows}


def _of_the_water(a_beat: Beat, cell_m: float, clock: Clock) -> tuple[int, int]:
    """The stages of the channel; how many wet cells there are, and how many in the box."""
    # At 10^5 cells it is over in milliseconds, and one round says little.
    grid = clock.time("grid", lambda: make_grid(a_beat.outline, cell_m), rounds=5)
    box = grid.shape[0] * grid.shape[1]
    # General libraries work on the whole box, which is too much for a river across the map.
    mask = grid.wet if box < MOST_BOX else None
    shapes = [(a_beat.outline, 1)]
    if mask is not None:
        clock.beside(
            "grid",
            "library",
            lambda: rasterio.features.rasterize(shapes, out_shape=grid.shape, transform=grid.transform, dtype="uint8"),
        )
    reach = clock.time("along and across", lambda: _with_cells(lay_reach(a_beat, cell_m)[0]))
    if mask is not None:
        clock.beside("along and across", "library", lambda: ndi.distance_transform_edt(mask))
    grid = reach.grid
    soundings, _ = take_soundings(a_beat, reach)
    # A kriged field is fitted to choose its ranges and to measure its error, both held out; drawing it is apart.
    with clock.all_calls("of these: held out", TaperedField, "fit"):
        bed = clock.time("interpolation", lambda: lay_bed(a_beat, reach, soundings))
        speed = clock.time(
            "speed", lambda: find_speed(a_beat, reach, soundings, bed.depth, unseen_depth_m=bed.left_out)
        )
    at = np.column_stack([soundings.x, soundings.y])
    goal = np.column_stack([grid.x, grid.y])
    clock.beside("interpolation", "library", lambda: griddata(at, soundings.depth_m, goal))
    ends = reach.coordinates.head, reach.coordinates.tail
    bedded = Bedded(grid, reach.mesh, reach.in_mesh, *ends, bed.depth)
    # The larger cells that wakes share with the seams are laid out by now, so they count with the seams.
    clock.time("of speed: flow, wakes", lambda: lay_ground(a_beat, bedded))
    flow = speed.flow_east, speed.flow_north
    clock.time("seams", lambda: find_seams(grid, speed.speed, *flow, crs=a_beat.crs))
    if mask is not None:
        laid = grid.spread(speed.speed, dry=0.0)
        clock.beside("seams", "library", lambda: ndi.gaussian_gradient_magnitude(laid, 0.5 / cell_m))
    return grid.n_wet, box


def _of_the_light(a_beat: Beat, cell_m: float, clock: Clock, small_box: bool) -> None:
    """The stages from the shade to the lies."""
    channel = build_channel(a_beat, cell_m)
    scene = a_beat.scenes[0]
    sun, _ = sun_and_moon(scene.when, a_beat.lat, a_beat.lon)
    shade = prepare_shade(channel)
    shade.beam(sun, True)
    # Not the same sun again, which would be remembered.
    later = replace(sun, azimuth_deg=sun.azimuth_deg + 1.0)
    clock.time("shadow, one sun", lambda: shade.beam(later, True))
    clock.time("sky share", lambda: shade.sky(True))
    day = clock.time("day pass, 144 steps", lambda: light_through_day(channel, scene.when.date(), shade))
    light = clock.time("light of a scene", lambda: light_at(channel, scene, shade))
    sight = see(channel, light, a_beat.fish)
    holding = clock.time("scores", lambda: hold(channel, light, sight, a_beat.fish))
    clock.beside("scores", "library", lambda: [np.exp(-channel["depth"]) for _ in range(12)])
    outlooks = {scene.name: Outlook(light, sight, holding)}
    clock.time("lies", lambda: find_lies(channel, outlooks, days={scene.name: day}))
    if small_box:
        score = channel.grid.spread(holding["hold"], dry=0.0)
        clock.beside("lies", "library", lambda: ndi.label(score > 0.5))


TO_THE_SCORE = (
    "along and across", "interpolation", "speed", "seams", "shadow, one sun", "shadow, one sun", "sky share", "scores",
)  # fmt: skip
"""What gridding depth and speed and scoring them under two suns and one sky takes; the first lays the grid too."""

FLOORS = {
    "grid": 1,
    "along and across": 4,
    "interpolation": 5,
    "speed": 6,
    "seams": 6,
    "shadow, one sun": 4,
    "sky share": 4,
    "light of a scene": 8,
    "scores": 23,
    "lies": 4,
}
"""Wet vectors each stage reads and writes."""


def _with_cells(reach: Any) -> Any:
    _ = reach.cells.taper
    return reach


def whole(length_m: float, cell_m: float, turned_deg: float, hills: bool) -> dict[str, Any]:
    """Everything with three scenes, files and map; then once more with only the scene changed."""
    scratch = tempfile.TemporaryDirectory()
    os.environ["XDG_CACHE_HOME"] = scratch.name
    # With a checksum of its own the beat counts as read from files, so what is worked out is kept.
    a_beat, clock = replace(river_beat(length_m, turned_deg, hills), sources={"river": f"{length_m}"}), Clock()
    result = clock.time("all, three scenes", lambda: analyse(a_beat, cell_m=cell_m, fresh=True))
    n = result.channel.grid.n_wet
    with tempfile.TemporaryDirectory() as folder:
        clock.time("files and map", lambda: write_map(result, Path(folder) / "out"))
        size = sum(path.stat().st_size for path in (Path(folder) / "out").iterdir())
        raw = np.zeros(size // 4, np.float32)
        clock.beside("files and map", "floor", lambda: _there_and_back(raw, Path(folder) / "raw"))
    result = None
    clock.time("one other scene", lambda: analyse(a_beat, cell_m=cell_m, scenes=(a_beat.scenes[0].name,)))
    told = {"length_m": length_m, "cell_m": cell_m, "turned_deg": turned_deg, "hills": hills, "bytes": size}
    return {"wet_cells": n, **told, "stages": clock.rows}


def _there_and_back(raw: np.ndarray, path: Path) -> None:
    raw.tofile(path)
    np.fromfile(path, np.float32)


def measured(given: argparse.Namespace, part: str) -> list[dict[str, Any]]:
    """Each size in a process of its own."""
    out = []
    for size in given.sizes:
        long = given.length or size * CELL_M**2 / WIDTH
        cell = (long * WIDTH / size) ** 0.5
        asked = [f"--{name}" for name in ("hills", "given-back", "crowded") if getattr(given, name.replace("-", "_"))]
        river = [str(long), str(cell), str(given.turned), *asked]
        run = _alone("--one", part, *river)
        peak = max(row["peak_GB"] for row in run["stages"].values())
        run["stages"][TOUCHED] = _alone("--touch", str(peak))
        out.append(run)
    return out


def _alone(*asked: str) -> dict[str, Any]:
    """What this module prints in a process of its own."""
    call = [sys.executable, "-m", "tests.benchmarks.stages", *asked]
    return json.loads(subprocess.run(call, check=True, capture_output=True, text=True).stdout)


TOUCHED = "so much memory"


def touched(gigabytes: float) -> dict[str, Any]:
    """What it costs to write once to each page of so much memory [GB]."""
    clock = Clock()
    clock.time(TOUCHED, lambda: np.empty(int(gigabytes * 1e9), np.uint8)[:: mmap.PAGESIZE].fill(1))
    return clock.rows[TOUCHED]


def told(runs: list[dict[str, Any]]) -> None:
    """Print the table and the exponent of growth of every stage."""
    print("\n" + " " * 22 + "".join(f"{run['wet_cells']:>34,d} cells" for run in runs) + "   growth")
    print(" " * 22 + "     s   cpu s  peak GB  library  floor" * len(runs))
    cells = np.log([run["wet_cells"] for run in runs])
    for name in runs[0]["stages"]:
        rows = [run["stages"][name] for run in runs]
        text = "".join(
            f"{r['seconds']:7.2f}{r['cpu']:8.2f}{r['peak_GB']:8.2f}{r.get('library', ''):>9}{r.get('floor', ''):>8}"
            for r in rows
        )
        grows = np.polyfit(cells, np.log([max(r["cpu"], 1e-3) for r in rows]), 1)[0] if len(runs) > 1 else np.nan
        print(f"{name:22s}{text}{grows:8.2f}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sizes", type=int, nargs="+", default=list(SIZES))
    parser.add_argument("--length", type=float, help="one reach of this length [m] with ever smaller cells")
    parser.add_argument("--json", type=Path, help="where to keep the figures")
    parser.add_argument("--turned", type=float, default=0.0, help="how far the river is turned from east [deg]")
    parser.add_argument("--hills", action="store_true", help="with a surface model of the land")
    parser.add_argument("--given-back", action="store_true", help="keep no freed memory")
    parser.add_argument("--crowded", action="store_true", help="leave the numerical library its own threads")
    parser.add_argument("--one", nargs=4, metavar=("PART", "LENGTH", "CELL", "TURNED"), help=argparse.SUPPRESS)
    parser.add_argument("--touch", type=float, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.touch:
        print(json.dumps(touched(given.touch)))
        return
    if given.one:
        part, river = given.one[0], [float(figure) for figure in given.one[1:]]
        if given.crowded:
            # Said after the library is loaded this only keeps us from limiting it.
            os.environ[threads.ONE_THREAD] = "1"
        with patch.object(memory, "_c_library", lambda: None) if given.given_back else nullcontext():
            print(json.dumps((stages if part == "stages" else whole)(*river, given.hills)))
        return
    kept = {}
    for part in ("stages", "whole"):
        kept[part] = measured(given, part)
        told(kept[part])
    if given.json:
        given.json.write_text(json.dumps(kept, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()

"""Error of the depth against a known bed: ours beside general ways to grid the same points.

    python -m tests.benchmarks.depth                       # three seeds, three surveys, two qualities of position
    python -m tests.benchmarks.depth --seeds 1 --cell 1
    python -m tests.benchmarks.depth --scouting            # from the outline alone to 400 soundings
    python -m tests.benchmarks.depth --sections FILE.csv   # a real survey: x_m, y_m, bed_level_m, water_level_m
    python -m tests.benchmarks.depth --patch FILE.csv.gz --level 174.80   # easting_m, northing_m, bed_level_m

Every way gets the same soundings. Ways without a taper get the waterline every two metres as zero depth, and their
settings by cross-validation on the survey in eight blocks along the river; their seconds leave that search out. Ours
chooses its own settings, and its seconds are everything from the outline to the cells. "bead" is the short-wave
variability of the deepest depth along the river over the truth's: above 1, false pools and bars between sections.
"""

from __future__ import annotations

import argparse
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from time import perf_counter

import numpy as np
import verde
from scipy.interpolate import RBFInterpolator, griddata
from scipy.linalg import LinAlgWarning
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

from reachmap.channel.bed import Bed, lay_bed
from reachmap.channel.build import lay_reach
from reachmap.channel.caps import HEAD, TAIL
from reachmap.channel.reach import Reach
from reachmap.channel.soundings import take_soundings
from tests.channel.rivers import beat
from tests.synthetic.gravel import GravelRiver, Survey, survey

STYLES = ("zigzag", "sections", "wading")
BLOCKS = 8
Way = Callable[[np.ndarray, np.ndarray, np.ndarray], np.ndarray]


def linear(places: np.ndarray, values: np.ndarray, targets: np.ndarray, method: str = "linear") -> np.ndarray:
    """scipy.interpolate.griddata; the nearest point where it has no answer."""
    out = griddata(places, values, targets, method)
    bad = ~np.isfinite(out)
    out[bad] = griddata(places, values, targets[bad], "nearest")
    return out


def cubic(places: np.ndarray, values: np.ndarray, targets: np.ndarray) -> np.ndarray:
    return linear(places, values, targets, "cubic")


def inverse_distance(count: int, power: float) -> Way:
    """Inverse distance weighting of the nearest points."""

    def way(places: np.ndarray, values: np.ndarray, targets: np.ndarray) -> np.ndarray:
        away, near = cKDTree(places).query(targets, k=count)
        weight = np.maximum(away, 1e-6) ** -power
        return (weight * values[near]).sum(axis=1) / weight.sum(axis=1)

    return way


def thin_plate(smoothing: float) -> Way:
    """scipy.interpolate.RBFInterpolator over all points at once, coordinates centred and scaled."""

    def way(places: np.ndarray, values: np.ndarray, targets: np.ndarray) -> np.ndarray:
        middle, size = places.mean(axis=0), places.std()
        scaled, first = np.unique(np.round((places - middle) / size, 7), axis=0, return_index=True)
        spline = RBFInterpolator(scaled, values[first], kernel="thin_plate_spline", smoothing=smoothing)
        return spline((targets - middle) / size)

    return way


def verde_spline(damping: float) -> Way:
    """verde.Spline, the damped biharmonic spline."""

    def way(places: np.ndarray, values: np.ndarray, targets: np.ndarray) -> np.ndarray:
        with warnings.catch_warnings():
            # Hardly damped splines are ill-conditioned by nature; the search over dampings sorts them out.
            warnings.simplefilter("ignore", LinAlgWarning)
            spline = verde.Spline(damping=damping).fit(tuple(places.T), values)
        return spline.predict(tuple(targets.T))

    return way


SMOOTHINGS = (0.0, 1e-4, 1e-3, 1e-2, 1e-1)
IN_PLANE: dict[str, tuple[Way, ...]] = {
    "linear, map": (linear,),
    "cubic, map": (cubic,),
    "IDW, map": tuple(inverse_distance(k, p) for k in (6, 12, 24) for p in (2.0, 3.0)),
    "thin plate, map": tuple(map(thin_plate, SMOOTHINGS)),
    "verde spline, map": tuple(map(verde_spline, (1e-10, 1e-6, 1e-4, 1e-2))),
}
IN_CHANNEL: dict[str, tuple[Way, ...]] = {
    "linear, channel": (linear,),
    "thin plate, channel": tuple(map(thin_plate, SMOOTHINGS)),
}
STRETCHES = (1.0, 2.0, 4.0, 8.0)
"""Metres along that count as one across, tried in channel coordinates."""


@dataclass(frozen=True)
class Points:
    """Soundings with the waterline: where, how deep, and the block each is left out with (-1: never)."""

    places: np.ndarray
    values: np.ndarray
    block: np.ndarray


def chosen(ways: list[tuple[Way, float]], points: Points) -> tuple[Way, float]:
    """The way and stretch with the lowest error on blocks left out."""
    if len(ways) == 1:
        return ways[0]

    def error(way: Way, stretch: float) -> float:
        scale = np.array([1 / stretch, 1.0])
        residual = []
        for block in range(BLOCKS):
            out = points.block == block
            if out.any() and not out.all():
                found = way(points.places[~out] * scale, points.values[~out], points.places[out] * scale)
                residual.append(found - points.values[out])
        return float(np.mean(np.concatenate(residual) ** 2))

    return min(ways, key=lambda pair: error(*pair))


@dataclass(frozen=True)
class Figures:
    """One way on one survey."""

    rmse: float
    bias: float
    p95: float
    bead: float
    negative: float
    seconds: float
    cover: float = np.nan


def figures(found: np.ndarray, truth: np.ndarray, along: np.ndarray, seconds: float, sd: np.ndarray | None = None):
    """Error figures of a depth over the cells of the truth."""
    error = found - truth
    return Figures(
        float(np.sqrt(np.mean(error**2))),
        float(error.mean()),
        float(np.percentile(np.abs(error), 95)),
        bead(found, truth, along),
        float(np.mean(found < -1e-6)),
        seconds,
        float(np.mean(np.abs(error) <= 1.645 * sd)) if sd is not None else np.nan,
    )


def bead(found: np.ndarray, truth: np.ndarray, along: np.ndarray, slice_m: float = 2.0, smooth_m: float = 16.0):
    """Short-wave standard deviation of the deepest depth per slice of the river, found over true."""
    slot = (along / slice_m).astype(int)
    short = []
    for depth in (found, truth):
        deepest = np.full(slot.max() + 1, -np.inf)
        np.maximum.at(deepest, slot, depth)
        deepest = deepest[np.isfinite(deepest)]
        short.append((deepest - gaussian_filter1d(deepest, smooth_m / slice_m))[5:-5].std())
    return float(short[0] / short[1])


def ours(river_beat, cell_m: float) -> tuple[Reach, Bed, float]:
    """Depth by the package, and the seconds from the outline to the cells."""
    start = perf_counter()
    reach, _, _ = lay_reach(river_beat, cell_m)
    soundings, _ = take_soundings(river_beat, reach)
    bed = lay_bed(river_beat, reach, soundings)
    return reach, bed, perf_counter() - start


def waterline(reach: Reach, every_m: float = 2.0) -> np.ndarray:
    """Points of the waterline, without the end caps."""
    line = reach.edge
    wet = (line.kind != HEAD) & (line.kind != TAIL)
    middle, length = line.middle[wet], np.hypot(*(line.end - line.start)[wet].T)
    _, first = np.unique((np.cumsum(length) / every_m).astype(int), return_index=True)
    return middle[first]


def rivals(
    reach: Reach, soundings: Survey, x: np.ndarray, y: np.ndarray, truth: np.ndarray, along: np.ndarray
) -> dict[str, Figures]:
    """Every other way on the same soundings."""
    line = waterline(reach)
    plane = np.vstack([np.column_stack([soundings.x, soundings.y]), line])
    values = np.concatenate([soundings.depth, np.zeros(len(line))])
    at, targets = reach.at(*plane.T), reach.at(x, y)
    station = at.along / reach.length_m
    block = np.where(np.arange(len(values)) < len(soundings.x), (station * 48).astype(int) % BLOCKS, -1)
    in_plane = Points(plane, values, block)
    in_channel = Points(np.column_stack([at.along, at.across]), values, block)
    spread = np.column_stack([x, y]), np.column_stack([targets.along, targets.across])
    out = {}
    for ways, points, goal, stretches in (
        (IN_PLANE, in_plane, spread[0], (1.0,)),
        (IN_CHANNEL, in_channel, spread[1], STRETCHES),
    ):
        for name, settings in ways.items():
            way, stretch = chosen([(way, stretch) for way in settings for stretch in stretches], points)
            scale = np.array([1 / stretch, 1.0])
            start = perf_counter()
            found = way(points.places * scale, points.values, goal * scale)
            out[name] = figures(found, truth, along, perf_counter() - start)
    return out


def synthetic(style: str, gps_m: float, seed: int, cell_m: float) -> dict[str, Figures]:
    """All ways on one survey of the gravel river."""
    river = GravelRiver(seed)
    taken = survey(river, style, 100 + seed, gps_m)
    head = tuple(np.concatenate(river.plane(np.zeros(1), np.zeros(1))))
    river_beat = beat(river.outline(), taken.x, taken.y, taken.depth, taken.line, caps=river.caps(), head=head)
    reach, bed, seconds = ours(river_beat, cell_m)
    x, y = reach.grid.x, reach.grid.y
    along, across = river.channel(x, y)
    truth = river.depth(along, across)
    return {
        "ours": figures(bed.depth.astype(float), truth, along, seconds, bed.depth_sd.astype(float)),
        **rivals(reach, taken, x, y, truth, along),
    }


def table(title: str, runs: list[dict[str, Figures]]) -> dict[str, Figures]:
    """Print the mean over runs."""
    print(f"\n{title}")
    print(f"{'':22s}{'RMSE':>7s}{'bias':>8s}{'p95':>7s}{'bead':>6s}{'<0':>7s}{'s':>7s}{'in 90 %':>9s}")
    mean = {}
    for name in runs[0]:
        rows = np.array([list(vars(run[name]).values()) for run in runs])
        m = mean[name] = Figures(*rows.mean(axis=0))
        cover = f"{m.cover:9.2f}" if np.isfinite(m.cover) else ""
        print(f"{name:22s}{m.rmse:7.3f}{m.bias:+8.3f}{m.p95:7.3f}{m.bead:6.2f}{m.negative:7.2%}{m.seconds:7.2f}{cover}")
    best = min((name for name in mean if name.endswith("map")), key=lambda name: mean[name].rmse)
    print(f"ours / best in map coordinates ({best}): {mean['ours'].rmse / mean[best].rmse:.2f}", flush=True)
    return mean


def scouting(seeds: list[int], cell_m: float) -> None:
    """How the error falls with the number of soundings, drawn from the zigzag track; the flow is known.

    Last a line of soundings down the middle instead.
    """
    print("soundings   RMSE [m]   bias   in 90 % band   (mean of seeds; depth of the truth 0.7 m on average)")
    for count in (0, 10, 30, 100, 400, "middle"):
        runs = []
        for seed in seeds:
            river = GravelRiver(seed)
            taken = survey(river, "zigzag", 100 + seed, 1.5)
            known = {"caps": river.caps(), "flow_m3_s": 5.0}
            if count == "middle":
                s = np.linspace(3.0, river.s[-1] - 3.0, 120)
                points = *river.plane(s, 0.0 * s), river.depth(s, 0.0 * s)
            else:
                drawn = np.sort(np.random.default_rng(seed).permutation(len(taken.x))[:count])
                points = taken.x[drawn], taken.y[drawn], taken.depth[drawn], taken.line[drawn]
            head = tuple(np.concatenate(river.plane(np.zeros(1), np.zeros(1))))
            reach, bed, _ = ours(beat(river.outline(), *points, head=head, **known), cell_m)
            along, across = river.channel(reach.grid.x, reach.grid.y)
            error = bed.depth - river.depth(along, across)
            inside = np.mean(np.abs(error) <= 1.645 * bed.depth_sd)
            runs.append([np.sqrt(np.mean(error**2)), error.mean(), inside])
        rmse, bias, inside = np.mean(runs, axis=0)
        print(f"{count:>9}{rmse:11.3f}{bias:+7.3f}{inside:15.0%}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument("--styles", nargs="+", default=list(STYLES), choices=STYLES)
    parser.add_argument("--gps", type=float, nargs="+", default=[1.5, 0.05], help="noise of positions [m]")
    parser.add_argument("--cell", type=float, default=0.5)
    parser.add_argument("--scouting", action="store_true", help="how the error falls with the number of soundings")
    parser.add_argument("--sections", help="a real survey of cross-sections")
    parser.add_argument("--patch", help="a real bed on a fine lattice")
    parser.add_argument("--level", type=float, default=174.80, help="water level over the patch")
    given = parser.parse_args()
    if given.scouting:
        scouting(given.seeds, given.cell)
        return
    if given.sections or given.patch:
        from tests.benchmarks import real_beds

        if given.sections:
            real_beds.sections(given.sections)
        if given.patch:
            real_beds.patch(given.patch, given.level)
        return
    for gps in given.gps:
        for style in given.styles:
            runs = [synthetic(style, gps, seed, given.cell) for seed in given.seeds]
            table(f"{style}, positions within {gps} m, seeds {given.seeds}", runs)


if __name__ == "__main__":
    main()

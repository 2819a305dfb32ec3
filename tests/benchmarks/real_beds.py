"""Error of the depth on real surveys that the project does not carry: parts left out, or points drawn from them.

Called by `python -m tests.benchmarks.depth --sections FILE` and `--patch FILE`. The rival is linear interpolation in
whatever coordinates suit it best, chosen on the truth, which favours it: in the plane or in channel coordinates, by
several stretches along the river, with the waterline as zero depth or without.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import rasterio.features
import rasterio.transform
import shapely
from scipy import ndimage as ndi

from reachmap.beat.model import Beat
from reachmap.channel.reach import Reach
from tests.benchmarks.depth import linear, ours, thin_plate, waterline
from tests.channel.rivers import beat

PATCH_CELL = 0.05


def sections(path: str) -> None:
    """Every 2nd, 3rd and 5th cross-section kept, the error on those between; then one line down the middle of all."""
    table = pd.read_csv(path)
    wet = (table.water_level_m > 0.5) & (table.water_level_m > table.bed_level_m)
    table = table[wet].assign(depth=lambda t: t.water_level_m - t.bed_level_m)
    at = np.sort(table.x_m.unique())
    edges = np.array([[t.y_m.min() - 0.5, t.y_m.max() + 0.5] for _, t in table.groupby("x_m")])
    outline = shapely.Polygon(np.vstack([np.column_stack([at, edges[:, 1]]), np.column_stack([at, edges[:, 0]])[::-1]]))
    caps = tuple((at[k], edges[k, 1], at[k], edges[k, 0]) for k in (0, -1))
    for every in (2, 3, 5):
        kept = at[::every]
        known = table[table.x_m.isin(kept)]
        asked = table[~table.x_m.isin(kept) & table.x_m.between(kept[0], kept[-1])]
        line = known.x_m.map("x{}".format).to_numpy(str)
        a_beat = beat(outline, known.x_m, known.y_m, known.depth, line, caps=caps)
        row = compare(a_beat, asked.x_m.to_numpy(), asked.y_m.to_numpy(), asked.depth.to_numpy(), 1.0)
        print(f"every {every}. section kept:", told(row), flush=True)
    off_middle = (table.y_m - table.x_m.map(dict(zip(at, edges.mean(axis=1), strict=True)))).abs()
    middle = off_middle.groupby(table.x_m).idxmin()
    known, asked = table.loc[middle], table.drop(middle)
    a_beat = beat(outline, known.x_m, known.y_m, known.depth, caps=caps)
    # Points along one line leave the rivals nothing to triangulate.
    (own, cover), *_ = our_error(a_beat, asked.x_m.to_numpy(), asked.y_m.to_numpy(), asked.depth.to_numpy(), 1.0)
    print(f"the middle of every section kept: ours {own:.3f} ({cover:.0%} in 90 % band)", flush=True)


def patch(path: str, level_m: float) -> None:
    """15, 40 and 120 points drawn from a bed on a fine lattice, twelve draws each."""
    table = pd.read_csv(path)
    col, row = (
        np.round((a - a.min()) / PATCH_CELL).astype(int).to_numpy() for a in (table.easting_m, table.northing_m)
    )
    depth = np.full((row.max() + 1, col.max() + 1), np.nan)
    depth[row, col] = level_m - table.bed_level_m
    wet = ndi.binary_opening(np.nan_to_num(depth, nan=-1.0) > 0, iterations=6)
    label, _ = ndi.label(wet)
    wet = ndi.binary_fill_holes(label == np.bincount(label[label > 0]).argmax())
    transform = rasterio.transform.from_origin(0, 0, PATCH_CELL, -PATCH_CELL)
    shapes = rasterio.features.shapes(wet.astype("uint8"), wet, transform=transform)
    outline = max((shapely.geometry.shape(s) for s, _ in shapes), key=lambda s: s.area).simplify(PATCH_CELL).buffer(0)
    rows, cols = np.nonzero(wet & (depth > 0))
    x, y, truth = (cols + 0.5) * PATCH_CELL, (rows + 0.5) * PATCH_CELL, depth[rows, cols]
    for count in (15, 40, 120):
        runs = []
        for seed in range(12):
            drawn = np.random.default_rng(seed).choice(len(truth), count, replace=False)
            runs.append(compare(beat(outline, x[drawn], y[drawn], truth[drawn]), x, y, truth, 0.1))
        mean = {name: np.mean([run[name] for run in runs], axis=0) for name in runs[0]}
        print(f"{count} points of the patch:", told(mean), flush=True)


def our_error(
    a_beat: Beat, x: np.ndarray, y: np.ndarray, truth: np.ndarray, cell_m: float
) -> tuple[np.ndarray, Reach, np.ndarray, np.ndarray, np.ndarray]:
    """RMSE of ours and cover of its 90 % band (2,), its reach, and the points of these that lie in the water."""
    reach, bed, _ = ours(a_beat, cell_m)
    cell = reach.grid.locate(x, y)
    inside = cell >= 0
    x, y, truth, cell = x[inside], y[inside], truth[inside], cell[inside]
    error = bed.depth[cell] - truth
    cover = np.mean(np.abs(error) <= 1.645 * bed.depth_sd[cell])
    return np.array([_rms(error), cover]), reach, x, y, truth


def compare(a_beat: Beat, x: np.ndarray, y: np.ndarray, truth: np.ndarray, cell_m: float) -> dict[str, np.ndarray]:
    """RMSE of ours, of linear in its best coordinates and of the thin plate; ours with its cover of the 90 % band."""
    own, reach, x, y, truth = our_error(a_beat, x, y, truth, cell_m)
    out = {"ours": own}
    for name, found in rivals(a_beat, reach, x, y).items():
        out[name] = np.array([_rms(found - truth)])
    return out


def rivals(a_beat: Beat, reach: Reach, x: np.ndarray, y: np.ndarray) -> dict[str, np.ndarray]:
    """Depth at places by linear interpolation in many coordinates, and by a thin plate in the plane."""
    points = a_beat.soundings.geometry
    plane, depth = np.column_stack([points.x, points.y]), a_beat.soundings["depth_m"].to_numpy()
    line = waterline(reach)
    zeros = np.concatenate([depth, np.zeros(len(line))])
    here, bank, there = (reach.at(*p.T) for p in (plane, line, np.column_stack([x, y])))
    frames = {
        "plane": (plane, line, np.column_stack([x, y])),
        "channel": tuple(np.column_stack([p.along, p.across]) for p in (here, bank, there)),
    }
    out = {}
    for frame, (at, shore, goal) in frames.items():
        for stretch in (1.0, 3.0, 5.0, 10.0):
            scale = np.array([1 / stretch, 1.0])
            out[f"linear {frame} {stretch:.0f}"] = linear(at * scale, depth, goal * scale)
            out[f"linear {frame} {stretch:.0f} with waterline"] = linear(
                np.vstack([at, shore]) * scale, zeros, goal * scale
            )
    out["thin plate plane"] = thin_plate(1e-3)(np.vstack([plane, line]), zeros, frames["plane"][2])
    return out


def told(row: dict[str, np.ndarray]) -> str:
    """One line: ours, the best linear, the thin plate."""
    best = min((name for name in row if name.startswith("linear")), key=lambda name: row[name][0])
    (own, cover), rival, plate = row["ours"], row[best][0], row["thin plate plane"][0]
    return f"ours {own:.3f} ({cover:.0%} in 90 % band), best {best} {rival:.3f}, thin plate {plate:.3f}"


def _rms(error: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.asarray(error, float) ** 2)))

"""The same water at another level: depths shifted, cells dried or wetted, the flow solved again.

The bed is taken as it was surveyed and the water surface as rising or falling evenly over the reach, which holds for
small changes only; beyond half the mean depth the answer is refused. Measured corrections of the speed are carried
over as ratios to the solve.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from scipy import ndimage as ndi
from scipy.optimize import brentq

from reachmap.beat.model import Beat, Terrain
from reachmap.channel.ground import Bedded, lay_ground
from reachmap.channel.mesh import make_mesh
from reachmap.channel.model import Grid
from reachmap.channel.reach import Reach
from reachmap.channel.speed import SpeedResult
from reachmap.errors import Finding, InputError, SettingError

LARGEST_CHANGE = 0.5
"""Largest change of level, as a share of the mean depth; assumed."""

LARGEST_RATIO = 2.5
"""Largest ratio of the flow to the survey's, either way; assumed."""

LARGEST_GROWTH = 0.5
"""Largest growth of the wetted area; more means the river is over its banks; assumed."""

DRY_M = 0.01
"""Cells shallower than this have fallen dry [m]."""

SHIFT_SD = 0.2
"""Standard error of a shifted depth or speed as a share of the shift; assumed."""

NEW_DEPTH_SD_M = 0.15
"""Standard error of the depth over ground that a terrain model puts under water [m]; assumed."""

MOST_RATIO = 3.0
"""Measured over solved speed is carried over within this factor either way."""

LEVEL_M = 0.002
"""The level that carries a flow is found to this accuracy [m]."""


@dataclass(frozen=True)
class Staged:
    """The water at another level.

    Parameters
    ----------
    stage_m : level above the survey's [m]
    grid : cells that are wet now
    survey_cell : (n_wet,) the wet cell of the survey each one was, or the nearest one
    wetted : (n_wet,) bool, True where the survey had dry land
    depth, depth_sd, bank_distance : (n_wet,) [m], float32
    speed : speeds at this level
    report, findings : plain values; what the user should hear
    """

    stage_m: float
    grid: Grid
    survey_cell: np.ndarray
    wetted: np.ndarray
    depth: np.ndarray
    depth_sd: np.ndarray
    bank_distance: np.ndarray
    speed: SpeedResult
    report: dict[str, Any] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()


def at_stage(
    beat: Beat,
    reach: Reach,
    depth_m: np.ndarray,
    depth_sd_m: np.ndarray,
    speed: SpeedResult,
    stage_m: float = 0.0,
    flow_m3_s: float | None = None,
) -> Staged:
    """The water at another level, or at the level that carries another flow.

    Parameters
    ----------
    beat, reach : the beat and its coordinates
    depth_m, depth_sd_m : (n_wet,) depth at the survey and its standard error [m]
    speed : speeds at the survey
    stage_m : level above the survey's [m]
    flow_m3_s : flow wanted [m3/s], instead of `stage_m`

    Raises
    ------
    SettingError : both given, no flow to compare with, or a change too large for the method
    """
    if flow_m3_s is not None:
        if stage_m:
            raise SettingError("--stage and --flow ask for two levels at once; give one of them")
        stage_m = _stage_of(beat, reach, depth_m, speed, flow_m3_s)
    _check(depth_m, stage_m)
    water, survey_cell, wetted = _shifted(reach, depth_m, stage_m, beat.terrain)
    _check_growth(reach, wetted, stage_m)
    moved = _moved_speed(beat, water, survey_cell, speed, stage_m)
    ratio = moved.solve_m3_s / speed.solve_m3_s
    if not 0.95 / LARGEST_RATIO <= ratio <= 1.05 * LARGEST_RATIO:
        raise SettingError(
            f"at {stage_m:+.2f} m the flow were {ratio:.2f} times the survey's; beyond {LARGEST_RATIO:g} times "
            "either way the survey can't stand for it: choose a smaller change"
        )
    sd = np.hypot(depth_sd_m[survey_cell], SHIFT_SD * stage_m)
    sd[wetted] = np.hypot(sd[wetted], NEW_DEPTH_SD_M)
    dried = reach.grid.n_wet - int((~wetted).sum())
    return Staged(
        stage_m,
        water.grid,
        survey_cell,
        wetted,
        water.depth,
        sd.astype(np.float32),
        _bank_distance(reach.grid, water.grid, reach.cells.bank_distance[survey_cell], wetted),
        moved,
        {"stage_m": round(stage_m, 3), "cells_dried": dried, "cells_wetted": int(wetted.sum())},
        _findings(beat, stage_m),
    )


def _check(depth_m: np.ndarray, stage_m: float) -> None:
    most = LARGEST_CHANGE * float(np.mean(depth_m))
    if abs(stage_m) > most:
        raise SettingError(
            f"a change of level of {stage_m:+.2f} m is more than half the mean depth ({most:.2f} m): so far from the "
            "survey the bed's shape and the water's slope can't be taken over; survey again at that level"
        )


def _check_growth(reach: Reach, wetted: np.ndarray, stage_m: float) -> None:
    share = wetted.sum() / reach.grid.n_wet
    if share > LARGEST_GROWTH:
        raise SettingError(
            f"at {stage_m:+.2f} m the terrain model puts {share:.0%} more ground under water: the river is over its "
            "banks, where depths shifted evenly mean nothing; choose a smaller change"
        )


def _stage_of(beat: Beat, reach: Reach, depth_m: np.ndarray, speed: SpeedResult, flow_m3_s: float) -> float:
    """The level at which the reach carries a flow, at the surface slope of the survey [m]."""
    if speed.relative:
        raise SettingError(
            "--flow needs the flow at the survey to compare with, and neither a flow nor a speed is known; "
            "give flow_m3_s under [survey] in beat.toml"
        )
    if flow_m3_s <= 0:
        raise SettingError(f"--flow {flow_m3_s:g}: a flow in m3/s must be greater than 0")
    known = speed.flow_m3_s or speed.solve_m3_s
    if not 1 / LARGEST_RATIO <= flow_m3_s / known <= LARGEST_RATIO:
        raise SettingError(
            f"--flow {flow_m3_s:g} m3/s lies outside {known / LARGEST_RATIO:.2f} to {known * LARGEST_RATIO:.2f} m3/s, "
            f"which a survey at {known:.2f} m3/s can stand for; survey again at that flow"
        )

    def excess(stage_m: float) -> float:
        water, _, _ = _shifted(reach, depth_m, stage_m, beat.terrain)
        try:
            ground = lay_ground(beat, water, (speed.ground.manning_n, ""))
        except InputError:
            return -flow_m3_s  # dry somewhere: nothing flows
        return known * ground.flow.flow_at_unit_drop / speed.ground.flow.flow_at_unit_drop - flow_m3_s

    most = LARGEST_CHANGE * float(np.mean(depth_m))
    if excess(-most) > 0 or excess(most) < 0:
        raise SettingError(
            f"--flow {flow_m3_s:g} m3/s needs a change of level of more than half the mean depth ({most:.2f} m); "
            "survey again at that flow"
        )
    return float(brentq(excess, -most, most, xtol=LEVEL_M))


def _shifted(
    reach: Reach, depth_m: np.ndarray, stage_m: float, terrain: Terrain | None
) -> tuple[Bedded, np.ndarray, np.ndarray]:
    """Cells, mesh and depth at another level; the survey cell of each; which are newly wet."""
    whole = reach.mesh.grid
    pad = int(np.ceil(reach.width_m / whole.cell_m)) if stage_m > 0 and terrain is not None else 0
    bridge = np.ones(whole.n_wet, bool)
    bridge[reach.in_mesh] = False
    depth = np.full(whole.n_wet, np.median(depth_m), np.float32)
    depth[reach.in_mesh] = depth_m
    depth_map = np.pad(whole.spread(depth), pad, constant_values=np.nan) + np.float32(stage_m)
    wet = depth_map > DRY_M
    x0, y1 = whole.x0 - pad * whole.cell_m, whole.y1 + pad * whole.cell_m
    old = np.pad(whole.wet, pad)
    survey = reach.grid.spread(np.arange(reach.grid.n_wet, dtype=np.int32), dry=-1)
    place = _nearest_survey(np.pad(survey, pad, constant_values=-1))
    if pad and terrain is not None:
        # What lies up or down the valley beyond the two ends belongs to other water.
        along, end = reach.cells.along, 1.5 * reach.mesh.size_m
        beyond = ((along < end) | (along > reach.length_m - end))[place]
        flooded, over = _flooded(Grid(x0, y1, whole.cell_m, ~old & ~beyond), old, stage_m, terrain)
        depth_map = np.where(flooded, over, depth_map)
        wet |= flooded
    every = Grid(x0, y1, whole.cell_m, wet)
    own = wet & ~np.pad(whole.spread(bridge, dry=0), pad)
    grid = Grid(x0, y1, whole.cell_m, own)
    mesh = make_mesh(every, reach.mesh.merge)
    head, tail = (_nodes_of(mesh.of_cell, every, place, ends, old, mesh.n) for ends in (reach.head, reach.tail))
    in_mesh = every.at(*grid.cells)
    water = Bedded(grid, mesh, in_mesh, head, tail, depth_map[own].astype(np.float32))
    return water, place[own], ~old[own]


def _flooded(land: Grid, old: np.ndarray, stage_m: float, terrain: Terrain) -> tuple[np.ndarray, np.ndarray]:
    """Land below the new level that the river reaches, and the depth over it."""
    model = Grid(terrain.x0, terrain.y1, terrain.cell_m, np.ones(terrain.height_m.shape, bool))
    inside = model.locate(land.x, land.y) >= 0
    row, col = (terrain.y1 - land.y) / terrain.cell_m - 0.5, (land.x - terrain.x0) / terrain.cell_m - 0.5
    height = np.full(land.n_wet, np.nan)
    total, known = model.blend(terrain.height_m.ravel(), row[inside], col[inside])
    height[inside] = total / known
    over = land.spread((stage_m - height).astype(np.float32))
    low = np.nan_to_num(over, nan=-1.0) > DRY_M
    label, _ = ndi.label(low | old)
    reached = np.isin(label, np.unique(label[old]))
    edge = np.zeros_like(low)
    edge[1:-1, 1:-1] = True  # the mesh needs a dry cell on every side
    return low & reached & edge, over


def _nearest_survey(index: np.ndarray) -> np.ndarray:
    """Map of the nearest wet cell of the survey."""
    rows, cols = ndi.distance_transform_edt(index < 0, return_distances=False, return_indices=True)
    return index[rows, cols]


def _nodes_of(
    of_cell: np.ndarray, every: Grid, place: np.ndarray, ends: np.ndarray, old: np.ndarray, n: int
) -> np.ndarray:
    """Nodes that hold surveyed cells of an end."""
    out = np.zeros(n, bool)
    out[of_cell[ends[place[every.wet]] & old[every.wet]]] = True
    return out


def _moved_speed(beat: Beat, water: Bedded, survey_cell: np.ndarray, speed: SpeedResult, stage_m: float) -> SpeedResult:
    """Speeds over the new depths: the new solve times measured over solved speed at the survey."""
    old = speed.ground
    try:
        ground = lay_ground(beat, water, (old.manning_n, old.roughness_by))
    except InputError as error:
        raise SettingError(
            f"at {stage_m:+.2f} m the river falls dry somewhere between its ends, so no flow can be solved; "
            "choose a smaller change"
        ) from error
    grown = ground.flow.flow_at_unit_drop / old.flow.flow_at_unit_drop
    solved = speed.solve_m3_s * old.unit_speed * (1.0 - old.wake)
    ratio = np.where(solved > 1e-4, speed.speed / np.maximum(solved, 1e-4), 1.0)
    ratio = np.clip(ratio, 1.0 / MOST_RATIO, MOST_RATIO)[survey_cell]
    now = speed.solve_m3_s * grown * ground.unit_speed * (1.0 - ground.wake) * ratio
    before = speed.speed[survey_cell]
    share = np.clip(now / np.maximum(before, 1e-3), 0.0, MOST_RATIO)
    sd = np.hypot(speed.speed_sd[survey_cell] * share, SHIFT_SD * (now - before))
    flow = None if speed.flow_m3_s is None else speed.flow_m3_s * grown
    return replace(
        speed,
        speed=now.astype(np.float32),
        speed_sd=sd.astype(np.float32),
        flow_east=ground.east,
        flow_north=ground.north,
        flow_m3_s=flow,
        ground=ground,
        solve_m3_s=speed.solve_m3_s * grown,
        report={**speed.report, "flow_over_survey": round(grown, 3)},
    )


def _bank_distance(survey: Grid, grid: Grid, at_survey: np.ndarray, wetted: np.ndarray) -> np.ndarray:
    """Distance to the waterline of now [m]; the end caps don't count, as they didn't at the survey."""
    if grid.shape == survey.shape:
        dried = survey.wet & ~grid.wet
        if not dried.any():
            return at_survey.astype(np.float32)
        away = grid.gather(ndi.distance_transform_edt(~dried)) * grid.cell_m - grid.cell_m / 2
        return np.minimum(at_survey, away).astype(np.float32)
    away = grid.gather(ndi.distance_transform_edt(grid.wet)) * grid.cell_m - grid.cell_m / 2
    return np.where(wetted, away, np.maximum(at_survey, away)).astype(np.float32)


def _findings(beat: Beat, stage_m: float) -> tuple[Finding, ...]:
    what = f"depths were shifted by {stage_m:+.2f} m and the flow solved again; the bed is as it was surveyed"
    remedy = "Trust it less the larger the change, and check the level on the bank"
    found = [Finding("note", "", "stage", what, remedy, "stage-shifted")]
    if stage_m > 0 and beat.terrain is None:
        what = "the river did not widen with the level, as there is no terrain model"
        remedy = "Add terrain.tif, or treat the margins as deeper than they will be"
        found.append(Finding("warning", "", "stage", what, remedy, "stage-no-terrain"))
    return tuple(found)

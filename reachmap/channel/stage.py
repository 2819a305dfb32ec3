"""The same water at another level: depths shifted, cells dried or wetted, the flow solved again.

The bed is taken as it was surveyed and the water surface as rising or falling evenly over the reach, which holds for
small changes only; beyond half the mean depth the answer is refused. What was measured of the speed beside what was
solved is carried over, and grows or shrinks as the solved speed does. The smaller the change, the less is changed.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import product
from typing import Any

import numpy as np
from scipy.optimize import brentq
from scipy.spatial import cKDTree

from reachmap.beat.model import Beat, Terrain
from reachmap.channel.connected import reached
from reachmap.channel.ground import Bedded, lay_ground
from reachmap.channel.mesh import make_mesh
from reachmap.channel.model import BESIDE, Grid
from reachmap.channel.reach import Reach
from reachmap.channel.sheet import Sheet
from reachmap.channel.speed import SpeedResult
from reachmap.errors import Finding, InputError, SettingError
from reachmap.threads import PIECE, pieces

AROUND = tuple(zip(*product((-1, 0, 1), repeat=2), strict=True))
"""Steps down, and steps aside, to a cell itself and the eight around it."""

LARGEST_CHANGE = 0.5
"""Largest change of level, as a share of the mean depth; assumed."""

LARGEST_RATIO = 2.5
"""Largest ratio of the flow to the survey's, either way; assumed."""

LARGEST_GROWTH = 0.5
"""Largest growth of the wetted area; more means the river is over its banks; assumed."""

FLOODED_M = 0.01
"""Land that the water stands less than this above stays dry [m]; assumed."""

SHIFT_SD = 0.2
"""Standard error of a shifted depth or speed as a share of the shift; assumed."""

NEW_DEPTH_SD_M = 0.15
"""Standard error of the depth over ground that a terrain model puts under water [m]; assumed."""

MOST_RATIO = 3.0
"""By no more than this factor either way grows or shrinks what was measured beside the solved speed; assumed."""

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
            raise SettingError("another level and another flow ask for two levels at once; give one of them")
        stage_m = _stage_of(beat, reach, depth_m, speed, flow_m3_s)
    _check(depth_m, stage_m)
    water, survey_cell, wetted = _shifted(reach, depth_m, stage_m, beat.terrain)
    _check_growth(reach, wetted, stage_m)
    moved = _moved_speed(beat, water, survey_cell, speed, stage_m)
    ratio = moved.solve_m3_s / speed.solve_m3_s
    if not 0.95 / LARGEST_RATIO <= ratio <= 1.05 * LARGEST_RATIO:
        raise SettingError(
            f"at {stage_m:+.2f} m the flow would be {ratio:.2f} times the survey's; beyond {LARGEST_RATIO:g} times "
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
    if not np.isfinite(stage_m):
        raise SettingError(f"a change of level of {stage_m} m: it must be a number")
    mean = float(np.mean(depth_m))
    if abs(stage_m) > LARGEST_CHANGE * mean:
        raise SettingError(
            f"a change of level of {stage_m:+.2f} m is more than half the mean depth of {mean:.2f} m: so far from the "
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
            "another flow needs that of the survey to compare with, and neither a flow nor a speed is known; "
            "give flow_m3_s under [survey] in beat.toml"
        )
    if flow_m3_s <= 0:
        raise SettingError(f"a flow of {flow_m3_s:g} m3/s: it must be greater than 0")
    known = speed.flow_m3_s or speed.solve_m3_s
    if not 1 / LARGEST_RATIO <= flow_m3_s / known <= LARGEST_RATIO:
        raise SettingError(
            f"a flow of {flow_m3_s:g} m3/s lies outside {known / LARGEST_RATIO:.2f} to "
            f"{known * LARGEST_RATIO:.2f} m3/s, which a survey at {known:.2f} m3/s can stand for; "
            "survey again at that flow"
        )

    def excess(stage_m: float) -> float:
        water, _, _ = _shifted(reach, depth_m, stage_m, beat.terrain)
        try:
            ground = lay_ground(beat, water, (speed.ground.manning_n, ""))
        except InputError:
            return -flow_m3_s  # dry somewhere: nothing flows
        return known * ground.flow.flow_at_unit_drop / speed.ground.flow.flow_at_unit_drop - flow_m3_s

    mean = float(np.mean(depth_m))
    most = LARGEST_CHANGE * mean
    if excess(-most) > 0 or excess(most) < 0:
        raise SettingError(
            f"a flow of {flow_m3_s:g} m3/s needs a change of level of more than half the mean depth of {mean:.2f} m; "
            "survey again at that flow"
        )
    return float(brentq(excess, -most, most, xtol=LEVEL_M))


def _shifted(
    reach: Reach, depth_m: np.ndarray, stage_m: float, terrain: Terrain | None
) -> tuple[Bedded, np.ndarray, np.ndarray]:
    """Cells, mesh and depth at another level; the survey cell of each; which are newly wet."""
    whole = reach.mesh.grid
    bridge = np.ones(whole.n_wet, bool)
    bridge[reach.in_mesh] = False
    depth = np.full(whole.n_wet, np.median(depth_m), np.float32)
    depth[reach.in_mesh] = depth_m
    around = whole
    if stage_m > 0 and terrain is not None:
        around = _with_low_land(whole, reach.width_m, stage_m, terrain)
    rows, cols = around.cells
    was, place = whole.locate(around.x, around.y), _survey_cell(reach, around)
    old = was >= 0
    now = np.where(old, depth[was] + np.float32(stage_m), np.float32(0.0))
    if around is not whole and terrain is not None:
        # What lies up or down the valley beyond the two ends belongs to other water.
        along, end = reach.cells.along, 1.5 * reach.mesh.size_m
        beyond = ((along < end) | (along > reach.length_m - end))[place]
        flooded = ~old & reached(around, old | ~beyond, old)
        over = stage_m - terrain.above_water(around.x[flooded], around.y[flooded])
        now[flooded] = over
    wet = now > np.where(old, 0.0, FLOODED_M)
    own = wet & ~(old & bridge[was])
    every, grid = (
        Grid(around.x0, around.y1, around.cell_m, Sheet.of_cells(around.shape, rows[which], cols[which]))
        for which in (wet, own)
    )
    mesh = make_mesh(every, reach.mesh.merge)
    head, tail = (mesh.nodes_of(ends[place[wet]] & old[wet]) for ends in (reach.head, reach.tail))
    water = Bedded(grid, mesh, every.at(*grid.cells), head, tail, now[own])
    return water, place[own], ~old[own]


def _with_low_land(grid: Grid, width_m: float, stage_m: float, terrain: Terrain) -> Grid:
    """The cells of a grid, and those of the land within about a width that lie below the new level."""
    side = int(np.ceil(width_m / grid.cell_m))
    # Blocks a width wide that hold water, with the eight around each, on a map a block larger on every side.
    shape = (grid.shape[0] // side + 3, grid.shape[1] // side + 3)
    held = Sheet.of_cells(shape, *(index // side + 1 for index in grid.cells)).cells
    near = [np.concatenate([index + step for step in steps]) for index, steps in zip(held, AROUND, strict=True)]
    block_row, block_col = Sheet.of_cells(shape, *near).cells
    inside = np.divmod(np.arange(side * side, dtype=np.int32), side)
    rows, cols = ([index + side] for index in grid.cells)
    for part in pieces(len(block_row), max(1, PIECE // side**2)):
        row, col = (
            (side * block[part, None] + own).ravel() for block, own in zip((block_row, block_col), inside, strict=True)
        )
        x, y = grid.x0 + (col - side + 0.5) * grid.cell_m, grid.y1 - (row - side + 0.5) * grid.cell_m
        low = stage_m - terrain.above_water(x, y) > FLOODED_M
        rows.append(row[low])
        cols.append(col[low])
    larger = (shape[0] * side, shape[1] * side)
    sheet = Sheet.of_cells(larger, np.concatenate(rows), np.concatenate(cols))
    return Grid(grid.x0 - side * grid.cell_m, grid.y1 + side * grid.cell_m, grid.cell_m, sheet)


def _survey_cell(reach: Reach, around: Grid) -> np.ndarray:
    """For every cell the one of the survey that it is, or lies nearest to."""
    survey = reach.grid
    place = survey.locate(around.x, around.y)
    new = np.flatnonzero(place < 0)
    if len(new):
        place[new] = survey.nearest(around.points(new))
    return place


def _moved_speed(beat: Beat, water: Bedded, survey_cell: np.ndarray, speed: SpeedResult, stage_m: float) -> SpeedResult:
    """Speeds over the new depths: the new solve, and what was measured beside the old one, grown as the solve has."""
    old = speed.ground
    try:
        ground = lay_ground(beat, water, (old.manning_n, old.roughness_by))
    except InputError as error:
        raise SettingError(
            f"at {stage_m:+.2f} m the river falls dry somewhere between its ends, so no flow can be solved; "
            "choose a smaller change"
        ) from error
    grown = ground.flow.flow_at_unit_drop / old.flow.flow_at_unit_drop
    before = speed.speed[survey_cell]
    solved = (speed.solve_m3_s * old.unit_speed * (1.0 - old.wake))[survey_cell]
    solved_now = speed.solve_m3_s * grown * ground.unit_speed * (1.0 - ground.wake)
    growth = np.clip(solved_now / np.maximum(solved, 1e-4), 1.0 / MOST_RATIO, MOST_RATIO)
    now = np.maximum(solved_now + growth * (before - solved), 0.0)
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
        dried = survey.points(np.flatnonzero(grid.at(*survey.cells) < 0))
        return np.minimum(at_survey, _from_land(grid, dried)).astype(np.float32)
    # Of all land the cells beside the water are the nearest.
    land = [
        grid.points(shore) + grid.cell_m * np.array([aside, -down])
        for (down, aside), shore in zip(BESIDE, grid.beside_land(), strict=True)
    ]
    away = _from_land(grid, np.unique(np.concatenate(land), axis=0))
    return np.where(wetted, away, np.maximum(at_survey, away)).astype(np.float32)


def _from_land(grid: Grid, land: np.ndarray) -> np.ndarray:
    """Distance of every cell to the nearest of some cells of land, (n, 2) their middles [m]; infinite without any."""
    if not len(land):
        return np.full(grid.n_wet, np.inf)
    return cKDTree(land).query(grid.points(slice(None)), workers=-1)[0] - grid.cell_m / 2


def _findings(beat: Beat, stage_m: float) -> tuple[Finding, ...]:
    what = f"depths were shifted by {stage_m:+.2f} m and the flow solved again; the bed is as it was surveyed"
    remedy = "Trust it less the larger the change, and check the level on the bank"
    found = [Finding("note", "", "stage", what, remedy, "stage-shifted")]
    if stage_m > 0 and beat.terrain is None:
        what = "the river did not widen with the level, as there is no terrain model"
        remedy = "Add terrain.tif, or treat the margins as deeper than they will be"
        found.append(Finding("warning", "", "stage", what, remedy, "stage-no-terrain"))
    return tuple(found)

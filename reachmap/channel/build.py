"""From a beat to its water: the order of the work, and nothing else."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from reachmap.beat.model import Beat
from reachmap.channel.bed import Bed, lay_bed
from reachmap.channel.caps import HEAD, TAIL, find_spine, join_parts
from reachmap.channel.cover import cover_layers, stones, undercuts
from reachmap.channel.ends import choose_ends
from reachmap.channel.grid import check_cell, choose_cell
from reachmap.channel.model import Channel, Grid
from reachmap.channel.profile import drift_speed, nose_speed, profile_flag, rest_speed
from reachmap.channel.reach import Reach, build_reach
from reachmap.channel.rescale import shared_rescale
from reachmap.channel.seams import find_seams
from reachmap.channel.soundings import take_soundings
from reachmap.channel.speed import SpeedResult, find_speed
from reachmap.errors import Finding, InputError
from reachmap.layers import LAYERS
from reachmap.threads import matrices_alone

MOUTH = 1.6
"""An end this many times narrower than the water before it is hardly the whole end; assumed, more than rivers and round
ponds show and less than where part of a lake's open edge is taken for the end (tests/channel/test_build.py)."""

Progress = Callable[[str, float], None]

FINER = (1, 2, 4)
"""How many times smaller than usual cells are tried where no water leads through, unless their size was asked for."""


@matrices_alone()
def build_channel(
    beat: Beat,
    cell_m: float | None = None,
    stage_m: float = 0.0,
    flow_m3_s: float | None = None,
    progress: Progress | None = None,
) -> Channel:
    """Depth, speed, seams and confidence for every wet cell of a beat.

    Parameters
    ----------
    beat : what was measured
    cell_m : cell size [m]; None chooses one fortieth of the width, between 0.25 and 1 m
    stage_m : water level above the survey's [m]
    flow_m3_s : another flow than the survey's, instead of `stage_m` [m3/s]
    progress : called with the name of the step and the share done, 0-1

    Raises
    ------
    SettingError : a cell size, stage or flow that can't be used
    InputError : an outline no river can run through
    """
    say = progress or (lambda step, share: None)
    say("laying the grid", 0.0)
    reach, ends_report, ends_findings = lay_reach(beat, cell_m)
    soundings, sounding_findings = take_soundings(beat, reach)
    say("interpolating the depth", 0.2)
    bed = lay_bed(beat, reach, soundings)
    say("solving the flow", 0.5)
    speed = find_speed(beat, reach, soundings, bed.depth, unseen_depth_m=bed.left_out)
    water = _as_surveyed(reach, bed, speed)
    if stage_m or flow_m3_s is not None:
        say("moving to the other level", 0.65)
        water = _at_stage(beat, reach, bed, speed, stage_m, flow_m3_s)
    water = _beside_stones(beat, water)
    say("finding the seams", 0.8)
    current = water.speed
    seams, seam_layers = find_seams(water.grid, current.speed, current.flow_east, current.flow_north, crs=beat.crs)
    layers = {**water.layers, **_profile_layers(beat, water), **seam_layers, **cover_layers(beat, water.grid)}
    shared_rescale.cache_clear()
    say("channel done", 1.0)
    return Channel(
        beat=beat,
        grid=water.grid,
        layers={name: np.asarray(layers[name], np.float32) for name in LAYERS if name in layers},
        seams=seams,
        report={**_frame_report(reach, water.grid, ends_report), **bed.report, **current.report, **water.report},
        stage_m=water.stage_m,
        flow_m3_s=current.flow_m3_s,
        depth_guessed=bed.guessed,
        speed_relative=current.relative,
        findings=(*ends_findings, *sounding_findings, *bed.findings, *current.findings, *water.findings),
    )


def lay_reach(beat: Beat, cell_m: float | None = None) -> tuple[Reach, dict[str, Any], tuple[Finding, ...]]:
    """The frame of a beat's channel, how its ends were found, and what the user should hear about that."""
    water, gap = join_parts(beat.outline)
    spine = find_spine(water)
    chosen = choose_cell(spine.width_m)
    sizes = [chosen / finer for finer in FINER] if cell_m is None else [cell_m]
    ends, report, findings = choose_ends(beat, water, spine)
    for size in sizes:
        check_cell(beat.outline, size, spine.width_m)
        try:
            reach = build_reach(beat.outline, water, ends, spine.width_m, size, undercuts(beat))
            break
        except InputError:
            # Water beside an island that is narrower than a cell leads through where cells are smaller.
            if size == sizes[-1]:
                raise
    mouths = _mouths(reach) if report["caps_assumed"] else ()
    return reach, report, (*findings, *_far_apart(gap, spine.width_m), *mouths)


def _mouths(reach: Reach) -> tuple[Finding, ...]:
    """What to say where the end found is much narrower than the water before it, as at a mouth into a lake."""
    found = []
    for kind, name in ((HEAD, "head"), (TAIL, "tail")):
        chord, wide = reach.widening(kind)
        if wide > MOUTH * chord:
            what = (
                f"{chord:.0f} m of its edge were taken as the {name} end, where the water is up to {wide:.0f} m wide; "
                "if it goes on beside them, what is mapped as a bank there is none"
            )
            remedy = f"Draw a line with role '{name} end' along all of the open water"
            found.append(Finding("warning", "outline", "", what, remedy, "mouth"))
    return tuple(found)


def _far_apart(gap_m: float, width_m: float) -> tuple[Finding, ...]:
    """What to say where parts of the outline lie farther apart than the river is wide."""
    if gap_m <= width_m:
        return ()
    what = (
        f"its parts lie up to {gap_m:.0f} m apart; between them the river was taken as straight and as wide as they are"
    )
    remedy = "Draw the water between them, or make a beat of each if it is not one water"
    return (Finding("warning", "outline", "", what, remedy, "parts-apart"),)


@dataclass(frozen=True)
class _Water:
    """Grid, first layers and speed at one level."""

    grid: Grid
    layers: dict[str, np.ndarray]
    speed: SpeedResult
    stage_m: float
    report: dict[str, Any]
    findings: tuple[Finding, ...]


def _as_surveyed(reach: Reach, bed: Bed, speed: SpeedResult) -> _Water:
    cells = reach.cells
    layers = {
        "along": cells.along,
        "across": cells.across,
        "width": cells.width,
        "bank_distance": cells.bank_distance,
        "depth": bed.depth,
        "depth_sd": bed.depth_sd,
        "confidence": bed.confidence,
    }
    return _Water(reach.grid, {**layers, **_speed_layers(speed)}, speed, 0.0, {}, ())


def _at_stage(
    beat: Beat, reach: Reach, bed: Bed, speed: SpeedResult, stage_m: float, flow_m3_s: float | None
) -> _Water:
    """The water at another level, each cell with the coordinates of the surveyed one it was or lies nearest to."""
    from reachmap.channel.stage import at_stage

    staged = at_stage(beat, reach, bed.depth, bed.depth_sd, speed, stage_m, flow_m3_s)
    was = staged.survey_cell
    layers = {
        "along": reach.cells.along[was],
        "across": reach.cells.across[was],
        "width": reach.cells.width[was],
        "bank_distance": staged.bank_distance,
        "depth": staged.depth,
        "depth_sd": staged.depth_sd,
        "confidence": np.where(staged.wetted, 0.0, bed.confidence[was]),
    }
    layers = {**layers, **_speed_layers(staged.speed)}
    return _Water(staged.grid, layers, staged.speed, staged.stage_m, staged.report, staged.findings)


def _beside_stones(beat: Beat, water: _Water) -> _Water:
    """The water without the boulders and piers that stand out of it."""
    dry = water.speed.ground.dry
    if not dry.any():
        return water
    grid, speed = water.grid, water.speed
    current = {name: values[~dry] for name, values in _speed_layers(speed).items()}
    return replace(
        water,
        grid=Grid(grid.x0, grid.y1, grid.cell_m, grid.sheet.of_some(~dry)),
        layers={name: values[~dry] for name, values in water.layers.items()},
        speed=replace(speed, **current),
        findings=(*water.findings, *_taken_as_dry(beat)),
    )


def _taken_as_dry(beat: Beat) -> tuple[Finding, ...]:
    """What to say of boulders and piers taken to stand out of the water because nobody said how high they are."""
    unknown = sum(not np.isfinite(height) for _, _, height in stones(beat))
    if not unknown:
        return ()
    what = f"large boulders without a height, or piers ({unknown}), were taken to stand out of the water"
    remedy = "Give height_m above the bed of boulders that water runs over"
    return (Finding("note", "cover", "", what, remedy, "stones-dry"),)


def _speed_layers(speed: SpeedResult) -> dict[str, np.ndarray]:
    return {
        "speed": speed.speed,
        "speed_sd": speed.speed_sd,
        "flow_east": speed.flow_east,
        "flow_north": speed.flow_north,
    }


def _profile_layers(beat: Beat, water: _Water) -> dict[str, np.ndarray]:
    depth, speed, d84 = water.layers["depth"], water.layers["speed"], beat.d84_m
    return {
        "nose_speed": nose_speed(speed, depth, d84),
        "rest_speed": rest_speed(speed, depth, d84),
        "drift_speed": drift_speed(water.grid, speed),
        "profile_flag": profile_flag(depth, d84),
    }


def _frame_report(reach: Reach, grid: Grid, ends: dict[str, Any]) -> dict[str, Any]:
    """What the survey's reach is like, and of the water shown its cells and area."""
    return {
        **ends,
        "cell_m": grid.cell_m,
        "wet_cells": grid.n_wet,
        "mesh_m": round(reach.mesh.size_m, 3),
        "length_m": round(reach.length_m, 2),
        "width_m": round(reach.width_m, 2),
        "area_m2": round(grid.n_wet * grid.cell_m**2, 1),
    }

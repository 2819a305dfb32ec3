"""From a beat to its water: the order of the work, and nothing else."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from reachmap.beat.model import Beat
from reachmap.channel.bed import Bed, lay_bed
from reachmap.channel.caps import find_spine, join_parts
from reachmap.channel.cover import cover_layers
from reachmap.channel.ends import choose_ends
from reachmap.channel.grid import check_cell, choose_cell
from reachmap.channel.model import Channel, Grid
from reachmap.channel.profile import drift_speed, nose_speed, profile_flag, rest_speed
from reachmap.channel.reach import Reach, build_reach
from reachmap.channel.seams import find_seams
from reachmap.channel.soundings import take_soundings
from reachmap.channel.speed import SpeedResult, find_speed
from reachmap.layers import LAYERS

Progress = Callable[[str, float], None]


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
    flow_m3_s : another flow than the survey's [m3/s]
    progress : called with the name of the step and the share done, 0-1

    Raises
    ------
    SettingError : a cell size, stage or flow that can't be used
    InputError : an outline no river can run through
    """
    say = progress or (lambda step, share: None)
    say("laying the grid", 0.0)
    water = join_parts(beat.outline)
    spine = find_spine(water)
    if cell_m is None:
        cell_m = choose_cell(spine.width_m)
    check_cell(beat.outline, cell_m, spine.width_m)
    ends, ends_report, ends_findings = choose_ends(beat, water, spine)
    reach = build_reach(beat.outline, water, ends, spine.width_m, cell_m)
    soundings, sounding_findings = take_soundings(beat, reach)
    say("interpolating the depth", 0.2)
    bed = lay_bed(beat, reach, soundings, flow_m3_s)
    say("solving the flow", 0.5)
    speed = find_speed(beat, reach, soundings, bed.depth, flow_m3_s, unseen_depth_m=bed.left_out)
    say("finding the seams", 0.8)
    seams, seam_layers = find_seams(reach.grid, speed.speed, speed.flow_east, speed.flow_north, crs=beat.crs)
    layers = {
        **_frame_layers(reach),
        **_water_layers(beat, reach.grid, bed, speed),
        **seam_layers,
        **cover_layers(beat, reach.grid),
    }
    say("channel done", 1.0)
    return Channel(
        beat=beat,
        grid=reach.grid,
        layers={name: np.asarray(layers[name], np.float32) for name in LAYERS if name in layers},
        seams=seams,
        report={**_frame_report(reach, ends_report), **bed.report, **speed.report},
        stage_m=stage_m,
        flow_m3_s=speed.flow_m3_s,
        depth_guessed=bed.guessed,
        speed_relative=speed.relative,
        findings=(*ends_findings, *sounding_findings, *bed.findings, *speed.findings),
    )


def _frame_layers(reach: Reach) -> dict[str, np.ndarray]:
    cells = reach.cells
    return {
        "along": cells.along,
        "across": cells.across,
        "width": cells.width,
        "bank_distance": cells.bank_distance,
    }


def _water_layers(beat: Beat, grid: Grid, bed: Bed, speed: SpeedResult) -> dict[str, np.ndarray]:
    depth, current, d84 = bed.depth, speed.speed, beat.d84_m
    return {
        "depth": depth,
        "depth_sd": bed.depth_sd,
        "confidence": bed.confidence,
        "speed": current,
        "speed_sd": speed.speed_sd,
        "flow_east": speed.flow_east,
        "flow_north": speed.flow_north,
        "nose_speed": nose_speed(current, depth, d84),
        "rest_speed": rest_speed(current, depth, d84),
        "drift_speed": drift_speed(grid, current),
        "profile_flag": profile_flag(depth, d84),
    }


def _frame_report(reach: Reach, ends: dict[str, Any]) -> dict[str, Any]:
    return {
        **ends,
        "cell_m": reach.grid.cell_m,
        "wet_cells": reach.grid.n_wet,
        "mesh_m": round(reach.mesh.size_m, 3),
        "length_m": round(reach.length_m, 2),
        "width_m": round(reach.width_m, 2),
        "area_m2": round(reach.grid.n_wet * reach.grid.cell_m**2, 1),
    }

"""Depth-mean speed everywhere: the flow solve as the ground, corrected by what was measured."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from reachmap.beat.model import Beat
from reachmap.channel.choice import KNOWN, STILL_SHARE, Choice, Measured, choose
from reachmap.channel.ground import Bedded, Ground, flow_from_slope, guessed_flow, lay_ground
from reachmap.channel.heldout import error_figures
from reachmap.channel.passing import Passing
from reachmap.channel.profile import depth_mean_speed
from reachmap.channel.reach import Reach
from reachmap.channel.sections import Section, measured_sections
from reachmap.channel.soundings import Soundings
from reachmap.constants import Z90
from reachmap.errors import Finding
from reachmap.threads import pieces, side_by_side

TOO_FAST_M_S = 5.0
"""No trout stream at a level to be waded runs faster [m/s]; assumed, the limit of measured speeds too."""

DISAGREEMENT = 1.5
"""A given flow and the one the speeds imply may differ by this factor before it is said; assumed."""

UNMEASURED_SD = {"given": 0.35, "sections": 0.35, "slope": 0.5, "guess": 1.0}
"""Standard error as a share of the speed where none was measured, by where the flow came from; assumed."""

WAKE_SD = 0.3
"""Standard error of a wake's deficit as a share of it; assumed."""

LEAST_PAST = 0.3
"""Where stones let past less than this share of what would flow without them, it is said; assumed."""

LARGEST_SHARE = 0.3
"""A section in which one vertical carries more than this share of the flow doesn't set the flow; assumed."""

FASTEST = 1.3
"""No kriged speed exceeds the largest measured or solved one by more than this factor."""

MOST_WAKE = 0.25
"""Readings deeper in a wake than this deficit are not used to fit the water around it."""


@dataclass(frozen=True)
class SpeedResult:
    """Speed and direction of the current for every wet cell.

    Parameters
    ----------
    speed, speed_sd : (n_wet,) depth-mean speed and its standard error [m/s], float32
    flow_east, flow_north : (n_wet,) unit vector along the current, float32
    flow_m3_s : flow through the reach, None where only relative speed is known
    relative : True where neither speed, flow nor slope is known: the pattern counts, not the numbers
    ground : the solve it rests on
    solve_m3_s : the flow the solve was multiplied by, a guess where `relative` [m3/s]
    report : what was chosen and measured, plain values
    findings : what the user should hear
    """

    speed: np.ndarray
    speed_sd: np.ndarray
    flow_east: np.ndarray
    flow_north: np.ndarray
    flow_m3_s: float | None
    relative: bool
    ground: Ground
    solve_m3_s: float
    report: dict[str, Any] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()


def find_speed(
    beat: Beat,
    reach: Reach,
    points: Soundings,
    depth_m: np.ndarray,
    unseen_depth_m: np.ndarray | None = None,
) -> SpeedResult:
    """Speed of every wet cell at the stage of the survey.

    The flow comes from the beat, else measured cross-sections, else the measured speeds, else slope and roughness, else
    it is a guess and the speeds are relative.

    Parameters
    ----------
    beat, reach, points : the beat, its coordinates, the soundings in use
    depth_m : (n_wet,) depth [m]
    unseen_depth_m : (n,) depth interpolated at each sounding with its whole group left out [m]; None takes the map's
    """
    ends = reach.coordinates.head, reach.coordinates.tail
    ground = lay_ground(beat, Bedded(reach.grid, reach.mesh, reach.in_mesh, *ends, depth_m))
    speed, unsure = depth_mean_speed(points.speed_m_s, points.speed_how, points.depth_m, beat.d84_m)
    place = points.places
    sections = measured_sections(points.line, place.along, place.across, place.width, points.depth_m, speed)
    known, source = _known_flow(beat, sections)
    used = np.isfinite(speed)
    passing = Passing.make(reach, ground, depth_m, place.along)
    measured = _measured(reach, points, ground, speed, used, passing, depth_m, unseen_depth_m)
    choice = choose(measured, reach.width_m, known) if measured is not None else None
    if choice is None:
        choice, source = _unmeasured(beat, ground, depth_m, reach, known, source)
    elif known is None:
        source = "measured speeds"
    result, sd = _lay(reach, ground, choice, source, measured, passing)
    carried = float(result @ depth_m) * reach.grid.cell_m**2 / reach.length_m
    relative, rough = source == "guess", int(unsure[used].sum())
    still = 0 if measured is not None else int(used.sum())
    report = _report(known, choice, source, ground, sections, measured, rough)
    return SpeedResult(
        result,
        sd,
        ground.east,
        ground.north,
        None if relative else (known or choice.flow_m3_s),
        relative,
        ground,
        choice.flow_m3_s,
        report,
        (
            *_findings(known, source, measured, rough, still, ground.flow.settled),
            *_held_back(ground.past),
            *_at_odds(known, choice, measured, carried),
            *_too_fast(result, choice, source),
        ),
    )


def _known_flow(beat: Beat, sections: list[Section]) -> tuple[float | None, str]:
    """The flow that was given or measured, and where it came from; None where there is none."""
    if beat.flow_m3_s:
        return beat.flow_m3_s, "given"
    sound = [section.flow_m3_s for section in sections if section.largest_share <= LARGEST_SHARE]
    if sound:
        return float(np.median(sound)), "sections"
    return None, ""


def _unmeasured(
    beat: Beat, ground: Ground, depth_m: np.ndarray, reach: Reach, known: float | None, source: str
) -> tuple[Choice, str]:
    """The solve at the best flow there is without any speed, and where that flow came from."""
    if known:
        return Choice(KNOWN, known), source
    if beat.slope:
        return Choice(KNOWN, flow_from_slope(ground, beat.slope, reach.length_m)), "slope"
    return Choice(KNOWN, guessed_flow(depth_m, reach.width_m)), "guess"


def _measured(
    reach: Reach,
    points: Soundings,
    ground: Ground,
    speed: np.ndarray,
    used: np.ndarray,
    passing: Passing,
    depth_m: np.ndarray,
    unseen_depth_m: np.ndarray | None,
) -> Measured | None:
    """The speeds with what the fit needs to know about each; None where no water was seen to move."""
    cells = reach.grid.locate(points.x, points.y)
    used = used & (cells >= 0)
    if not (speed[used] > 0.0).any():
        return None
    clear = used & (ground.wake[cells] <= MOST_WAKE)
    used = clear if (speed[clear] > 0.0).any() else used
    cells, place = cells[used], points.places
    depth = np.where(np.isfinite(points.depth_m), points.depth_m, 0.0)[used]
    here = ground.unit_speed[cells].astype(float)
    sounded = np.where(depth > 0.0, ground.unit_speed_at(cells, depth), here)
    unseen = here if unseen_depth_m is None else ground.unit_speed_at(cells, unseen_depth_m[used])
    calm = speed[used] / (1.0 - np.minimum(ground.wake[cells], MOST_WAKE))
    groups = points.groups[used]
    axes = place.along[used], place.across[used], place.taper[used]
    section = passing.at(place.along[used])
    room = 1.0 if unseen_depth_m is None else _room(groups, depth_m[cells], unseen_depth_m[used])
    return Measured(
        *axes, calm, here, sounded, unseen, section, section * room, groups, points.how, len(calm) / len(used)
    )


def _room(groups: np.ndarray, depth_m: np.ndarray, unseen_depth_m: np.ndarray) -> np.ndarray:
    """Depth at a group's places over what it would be there without the group, as that changes the section (n,) [-]."""
    _, group = np.unique(groups, return_inverse=True)
    mapped, unseen = (np.bincount(group, depth) for depth in (depth_m, unseen_depth_m))
    return (mapped / np.maximum(unseen, 1e-6))[group]


def _lay(
    reach: Reach, ground: Ground, choice: Choice, source: str, measured: Measured | None, passing: Passing
) -> tuple[np.ndarray, np.ndarray]:
    """Speed and its standard error by the way that was chosen, float32 (n_wet,) each."""
    unit, flow, weight = ground.unit_speed, choice.flow_m3_s, choice.weight
    held_out = measured is not None and len(choice.error) > 0
    residual, kriged = (
        reach.interpolate(field) if held_out and field is not None else None
        for field in (choice.residual, choice.kriged)
    )
    share, floor = _spread(choice) if held_out else (UNMEASURED_SD.get(source, 0.35), 0.0)
    fastest = max([flow * float(unit.max()), *(measured.speed if measured is not None and held_out else ())])
    still = STILL_SHARE * float(np.median(unit[unit > 0.0]))
    speed, sd = (np.empty(len(unit), np.float32) for _ in range(2))

    def lay(cells: slice) -> None:
        solved, wake = flow * unit[cells], ground.wake[cells]
        # Neither a residual nor kriging knows that a slough stands still.
        moving = np.clip(unit[cells] / still, 0.0, 1.0)
        calm, unsure = solved, share * (solved + floor)
        if residual is not None:
            calm, unsure = solved + moving * residual[0][cells], residual[1][cells]
        if kriged is not None:
            section = weight * passing.at(reach.cells.along[cells])
            calm = section * moving * kriged[0][cells] + (1.0 - weight) * calm
            unsure = section * kriged[1][cells] + (1.0 - weight) * unsure
        calm = np.clip(calm, 0.0, FASTEST * fastest)
        speed[cells] = calm * (1.0 - wake)
        sd[cells] = np.hypot(unsure * (1.0 - wake), WAKE_SD * wake * calm)

    side_by_side(lay, pieces(len(unit)))
    return speed, sd


def _spread(choice: Choice) -> tuple[float, float]:
    """Share and floor of a standard error share * (speed + floor): 90 % of the held-out speeds fall inside its band."""
    floor = 0.25 * float(np.mean(choice.predicted))
    ratio = np.abs(choice.error) / np.maximum(choice.predicted + floor, 1e-6)
    return float(np.quantile(ratio, 0.9)) / Z90, floor


def _at_odds(known: float | None, choice: Choice, measured: Measured | None, carried: float) -> tuple[Finding, ...]:
    """What to say where the speeds laid over the depths carry another flow [m3/s] than the one fitted to them."""
    flow = choice.flow_m3_s
    if known or measured is None or max(carried / flow, flow / max(carried, 1e-9)) <= DISAGREEMENT:
        return ()
    what = f"the measured speeds imply a flow of {flow:.2g} m3/s, but over these depths they carry {carried:.2g} m3/s"
    remedy = "Depths and speeds don't belong together: check their places, their units and how they were taken"
    return (Finding("warning", "soundings", "speed", what, remedy, "flow-at-odds"),)


def _held_back(past: float) -> tuple[Finding, ...]:
    """What to say where stones that stand out of the water leave it hardly a way."""
    if past >= LEAST_PAST:
        return ()
    what = (
        f"boulders and piers stand in the way of the water: at the same drop {past:.0%} of it would find past them, "
        "so it is shown fast beside them"
        if past
        else "boulders and piers stand right across the water, so the flow was taken to go through them"
    )
    remedy = "Draw them no larger than they are, or give height_m above the bed of boulders that water runs over"
    return (Finding("warning", "cover", "", what, remedy, "stones-block"),)


def _too_fast(speed: np.ndarray, choice: Choice, source: str) -> tuple[Finding, ...]:
    """What to say where flow or measured speeds and depths can't both be right."""
    share = float(np.mean(speed > TOO_FAST_M_S))
    if share == 0.0:
        return ()
    fitted = choice.name != KNOWN
    flow = f"a flow of {choice.flow_m3_s:.3g} m3/s{', as the measured speeds tell it,' if fitted else ''}"
    what = (
        f"{flow} over these depths makes {max(share, 0.001):.1%} of the water faster than "
        f"{TOO_FAST_M_S:g} m/s, up to {float(speed.max()):.3g} m/s, which no trout stream is"
    )
    doubt = "speeds and their units" if fitted else "flow"
    remedy = f"Check the {doubt}, and the soundings where it is that fast: they may be too shallow, or too few"
    place = ("beat.toml", "[survey] flow_m3_s") if source == "given" and not fitted else ("soundings", "")
    return (Finding("warning", *place, what, remedy, "speed-too-fast"),)


def _report(
    known: float | None,
    choice: Choice,
    source: str,
    ground: Ground,
    sections: list[Section],
    measured: Measured | None,
    unsure: int,
) -> dict[str, Any]:
    out: dict[str, Any] = {
        "speed_choice": choice.name,
        "speed_kriging_weight": round(choice.weight, 3),
        "flow_from": source,
        "flow_m3_s": round(known or choice.flow_m3_s, 3),
        "flow_rounds": ground.flow.rounds,
        "manning_n": round(ground.manning_n, 4),
        "manning_n_by": ground.roughness_by,
        "wake_bodies": ground.bodies,
        "sections": [section.plain() for section in sections],
        "speeds_measured": 0 if measured is None else len(measured.speed),
        "speeds_unsure": unsure,
    }
    if choice.kriged is not None:
        out["speed_kriging"] = dict(choice.kriged.setting)
    if measured is not None:
        out["flow_fitted_m3_s"] = round(measured.fitted_flow(), 3)
        out["heldout_speed_by_way"] = {name: round(error, 4) for name, error in choice.by_way.items()}
        if len(choice.error):
            out["heldout_speed"] = error_figures(measured.speed, choice.predicted, measured.how)
    return out


def _findings(
    known: float | None, source: str, measured: Measured | None, unsure: int, still: int, settled: bool
) -> tuple[Finding, ...]:
    found = []
    if source == "guess":
        what = "no speed above 0, flow or slope is known, so speeds are relative: the pattern counts, not the numbers"
        remedy = "Time a few floats, or give flow_m3_s or slope under [survey]"
        found.append(Finding("warning", "beat.toml", "[survey]", what, remedy, "speed-relative"))
    if still:
        what = f"all {still} speeds are 0: water that stands still tells no flow, so they were not used"
        remedy = "If none of it moves, trust no speed here; if 0 means that nothing was measured, leave it empty"
        found.append(Finding("warning", "soundings", "speed", what, remedy, "speed-still"))
    if not settled:
        what = "the flow over these depths had not settled when its rounds were up; speeds are less sure than said"
        remedy = "Look for soundings far deeper or shallower than their neighbours, or take another --cell"
        found.append(Finding("warning", "soundings", "", what, remedy, "flow-unsettled"))
    if unsure:
        what = f"{unsure} speed(s) were taken where the water is too shallow for its stones to tell the mean by"
        remedy = "They were used; trust them less, or measure at 0.6 depth in water deeper than four stones"
        found.append(Finding("note", "soundings", "speed", what, remedy, "speed-shallow"))
    if known and measured is not None:
        fitted = measured.fitted_flow()
        if max(fitted / known, known / max(fitted, 1e-9)) > DISAGREEMENT:
            what = f"the flow {source} is {known:.2f} m3/s, but depths and speeds imply {fitted:.2f} m3/s"
            remedy = "Check the flow, the units of the speeds and how they were measured"
            found.append(Finding("warning", "beat.toml", "[survey] flow_m3_s", what, remedy, "flow-disagrees"))
    return tuple(found)

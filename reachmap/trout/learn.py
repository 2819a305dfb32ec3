"""Hold the log against the map: what was met where, in the light and the water that held at that time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import shapely
from scipy import sparse
from scipy.spatial import cKDTree

from reachmap.beat.model import Beat, Scene
from reachmap.channel.model import Channel
from reachmap.errors import Finding
from reachmap.light import light_at, prepare_shade
from reachmap.light.shade import Shade
from reachmap.sight import see
from reachmap.trout.curves import Curves
from reachmap.trout.entries import MET, usable_entries
from reachmap.trout.model import FACTORS, SCORE_WORDS, Holding
from reachmap.trout.ranking import Selection, auc, boyce, selection_ratios
from reachmap.trout.score import hold
from reachmap.trout.tune import LEAST_AWAY, LEAST_PLACES, Choice, Trip, counted, log_factors

NEAR_M = 1.5
"""Radius over which the score at an entry is averaged, and that of the water it is held against, about the error of a
hand-held position (assumed) [m]."""

FISHED_M = 4.0
"""Water within this distance of any entry of a trip counts as fished on it (assumed) [m]."""

UNSAID_CLOUD = 4
"""Cloud of an entry that says none, half the sky (assumed) [oktas]."""


@dataclass(frozen=True)
class Joined:
    """The log with what held at each entry.

    Fish within `NEAR_M` of one another on one trip are one meeting: they lay there for one reason, and twenty at one
    place say no more about the map than one does.

    Parameters
    ----------
    entries : one row an entry used: trip, when, what, met, fish (count), eye, meeting (the first with fish at its
        place on its trip), score, eye_day, light_lux, depth_m, drift_m_s, x, y
    fished : scores over the water fished, "day" and "night" apart
    away : whether that water lies farther than `FISHED_M` from every fish of its trip, as `fished`
    places : places with fish farther than `NEAR_M` apart, whatever the trip, "day" and "night" apart
    trips : ln of the factors at the meetings and over the water fished, for tuning, "day" and "night" apart; times
        what the beat's fish and water multiply the weight of each by, so that the weights are those of the file
    left_out : entries that could not be used, as findings
    """

    entries: pd.DataFrame
    fished: dict[str, np.ndarray]
    away: dict[str, np.ndarray]
    places: dict[str, int]
    trips: dict[str, list[Trip]]
    left_out: tuple[Finding, ...]

    def share_away(self, eye: str) -> float:
        """Share of the water fished by one eye that lies away from fish, 0-1: what blanks add."""
        return float(self.away[eye].mean()) if len(self.away[eye]) else 0.0


@dataclass(frozen=True)
class Verdict:
    """How well the map ranks this water by one eye.

    The index and the area are NaN under `LEAST_PLACES` places with fish, and with less than `LEAST_AWAY` of the fished
    water away from them.

    Parameters
    ----------
    n_fish, n_places, n_trips : what it rests on
    boyce, auc : of the meetings, see `reachmap.trout.ranking`; the index is NaN too where the water fished scores too
        much alike
    classes : one row a class of `SCORE_WORDS`: low, high, fish, meetings, water_share
    selection : selection ratios of the classes that have water, by meetings; None where the index is
        for want of places or water
    sentence : the same in plain words
    """

    n_fish: int
    n_places: int
    n_trips: int
    boyce: float
    auc: float
    classes: pd.DataFrame
    selection: Selection | None
    sentence: str


def join_log(channel: Channel, curves: Curves) -> Joined:
    """Join every entry of the beat's log to the score that held at its place and time.

    Raises
    ------
    InputError : the beat has no log, or none of its entries can be used
    """
    beat = channel.beat
    log, left_out = usable_entries(channel)
    tree = cKDTree(channel.grid.points(slice(None)))
    shade = prepare_shade(channel)
    rows: list[dict[str, object]] = []
    places: dict[str, list[shapely.Point]] = {"day": [], "night": []}
    water_scores: dict[str, list[np.ndarray]] = {"day": [], "night": []}
    water_away: dict[str, list[np.ndarray]] = {"day": [], "night": []}
    trips: dict[str, list[Trip]] = {"day": [], "night": []}
    for name, trip in log.groupby("trip", sort=True):
        spots = np.column_stack([trip.geometry.x, trip.geometry.y])
        reached = [np.asarray(cells, int) for cells in tree.query_ball_point(spots, FISHED_M)]
        # With the nearest water, for whoever was logged on land with none that near.
        water = np.unique(np.concatenate([*reached, tree.query(spots)[1]]))
        away = _away(tree.data[water], spots[trip["what"].isin(MET)])
        around, mean = _mean_near(tree, water)
        choices: dict[str, list[Choice]] = {"day": [], "night": []}
        on_trip: dict[str, list[shapely.Point]] = {"day": [], "night": []}
        for scene, moment in _moments(beat, trip):
            holding = _holding(channel, scene, curves, shade)
            eye = "day" if holding.eye_day[water].mean() >= 0.5 else "night"
            met: list[np.ndarray] = []
            for entry in moment.itertuples():
                cells = np.asarray(tree.query_ball_point((entry.geometry.x, entry.geometry.y), NEAR_M), int)
                if not len(cells):
                    cells = np.atleast_1d(tree.query((entry.geometry.x, entry.geometry.y))[1])
                meeting = entry.what in MET and _is_new(entry.geometry, on_trip[eye])
                row = _row(channel, holding, cells, str(name), scene.when, entry)
                rows.append({**row, "eye": eye, "meeting": meeting})
                if meeting:
                    _is_new(entry.geometry, places[eye])
                    met.append(holding.weighed(eye, holding.factors(eye, cells).mean(0)))
            water_scores[eye].append(mean @ holding.score[around])
            water_away[eye].append(away)
            fished = holding.weighed(eye, mean @ holding.factors(eye, around))
            choices[eye].append(Choice(np.array(met).reshape(-1, len(FACTORS)), fished))
        for eye, made in choices.items():
            if made:
                trips[eye].append(tuple(made))
    return Joined(
        pd.DataFrame(rows),
        {eye: np.concatenate(values) if values else np.empty(0) for eye, values in water_scores.items()},
        {eye: np.concatenate(values) if values else np.empty(0, bool) for eye, values in water_away.items()},
        {eye: len(found) for eye, found in places.items()},
        trips,
        left_out,
    )


def pool(parts: Sequence[Joined], names: Sequence[str]) -> Joined:
    """The joined logs of several beats as one; a trip stays a trip of its own beat.

    Parameters
    ----------
    parts : the logs
    names : of their beats, told with the files of entries that could not be used
    """
    return Joined(
        pd.concat([part.entries for part in parts], ignore_index=True),
        {eye: np.concatenate([part.fished[eye] for part in parts]) for eye in ("day", "night")},
        {eye: np.concatenate([part.away[eye] for part in parts]) for eye in ("day", "night")},
        {eye: sum(part.places[eye] for part in parts) for eye in ("day", "night")},
        {eye: [trip for part in parts for trip in part.trips[eye]] for eye in ("day", "night")},
        tuple(
            replace(finding, file=f"{name}, {finding.file}")
            for name, part in zip(names, parts, strict=True)
            for finding in part.left_out
        ),
    )


def judge(joined: Joined, eye: str) -> Verdict:
    """How well the map ranks the fished water by day or by night."""
    met = joined.entries[joined.entries["met"] & (joined.entries["eye"] == eye)]
    meetings, water = met.loc[met["meeting"], "score"].to_numpy(), joined.fished[eye]
    n_fish, n_places, n_trips = int(met["fish"].sum()), joined.places[eye], len(joined.trips[eye])
    edges = np.array([0.0, *(top for top, _ in SCORE_WORDS)])
    # A mean of ones may come to a little more.
    bins = [*edges[:-1], 1.0 + 1e-9]
    classes = pd.DataFrame(
        {
            "low": edges[:-1],
            "high": edges[1:],
            "fish": np.histogram(met["score"], bins, weights=met["fish"])[0],
            "meetings": np.histogram(meetings, bins)[0],
            "water_share": np.histogram(water, bins)[0] / max(len(water), 1),
        }
    )
    rests_on = f"{n_fish} fish at {counted(n_places, 'place')} on {counted(n_trips, 'trip')} by {eye}"
    lacking = ""
    if n_places < LEAST_PLACES:
        lacking = f"too few to say how well the map ranks this water; an index takes fish at {LEAST_PLACES} places"
    elif joined.share_away(eye) < LEAST_AWAY:
        lacking = (
            f"only {100 * joined.share_away(eye):.0f} % of the water logged as fished lies away from them, too little "
            f"to say how well the map ranks this water; an index takes {100 * LEAST_AWAY:.0f} %. Log blanks too, "
            "wherever nothing was met"
        )
    if lacking:
        sentence = f"{rests_on}: {lacking}"
        return Verdict(n_fish, n_places, n_trips, float("nan"), float("nan"), classes, None, sentence)
    index, area = boyce(meetings, water), auc(meetings, water)
    wet = classes["water_share"] > 0
    chosen = classes.loc[wet]
    use, share = chosen["meetings"].to_numpy(), chosen["water_share"].to_numpy()
    selection = selection_ratios(use, share) if wet.sum() > 1 else None
    told = f"the index is {index:.2f} (1 perfect, 0 none, -1 upside down)"
    if not np.isfinite(index):
        told = "the water fished scores too much alike for an index"
    sentence = (
        f"{rests_on}: they lay in better-ranked water than a random fished spot in {100 * area:.0f} of 100 "
        f"comparisons; {told}"
    )
    return Verdict(n_fish, n_places, n_trips, index, area, classes, selection, sentence)


@dataclass(frozen=True)
class _Scored:
    """A holding with what the join reads of it."""

    holding: Holding
    eye_day: np.ndarray
    light_bed: np.ndarray
    weighing: Mapping[str, np.ndarray]

    @property
    def score(self) -> np.ndarray:
        return self.holding["hold"]

    def factors(self, eye: str, cells: np.ndarray) -> np.ndarray:
        """(n_cells, n_factors) suitabilities of one eye."""
        by_name = self.holding.factors_day if eye == "day" else self.holding.factors_night
        return np.column_stack(list(by_name.at(cells).values()))

    def weighed(self, eye: str, suits: np.ndarray) -> np.ndarray:
        """ln of suitabilities (..., n_factors) times what the fish and the water multiply the weights by."""
        return log_factors(suits) * self.weighing[eye]


def _moments(beat: Beat, trip: pd.DataFrame) -> Iterator[tuple[Scene, pd.DataFrame]]:
    """Entries of a trip that share hour, cloud and clarity, each with the scene that held then."""
    zone = ZoneInfo(beat.time_zone)
    when = pd.to_datetime(trip["time"])
    cloud = trip["cloud"].fillna(UNSAID_CLOUD)
    keys = [when.dt.floor("30min"), cloud, trip["clarity_m"].fillna(beat.water.clarity_m)]
    for (_, oktas, clarity), moment in trip.groupby(keys, sort=True):
        middle = pd.to_datetime(moment["time"]).sort_values().iloc[len(moment) // 2].to_pydatetime()
        local: datetime = middle.astimezone(zone) if middle.tzinfo else middle.replace(tzinfo=zone)
        yield Scene("log", local, int(oktas), replace(beat.water, clarity_m=float(clarity)), beat.town_glow_lux), moment


def _holding(channel: Channel, scene: Scene, curves: Curves, shade: Shade) -> _Scored:
    """Score one moment."""
    light, fish = light_at(channel, scene, shade), channel.beat.fish
    holding = hold(channel, light, see(channel, light, fish, curves.eyes), fish, curves)
    weighing = curves.weighing(fish, scene.water.temperature_c)
    return _Scored(holding, light["eye_day"], light["light_bed"], weighing)


def _away(water: np.ndarray, fish: np.ndarray) -> np.ndarray:
    """Whether each of some spots (n, 2) lies farther than `FISHED_M` from every fish (n_fish, 2)."""
    return cKDTree(fish).query(water)[0] > FISHED_M if len(fish) else np.ones(len(water), bool)


def _mean_near(tree: cKDTree, cells: np.ndarray) -> tuple[np.ndarray, sparse.csr_array]:
    """Wet cells within `NEAR_M` of some cells, and the matrix that takes the mean of those near each.

    The water is averaged as the fish are: held against single cells, whose scores spread wider than means do, even
    fish that lay anywhere would seem to keep from the worst water and the best.
    """
    near = tree.query_ball_point(tree.data[cells], NEAR_M)
    many = np.array([len(one) for one in near])
    around, column = np.unique(np.concatenate(near).astype(int), return_inverse=True)
    rows = np.concatenate([[0], many.cumsum()])
    return around, sparse.csr_array((np.repeat(1 / many, many), column, rows), shape=(len(cells), len(around)))


def _is_new(spot: shapely.Point, others: list[shapely.Point]) -> bool:
    """Whether a spot lies farther than `NEAR_M` from all others; it is then added to them."""
    new = not others or shapely.distance(spot, others).min() > NEAR_M
    if new:
        others.append(spot)
    return bool(new)


def _row(
    channel: Channel, scored: _Scored, cells: np.ndarray, trip: str, when: datetime, entry: Any
) -> dict[str, object]:
    """One entry with what held there then, averaged over the cells around it."""
    met, count = entry.what in MET, entry.count
    east, north = channel.grid.points(cells).mean(axis=0)
    return {
        "trip": trip,
        "when": when,
        "what": entry.what,
        "met": met,
        "fish": max(1, int(count if count == count else 1)) if met else 0,
        "score": float(scored.score[cells].mean()),
        "eye_day": float(scored.eye_day[cells].mean()),
        "light_lux": float(scored.light_bed[cells].mean()),
        "depth_m": float(channel["depth"][cells].mean()),
        "drift_m_s": float(channel["drift_speed"][cells].mean()),
        "x": float(east),
        "y": float(north),
    }

"""Lies: patches of every scene, the same patch in two scenes taken as one, classed, numbered, ranked, explained."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from reachmap.channel.model import Channel, Grid
from reachmap.channel.rescale import Rescale, make_rescale
from reachmap.errors import SettingError
from reachmap.light.model import DayLight, Light
from reachmap.threads import side_by_side
from reachmap.trout.curves import Curves, load_curves
from reachmap.trout.energy import FED
from reachmap.trout.model import FACTORS, LIE_CLASSES, Holding, Lies, Outlook
from reachmap.trout.patches import Patch, find_patches
from reachmap.trout.reasons import Place, describe_places, say_why
from reachmap.trout.score import cover_number, losses

MAX_LIES = 30
"""Lies kept on a beat; more can't be read on a map; assumed."""

MAX_BESIDE = 10
"""Lies of a scene, the best first, among which others than those known before are looked for; assumed."""

LIE_CELL_M = 0.25
"""Finer cells are merged to about this size for finding lies; a fish is longer [m]."""

DAY_LUX = 1000.0
"""Scenes brighter than this on open water tell whether a lie is shaded [lux]; assumed."""


@dataclass
class _Draft:
    """A lie in the making: its cells, the best first, and the best score that made it."""

    cells: np.ndarray
    top: float
    scenes: dict[str, float]


def find_lies(
    channel: Channel,
    outlooks: Mapping[str, Outlook],
    days: Mapping[str, DayLight] | None = None,
    curves: Curves | None = None,
    max_lies: int = MAX_LIES,
    known: Lies | None = None,
    shown: Collection[str] = (),
) -> Lies:
    """Find the lies of a beat over all its scenes.

    Parameters
    ----------
    channel : the water
    outlooks : what each scene comes to, by its name
    days : the day of each scene in steps, by its name, for the hours at which shade comes and goes; without one they
        are left out
    curves : thresholds; None takes the packaged ones
    max_lies : at most so many, the best kept, each scene's best first
    known : lies of the same water found before, in other scenes: they keep their places and numbers, and others among
        the best `MAX_BESIDE` of each scene are numbered after them
    shown : names of the scenes to tell of; empty tells of all

    Returns
    -------
    Lies : numbered from downstream to upstream; the same water and scenes give the same numbers

    Raises
    ------
    SettingError : the lies known before are of another water or of other cells
    """
    if known is not None and len(known.label) != channel.grid.n_wet:
        raise SettingError(
            f"the lies known before lie on {len(known.label)} cells, this water has {channel.grid.n_wet}: find them "
            "at the same level and cell size"
        )
    if known is not None and not np.allclose(_means(channel["depth"], known.cells.values()), known.table["depth_m"]):
        raise SettingError("the lies known before are of another water: find them on this one")
    curves = curves or load_curves()
    scaling = make_rescale(channel.grid, max(LIE_CELL_M, channel.grid.cell_m))
    old = [] if known is None else [_Draft(np.unique(scaling.place[own]), 0.0, {}) for own in known.cells.values()]
    drafts = _merge_scenes(scaling, channel["along"], outlooks, curves, old)
    best = _keep_best(drafts, outlooks, MAX_BESIDE * len(outlooks) if old else max_lies)
    new = [replace(d, cells=scaling.cells_of(d.cells)) for d in best if not any(d is one for one in old)]
    new.sort(key=lambda d: (-float(channel["along"][d.cells].mean()), float(channel["across"][d.cells].mean())))
    table = _table(channel, [d.cells for d in new], outlooks, curves, first=len(old) + 1)
    label = np.zeros(channel.grid.n_wet, np.float32)
    if known is not None and old:
        table = pd.concat([known.table, table]) if new else known.table
        label[:] = known.label
    for number, draft in enumerate(new, len(old) + 1):
        label[draft.cells] = number
    kept = [replace(d, cells=scaling.cells_of(d.cells)) for d in old] + new
    cells = [d.cells for d in kept]
    places = describe_places(channel, cells)
    scenes = {
        name: _scene_table(channel, kept, places, outlook, (days or {}).get(name), curves)
        for name, outlook in outlooks.items()
        if not shown or name in shown
    }
    report = {
        "patches": sum(len(d.scenes) for d in drafts),
        "lies_before_cap": len(drafts),
        "lies": len(kept),
        "known_before": _known_before(known),
        "least_score": curves["lies.least_score"],
        "prominence": curves["lies.prominence"],
    }
    return Lies(table, scenes, label, report)


def _known_before(known: Lies | None) -> int | None:
    """How many lies the map has of those in use, none perhaps; None where these are the map's own."""
    if known is None:
        return None
    first = known.report["known_before"]
    return len(known.table) if first is None else first


def _merge_scenes(
    scaling: Rescale, along_m: np.ndarray, outlooks: Mapping[str, Outlook], curves: Curves, old: list[_Draft]
) -> list[_Draft]:
    """Patches of every scene on merged cells, best first; one that overlaps an earlier lie enough joins it.

    The `old` ones stand before all others and are part of what is returned.
    """
    grid, along = scaling.work, scaling.to_work(along_m)

    def patches_of(outlook: Outlook) -> list[Patch]:
        return find_patches(
            scaling.to_work(outlook.holding["hold"]),
            grid,
            along,
            least_score=curves["lies.least_score"],
            prominence=curves["lies.prominence"],
            fall=curves["lies.fall"],
            area_m2=(curves["lies.least_area_m2"], curves["lies.most_area_m2"]),
            most_span=curves["lies.most_span"],
        )

    by_scene = zip(outlooks, side_by_side(patches_of, outlooks.values()), strict=True)
    found = [(-p.top, order, name, p) for order, (name, patches) in enumerate(by_scene) for p in patches]
    drafts = [*old]
    owner = np.full(grid.n_wet, -1, np.int32)
    for number, draft in enumerate(old):
        owner[draft.cells] = number
    for _, _, name, patch in sorted(found, key=lambda f: (f[0], f[1], int(f[3].cells[0]))):
        hit, count = np.unique(owner[patch.cells], return_counts=True)
        shares = {
            int(h): c / min(len(patch.cells), len(drafts[h].cells)) for h, c in zip(hit, count, strict=True) if h >= 0
        }
        best = max(shares, key=lambda h: (shares[h], -h), default=-1)
        if best >= 0 and shares[best] >= curves["lies.overlap"]:
            drafts[best].scenes.setdefault(name, patch.top)
            continue
        free = patch.cells[owner[patch.cells] < 0]
        if len(free) * grid.cell_m**2 >= curves["lies.least_area_m2"]:
            owner[free] = len(drafts)
            drafts.append(_Draft(free, patch.top, {name: patch.top}))
    return drafts


def _keep_best(drafts: list[_Draft], scenes: Iterable[str], most: int) -> list[_Draft]:
    """The best lies, taken in turn from each scene's own ranking so that no scene is left without its best."""
    rankings = [sorted((d for d in drafts if name in d.scenes), key=lambda d: -d.scenes[name]) for name in scenes]
    kept: list[_Draft] = []
    for turn in range(max((len(r) for r in rankings), default=0)):
        for ranking in rankings:
            if turn < len(ranking) and len(kept) < most and not any(ranking[turn] is k for k in kept):
                kept.append(ranking[turn])
    return kept


def _table(
    channel: Channel,
    cells: list[np.ndarray],
    outlooks: Mapping[str, Outlook],
    curves: Curves,
    first: int,
) -> gpd.GeoDataFrame:
    """What doesn't change from scene to scene: patch, class, size, depth, speeds; numbers from `first` up."""
    grid = channel.grid
    columns = {
        "along_m": "along",
        "across_m": "across",
        "depth_m": "depth",
        "nose_m_s": "nose_speed",
        "drift_m_s": "drift_speed",
    }
    kinds = _kinds(channel, cells, list(outlooks.values()), curves)
    tops = grid.points(np.array([own[0] for own in cells], int))
    data: dict[str, Sequence[object] | np.ndarray] = {
        "kind": list(kinds),
        "area_m2": [len(own) * grid.cell_m**2 for own in cells],
        **{column: _means(channel[layer], cells) for column, layer in columns.items()},
        "x": tops[:, 0],
        "y": tops[:, 1],
    }
    index = pd.RangeIndex(first, first + len(cells), name="lie")
    shapes = [outline(grid, own) for own in cells]
    return gpd.GeoDataFrame(data, geometry=shapes, crs=channel.beat.crs, index=index)


def _means(layer: np.ndarray, cells: Iterable[np.ndarray] | Iterable[slice]) -> list[float]:
    """The mean of a layer over each of some patches."""
    return [float(layer[own].mean()) for own in cells]


def outline(grid: Grid, cells: np.ndarray) -> shapely.Geometry:
    """The area of some cells as one polygon (or several) [m]."""
    from affine import Affine
    from rasterio.features import shapes

    rows, cols = (index[cells] for index in grid.cells)
    top, left = int(rows.min()), int(cols.min())
    mask = np.zeros((int(rows.max()) - top + 1, int(cols.max()) - left + 1), np.uint8)
    mask[rows - top, cols - left] = 1
    west, north = grid.x0 + left * grid.cell_m, grid.y1 - top * grid.cell_m
    rings = shapes(mask, mask == 1, transform=Affine(grid.cell_m, 0.0, west, 0.0, -grid.cell_m, north))
    return shapely.union_all([shapely.geometry.shape(part) for part, _ in rings])


def _kinds(
    channel: Channel,
    cells: list[np.ndarray],
    outlooks: Sequence[Outlook],
    curves: Curves,
) -> list[str]:
    """Class of each lie: does it feed, does it shelter, or both (common practice: a prime lie).

    One that does neither is called by what it comes nearer to. How a lie feeds is looked at in the scene whose bed is
    brightest, whichever stands first.
    """
    if not cells:
        return []
    # By its name where two are as bright, so that it is the same in any order of the scenes.
    brightest = max(outlooks, key=lambda one: (float(one.light["light_bed"].mean()), one.scene.name)).holding
    bright = [outlook.light for outlook in outlooks if outlook.light.surface_lux > DAY_LUX]
    lit = max((light["sun_share"] for light in bright), key=lambda s: float(s.mean()), default=None)
    out = []
    spot = max(1, round(curves["lies.least_area_m2"] / channel.grid.cell_m**2))
    for own in cells:
        # The best cells say what the place is; the rest of the patch only surrounds it.
        best = own[:spot]
        day, night = brightest.factors_day.at(best), brightest.factors_night.at(best)
        shade = 0.0 if lit is None else 1.0 - lit[best]
        hides = np.maximum(cover_number(channel, curves, best), shade)
        feeds = float((day["food"] * np.sqrt(day["nose"])).mean()) / curves["lies.feeding"]
        shelters = float((hides * np.sqrt(night["nose"])).mean()) / curves["lies.sheltering"]
        both = feeds >= 1 and shelters >= 1
        out.append(LIE_CLASSES[2] if both else LIE_CLASSES[1] if feeds >= shelters else LIE_CLASSES[0])
    return out


def _scene_table(
    channel: Channel,
    lies: list[_Draft],
    places: list[Place],
    outlook: Outlook,
    day: DayLight | None,
    curves: Curves,
) -> pd.DataFrame:
    """Rank, score, limiting factor and reason of every lie in one scene; below the least score it has no rank."""
    light, sight, holding = outlook.light, outlook.sight, outlook.holding
    cells = [lie.cells for lie in lies]
    score = np.array(_means(holding["hold"], cells))
    here = score >= curves["lies.least_score"]
    rank = np.zeros(len(lies), int)
    order = np.lexsort((np.arange(len(lies)), -score))
    rank[order[here[order]]] = np.arange(1, int(here.sum()) + 1)
    weighed = weigh_factors(holding, light, cells)
    by_day, by_night = curves.shifted(holding.fish, outlook.scene.water.temperature_c)
    if holding.engine == "energy":
        by_day = {factor: curve for factor, curve in by_day.items() if factor not in FED}
    why = [
        say_why(channel, place, light, *factors, day, (by_day, by_night))
        for place, factors in zip(places, weighed, strict=True)
    ]
    every, parts = _one_after_another(cells)
    means = {
        "light_lux": _means(light["light_bed"], cells),
        "sighting_m": _means(sight.at("sighting_range", every), parts),
        "decide_s": _means(sight.at("decide_time", every), parts),
    }
    words = {"why": [each.now for each in why], "lasting": [each.lasting for each in why]}
    data = {
        "rank": rank,
        "score": score,
        "limiting": [limiting for limiting, _ in weighed],
        **words,
        **means,
        "sure": np.full(len(lies), np.nan),
    }
    return pd.DataFrame(data, index=pd.RangeIndex(1, len(lies) + 1, name="lie"))


def weigh_factors(holding: Holding, light: Light, lies: Sequence[np.ndarray]) -> list[tuple[str, dict[str, float]]]:
    """Of every patch the factor that costs it most, by the eye that counts more there, and how well each suits it."""
    by_day = [mean >= 0.5 for mean in _means(light["eye_day"], lies)]
    every, parts = _one_after_another(lies)
    eyes = {True: (holding.factors_day, holding.weights_day), False: (holding.factors_night, holding.weights_night)}
    suits = {day: eyes[day][0].at(every) for day in set(by_day)}
    cost = {day: np.minimum(losses(factors, eyes[day][1]), 1e3) for day, factors in suits.items()}
    return [
        (
            FACTORS[int(cost[day][:, part].mean(axis=1).argmax())],
            {factor: float(values[part].mean()) for factor, values in suits[day].items()},
        )
        for day, part in zip(by_day, parts, strict=True)
    ]


def _one_after_another(lies: Sequence[np.ndarray]) -> tuple[np.ndarray, list[slice]]:
    """The cells of all patches in one vector, and where each patch stands in it."""
    ends = np.cumsum([0, *map(len, lies)]).tolist()
    return np.concatenate([np.zeros(0, int), *lies]), [slice(*pair) for pair in pairwise(ends)]

"""What the living map carries: packed layers, the day's light as tables, the lies, everything the user wrote."""

from __future__ import annotations

import hashlib
import math
from dataclasses import asdict
from typing import Any

import shapely
from pyproj import CRS, Transformer

from reachmap.beat.columns import SYNONYMS
from reachmap.beat.model import COLOURS, Water
from reachmap.beat.notes import WORDS
from reachmap.light import clarity_to_attenuation, white_clarity_m
from reachmap.light.edge import edge_step
from reachmap.light.eye import DAY_EYE_LUX, HISTORY_MIN, SWITCH_MIN
from reachmap.light.model import DayLight
from reachmap.trout import cover_number, seam_number
from reachmap.trout.model import SCORE_WORDS
from reachmap.trout.reasons import MOON_LUX, MOON_SHARE, OVERCAST_OKTAS, SUN_LEAST_DEG, TWILIGHT_LUX
from reachmap.write.model import Result
from reachmap.write.pack import SHARE, Coarse, coarsen, figures, pack_small, pack_words
from reachmap.write.record import plain
from reachmap.write.summary import (
    SEEN_LEAST_M,
    beside_words,
    draw_words,
    engine_words,
    fly_words,
    level_words,
    moment_words,
    of_hundred,
    order_words,
    sounded_words,
)
from reachmap.write.tiles import TILE, tiles, wet_runs
from reachmap.write.webmap_days import days_data, distinct_days, skies
from reachmap.write.webmap_shapes import on_earth, rings, shapes

MOST_CELLS = 400_000
"""Wet cells a page carries at most; more are averaged to larger cells. Keeps a slider step under 60 ms."""

MOST_ROWS = 65535
"""Rows and columns a page counts in 16 bits."""


def page_data(result: Result) -> dict[str, Any]:
    """Everything of one beat as plain values."""
    channel = result.channel
    beat, fine = channel.beat, channel.grid
    factor = max(1, math.ceil(math.sqrt(fine.n_wet / MOST_CELLS)), math.ceil(max(fine.shape) / MOST_ROWS))
    coarse = coarsen(fine, factor)
    while coarse.grid.n_wet > MOST_CELLS:
        factor += 1
        coarse = coarsen(fine, factor)
    grid = coarse.grid
    # The water temperatures of the scenes [degC], each once; None where it is not known.
    warmth = list(dict.fromkeys(scene.water.temperature_c for scene in result.scenes))
    days = distinct_days(result)
    to_wgs = Transformer.from_crs(beat.crs, CRS.from_epsg(4326), always_xy=True)
    shown = f"Shown in cells of {grid.cell_m:.2g} m; worked out in cells of {fine.cell_m:.2g} m." if factor > 1 else ""
    return {
        "name": beat.name,
        "key": hashlib.sha256(shapely.to_wkb(beat.outline)).hexdigest()[:16],
        "cell_m": grid.cell_m,
        "edge_step": edge_step(grid.cell_m),
        "shown": shown,
        "n": grid.n_wet,
        "runs": {name: pack_words(values, 1) for name, values in wet_runs(grid).items()},
        "tile": TILE,
        "tiles": tiles(grid, to_wgs),
        "layers": _layers(result, coarse) | skies(days, coarse),
        "days": days_data(result, days, coarse),
        "water": _water(),
        "night": {"moon_lux": MOON_LUX, "moon_share": MOON_SHARE, "twilight_lux": TWILIGHT_LUX},
        "sun_least_deg": SUN_LEAST_DEG,
        "overcast_oktas": OVERCAST_OKTAS,
        "fly_least_m": SEEN_LEAST_M,
        "eye": {"day_lux": DAY_EYE_LUX, "switch_min": SWITCH_MIN, "history_min": HISTORY_MIN},
        "curves": result.curves.tables(warmth),
        "score_words": SCORE_WORDS,
        "scenes": [_scene(result, name, days, warmth) for name in result.outlooks],
        "temperatures": warmth,
        "lies": _lies(result, to_wgs),
        "orders": {
            name: order[["lie", "when", "step", "why"]].to_dict("records")
            for name, order in result.visit.orders.items()
        },
        "order_words": {name: order_words(result, name) for name in result.visit.orders},
        "shapes": shapes(result, to_wgs),
        "notes": note_features(beat.notes),
        "note_columns": {"words": [SYNONYMS[key] for key in WORDS], "kind": SYNONYMS["kind"]},
        "cautions": [asdict(caution) for caution in result.visit.cautions],
        "honest": _honest(result),
        "scored": _scored(result),
        "level": level_words(channel),
        "guessed": {
            "depth": channel.depth_guessed,
            "speed": channel.speed_relative,
            "upstream": bool(channel.report.get("head_assumed")),
        },
        "units": beat.units,
    }


def _layers(result: Result, coarse: Coarse) -> dict[str, Any]:
    """Static layers of the wet cells."""
    channel, visit = result.channel, result.visit.layers
    millimetres = ("depth", "speed", "nose_speed", "rest_speed", "drift_speed")
    packed = {name: pack_words(coarse.mean(channel[name]), 0.001) for name in millimetres}
    shares = {
        "cover_number": cover_number(channel, result.curves),
        "seam_number": seam_number(channel, result.curves),
    }
    packed |= {name: pack_words(coarse.mean(values), SHARE) for name, values in shares.items()}
    packed["depth_sd"] = pack_small(coarse.mean(channel["depth_sd"]), 0.01)
    packed["confidence"] = pack_small(coarse.mean(channel["confidence"]))
    packed["lie"] = pack_small(coarse.mostly(result.lies.label))
    packed |= {name: pack_small(coarse.most(visit[name])) for name in ("wading", "wading_dark", "redd")}
    return packed


def _water() -> dict[str, Any]:
    """Kd and c of every colour word at a clarity of 1 m (white from above); both go as 1 / clarity."""
    table = {word: clarity_to_attenuation(Water(1.0, "white from above", word)) for word in COLOURS}
    return {word: [figures(kd), figures(c)] for word, (kd, c) in table.items()}


def _scene(result: Result, name: str, days: list[DayLight], warmth: list[float | None]) -> dict[str, Any]:
    """One of the beat's scenes as settings of the page; its day and temperature by their places in those lists."""
    light, day = result.outlooks[name].light, result.days[name]
    scene = light.scene
    return {
        "name": name,
        "day": next(k for k, one in enumerate(days) if one is day),
        "step": day.step_of(scene.when),
        "cloud": int(scene.cloud),
        "colour": scene.water.colour,
        "warmth": warmth.index(scene.water.temperature_c),
        "clarity_m": round(white_clarity_m(scene.water), 2),
    }


def _lies(result: Result, to_wgs: Transformer) -> list[dict[str, Any]]:
    """Every lie: where, what, and its score and sentence in each scene."""
    table = result.lies.table
    score, why, lasting, sure = (
        {name: scores[column].to_dict() for name, scores in result.lies.scenes.items()}
        for column in ("score", "why", "lasting", "sure")
    )
    tags = on_earth(shapely.points(table["x"], table["y"]), to_wgs)
    return [
        {
            "n": int(lie.Index),
            "kind": str(lie.kind),
            "at": rings(tag)[0][0],
            "rings": rings(patch),
            "area_m2": round(float(lie.area_m2), 1),
            "depth_m": round(float(lie.depth_m), 4),
            "nose_m_s": round(float(lie.nose_m_s), 4),
            "drift_m_s": round(float(lie.drift_m_s), 4),
            "scores": {name: round(float(scores[lie.Index]), 6) for name, scores in score.items()},
            "why": {name: str(words[lie.Index]) for name, words in why.items()},
            "lasting": {name: str(words[lie.Index]) for name, words in lasting.items()},
            "sure": {name: of_hundred(shares[lie.Index]) for name, shares in sure.items()},
            "flies": {name: fly_words(result, name, int(lie.Index)) for name in result.visit.seen},
        }
        for lie, tag, patch in zip(table.itertuples(), tags, on_earth(table.geometry, to_wgs), strict=True)
    ]


def note_features(notes: Any) -> list[dict[str, Any]]:
    """The guide's notes as GeoJSON features, as the page keeps them and gives them back."""
    if len(notes) == 0:
        return []
    table = notes.to_crs(4326)
    names = [c for c in ("id", "text", "kind", "time", "replaces", "deleted") if c in table]
    out = []
    for _, row in table.iterrows():
        point = row.geometry.representative_point()
        properties = {name: plain(row[name]) for name in names}
        coordinates = [round(point.x, 7), round(point.y, 7)]
        out.append(
            {"type": "Feature", "geometry": {"type": "Point", "coordinates": coordinates}, "properties": properties}
        )
    return out


def _honest(result: Result) -> list[str]:
    """How good the water is: guesses named, errors held out."""
    channel, out = result.channel, []
    if channel.report.get("head_assumed"):
        out.append("Which way the water runs is a guess: nothing says which end is upstream.")
    if channel.depth_guessed:
        out.append(f"Depth is a guess: {sounded_words(channel)}.")
    if channel.speed_relative:
        out.append("Speed is relative only: no speed was measured and no flow is known.")
    for key, unit, word in (("heldout_depth", "m", "Depth"), ("heldout_speed", "m/s", "Speed")):
        held = channel.report.get(key)
        if held and held.get("n") and math.isfinite(held["rmse"]):
            out.append(
                f"{word}, where a measurement was left out and predicted, is off by about {held['rmse']:.2f} {unit}"
                f"{beside_words(channel)}."
            )
    also = [words for words in (*draw_words(result), moment_words(result.lies)) if words]
    return out + [f"{words[0].upper()}{words[1:]}." for words in also]


def _scored(result: Result) -> str:
    """Say that the lies of the card may be others than the page's, which knows the ordinary engine only; "" else."""
    words = engine_words(result)
    if not words:
        return ""
    return (
        f"Card and tables are {words}. What this page works out itself it scores by the ordinary curves, "
        "so the best lies here may be others."
    )

"""The lies as plain values: a row for every lie in every scene, for lies.csv and for scripts."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import shapely

from reachmap.beat.model import Beat
from reachmap.beat.outline import unwrapped
from reachmap.trout.model import Lies
from reachmap.visit.worth import ranked
from reachmap.write.model import Result

if TYPE_CHECKING:
    import geopandas as gpd

LIE_COLUMNS = (
    "scene", "when", "cloud_oktas", "rank", "lie", "kind", "score", "why", "limiting", "sure", "depth_m", "drift_m_s",
    "area_m2", "lat", "lon", "notes", "met_at", "sees", "lanes", "stances",
)  # fmt: skip
"""What `lies_table` tells of a lie in a scene, in the order of the columns of lies.csv."""

NOTE_M = 2.0
"""A note this far from a lie still belongs to it, about the error of a phone's position (assumed) [m]."""


def lies_table(result: Result) -> list[dict[str, Any]]:
    """Every lie in every scene as plain values, best first within a scene."""
    of_lie = _of_every_lie(result)
    rows = []
    for scene, table in result.lies.scenes.items():
        told = result.outlooks[scene].scene
        when = told.when.isoformat(timespec="minutes")
        date = f"{result.days[scene].date}"
        seen, met = result.visit.seen.get(scene, {}), _met_at(result, scene)
        for row in table.loc[ranked(result.lies, scene)].itertuples():
            rows.append(
                {
                    "scene": scene,
                    "when": when,
                    "cloud_oktas": told.cloud,
                    "rank": int(row.rank),
                    "lie": int(row.Index),
                    "kind": of_lie[row.Index]["kind"],
                    "score": round(float(row.score), 3),
                    "why": str(row.why),
                    "limiting": str(row.limiting),
                    "sure": None if math.isnan(row.sure) else round(float(row.sure), 3),
                    **of_lie[row.Index],
                    "met_at": met.get(row.Index),
                    "sees": dict(seen.get(row.Index, {})),
                    "lanes": _lanes_in(result, scene, of_lie[row.Index]["lanes"]),
                    "stances": [one for one in of_lie[row.Index]["stances"] if date in one["dates"]],
                }
            )
    return rows


def _met_at(result: Result, scene: str) -> dict[int, str]:
    """When each lie is met in the order of a scene; empty for one that has no order of its own."""
    order = result.visit.orders.get(scene)
    return {} if order is None else dict(zip(order["lie"], order["when"], strict=True))


def _lanes_in(result: Result, scene: str, lanes: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Lanes of a lie in a scene: how long a fly is in view on them is known for the first scene's light only."""
    if scene == result.first[0]:
        return lanes
    return [{name: value for name, value in lane.items() if name != "in_view_s"} for lane in lanes]


def _of_every_lie(result: Result) -> dict[int, dict[str, Any]]:
    """What a lie has in every scene, plain values by its number; lanes of the first scene, stances of all dates."""
    table, places = result.lies.table, tag_points(result.lies)
    lanes, stances = (_by_lie(table, result.channel.beat) for table in (result.visit.lanes, result.visit.stances))
    return {
        int(lie.Index): {
            "kind": str(lie.kind),
            "depth_m": round(float(lie.depth_m), 2),
            "drift_m_s": round(float(lie.drift_m_s), 2),
            "area_m2": round(float(lie.area_m2), 1),
            "lat": round(place.y, 6),
            "lon": round(place.x, 6),
            "notes": notes_at(result, int(lie.Index)),
            "lanes": lanes.get(lie.Index, []),
            "stances": stances.get(lie.Index, []),
        }
        for lie, place in zip(table.itertuples(), places, strict=True)
    }


def tag_points(lies: Lies) -> gpd.GeoSeries:
    """The point inside every lie that stands for it, as longitude and latitude: the same in whatever is written."""
    table = lies.table
    return table.set_geometry(shapely.points(table["x"], table["y"]), crs=table.crs).to_crs(4326).geometry


def in_degrees(table: gpd.GeoDataFrame, beat: Beat) -> gpd.GeoDataFrame:
    """A table as longitude and latitude; across the date line its shapes go on past 180, not round the world."""
    turned = table.to_crs(4326)
    whole = shapely.transform(turned.geometry.to_numpy(), lambda degrees: unwrapped(degrees, beat.lon))
    return turned.set_geometry(whole, crs=4326)


def _by_lie(table: gpd.GeoDataFrame, beat: Beat) -> dict[int, list[dict[str, Any]]]:
    """Rows of a table of points or lines as plain values by their lie."""
    out: dict[int, list[dict[str, Any]]] = {}
    for row in in_degrees(table, beat).itertuples(index=False):
        out.setdefault(int(row.lie), []).append(_plain(row))
    return out


def notes_at(result: Result, number: int) -> list[str]:
    """Texts of the beat's notes that lie in a lie or within `NOTE_M` of it."""
    notes = result.channel.beat.notes
    near = notes.geometry.distance(result.lies.table.geometry.loc[number]) <= NOTE_M
    return [str(text) for text in notes["text"][near]]


def _plain(row: Any) -> dict[str, Any]:
    """A row of a table of points or lines as plain values, its place as longitude and latitude."""
    values = {name: value for name, value in row._asdict().items() if name not in ("lie", "geometry")}
    plain = {name: value.item() if hasattr(value, "item") else value for name, value in values.items()}
    # JSON has no NaN.
    plain = {name: None if value != value else value for name, value in plain.items()}
    return {**plain, "at": [[round(x, 6), round(y, 6)] for x, y in shapely.get_coordinates(row.geometry).tolist()]}

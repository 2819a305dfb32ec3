"""lies.gpkg, lies.csv and waypoints.gpx: the lies and what goes with them as vectors."""

from __future__ import annotations

import csv
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from xml.etree import ElementTree

import geopandas as gpd
import pyogrio
from pyogrio.errors import DataLayerError, DataSourceError

from reachmap.beat.messages import plain
from reachmap.whole import UnfinishedError
from reachmap.write.imperial import as_typed
from reachmap.write.model import Result
from reachmap.write.rows import LIE_COLUMNS, in_degrees, lies_table, tag_points
from reachmap.write.summary import printed

FIXED_DATE = "2000-01-01T00:00:00Z"
"""Written instead of the hour of the run, so that the same input gives the same bytes."""


SHAPES = {
    "lies": "MultiPolygon",
    "seams": "LineString",
    "lanes": "LineString",
    "stances": "Point",
    "outline": "MultiPolygon",
    "cautions": "Point",
}
"""What every layer of lies.gpkg is made of, with something in it or without."""

KINDS = {
    **dict.fromkeys(("lie", "lane", "rank", "wading"), "Int64"),
    **dict.fromkeys(("crosses_seam", "dark"), "bool"),
    **dict.fromkeys(("kind", "why", "slow_side", "how", "on", "reason", "when", "dates", "shut_by"), "object"),
}
"""What stands in columns that hold no decimal numbers, by their names before the scene's."""


def write_vectors(result: Result, path: Path) -> None:
    """GeoPackage with the layers lies, seams, lanes, stances, outline, cautions (EPSG:4326), empty ones too.

    Raises
    ------
    OSError : the file can't be written, or not all of it
    """
    beat, visit = result.channel.beat, result.visit
    cautions = [caution.text for caution in visit.cautions]
    tables = {
        "lies": _lies(result),
        "seams": result.channel.seams,
        "lanes": visit.lanes,
        "stances": visit.stances,
        "outline": gpd.GeoDataFrame({"name": [beat.name]}, geometry=[beat.outline], crs=beat.crs),
        "cautions": gpd.GeoDataFrame(
            {"text": cautions}, geometry=[beat.outline.representative_point()] * len(cautions), crs=beat.crs
        ),
    }
    with _written_beside():
        for name, table in tables.items():
            pyogrio.write_dataframe(
                in_degrees(_of_its_kinds(table), beat),
                path,
                layer=name,
                driver="GPKG",
                append=path.exists(),
                geometry_type=SHAPES[name],
                promote_to_multi=SHAPES[name].startswith("Multi"),
            )


def _of_its_kinds(table: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """A table; of an empty one, whose columns nobody has filled, each is made of the kind it is when filled."""
    if len(table):
        return table
    names = table.columns.drop("geometry")
    return table.astype({name: KINDS.get(name.split(",")[0], "float64") for name in names})


@contextmanager
def _written_beside() -> Iterator[None]:
    """Let the driver write a fixed date of last change, and not wait for the disk: the folder is renamed when whole."""
    wanted = {"OGR_CURRENT_DATE": FIXED_DATE, "OGR_SQLITE_SYNCHRONOUS": "OFF"}
    before = {name: os.environ.get(name) for name in wanted}
    pyogrio.set_gdal_config_options(wanted)
    try:
        yield
    except (DataSourceError, DataLayerError) as error:
        raise UnfinishedError from error
    finally:
        pyogrio.set_gdal_config_options(before)


def _lies(result: Result) -> gpd.GeoDataFrame:
    """The patches with score, rank and reason of every scene as columns; no rank where they don't stand out."""
    table = result.lies.table.reset_index().drop(columns=["x", "y"])
    for scene, scores in result.lies.scenes.items():
        rank = scores["rank"].where(scores["rank"] > 0).astype("Int64")
        for column, values in (("rank", rank), ("score", scores["score"]), ("why", scores["why"])):
            table[f"{column}, {scene}"] = values.array
    return table


def write_table(result: Result, path: Path) -> None:
    """lies.csv: one row a lie and scene, best first."""
    rows = lies_table(result)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, LIE_COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows({k: _cell(v) for k, v in row.items()} for row in rows)


def _cell(value: object) -> object:
    """Lists and tables as JSON; text a spreadsheet would run as a formula gets a quote in front."""
    if isinstance(value, list | dict):
        return json.dumps(value, ensure_ascii=False)
    return f"'{value}" if isinstance(value, str) and value[:1] in "=+-@" else value


def write_waypoints(result: Result, path: Path) -> None:
    """waypoints.gpx: a named point inside every lie, told of by the first scene in which it stands out (EPSG:4326)."""
    table = result.lies.table
    names = [f"Lie {number} {kind}" for number, kind in table["kind"].items()]
    words = [_told(result, number) for number in table.index]
    # Not by pyogrio: before 0.13 it puts names into the heights, and it is silent about a file cut off by a full disk.
    root = ElementTree.Element("gpx", version="1.1", creator="reachmap", xmlns="http://www.topografix.com/GPX/1/1")
    for place, name, desc in zip(tag_points(result.lies), names, words, strict=True):
        waypoint = ElementTree.SubElement(root, "wpt", lat=f"{place.y:.7f}", lon=f"{place.x:.7f}")
        ElementTree.SubElement(waypoint, "name").text = name
        # A scene made in Python may hold control characters, for which XML has no place.
        ElementTree.SubElement(waypoint, "desc").text = plain(desc, len(desc))
    ElementTree.indent(root)
    path.write_bytes(ElementTree.tostring(root, "utf-8", xml_declaration=True))


def _told(result: Result, lie: int) -> str:
    """Scene, moment and sentence of a lie; of the first scene, with a word of it, if it stands out in none."""
    scenes = result.lies.scenes
    scene = next((name for name, scores in scenes.items() if scores.loc[lie, "rank"] > 0), next(iter(scenes)))
    when = f"{result.outlooks[scene].scene.when:%d %b %Y %H:%M}".lstrip("0")
    row = scenes[scene].loc[lie]
    stands = "" if row["rank"] > 0 else "does not stand out then; "
    return printed(f"{as_typed(scene)}, {when}: {stands}{row['why']}", result.channel.beat)

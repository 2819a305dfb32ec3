"""Every setting of beat.toml with its unit, its limits, an example and its meaning."""

from __future__ import annotations

import math
from dataclasses import dataclass

from reachmap.beat.columns import LENGTH, SPEED
from reachmap.beat.model import CLARITY_HOW, COLOURS, SPECIES, SPEED_HOW, UNIT_WORDS

BED_D84_M = {"sand": 0.002, "gravel": 0.04, "coarse gravel": 0.06, "cobble": 0.13, "boulders": 0.35}
"""Size 84 % of the stones are finer than, by bed word [m]; assumed, inside the Wentworth grades (gravel 2-64 mm,
cobble 64-256 mm, boulders above)."""

ROLES = ("outline", "soundings", "cover", "shade", "terrain", "horizon", "notes", "log")
"""Parts of a beat that stand in files of their own."""


@dataclass(frozen=True)
class Setting:
    """One setting.

    Parameters
    ----------
    kind : "text", "number", "whole", "yes/no", "date", "moment", "place" ([lat, lon]), "word" (one of `words`)
        or a quantity of `UNITS`, then `key` ends with the SI unit and other units are taken too
    low, high : limits of a number, in SI
    """

    key: str
    kind: str
    example: str
    meaning: str
    low: float = -math.inf
    high: float = math.inf
    words: tuple[str, ...] = ()

    def allows(self, number: float) -> bool:
        """Whether a number in SI lies within the limits."""
        return math.isfinite(number) and self.low <= number <= self.high


def _table(*rows: Setting) -> dict[str, Setting]:
    return {row.key: row for row in rows}


_WATER = (
    Setting("clarity_m", "length", "2.5", "how far one sees, judged as clarity_how says", 0.02, 60),
    Setting("clarity_how", "word", '"white from above"', "how clarity was judged", words=CLARITY_HOW),
    Setting("colour", "word", '"clear"', "colour of the water", words=COLOURS),
    Setting("bed_visible", "yes/no", "true", "the bed could be seen at the deepest point"),
    Setting("temperature_c", "temperature", "13", "water temperature", -1, 40),
)
_LENGTHS = tuple(LENGTH)
SECTIONS: dict[str, dict[str, Setting]] = {
    "": _table(
        Setting("name", "text", '"Mill Shed beat"', "name of the beat"),
        Setting("time_zone", "text", '"Europe/London"', "IANA time zone"),
        Setting("units", "word", '"imperial"', "units of what is printed", words=UNIT_WORDS),
    ),
    "survey": _table(
        Setting("date", "date", "2026-06-14", "day of the survey"),
        Setting("flow_m3_s", "flow", "3.1", "flow on that day", 0.001, 20000),
        Setting("slope", "number", "0.004", "fall of the water, metres a metre", 1e-6, 0.3),
        Setting("head", "place", "[54.61234, -2.81234]", "latitude and longitude of the upstream end"),
        Setting("bed", "word", '"cobble"', "what the bed is made of", words=tuple(BED_D84_M)),
        Setting("d84_m", "length", "0.09", "size 84 % of the stones are finer than", 0.0001, 3),
        Setting(
            "transducer_depth_m", "length", "0.2", "depth of the sonar below the water, added to every depth", 0, 5
        ),
        Setting(
            "stage_m",
            "length",
            "0.1",
            "water of the outline above that of the soundings, added to every depth",
            -10,
            10,
        ),
    ),
    "water": _table(*_WATER),
    "fish": _table(
        Setting("species", "word", '"brown"', "which trout", words=SPECIES),
        Setting("length_m", "length", "0.35", "its length", 0.05, 1.5),
    ),
    "visitor": _table(
        Setting("unsure", "yes/no", "true", "unsure on their feet: wade less"),
        Setting("height_m", "length", "1.8", "height of the person", 0.5, 2.5),
        Setting("cast_m", "length", "12", "farthest cast wanted", 2, 40),
        Setting("sink_m_s", "speed", "0.12", "how fast the fly sinks in still water", 0.01, 1),
    ),
    "scenes": _table(
        Setting("name", "text", '"sunny noon"', "how you call the scene"),
        Setting("when", "moment", '"2026-06-20 13:00"', "local date and time, or with an offset"),
        Setting("cloud", "whole", "1", "cloud in eighths", 0, 8),
        Setting(
            "town_glow_lux",
            "number",
            "0.01",
            "light of a town on the water at night; one scene tells it for all that do not",
            0,
            10,
        ),
        Setting("leaf_on", "yes/no", "true", "leaves on the trees"),
        *_WATER,
    ),
    "place": _table(
        Setting("anchor", "place", "[54.61234, -2.81234]", "latitude and longitude of local (0, 0)"),
        Setting("bearing_deg", "number", "0", "compass direction of local +y, clockwise from north", -360, 360),
    ),
    "cleaning": _table(
        Setting("outside_m", "length", "3", "soundings farther outside the water are set aside", 0, 1000),
        Setting("edge_m", "length", "1", "a zero depth farther inside than this is an echo lost", 0, 100),
        Setting("deepest_m", "length", "15", "deeper soundings are set aside", 0.1, 200),
        Setting("fastest_m_s", "speed", "5", "faster currents are set aside", 0.1, 20),
        Setting("spike_m", "length", "0.6", "a depth this far from its neighbours' middle may be a spike", 0.05, 50),
        Setting("spike_ratio", "number", "6", "and this many times their usual spread", 1, 1000),
        Setting("spike_reach_m", "length", "4", "how far neighbours may be", 0.1, 1000),
    ),
}
FILE_SETTINGS = _table(
    Setting("path", "text", '"soundings.csv"', "the file, inside the beat folder"),
    Setting("layer", "text", '"outline"', "layer of a file with several"),
    Setting("crs", "text", '"EPSG:27700"', 'coordinate system, or "local" (with [place])'),
    Setting("position_unit", "word", '"m"', "unit of x and y", words=_LENGTHS),
    Setting("depth_unit", "word", '"ft"', "unit of depths and levels", words=_LENGTHS),
    Setting("length_unit", "word", '"ft"', "unit of sizes and heights", words=_LENGTHS),
    Setting("speed_unit", "word", '"m/s"', "unit of speeds", words=("m/s", *SPEED)),
    Setting(
        "separator",
        "word",
        '"semicolon"',
        "between cells",
        words=("comma", "semicolon", "tab", "bar", ",", ";", "\t", "|"),
    ),
    Setting("decimal", "word", '","', "decimal sign", words=(".", ",")),
    Setting("nodata", "number", "-999", 'number that stands for "no value"'),
    Setting("speed_how", "word", '"surface float"', "how speeds were measured", words=SPEED_HOW),
    Setting("speed_is", "word", '"current"', "a speed column that looks like the boat's", words=("current", "boat")),
    Setting(
        "depth_sign",
        "word",
        '"down is negative"',
        "for depths written as negative numbers",
        words=("down is negative",),
    ),
    Setting(
        "water_level_m", "length", "174.8", "level of the water, where the file gives bed levels or heights", -500, 9000
    ),
    Setting("stage_m", "length", "0.1", "water of the outline above that of this file, added to its depths", -10, 10),
    Setting(
        "transducer_depth_m", "length", "0.2", "depth of the sonar below the water, added to this file's depths", 0, 5
    ),
    Setting("from_soundings", "yes/no", "true", "draw the outline round the wet soundings"),
)

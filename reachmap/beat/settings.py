"""beat.toml: every setting with its unit, its limits and an example; unknown ones are named with the nearest known."""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from reachmap.beat.columns import LENGTH, SPEED, SYNONYMS, UNITS, tidy
from reachmap.beat.messages import Report, plain
from reachmap.beat.model import CLARITY_HOW, COLOURS, SPECIES, SPEED_HOW

FILE = "beat.toml"
BED_D84_M = {"sand": 0.002, "gravel": 0.04, "coarse gravel": 0.06, "cobble": 0.13, "boulders": 0.35}
"""Size 84 % of the stones are finer than, by bed word [m]; assumed, inside the Wentworth grades (gravel 2-64 mm,
cobble 64-256 mm, boulders above)."""

ROLES = ("outline", "soundings", "cover", "shade", "terrain", "notes", "log")
"""Parts of a beat that stand in files of their own."""

LONGEST_NAME = 120


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


def _table(*rows: Setting) -> dict[str, Setting]:
    return {row.key: row for row in rows}


_WATER = (
    Setting("clarity_m", "length", "2.5", "how far one sees, judged as clarity_how says", 0.02, 60),
    Setting("clarity_how", "word", '"white from above"', "how clarity was judged", words=CLARITY_HOW),
    Setting("colour", "word", '"clear"', "colour of the water", words=COLOURS),
    Setting("bed_visible", "yes/no", "true", "the bed could be seen at the deepest point"),
)
_LENGTHS = tuple(LENGTH)
SECTIONS: dict[str, dict[str, Setting]] = {
    "": _table(
        Setting("name", "text", '"Mill Shed beat"', "name of the beat"),
        Setting("time_zone", "text", '"Europe/London"', "IANA time zone"),
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
    "water": _table(*_WATER, Setting("temperature_c", "temperature", "13", "water temperature", -1, 40)),
    "fish": _table(
        Setting("species", "word", '"brown"', "which trout", words=SPECIES),
        Setting("length_m", "length", "0.35", "its length", 0.05, 1.5),
    ),
    "scenes": _table(
        Setting("name", "text", '"sunny noon"', "how you call the scene"),
        Setting("when", "moment", '"2026-06-20 13:00"', "local date and time, or with an offset"),
        Setting("cloud", "whole", "1", "cloud in eighths", 0, 8),
        Setting("town_glow_lux", "number", "0.01", "light of a town on the water at night", 0, 10),
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


@dataclass(frozen=True)
class Settings:
    """beat.toml, checked: `values[section][key]` in SI units; `files[role]` a list of tables; the raw text's tables."""

    values: Mapping[str, Mapping[str, Any]]
    scenes: Sequence[Mapping[str, Any]]
    files: Mapping[str, Sequence[Mapping[str, Any]]]
    raw: Mapping[str, Any]

    def get(self, section: str, key: str, default: Any = None) -> Any:
        """One value or the default."""
        return self.values.get(section, {}).get(key, default)

    def file(self, role: str) -> Mapping[str, Any]:
        """What is said about the (first) file of a role."""
        return next(iter(self.files.get(role, ())), {})


def read_settings(folder: Path, report: Report) -> Settings:
    """Read beat.toml; what is wrong goes into the report, the rest is taken."""
    raw = _load(folder / FILE, report)
    values: dict[str, Mapping[str, Any]] = {}
    scenes: list[Mapping[str, Any]] = []
    files: dict[str, list[Mapping[str, Any]]] = {}
    top = {key: value for key, value in raw.items() if key not in SECTIONS and key != "files"}
    for key in [key for key, value in top.items() if isinstance(value, dict | list)]:
        known = [*(name for name in SECTIONS if name), "files"]
        report.say("section-unknown", FILE, f"[{plain(key, 30)}]", hint=_hint(key, known), names=", ".join(known))
        del top[key]
    values[""] = _section("", top, SECTIONS[""], report)
    for name, settings in SECTIONS.items():
        if name and name != "scenes" and name in raw:
            values[name] = _section(f"[{name}]", raw[name], settings, report)
    for i, scene in enumerate(_list(raw.get("scenes", []), "[[scenes]]", report)):
        scenes.append(_section(f"[[scenes]] number {i + 1}", scene, SECTIONS["scenes"], report))
    for role, given in _dict(raw.get("files", {}), "[files]", report).items():
        if role not in ROLES:
            report.say(
                "section-unknown", FILE, f"[files.{plain(role, 30)}]", hint=_hint(role, ROLES), names=", ".join(ROLES)
            )
            continue
        tables = given if isinstance(given, list) else [given]
        files[role] = [_file(role, table, report) for table in tables]
    return Settings(values, scenes, files, raw)


def _load(path: Path, report: Report) -> dict[str, Any]:
    if not path.is_file():
        report.say("no-toml", FILE)
        return {}
    try:
        data = path.read_bytes()[:2_000_000]
        text = data.decode("utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", "replace")
        report.say("encoding-guessed", FILE)
    except OSError as error:
        report.say("unreadable", FILE, why=error.strerror or "")
        return {}
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        place = re.search(r"\(at line (\d+)", str(error))
        number = int(place[1]) if place else text.count("\n") + 1
        line = text.split("\n")[number - 1].strip() if number <= text.count("\n") + 1 else ""
        code = "toml-decimal-comma" if re.search(r"=\s*-?\d+,\d+", line) else "toml-damaged"
        report.say(code, FILE, f"line {number}", line=line, why=re.sub(r" \(at .*\)", "", str(error)))
        return {}


def _section(where: str, given: Any, settings: Mapping[str, Setting], report: Report) -> dict[str, Any]:
    """The known settings of one table, converted; everything else is reported."""
    out: dict[str, Any] = {}
    for key, value in _dict(given, where, report).items():
        setting, factor, shift = _find(key, settings)
        place = f"{where} {plain(key, 40)}".strip()
        if setting is None:
            near = difflib.get_close_matches(key, list(settings), 1, 0.6)
            like = settings[near[0]] if near else None
            hint = (
                f"Did you mean {like.key} ({like.meaning}; for example {like.key} = {like.example})?"
                if like
                else (f"There are: {', '.join(settings)}.")
            )
            report.say("setting-unknown", FILE, place, hint=hint)
        elif setting.key in out:
            report.say("setting-twice", FILE, place, key=setting.key)
        else:
            checked = _value(setting, value, factor, shift, place, report)
            if checked is not None:
                out[setting.key] = checked
    return out


def _file(role: str, given: Any, report: Report) -> dict[str, Any]:
    where = f"[files.{role}]"
    table = dict(_dict(given, where, report))
    columns = _dict(table.pop("columns", {}), f"[files.{role}.columns]", report)
    out = _section(where, table, FILE_SETTINGS, report)
    chosen = {}
    for key, value in columns.items():
        found = _column_key(key)
        if found is None or not isinstance(value, str):
            report.say("column-key", FILE, f"[files.{role}.columns] {plain(key, 30)}", hint=_hint(key, list(SYNONYMS)))
        else:
            chosen[found] = value
    out["columns"] = chosen
    return out


def _column_key(name: str) -> str | None:
    """The column a user means by depth, depth_m or a synonym of it."""
    plain_name = re.sub(r"_(m|m_s|c|deg)$", "", tidy(name))
    if plain_name in SYNONYMS:
        return plain_name
    return next((key for key, words in SYNONYMS.items() if plain_name in words), None)


def _find(key: str, settings: Mapping[str, Setting]) -> tuple[Setting | None, float, float]:
    """The setting a key means, with the factor and shift to SI: clarity_ft means clarity_m."""
    if key in settings:
        return settings[key], 1.0, 0.0
    for setting in settings.values():
        units = UNITS.get(setting.kind)
        si = {"length": "_m", "speed": "_m_s", "flow": "_m3_s", "temperature": "_c"}.get(setting.kind)
        if units and si and setting.key.endswith(si):
            base = setting.key.removesuffix(si) + "_"
            unit = key.removeprefix(base)
            if key.startswith(base) and unit in units:
                shift = -32 * 5 / 9 if setting.kind == "temperature" and unit.startswith(("f", "degf")) else 0.0
                return setting, units[unit], shift
    return None, 1.0, 0.0


def _value(setting: Setting, value: Any, factor: float, shift: float, where: str, report: Report) -> Any:
    """A value of the right kind within its limits, or None after a report."""
    numeric = setting.kind in ("number", "whole") or setting.kind in UNITS
    if numeric:
        fits = isinstance(value, int | float) and not isinstance(value, bool)
        if fits and not (math.isfinite(value) and setting.low <= value * factor + shift <= setting.high):
            low, high = ((limit - shift) / factor for limit in (setting.low, setting.high))
            report.say("setting-range", FILE, where, value=value, low=f"{low:.6g}", high=f"{high:.6g}")
            return None
        if fits and setting.kind == "whole" and int(value) != value:
            fits = False
        if fits:
            return (
                int(value)
                if setting.kind == "whole"
                else value * factor + shift
                if (factor, shift) != (1, 0)
                else float(value)
            )
    elif setting.kind == "yes/no" and isinstance(value, bool):
        return value
    elif setting.kind == "text" and isinstance(value, str):
        return _text(value, where, report)
    elif setting.kind == "word" and isinstance(value, str):
        found = next((word for word in setting.words if word.lower() == (value.strip().lower() or value)), None)
        if found is None:
            report.say(
                "setting-word",
                FILE,
                where,
                value=value,
                hint=_hint(value, setting.words),
                words=", ".join(setting.words),
            )
        return found
    elif setting.kind in ("date", "moment") and isinstance(value, str | date | datetime):
        return _moment(setting, value, where, report)
    elif setting.kind == "place":
        place = _place(value)
        if place is None:
            report.say("setting-place", FILE, where, value=str(value))
        return place
    if setting.kind != "place":
        report.say(
            "setting-kind",
            FILE,
            where,
            value=str(value),
            kind=setting.kind,
            meaning=setting.meaning,
            key=setting.key,
            example=setting.example,
        )
    return None


def _text(value: str, where: str, report: Report) -> str | None:
    if len(value) > LONGEST_NAME:
        report.say("setting-long", FILE, where, count=len(value), limit=LONGEST_NAME)
        return None
    cleaned = plain(value, LONGEST_NAME)
    if not cleaned:
        report.say("setting-empty", FILE, where)
        return None
    if cleaned != value.strip():
        report.say("setting-control", FILE, where, value=cleaned)
    return cleaned


def _moment(setting: Setting, value: Any, where: str, report: Report) -> Any:
    if isinstance(value, str):
        try:
            value = datetime.fromisoformat(value.strip())
        except ValueError:
            report.say(
                "setting-kind",
                FILE,
                where,
                value=value,
                kind=setting.kind,
                meaning=setting.meaning,
                key=setting.key,
                example=setting.example,
            )
            return None
    if setting.kind == "date":
        return value.date() if isinstance(value, datetime) else value
    if not isinstance(value, datetime):
        value = datetime(value.year, value.month, value.day, 12)
    if not 1800 <= value.year <= 2200:
        report.say("setting-range", FILE, where, value=value.isoformat(), low="1800", high="2200")
        return None
    return value


def _place(value: Any) -> tuple[float, float] | None:
    if not (isinstance(value, list) and len(value) == 2):
        return None
    if not all(isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v) for v in value):
        return None
    lat, lon = float(value[0]), float(value[1])
    return (lat, lon) if abs(lat) <= 89 and abs(lon) <= 180 else None


def _hint(word: str, known: Sequence[str]) -> str:
    near = difflib.get_close_matches(str(word).lower(), known, 1, 0.6)
    return f"Did you mean {near[0]!r}? " if near else ""


def _dict(value: Any, where: str, report: Report) -> Mapping[str, Any]:
    if isinstance(value, dict):
        return value
    report.say("setting-table", FILE, where or "top")
    return {}


def _list(value: Any, where: str, report: Report) -> Sequence[Any]:
    if isinstance(value, list):
        return value
    report.say("setting-list", FILE, where)
    return []

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

from reachmap.beat.catalogue import FILE_SETTINGS, ROLES, SECTIONS, Setting
from reachmap.beat.clock import YEARS
from reachmap.beat.columns import SYNONYMS, UNITS, shift, tidy
from reachmap.beat.messages import Report, plain

FILE = "beat.toml"
LONGEST_NAME = 120


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
                return setting, units[unit], shift(setting.kind, units[unit])
    return None, 1.0, 0.0


def _value(setting: Setting, value: Any, factor: float, shift: float, where: str, report: Report) -> Any:
    """A value of the right kind within its limits, or None after a report."""
    kind = setting.kind
    if kind in ("number", "whole") or kind in UNITS:
        if isinstance(value, int | float) and not isinstance(value, bool):
            return _number(setting, value, factor, shift, where, report)
    elif kind == "yes/no" and isinstance(value, bool):
        return value
    elif kind == "text" and isinstance(value, str):
        return _text(value, where, report)
    elif kind == "word" and isinstance(value, str):
        return _word(setting, value, where, report)
    elif kind in ("date", "moment") and isinstance(value, str | date | datetime):
        return _moment(setting, value, where, report)
    elif kind == "place":
        return _place(value, where, report)
    _wrong_kind(setting, value, where, report)
    return None


def _wrong_kind(setting: Setting, value: Any, where: str, report: Report) -> None:
    about = {"kind": setting.kind, "meaning": setting.meaning, "key": setting.key, "example": setting.example}
    report.say("setting-kind", FILE, where, value=str(value), **about)


def _number(setting: Setting, value: float, factor: float, shift: float, where: str, report: Report) -> float | None:
    if setting.kind == "whole" and isinstance(value, float) and math.isfinite(value) and value != int(value):
        _wrong_kind(setting, value, where, report)
        return None
    try:
        converted = value * factor + shift
    except OverflowError:
        converted = math.inf
    if not setting.allows(converted):
        low, high = ((limit - shift) / factor for limit in (setting.low, setting.high))
        report.say("setting-range", FILE, where, value=str(value), low=f"{low:.6g}", high=f"{high:.6g}")
        return None
    return int(value) if setting.kind == "whole" else float(converted)


def _word(setting: Setting, value: str, where: str, report: Report) -> str | None:
    wanted = value.strip().lower() or value
    found = next((word for word in setting.words if word.lower() == wanted), None)
    if found is None:
        hint, words = _hint(value, setting.words), ", ".join(setting.words)
        report.say("setting-word", FILE, where, value=value, hint=hint, words=words)
    return found


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
            value = _day(value) or datetime.fromisoformat(value.strip())
        except ValueError:
            _wrong_kind(setting, value, where, report)
            return None
    if value.year not in YEARS:
        report.say("setting-range", FILE, where, value=value.isoformat(), low=str(YEARS[0]), high=str(YEARS[-1]))
        return None
    if setting.kind == "date":
        return value.date() if isinstance(value, datetime) else value
    if isinstance(value, datetime):
        return value
    report.say("setting-day-alone", FILE, where, value=value.isoformat())
    return datetime(value.year, value.month, value.day, 12)


def _day(text: str) -> date | None:
    """A day that a text says without an hour, as it may stand in beat.toml without its quotes; None if it is none."""
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        return None


def _place(value: Any, where: str, report: Report) -> tuple[float, float] | None:
    """[latitude, longitude] in degrees."""
    pair: list[Any] = value if isinstance(value, list) and len(value) == 2 else [None]
    if all(isinstance(v, int | float) and not isinstance(v, bool) and math.isfinite(v) for v in pair):
        lat, lon = float(pair[0]), float(pair[1])
        if abs(lat) <= 84 and abs(lon) <= 180:
            return lat, lon
    report.say("setting-place", FILE, where, value=str(value))
    return None


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

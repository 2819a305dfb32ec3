"""Numbers as people write them, read without guessing in silence."""

from __future__ import annotations

import math
import re

from reachmap.beat.columns import UNITS, shift, tidy

MISSING = frozenset(["", "na", "n/a", "nan", "null", "none", "-", "--", "?", "nil", "#n/a", "*"])
"""Words that say "no value"."""

SENTINELS = frozenset([-99.0, -999.0, -9999.0, -99999.0, -32768.0, -999.25, -9999.99])
"""Numbers that programs write for "no value"; no depth, speed or level of a trout stream is any of them."""

_PLAIN = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", re.IGNORECASE)
_WITH_UNIT = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+))\s*([a-z°][a-z0-9³/]*)", re.IGNORECASE)
_FEET_INCHES = re.compile(r"(\d+)\s*(?:'|ft)\s*(\d+(?:\.\d*)?)\s*(?:\"|''|in)?", re.IGNORECASE)


class NotNumberError(ValueError):
    """Why a cell is no number: "text", "decimal-comma" or "infinite"."""


def number(cell: object, decimal: str = ".") -> float:
    """A cell as a float; NaN where it says there is no value.

    Raises
    ------
    NotNumberError : its text is one of "text", "decimal-comma", "infinite"
    """
    if type(cell) is str:
        try:
            value = float(cell) if "_" not in cell else math.nan
            if value - value == 0.0:
                return value
        except ValueError:
            pass
        return _from_text(cell, decimal)
    if cell is None:
        return math.nan
    if isinstance(cell, bool):
        raise NotNumberError("text")
    try:
        value = float(cell)  # type: ignore[arg-type]
    except (TypeError, ValueError) as error:
        raise NotNumberError("text") from error
    if math.isinf(value):
        raise NotNumberError("infinite")
    return value


def _from_text(cell: str, decimal: str) -> float:
    text = cell.strip().replace("\u2212", "-").replace("\u00a0", "").strip()
    if text.lower() in MISSING:
        return math.nan
    if "," in text:
        if decimal != "," or text.count(",") > 1 or "." in text:
            raise NotNumberError("decimal-comma")
        text = text.replace(",", ".")
    if _PLAIN.fullmatch(text):
        value = float(text)
        if math.isinf(value):
            raise NotNumberError("infinite")
        return value
    if text.lower().lstrip("+-") in ("inf", "infinity"):
        raise NotNumberError("infinite")
    raise NotNumberError("text")


def number_with_unit(cell: object, quantity: str, decimal: str = ".") -> tuple[float, float] | None:
    """A cell such as "0.85 m" or 2'6" as its value and its factor to SI; None if it is none."""
    if not isinstance(cell, str):
        return None
    text = cell.strip().replace(",", ".") if decimal == "," else cell.strip()
    if quantity == "length" and (feet := _FEET_INCHES.fullmatch(text)):
        return float(feet[1]) + float(feet[2]) / 12, UNITS["length"]["ft"]
    found = _WITH_UNIT.fullmatch(text)
    if not found:
        return None
    factor = UNITS.get(quantity, {}).get(tidy(found[2]))
    return None if factor is None else (float(found[1]), factor)


def measure(text: str, quantity: str) -> float:
    """A number in SI (temperatures in degC), typed plainly or with another unit: "0.6", "2ft", 2'6", "55 F".

    Parameters
    ----------
    quantity : a key of `UNITS`

    Raises
    ------
    ValueError : it is none
    """
    found = number_with_unit(text, quantity)
    value, factor = found or (float(text), 1.0)
    return factor * value + shift(quantity, factor)

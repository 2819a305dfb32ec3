"""Water temperatures as they are printed: tenths of a degree Celsius or whole degrees Fahrenheit, halves up.

The page's script prints them so too.
"""

from __future__ import annotations

import math


def printed_celsius(celsius: float) -> float:
    """A temperature to a tenth [degC]."""
    return math.floor(10 * celsius + 0.5) / 10


def printed_fahrenheit(celsius: float) -> int:
    """A temperature [degC], as printed in that unit, to a whole degree [degF]."""
    return math.floor(printed_celsius(celsius) * 9 / 5 + 32 + 0.5)


def looks_as_warm(celsius: float, limit_c: float) -> bool:
    """Whether a temperature is as warm as a limit [degC] by what is printed of them, in either unit."""
    return printed_celsius(celsius) >= limit_c or printed_fahrenheit(celsius) >= printed_fahrenheit(limit_c)

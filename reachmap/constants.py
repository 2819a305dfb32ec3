"""Constants that several rooms use, each with its unit and source."""

from __future__ import annotations

GRAVITY_M_S2 = 9.80665
"""Standard acceleration of gravity [m/s2], ISO 80000-3."""

WATER_INDEX = 1.333
"""Refractive index of fresh water for visible light [-]; usual textbook value, see light.surface."""

Z90 = 1.645
"""Half width of the 90 % band in standard errors, of a normal error."""

FOOT_M = 0.3048
"""International foot [m], exact by definition."""

MILE_PER_HOUR_M_S = 0.44704
"""Mile per hour [m/s], exact by definition."""

METRES_A_DEGREE = 111_320.0
"""Length of a degree of latitude [m], rounded; for lattices and sketches, not for places."""

STEP_MIN = 10
"""From one hour of a day to the next that is worked out [min]; the sun goes 2.5 degrees (assumed)."""

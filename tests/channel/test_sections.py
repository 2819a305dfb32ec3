"""Cross-sections found among soundings, against sections of known discharge."""

import numpy as np
import pytest

from reachmap.channel.sections import measured_sections

FOOT = 0.3048


def section(name, along, across, depth, speed, width):
    n = len(across)
    return (
        np.full(n, name),
        np.full(n, along, float),
        np.asarray(across, float),
        np.full(n, width),
        np.asarray(depth, float),
        np.asarray(speed, float),
    )


def joined(*parts):
    return tuple(np.concatenate(columns) for columns in zip(*parts, strict=True))


def test_a_section_gives_the_midsection_discharge_of_its_source():
    # Section A of the R package FSAmisc (feet): 21.618 ft3/s by the midsection method, edges at 0 and 24.7 ft.
    station = np.array([2, 4, 6, 8, 10, 12, 14, 16, 18, 20, 22]) * FOOT
    depth = np.array([0.9, 1.1, 1.1, 1.1, 0.9, 0.9, 0.9, 0.9, 0.9, 0.9, 0.7]) * FOOT
    speed = np.array([1.01, 1.07, 1.22, 1.22, 1.36, 1.28, 1.38, 1.29, 0.88, 0.52, 0]) * FOOT
    width = 24.7 * FOOT
    found = measured_sections(*section("A", 40, width / 2 - station, depth, speed, width))
    assert len(found) == 1
    assert found[0].flow_m3_s == pytest.approx(21.618 * FOOT**3, rel=1e-6)
    assert found[0].mean_section_m3_s == pytest.approx(21.1195 * FOOT**3, rel=1e-6)
    assert found[0].verticals == 11
    assert found[0].largest_share == pytest.approx(2.684 / 21.618, abs=1e-4)
    assert found[0].plain()["line"] == "A"


def test_tracks_gaps_and_thin_sections_are_no_sections():
    across = np.linspace(-4, 4, 9)
    ones = np.ones(9)
    track = section("track", 0, across, ones, ones, 10.0)
    track = (track[0], np.linspace(0, 60, 9), *track[2:])
    gap = section("gap", 20, np.linspace(0, 4.5, 9), ones, ones, 10.0)
    thin = section("thin", 30, [-3, 0, 3], ones[:3], ones[:3], 10.0)
    unnamed = section("", 50, across, ones, ones, 10.0)
    silent = section("no speeds", 60, across, ones, np.full(9, np.nan), 10.0)
    good = section("good", 70, across, ones, ones, 10.0)
    found = measured_sections(*joined(track, gap, thin, unnamed, silent, good))
    assert [one.line for one in found] == ["good"]
    # 10 m wide, 1 m deep, 1 m/s, sloping to the edges over 1 m each side: midsection 9 panels of 1 m.
    assert found[0].flow_m3_s == pytest.approx(9.0)


def test_verticals_without_a_speed_are_passed_over():
    across = np.linspace(-4, 4, 9)
    speed = np.where(np.arange(9) % 2 == 0, 1.0, np.nan)
    found = measured_sections(*section("x", 0, across, np.ones(9), speed, 10.0))
    assert found[0].verticals == 5
    # Verticals at -4, -2, 0, 2, 4 and edges at -5, 5: panels 1.5, 2, 2, 2, 1.5 m.
    assert found[0].flow_m3_s == pytest.approx(9.0)

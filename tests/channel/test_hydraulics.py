"""Section hydraulics against published examples and closed forms."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reachmap.channel import hydraulics as hy
from tests import published

ROWS = published.load("hydraulics")

# Two measured sections, feet and feet per second (examples of the R package FSAmisc, discharge.R).
SECTION_A = (
    np.array([0, 2, 4, 6, 8, 10, 12, 14, 16, 18, 20, 22, 24.7]),
    np.array([0, 0.9, 1.1, 1.1, 1.1, 0.9, 0.9, 0.9, 0.9, 0.9, 0.9, 0.7, 0]),
    np.array([0, 1.01, 1.07, 1.22, 1.22, 1.36, 1.28, 1.38, 1.29, 0.88, 0.52, 0, 0]),
)
SECTION_B = (
    np.array([0, 2, 4, 6, 8, 10, 12, 14, 16, 18, 19.7]),
    np.array([0, 1.2, 1.5, 1.4, 1.4, 1.4, 1.5, 1.7, 2, 1.5, 0]),
    np.array([0, 0.53, 0.76, 0.95, 0.90, 0.98, 1.01, 0.9, 0.9, 0, 0]),
)
# Width, slope, mean speed, mean depth of five riffle-pool rivers (hydro-informatics course, bedload data set).
OPEN_RIVERS = np.array(
    [
        [7.0, 0.0015, 0.73, 0.78],
        [8.44, 0.0116, 0.90, 0.34],
        [9.0, 0.0032, 0.89, 0.55],
        [53.04, 0.0038, 1.26, 0.66],
        [9.8, 0.016, 0.98, 0.35],
    ]
)


def test_roughness_relations_give_their_published_examples():
    ROWS["H1"].check([hy.jarrett_n(0.3, 0.03), hy.jarrett_n(1.0, 0.015)])
    ROWS["H2"].check([hy.limerinos_n(1.0, 0.100), hy.limerinos_n(2.5, 0.070), hy.limerinos_n(3.0, 0.200)])
    ROWS["H3"].check([hy.strickler_n(0.100), hy.strickler_n(0.020), hy.strickler_n(0.008)])


def test_discharge_of_measured_sections():
    a, b = hy.midsection_discharge(*SECTION_A), hy.midsection_discharge(*SECTION_B)
    ROWS["H7"].check(a.flow_m3_s)
    ROWS["H8"].check([b.flow_m3_s, b.area_m2])
    ROWS["H9"].check([hy.mean_section_discharge(*SECTION_A), hy.mean_section_discharge(*SECTION_B)])
    assert a.panels_m3_s[1:4] == pytest.approx([1.818, 2.354, 2.684], abs=5e-4)  # same source, by hand
    assert a.largest_share == pytest.approx(2.684 / 21.618, abs=1e-4)


def test_bends():
    ROWS["H12"].check([hy.bend_depth_ratio(3.0, 20.0), hy.bend_depth_ratio(5.0, 25.0)])


def test_open_rivers_keep_continuity():
    width, _, speed, depth = OPEN_RIVERS.T
    ROWS["H11"].check(
        [
            hy.midsection_discharge(np.array([0, w]), np.full(2, d), np.full(2, v)).flow_m3_s
            for w, v, d in zip(width, speed, depth, strict=True)
        ]
    )


def test_asymmetric_section_peaks_at_the_thalweg():
    share = np.linspace(0, 1, 20001)
    depth = hy.asymmetric_section(share, 0.7)
    some = hy.asymmetric_section(np.array([0.25, 0.5, 0.9]), 0.7)
    ROWS["H13"].check([share[depth.argmax()], depth.mean(), *some])


@given(st.floats(0.05, 0.95))
def test_asymmetric_section_is_one_at_its_thalweg_and_zero_at_both_banks(thalweg):
    at = hy.asymmetric_section(np.array([0.0, thalweg, 1.0]), thalweg)
    assert at == pytest.approx([0.0, 1.0, 0.0], abs=1e-9)
    assert hy.asymmetric_section(np.array([0.3]), thalweg) == pytest.approx(
        hy.asymmetric_section(np.array([0.7]), 1 - thalweg)
    )


def test_bed_roughness_takes_the_relation_that_is_in_its_range():
    # Jarrett needs a slope above 0.002, Limerinos D84 above 19 mm (ranges of both papers).
    assert hy.bed_n(0.5, 0.1, 0.01) == (pytest.approx(float(hy.jarrett_n(0.5, 0.01))), "Jarrett 1984")
    assert hy.bed_n(0.5, 0.1, 0.001)[1] == "Limerinos 1970"
    assert hy.bed_n(0.5, 0.1)[1] == "Limerinos 1970"
    assert hy.bed_n(0.5, 0.002)[1] == "Strickler 1923"
    # At either end of each range.
    assert [hy.bed_n(0.5, 0.1, slope)[1] for slope in (0.0019, 0.0021)] == ["Limerinos 1970", "Jarrett 1984"]
    near = [hy.bed_n(0.5, d84)[1] for d84 in (0.018, 0.020, 0.74, 0.76)]
    assert near == ["Strickler 1923", "Limerinos 1970", "Limerinos 1970", "Strickler 1923"]


@pytest.mark.parametrize("slope", [None, 0.0015, 0.003, 0.02, 0.05])
@pytest.mark.parametrize("d84_m", [0.03, 0.1, 0.5])
def test_less_water_on_the_same_bed_never_runs_faster(slope, d84_m):
    """R^(2/3) / n, the speed at one slope by Manning, grows with the depth at and beyond the ends of every range."""
    radius = np.geomspace(0.02, 5, 400)
    n = np.array([hy.bed_n(r, d84_m, slope)[0] for r in radius])
    assert (np.diff(radius ** (2 / 3) / n) > 0).all()


@pytest.mark.parametrize("radius_m", [0.1, 0.4, 1.0])
def test_a_steeper_bed_is_no_smoother(radius_m):
    """A rough bed stays rough past the end of Jarrett's range, where his own relation would only go on rising."""
    n = [hy.bed_n(radius_m, 0.1, slope)[0] for slope in np.linspace(0.0021, 0.1, 50)]
    assert (np.diff(n) >= 0).all()


def test_bed_roughness_is_that_of_open_rivers():
    # Trout-sized open rivers lie at n = 0.037-0.064 (hydro-informatics data set, riffle-pool rows).
    for _, slope, _, depth in OPEN_RIVERS:
        assert 0.02 < hy.bed_n(depth, 0.1, slope)[0] < 0.11

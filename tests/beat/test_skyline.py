"""The horizon file: what a compass and a clinometer say."""

from __future__ import annotations

import numpy as np
import pytest

from reachmap.beat import check_beat, read_beat
from reachmap.errors import InputError
from tests.beat.folders import make


def test_directions_are_put_in_order_and_the_higher_of_two_counts(tmp_path):
    text = "elevation_deg,azimuth_deg\n12,180\n0,-90\n5,0\n8,90\n14,180\n"
    skyline = read_beat(make(tmp_path / "b", horizon__csv=text)).skyline
    np.testing.assert_array_equal(skyline.azimuth_deg, [0, 90, 180, 270])
    np.testing.assert_array_equal(skyline.elevation_deg, [5, 8, 14, 0])


def test_a_beat_without_the_file_has_no_skyline(tmp_path):
    assert read_beat(make(tmp_path / "b")).skyline is None


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("azimuth_deg,height\n0,1\n", "no column elevation_deg"),
        ("azimuth_deg,elevation_deg\n0,1\n90,95\n180,2\n", "row 3.*95.*no angle"),
        ("azimuth_deg,elevation_deg\n0,1\n90,high\n180,2\n", "row 3.*high.*no angle"),
        ("azimuth_deg,elevation_deg\n0,1\n90,2\n", "2 directions"),
    ],
)
def test_what_is_no_skyline_is_refused_with_the_row(tmp_path, text, words):
    with pytest.raises(InputError, match=f"horizon.csv.*{words}"):
        read_beat(make(tmp_path / "b", horizon__csv=text))


def test_a_wide_gap_is_said(tmp_path):
    text = "azimuth_deg,elevation_deg\n0,1\n90,2\n120,3\n"
    found = check_beat(make(tmp_path / "b", horizon__csv=text))
    assert any(f.code == "skyline-gap" and "240 degrees" in f.what for f in found)

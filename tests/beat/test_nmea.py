"""NMEA 0183 logs: checksums, units, offsets, fixes lost."""

from __future__ import annotations

import numpy as np
import pytest

from reachmap.beat import read_beat
from reachmap.beat.nmea import checksum
from reachmap.errors import InputError
from tests.beat.folders import make


@pytest.mark.parametrize(
    ("body", "want"),
    [
        # The example sentence of countless receivers' manuals (from memory): $GPGGA,...*47.
        ("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", 0x47),
        # Recommended minimum sentence of the same manuals (from memory): $GPRMC,...*6A.
        ("GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W", 0x6A),
    ],
)
def test_checksums_of_the_manuals(body, want):
    assert checksum(body) == want


def fix(lon_minutes: float, good: bool = True) -> str:
    """A position at 54 36 N, 2 degrees and some minutes W."""
    return line(f"GPRMC,101500,{'A' if good else 'V'},5436.0000,N,002{lon_minutes:07.4f},W,2.1,90.0,140626,,")


def line(body: str) -> str:
    """A sentence with its checksum."""
    return f"${body}*{checksum(body):02X}\n"


def read(tmp_path, text):
    """Soundings and findings by code of a log."""
    beat = read_beat(make(tmp_path / "beat", soundings__csv=None, soundings__nmea=text))
    return beat.soundings, {f.code: f for f in beat.findings}


def test_depths_in_every_unit_and_with_offsets(tmp_path):
    below_transducer = ("SDDBT,,f,1.50,M,,F", "SDDBT,4.0,f,,M,,F", "SDDBT,,f,,M,0.5,F")
    offset = ("SDDPT,1.20,0.30", "SDDPT,1.20,-0.40", "SDDPT,1.20,")
    # A foot is 0.3048 m, a fathom six feet; a positive offset reaches up to the waterline, a negative one to the keel.
    for bodies, want in ((below_transducer, [1.5, 1.2192, 0.9144]), (offset, [1.5, 1.2, 1.2])):
        soundings, found = read(tmp_path, fix(48.0) + "".join(map(line, bodies)))
        np.testing.assert_allclose(soundings["depth_m"], want)
        assert list(soundings["row"]) == [2, 3, 4]
        assert "nmea-twice" not in found


@pytest.mark.parametrize(("offset", "depth"), [("0.30", 0.8), ("", 0.5), ("-0.2", 0.5)])
def test_a_depth_told_twice_counts_once(tmp_path, offset, depth):
    both = line("SDDBT,,f,0.50,M,,F") + line(f"SDDPT,0.50,{offset}")
    soundings, found = read(tmp_path, "".join(fix(48.0 + 0.002 * k) + both for k in range(20)))
    np.testing.assert_allclose(soundings["depth_m"], np.full(20, depth))
    assert found["nmea-twice"].what.endswith("20 of DBT sentences were left out, those of DPT kept")


def test_the_fuller_of_two_depths_is_kept_where_neither_is_from_the_waterline(tmp_path):
    whole, cut = line("SDDBT,,f,0.50,M,,F"), line("SDDPT,,")
    text = "".join(fix(48.0 + 0.002 * k) + whole + (cut if k % 2 else line("SDDPT,0.50,")) for k in range(20))
    soundings, found = read(tmp_path, text)
    np.testing.assert_allclose(soundings["depth_m"], np.full(20, 0.5))
    assert found["nmea-twice"].what.endswith("10 of DPT sentences were left out, those of DBT kept")


@pytest.mark.parametrize(("offset", "before"), [("0.30", 0.8), ("", 0.5)])
def test_depths_told_once_stay_though_the_log_has_both_kinds(tmp_path, offset, before):
    """Another setting after lunch: nothing is told twice, so nothing is left out."""
    dbt, dpt = line("SDDBT,,f,0.50,M,,F"), line(f"SDDPT,0.70,{offset}")
    text = "".join(fix(48.0 + 0.002 * k) + (dbt if k < 10 else dpt) for k in range(20))
    soundings, found = read(tmp_path, text)
    np.testing.assert_allclose(soundings["depth_m"], [before] * 10 + [before + 0.2] * 10)
    assert "nmea-twice" not in found
    assert ("nmea-offset" in found) == bool(offset)


def test_only_the_depths_that_are_told_twice_are_left_out(tmp_path):
    dbt, dpt = line("SDDBT,,f,0.50,M,,F"), line("SDDPT,0.50,0.30")
    text = "".join(fix(48.0 + 0.001 * k) + dbt + (dpt if k % 10 == 0 else "") for k in range(40))
    soundings, found = read(tmp_path, text)
    np.testing.assert_allclose(soundings["depth_m"], np.full(40, 0.8))
    assert found["nmea-twice"].what.endswith("4 of DBT sentences were left out, those of DPT kept")
    assert found["nmea-offset"].what.startswith("36 of DBT sentences were taken 0.3 m deeper")


def test_a_depth_is_told_twice_though_another_kind_of_fix_stands_between(tmp_path):
    second = line("GPGGA,101500,5436.0000,N,00248.0000,W,1,8,1.0,10,M,50,M,,")
    text = (fix(48.0) + line("SDDBT,,f,0.50,M,,F") + second + line("SDDPT,0.50,")) * 20
    soundings, found = read(tmp_path, text)
    assert len(soundings) == 20
    assert "nmea-twice" in found


def test_depths_between_two_fixes_are_spread_over_the_way(tmp_path):
    depth = line("SDDBT,,f,0.50,M,,F")
    soundings, _ = read(tmp_path, fix(48.0) + depth * 4 + fix(47.996) + depth)
    x = soundings.geometry.x.to_numpy()
    # 0.004 minutes of longitude at 54.6 N are 4.3 m (6378 km x cos, spherical).
    np.testing.assert_allclose(np.diff(x), 0.004 / 60 * np.pi / 180 * 6378137 * np.cos(np.radians(54.6)) / 4, rtol=0.01)


def test_what_is_damaged_or_blind_is_counted(tmp_path):
    depth = line("SDDBT,,f,0.50,M,,F")
    wrong = "$SDDBT,,f,9.99,M,,F*00\n"
    text = fix(48.0) + depth + wrong * 3 + fix(10.0, good=False) + depth + "$SDDBT,,f,0.60,M,,F\n" + "noise\n"
    soundings, found = read(tmp_path, text)
    np.testing.assert_allclose(soundings["depth_m"], [0.5])
    assert (found["nmea-lost"].where, found["nmea-lost"].what[:8]) == ("lines 7, 8", "2 depths")
    assert found["nmea-checksum"].what.startswith("3 sentences")
    assert found["nmea-checksum"].where == "line 3"
    assert found["nmea-no-satellites"].what.startswith("1 positions")
    assert found["nmea-unchecked"].what.startswith("1 sentences")


def walk(lost, how):
    """A minute at 1 m/s with a depth at every second and the receiver blind or dumb in some of them; and its truth."""
    minutes = 48.0 - np.arange(60) / (np.pi / 180 * 6378137 * np.cos(np.radians(54.6)) / 60)
    text = ""
    for k, at in enumerate(minutes):
        gone = k in lost
        text += "" if gone and how == "dumb" else fix(at, good=not gone)
        text += line(f"SDDBT,,f,{1 + k / 100:.2f},M,,F")
    return text


@pytest.mark.parametrize("how", ["blind", "dumb"])
@pytest.mark.parametrize("lost", [range(20), range(20, 40), range(40, 60)], ids=["late", "gap", "dies"])
def test_depths_without_a_position_of_their_time_are_left_out(tmp_path, lost, how):
    soundings, found = read(tmp_path, walk(lost, how))
    second = np.round(100 * (soundings["depth_m"].to_numpy() - 1)).astype(int)
    assert not set(range(60)) - set(lost) - set(second), "those with a fix stay"
    # A receiver that says nothing may just have been late for a few.
    spared = set(second) & set(lost)
    assert len(spared) <= (5 if how == "dumb" else 0)
    assert found["nmea-lost"].what.startswith(f"{20 - len(spared)} depths")
    placed = ~np.isin(second, list(lost))
    x = soundings.geometry.x.to_numpy()[placed]
    np.testing.assert_allclose(x - x[0], second[placed] - second[placed][0], atol=0.3)


def test_another_sentence_without_a_fix_blinds_nothing(tmp_path):
    """Position and quality in one kind of sentence, the other void all along."""
    void = line("GPGGA,101500,,,,,0,00,,,M,,M,,")
    depth = line("SDDBT,,f,0.50,M,,F")
    soundings, found = read(tmp_path, "".join(fix(48.0 + 0.002 * k) + void + depth for k in range(20)))
    assert len(soundings) == 20
    assert "nmea-lost" not in found


def test_a_log_without_a_fix_is_refused(tmp_path):
    depth = line("SDDBT,,f,0.50,M,,F")
    with pytest.raises(InputError, match="no position in it"):
        read(tmp_path, depth * 3)
    with pytest.raises(InputError, match="no rows with data") as late:
        read(tmp_path / "late", fix(48.0, good=False) + depth * 3 + fix(48.0))
    assert "3 depths had no position" in " ".join(finding.what for finding in late.value.findings)

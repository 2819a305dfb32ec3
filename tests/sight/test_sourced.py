"""Settings files with sources: reading and refusing."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reachmap.errors import SettingError
from reachmap.sight.sourced import MAX_BYTES, parse_sourced, read_sourced


def test_broken_toml_names_file_and_line():
    with pytest.raises(SettingError, match=r"a.toml: .*line 2"):
        parse_sourced("[a]\nb = \n", "a.toml")


def test_a_missing_file_is_said_plainly(tmp_path):
    with pytest.raises(SettingError, match=r"none.toml: can't be read \(No such file"):
        read_sourced(tmp_path / "none.toml")


def test_bytes_that_are_no_text(tmp_path):
    path = tmp_path / "b.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SettingError, match="not UTF-8 text"):
        read_sourced(path)


def test_a_file_far_too_large(tmp_path):
    path = tmp_path / "big.toml"
    path.write_bytes(b"#" * (MAX_BYTES + 1))
    with pytest.raises(SettingError, match="too large"):
        read_sourced(path)


def test_lines_and_sections():
    file = parse_sourced("# c\n[a.b]\nx = 1\n[a.c]\nx = 2\n", "f")
    assert file.sections() == ("a.b", "a.c")
    assert (file.line("a.b", "x"), file.line("a.c", "x"), file.line("a.c", "gone")) == (3, 5, 4)


@pytest.mark.parametrize("text", ["a = " + "[" * 5000 + "]" * 5000, ".".join("a" * 4000) + " = 1"])
def test_nesting_without_end(text):
    with pytest.raises(SettingError, match=r"nested far too deeply|valid TOML"):
        parse_sourced(text, "deep.toml")


def test_numbers_no_double_can_hold_and_values_without_end():
    file = parse_sourced(f"[a]\nx = {10**400}\ny = [{'1, ' * 5000}]\n", "f")
    with pytest.raises(SettingError, match="expected a number, got 1000"):
        file.number("a", "x", 0, 1)
    with pytest.raises(SettingError, match="is not a pair") as refused:
        file.points("a", "y", 0, 1)
    assert len(str(refused.value)) < 300


@given(st.text(max_size=200))
def test_any_text_is_read_or_refused(text):
    with contextlib.suppress(SettingError):
        parse_sourced(text, "any.toml").sections()


def test_a_mark_of_the_byte_order_is_no_part_of_the_file(tmp_path):
    """As some editors set before UTF-8."""
    path = tmp_path / "marked.toml"
    path.write_bytes(b"\xef\xbb\xbf[a]\nb = 1\n")
    assert read_sourced(path).data == {"a": {"b": 1}}

"""Text from anybody, shown and used in names without harm."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargebench.runs.text import can_be_stored, file_name_part, visible

ANY_TEXT = st.text(st.characters())


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("Höhe 12 µL", "Höhe 12 µL"),
        ("a\x1b[2Jb", "a\\x1b[2Jb"),
        ("a\r\nb\tc", "a\\r\\nb\\tc"),
        ("abc\u202egnp.exe", "abc\\u202egnp.exe"),
        ("\u2028x", "\\u2028x"),
        ("क्\u200dष", "क्\u200dष"),
        ("\udcff", "\\udcff"),
    ],
)
def test_visible_table(text: str, shown: str) -> None:
    """What steers a terminal or turns a line round is written out; letters of all scripts stay."""
    assert visible(text) == shown


@given(ANY_TEXT)
def test_visible_never_steers(text: str) -> None:
    """No control, bidirectional or line-ending character is left, whatever the text."""
    assert not {unicodedata.category(character) for character in visible(text)} & {"Cc", "Cs", "Zl", "Zp", "Co"}
    assert not set(visible(text)) & set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\u200e\u200f\ufeff")


@given(ANY_TEXT, st.integers(1, 50))
def test_visible_cuts(text: str, longest: int) -> None:
    """A bound is a bound."""
    assert len(visible(text, longest)) <= longest


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("Ridge 12", "Ridge_12"),
        ("../../etc/passwd", "etc_passwd"),
        ("C:\\Windows\\x", "C_Windows_x"),
        ("con", "_con"),
        ("NUL.txt", "_NUL.txt"),
        ("com1", "_com1"),
        ("compost", "compost"),
        ("...", "unnamed"),
        ("", "unnamed"),
        ("x.", "x"),
        ("=cmd()", "cmd"),
        ("a\u202eb", "a_b"),
    ],
)
def test_file_name_table(text: str, part: str) -> None:
    """No path parts, device names, trailing dots or invisible characters in names made from text."""
    assert file_name_part(text) == part


@given(ANY_TEXT)
def test_any_text_gives_a_usable_name(text: str) -> None:
    """The name is one path part, short enough for every file system, and stable."""
    part = file_name_part(text)
    assert Path(part).name == part
    assert 0 < len(part.encode()) <= 101
    assert not set(part) & set('<>:"/\\|?*')
    assert file_name_part(part) == part


@given(ANY_TEXT)
def test_storable_text_is_utf8(text: str) -> None:
    """What is called storable can be encoded, and nothing else."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        assert not can_be_stored(text)
    else:
        assert can_be_stored(text)

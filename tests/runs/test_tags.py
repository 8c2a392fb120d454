"""Tags: one table of keys, kinds and ranges."""

from __future__ import annotations

import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargebench.errors import TagError
from chargebench.runs.tags import LONGEST_TEXT, TAGS, check_tags, read_tags


def test_words_become_tags() -> None:
    """Numbers of numeric keys are floats, choices lower case, everything else stays the text it was."""
    found = read_tags(
        ["coffee=Höhe 12", "dose_g= 18.5 ", "treatment=Misted+Ionised", "setting=7", "batch=0042", "roast level =light"]
    )
    assert found == {
        "coffee": "Höhe 12",
        "dose_g": 18.5,
        "treatment": "misted+ionised",
        "setting": "7",
        "batch": "0042",
        "roast level": "light",
    }


def test_value_may_hold_equals() -> None:
    """Only the first ``=`` parts key and value."""
    assert read_tags(["note==cmd|' /C calc'!A0=1"]) == {"note": "=cmd|' /C calc'!A0=1"}


@pytest.mark.parametrize(
    ("word", "named"),
    [
        ("dose_g", ["dose_g", "KEY=VALUE"]),
        ("=18", ["key", "letters"]),
        ("a\tb=1", ["'a\\\\tb'", "letters"]),
        ("<b>=1", ["'<b>'", "letters"]),
        ("7up=1", ["'7up'", "first a letter"]),
        ("../x=1", ["'../x'", "letters"]),
        ("\u202eesod=1", ["\\u202e", "letters"]),
        ("k" * 65 + "=1", ["64"]),
        ("dose_g=eighteen", ["dose_g", "'eighteen'", "0 to 1000 g"]),
        ("dose_g=18,5", ["dose_g", "'18,5'", "0 to 1000 g"]),
        ("dose_g=1_8", ["dose_g", "'1_8'"]),
        ("dose_g=nan", ["dose_g", "'nan'"]),
        ("dose_g=inf", ["dose_g", "'inf'"]),
        ("dose_g=-1", ["dose_g", "'-1'", "0 to 1000 g"]),
        ("dose_g=1e999", ["dose_g", "1e999"]),
        ("humidity_percent=101", ["humidity_percent", "'101'", "0 to 100 %"]),
        ("treatment=wet", ["treatment", "'wet'", "dry, misted, ionised, misted+ionised"]),
        ("purpose=test", ["purpose", "'test'", "grind, blank, purge"]),
        ("note=", ["note", "0 characters", "1 to 10000"]),
        ("note=" + "x" * (LONGEST_TEXT + 1), ["note", "10001", "10000"]),
        ("note=\udcff", ["note", "UTF-8"]),
    ],
)
def test_refusal_names_key_value_and_allowed(word: str, named: list[str]) -> None:
    """A refused tag is told in one line with the key, the value found and what is allowed."""
    with pytest.raises(TagError) as refusal:
        read_tags([word])
    message = str(refusal.value)
    assert all(part in message for part in named), message
    assert message.isprintable()


@pytest.mark.parametrize(
    "tags",
    [
        {"water_uL_per_g": 20, "dose_g": 18, "water_g": 3.6},
        {"treatment": "dry", "water_g": 0.3},
        {"treatment": "dry", "water_uL_per_g": 5},
        {"d10_um": 300, "d50_um": 200},
        {"d10_um": 300, "d90_um": 200},
    ],
)
def test_tags_that_contradict_each_other_are_refused(tags: dict[str, object]) -> None:
    """Water given twice must agree, a dry run has none, and percentiles rise."""
    with pytest.raises(TagError):
        check_tags(tags)


@pytest.mark.parametrize(
    "tags",
    [
        {"water_uL_per_g": 20.0, "dose_g": 18.0, "water_g": 0.36},
        {"treatment": "dry", "water_uL_per_g": 0.0},
        {"treatment": "misted", "water_uL_per_g": 0.0},
        {"d10_um": 100.0, "d50_um": 100.0, "d90_um": 700.0},
        {"note": "<img src=x onerror=alert(1)>\n\x1b[2J\u202e../../con\0", "free": 3.5},
        {"note": "x" * LONGEST_TEXT},
    ],
)
def test_sound_tags_come_back_as_they_are(tags: dict[str, object]) -> None:
    """What is allowed is kept to the character, hostile-looking text included; outputs make it harmless."""
    assert check_tags(tags) == tags


@pytest.mark.parametrize("number", [10**400, -(10**400), float("nan"), float("inf")], ids=["+", "-", "nan", "inf"])
@pytest.mark.parametrize("key", ["dose_g", "own"])
def test_numbers_that_are_none_are_refused(key: str, number: float) -> None:
    """A number too large to be one, or not finite, is out of range and nothing worse."""
    with pytest.raises(TagError, match="out of range"):
        check_tags({key: number})


def test_key_twice_is_refused() -> None:
    """Two values for one key are a mistake, not a choice for the program."""
    with pytest.raises(TagError, match="twice"):
        read_tags(["dose_g=18", "dose_g=20"])


def test_too_many_tags_are_refused() -> None:
    """A run has a bounded number of tags."""
    with pytest.raises(TagError, match="200"):
        check_tags({f"k{number}": "x" for number in range(201)})


@given(st.dictionaries(st.text(), st.one_of(st.text(), st.floats(), st.integers(), st.none(), st.booleans())))
def test_any_mapping_is_taken_or_refused(tags: dict[str, object]) -> None:
    """Whatever comes, the answer is tags that pass again unchanged, or TagError."""
    try:
        checked = check_tags(tags)
    except TagError:
        return
    assert check_tags(checked) == checked


def test_table_is_consistent() -> None:
    """Every number has a range, every choice its words, and every key can be typed."""
    for key, tag in TAGS.items():
        assert key == tag.key
        assert (tag.kind == "choice") == bool(tag.choices)
        assert tag.kind != "number" or (tag.low < tag.high < float("inf") and tag.unit)
        assert tag.about
        assert tag.allowed()


def test_importing_tags_is_light() -> None:
    """The command line refuses a wrong tag before numpy or h5py is loaded."""
    program = "import sys, chargebench.runs.tags; sys.exit(any(m in sys.modules for m in ('numpy', 'h5py')))"
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0

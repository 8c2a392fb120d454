"""TOML and JSON from outside, bounded before they are parsed."""

from __future__ import annotations

import json
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargebench.bounded import DEEPEST, MOST_DOTS, MOST_KEYS, json_value, toml_tables

SOUND_TOML = {
    "pattern with brackets": "pattern = '(?P<stable>ST|US),[[[[+-]?\\d+'",
    "brackets in a text": f'a = "{"[" * 1000}"',
    "brackets in a long text": f'a = """\n{"[{" * 1000}\n""quoted""\n"""',
    "brackets in a long literal": f"a = '''\n{'[{' * 1000}\n''quoted''\n'''",
    "brackets in a remark": f"# {'[' * 1000}\na = 1",
    "escaped quote": f'a = "\\"{"[" * 1000}"',
    "dots in a text": f'a = "{"." * 1000}"',
    "as deep as allowed": f"a = {'[' * (DEEPEST - 1)}{']' * (DEEPEST - 1)}",
    "as many dots as allowed": f"{'a.' * MOST_DOTS}b = 1",
}


@pytest.mark.parametrize("text", SOUND_TOML.values(), ids=SOUND_TOML)
def test_what_is_within_bounds_is_parsed_as_ever(text: str) -> None:
    """Brackets and dots count outside texts and remarks only; tables are those of the standard library."""
    assert toml_tables(text) == tomllib.loads(text)


HOSTILE_TOML = {
    "deep arrays": "a = " + "[" * 100_000,
    "deep tables": "a = " + "{a = " * 100_000,
    "deep behind an open text": '"' + "\na = " + "[" * 100_000,
    "many dots": "a." * 300_000 + "b = 1",
    "many quoted parts": '"a".' * 100_000 + "b = 1",
    "many keys": "".join(f"a{n} = 1\n" for n in range(MOST_KEYS + 1)),
    "many tables": "[[a]]\n" * (MOST_KEYS + 1),
    "open texts": '"""\\' * 100_000,
    "open literals": "'''" * 100_001,
    "quotes": "'" * 300_001 + '"' * 300_001,
    "no TOML": "a = ",
}


@pytest.mark.parametrize("text", HOSTILE_TOML.values(), ids=HOSTILE_TOML)
def test_hostile_toml_is_refused_in_words(text: str) -> None:
    """Text made to exhaust a parser is a ValueError of one line, and never reaches it."""
    with pytest.raises(ValueError, match=r"^[^\n]+$"):
        toml_tables(text)


@pytest.mark.parametrize("text", ["[" * 100_000, '{"a":' * 100_000, '"' + "[" * 100_000 + '"' + "]", "", "nul", "[1"])
def test_hostile_json_is_refused_in_words(text: str) -> None:
    """Deep or broken JSON is a ValueError."""
    with pytest.raises(ValueError, match=r"."):
        json_value(text)


LEAVES = st.none() | st.booleans() | st.text()


@given(st.recursive(LEAVES, lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner)))
def test_json_that_is_written_is_read(value: object) -> None:
    """Whatever the standard library writes within the bounds is read back the same, from text and from bytes."""
    text = json.dumps(value)
    assert json_value(text) == json_value(text.encode()) == value

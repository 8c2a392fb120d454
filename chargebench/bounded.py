"""TOML and JSON from outside, bounded before they are parsed.

Owns the bounds: a text of few bytes can nest so deep that a parser runs out of stack, or name keys of so many parts
that it works for minutes. Files are read by `chargebench.files`, which bounds their length.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Callable
from typing import Any, Final

__all__ = ["JsonObject", "json_value", "toml_tables"]

JsonObject = dict[str, Any]
"""A JSON object (or a table of TOML) as it was read, or as it is about to be written; everything else passes frozen
classes."""

DEEPEST: Final = 64
"""Brackets within brackets. Outcomes and studies nest less than ten deep."""
MOST_KEYS: Final = 20_000
MOST_DOTS: Final = 64
"""Dots outside texts in one line of TOML; a key of the files that the program knows has three parts at most."""

_JSON_TEXT: Final = re.compile(r'"(?:[^"\\]|\\.)*+(?:"|\Z)', re.DOTALL)
_TOML_TEXT: Final = re.compile(
    r'"""(?:[^"\\]|\\.|"(?!""))*+(?:"""|\Z)'
    r"|'''(?:[^']|'(?!''))*+(?:'''|\Z)"
    r'|"(?:[^"\\\n]|\\.)*+(?:"|$|\Z)'
    r"|'[^'\n]*+(?:'|$|\Z)"
    r"|#[^\n]*+",
    re.DOTALL | re.MULTILINE,
)


def toml_tables(text: str) -> JsonObject:
    """The tables of a TOML text.

    Raises
    ------
    ValueError
        When it is no TOML (`tomllib.TOMLDecodeError`, which says where), nests deeper than `DEEPEST`, has more than
        `MOST_KEYS` keys or a key of more than `MOST_DOTS` parts.
    """
    bare = _TOML_TEXT.sub(_placeholder, text)
    _check_depth(bare)
    if (keys := bare.count("=")) > MOST_KEYS or bare.count("[[") > MOST_KEYS:
        raise ValueError(f"{max(keys, bare.count('[['))} keys or tables; at most {MOST_KEYS} are allowed")
    dots = max((line.count(".") for line in bare.split("\n")), default=0)
    if dots > MOST_DOTS:
        raise ValueError(f"a key or line with {dots} dots; at most {MOST_DOTS} are allowed")
    tables: JsonObject = _parsed(tomllib.loads, text)
    return tables


def json_value(text: str | bytes) -> Any:
    """The value in a JSON text.

    Raises
    ------
    ValueError
        When it is no JSON, or nests deeper than `DEEPEST`.
    """
    text = text.decode("utf-8") if isinstance(text, bytes) else text
    _check_depth(_JSON_TEXT.sub('""', text))
    return _parsed(json.loads, text)


def _placeholder(found: re.Match[str]) -> str:
    """In place of a text, which may be a key: something without brackets and dots, with the line ends it had."""
    return "_" + "\n" * found.group().count("\n")


def _parsed(parse: Callable[[str], Any], text: str) -> Any:
    try:
        return parse(text)
    except RecursionError as error:  # the bound on depth leaves none for a caller near the top of the stack
        raise ValueError("nested too deep") from error


def _check_depth(bare: str) -> None:
    depth = 0
    for bracket in re.findall(r"[\[\]{}]", bare):
        depth = depth + 1 if bracket in "[{" else max(depth - 1, 0)
        if depth > DEEPEST:
            raise ValueError(f"brackets nested more than {DEEPEST} deep")

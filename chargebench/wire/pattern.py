"""Line patterns from a bench file, compiled only if no line can keep them busy. Owns that bound.

The standard library's matcher backtracks and has no time limit. So lines are short, and a pattern is taken apart before
use: each repeat whose characters may also come right after it multiplies the ways to split a line by the line's
length; a repeat that nothing can follow with the same character adds a single walk. Patterns with more than
`MOST_WAYS` ways, with repeats inside repeats, or with parts whose cost is not bounded this way (look-around, back
references) are refused.
"""

from __future__ import annotations

import re
import re._parser as sre  # type: ignore[import-not-found]  # the parser `re` itself uses; it has no public name
from functools import cache
from typing import Any, Final

__all__ = ["GROUPS", "LINE_LIMIT", "MOST_WAYS", "compile_pattern", "spelt_out"]

LINE_LIMIT: Final = 128
MOST_WAYS: Final = (LINE_LIMIT + 1) ** 2  # × a walk of LINE_LIMIT steps: some tens of milliseconds at worst
GROUPS: Final = ("value", "sign", "unit", "stable", "kind")
LONGEST_PATTERN: Final = 500
_ALL: Final = frozenset(range(256))
_END: Final = 256  # stands for the end of the line in a set of what may follow
_REPEATS: Final = ("MAX_REPEAT", "MIN_REPEAT", "POSSESSIVE_REPEAT")
_SINGLE: Final = ("LITERAL", "NOT_LITERAL", "ANY", "IN")
_CATEGORIES: Final = {"DIGIT": r"\d", "SPACE": r"\s", "WORD": r"\w"}

Characters = frozenset[int]
Parsed = list[tuple[Any, Any]]


def compile_pattern(text: str) -> re.Pattern[str]:
    """The compiled pattern, for use with ``fullmatch`` on lines of at most `LINE_LIMIT` characters.

    ``\\d``, ``\\s`` and ``\\w`` mean their ASCII characters.

    Raises
    ------
    ValueError
        When the text is no regular expression, has no group named ``value`` or one that is not in `GROUPS`, or could
        keep the matcher busy on a hostile line.
    """
    if len(text) > LONGEST_PATTERN:
        raise ValueError(f"is {len(text)} characters long; allowed are {LONGEST_PATTERN}")
    try:
        pattern = re.compile(text, re.ASCII)
        parsed = sre.parse(text, re.ASCII)
    except (re.error, RecursionError, OverflowError) as error:
        raise ValueError(f"is not a regular expression: {error}") from error
    if "value" not in pattern.groupindex:
        raise ValueError("has no group (?P<value>…) around the number")
    strange = [name for name in pattern.groupindex if name not in GROUPS]
    if strange:
        raise ValueError(f"has a group named {strange[0]!r}; allowed are {', '.join(GROUPS)}")
    if pattern.flags & ~re.ASCII:
        raise ValueError("sets flags such as (?i); write the characters out instead")
    ways, _first = _ways(list(parsed), frozenset((_END,)))
    if ways > MOST_WAYS:
        raise ValueError(
            "has too many repeats that can share characters with what follows them; "
            "allowed are two, such as .* before the number: name the characters in between more exactly"
        )
    return pattern


_TOKEN = re.compile(r"\\.|\[\^?\]?(?:\\.|[^\]\\])*\]|\(\?P<\w+>|\((?:\?:)?|\)|[^\\\[()]+", re.DOTALL)


def spelt_out(pattern: str) -> str:
    """What a pattern that was compiled spells out, outside its named groups, escapes and classes."""
    kept: list[str] = []
    named: list[bool] = []
    for token in _TOKEN.findall(pattern):
        if token.startswith("("):
            named.append(token.startswith("(?P"))
            kept.append(" " if named[-1] else "")
        elif token == ")":
            named.pop()
        elif not any(named):
            kept.append(" " if token[0] in "\\[" else token)
    return "".join(kept)


def _ways(items: Parsed, follow: Characters) -> tuple[int, Characters]:
    """Upper bound on the ways `items` can split a line, and the characters they can begin with.

    Raises
    ------
    ValueError
        When a part is not one whose cost can be bounded.
    """
    ways = 1
    for operation, argument in reversed(items):
        more, follow = _item_ways(str(operation), argument, follow)
        ways *= more
    return ways, follow


def _item_ways(operation: str, argument: Any, follow: Characters) -> tuple[int, Characters]:
    """As `_ways`, of one part."""
    if operation in _SINGLE:
        return 1, _characters(operation, argument)
    if operation == "AT":
        return 1, follow
    if operation == "SUBPATTERN":
        _group, added, removed, body = argument
        if added or removed:
            raise ValueError("sets flags inside a group; write the characters out instead")
        return _ways(list(body), follow)
    if operation == "BRANCH":
        found = [_ways(list(branch), follow) for branch in argument[1]]
        return sum(ways for ways, _ in found), frozenset().union(*(first for _, first in found))
    if operation in _REPEATS:
        least, most, body = argument
        return _repeat_ways(least, most, list(body), follow)
    raise ValueError(f"uses {operation.lower().replace('_', ' ')}, which is not allowed (nor is any look-around)")


def _repeat_ways(least: int, most: int, body: Parsed, follow: Characters) -> tuple[int, Characters]:
    """As `_ways`, of a repeat."""
    most = min(int(most), LINE_LIMIT)
    if most > 1 and not _is_plain(body):
        raise ValueError("repeats a part that itself repeats or has alternatives, such as (a+)+ or (a|aa)*")
    ways, first = _ways(body, follow)
    if most > least and first & follow:
        ways *= most - least + 1
    return ways, first | follow if least == 0 else first


def _is_plain(body: Parsed) -> bool:
    """Whether a repeated part is a fixed run of single characters, groups around them aside."""
    return all(
        str(operation) in _SINGLE or (str(operation) == "SUBPATTERN" and _is_plain(argument[3]))
        for operation, argument in body
    )


def _characters(operation: str, argument: Any) -> Characters:
    """Characters, of the first 256, that a single-character part takes."""
    if operation == "LITERAL":
        return frozenset((argument,))
    if operation == "NOT_LITERAL":
        return _ALL - {argument}
    if operation == "ANY":
        return _ALL - {ord("\n")}
    taken: set[int] = set()
    for kind, value in argument:
        if str(kind) == "LITERAL":
            taken.add(value)
        elif str(kind) == "RANGE":
            taken.update(range(value[0], min(value[1], 255) + 1))
        elif str(kind) == "CATEGORY":
            taken |= _category(str(value))
    return _ALL - taken if str(argument[0][0]) == "NEGATE" else frozenset(taken)


@cache
def _category(name: str) -> Characters:
    """Characters of a class such as ``CATEGORY_NOT_DIGIT``."""
    text = next(text for word, text in _CATEGORIES.items() if name.endswith(word))
    inside = frozenset(code for code in _ALL if re.fullmatch(text, chr(code), re.ASCII))
    return _ALL - inside if "_NOT_" in name else inside

"""Patterns that no line can keep busy."""

from __future__ import annotations

import itertools
import random
import time

import pytest

from chargebench.wire.pattern import LINE_LIMIT, compile_pattern
from chargebench.wire.printed import BUILT_IN, PrintedDecoder

SERVICEABLE = [
    r"(?P<stable>ST|US),\s*(?P<value>[+-]?\d+\.?\d*)\s*,\s*(?P<unit>m?k?g)",
    r".*?(?P<value>-?\d+\.\d+) (?P<unit>g)",
    r"^\s*(?P<sign>[+-]?)\s*(?P<value>\d+(?:\.\d+)?)\s*(?P<unit>m?g)\s*$",
    r"(?P<kind>[A-Z]{1,4})[: ]+(?P<value>[^ ]+) g",
    r"\x02(?P<value>\d{1,6}\.\d{2})(?P<unit>g)\x03?",
    *BUILT_IN.values(),
]

CATASTROPHIC = [
    r"(a+)+(?P<value>\d)",
    r"(?P<value>(\d+)*)x",
    r"(?P<value>(\d|\d\d)+)x",
    r"(?:a|a)*(?P<value>\d)",
    r"(?P<value>(?:\d*)*)x",
    r"(?P<value>(?:\d+\.?)+)x",
    r"\s*\s*\s*\s*(?P<value>\d)",
    r".*.*.*(?P<value>\d).*.*",
    r"\d*\d*\d*\d*\d*\d*\d*(?P<value>\d)",
    r"(?:\d?){60}(?P<value>\d)",
    r"(?:" + "".join(r"(?:\d|\d)" for _ in range(30)) + r")(?P<value>x)",
    r"(?P<value>\d)" + "a?" * 20 + "b",
]

UNSERVICEABLE = [
    ("(", "regular expression"),
    ("[", "regular expression"),
    (r"(?P<value>\d{99999999999999999999})", "regular expression"),
    (r"\d+ g", "no group"),
    (r"(?P<value>\d)(?P<weight>\d)", "group named 'weight'"),
    (r"(?i)(?P<value>\d) G", "flags"),
    (r"(?i:G)(?P<value>\d)", "flags"),
    (r"(?P<value>\d)(?=g)g", "not allowed"),
    (r"(?P<value>\d)(?<!x)g", "not allowed"),
    (r"(?P<value>\d)(?P=value)", "not allowed"),
    (r"(?P<value>\d)" + "a" * 600, "characters long"),
    ("(?:" * 200 + "(?P<value>x)", "characters long"),
]


@pytest.mark.parametrize("text", SERVICEABLE)
def test_serviceable_patterns_pass(text: str) -> None:
    """Patterns that people write for scales are taken."""
    compile_pattern(text)


@pytest.mark.parametrize("text", CATASTROPHIC)
def test_catastrophic_patterns_are_refused(text: str) -> None:
    """Patterns whose matching time explodes, by nesting or by overlapping repeats, are refused in one line."""
    with pytest.raises(ValueError, match="repeat") as caught:
        compile_pattern(text)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(("text", "words"), UNSERVICEABLE)
def test_unserviceable_patterns_are_refused(text: str, words: str) -> None:
    """What is no regular expression, lacks the value group, or has parts that cannot be bounded, is refused."""
    with pytest.raises(ValueError, match=words):
        compile_pattern(text)


ATOMS = [r"\d", r"\d+", r"\d*", r"\s*", r".*", r".+?", r"[0-9.]*", r"x?", r"\w+", r"(?:\d|x)", r"[^,]*", ",", "x"]


def test_whatever_is_taken_is_quick() -> None:
    """Random patterns that pass the bound answer hostile lines in well under a second each; many do not pass."""
    rng = random.Random(11)
    taken = refused = 0
    lines = [
        "1" * LINE_LIMIT,
        "x" * LINE_LIMIT,
        " " * LINE_LIMIT,
        "1x" * (LINE_LIMIT // 2),
        "1" * (LINE_LIMIT - 1) + "!",
    ]
    slowest_s = 0.0
    for _ in range(400):
        text = "".join(rng.choice(ATOMS) for _ in range(rng.randrange(1, 8))) + r"(?P<value>\d)!?~"
        try:
            pattern = compile_pattern(text)
        except ValueError:
            refused += 1
            continue
        taken += 1
        for line in lines:
            start = time.process_time()
            pattern.fullmatch(line)
            slowest_s = max(slowest_s, time.process_time() - start)
    assert taken > 100
    assert refused > 20
    assert slowest_s < 1.0


def test_the_worst_that_is_taken_keeps_up() -> None:
    """A stream of the worst lines for the worst pattern that is taken is decoded, not hung upon."""
    pattern = r".*\d*(?P<value>\d)g"
    decoder = PrintedDecoder(["mass"], pattern)
    decoder.feed(b"\n" + (b"1" * LINE_LIMIT + b"\n") * 5, 0)
    assert decoder.rejects == {"no_match": 5}


def test_characters_of_every_part() -> None:
    """The bound sees overlap through classes, ranges, negation and categories alike."""
    overlapping = [r"\d*", r"[0-9]*", r"[^a]*", r"[\d.]*", r"\S*", r"\w*", r".*", r"[^\D]*", r"1*"]
    for a, b, c in itertools.permutations(overlapping, 3):
        with pytest.raises(ValueError, match="repeats"):
            compile_pattern(f"{a}{b}{c}1*(?P<value>1)")
    apart = [r"\d*", r"a*", r"\s*", r"[-+]*", r"[^\w\s+-]*"]
    for some in itertools.permutations(apart):
        compile_pattern("".join(some) + "(?P<value>Z)")

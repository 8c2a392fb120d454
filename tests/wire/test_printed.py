"""Lines of scales that print."""

from __future__ import annotations

import math

import pytest

from chargebench.wire.printed import CONFIRM, PrintedDecoder
from chargebench.wire.reading import Reading, Status

PATTERN = r"(?P<stable>ST|US),\s*(?P<value>[+-]?\d+\.?\d*)\s*,\s*(?P<unit>m?k?g)"


def feed(lines: list[str], pattern: str | None = None) -> tuple[list[Reading], PrintedDecoder]:
    """Readings of lines that follow a first, dropped piece."""
    decoder = PrintedDecoder(["mass"], pattern)
    return decoder.feed("\r\n".join(["", *lines, ""]).encode("latin-1"), 0), decoder


def values(lines: list[str], pattern: str | None = None) -> list[float]:
    """Just the values."""
    return [reading.value for reading in feed(lines, pattern)[0]]


@pytest.mark.parametrize(
    ("line", "value", "status"),
    [
        ("12.34 g", 12.34, Status.NONE),
        ("   12.34 g", 12.34, Status.NONE),
        ("-  12.34 g  ", -12.34, Status.NONE),
        ("+12.34g", 12.34, Status.NONE),
        ("1234 mg", 1.234, Status.NONE),
        ("0.01234 kg", 12.34, Status.NONE),
        ("12.34 g S", 12.34, Status.SETTLED),
        ("12.34 g ?", 12.34, Status.UNSETTLED),
        ("ST,+  12.34,g", 12.34, Status.SETTLED),
        ("US,-  12.34 g", -12.34, Status.UNSETTLED),
        ("ST,GS,+  12.34 g", 12.34, Status.SETTLED),
        ("Net     12.34 g S", 12.34, Status.SETTLED),
        ("G:  12.34 g", 12.34, Status.NONE),
        ("S S   12.34 g", None, Status.NONE),
    ],
)
def test_built_in_shapes(line: str, value: float | None, status: Status) -> None:
    """The common shapes are read, with stability stable, unstable or not told; others are not guessed at."""
    readings, decoder = feed([line] * 3)
    if value is None:
        assert readings == []
        assert decoder.rejects == {"no_match": 3}
        return
    assert [(r.channel, r.value, r.status) for r in readings] == [("mass", value, status)] * 3


def test_overload_is_no_weight() -> None:
    """An overload flag gives a reading without a number."""
    readings, _ = feed(["OL,+ 999.99,g"] * 3)
    assert all(math.isnan(r.value) and r.status == Status.OVER for r in readings)
    assert len(readings) == 3


def test_first_piece_is_never_a_weight() -> None:
    """A piece cut at connect that would parse ("02 g") is dropped, at the start and after a reconnect."""
    decoder = PrintedDecoder(["mass"])
    assert [r.value for r in decoder.feed(b"02 g\r\n152.02 g\r\n152.02 g\r\n152.02 g\r\n", 0)] == [152.02] * 3
    decoder.reset()
    assert decoder.feed(b"2 g\r\n", 0) == []
    assert [r.value for r in decoder.feed(b"152.03 g\r\n", 0)] == [152.03]
    assert decoder.rejects == {"cut": 2}


@pytest.mark.parametrize(
    "odd",
    [
        "ST,+  1.34,g",
        "ST,+ 12.34,g",
        "ST,+  2.34,g",
        "ST,+  12.3,g",
        "ST,+  12.340,g",
        "T,+  12.34,g",
        "ST,+  12.34,kg",
    ],
)
def test_a_lone_line_that_differs_is_left_out(odd: str) -> None:
    """A line that lost a byte of a padded field, or once has other decimals or unit, is left out and counted."""
    usual = "ST,+  12.34,g"
    readings, decoder = feed([usual] * 4 + [odd] + [usual] * 4)
    assert [r.value for r in readings] == [12.34] * 8
    assert sum(decoder.rejects.values()) == 1


@pytest.mark.parametrize(
    "lines",
    [
        ["9.98 g", "9.99 g", "10.00 g", "99.99 g", "100.00 g", "9.99 g"],
        [" 9.98 g", " 9.99 g", "10.00 g", "10.01 g", " 9.99 g"],
        ["   9.98 g", "   9.99 g", "  10.00 g", " 100.00 g", "1000.00 g"],
        ["0.00 g", "-0.01 g", "0.00 g", "-10.00 g", "10.00 g"],
        [" 0.00 g", "-0.01 g", " 0.01 g", " 9.99 g", "10.00 g"],
        ["+   9.99 g", "+  10.00 g", "-   0.01 g", "- 100.00 g"],
        ["0009.99 g", "0010.00 g", "0100.00 g"],
        ["ST, 9.99,g", "ST,10.00,g", "US,10.00,g"],
        ["ST,9.99,g", "US,10.00,g", "US,-1.00,g"],
        ["9.99 g S", "10.00 g", "10.00 g ?"],
    ],
    ids=repr,
)
def test_growing_numbers_lose_nothing(lines: list[str]) -> None:
    """9.99 → 10.00, a sign, or another flag, in padded and unpadded fields, is no change of shape."""
    usual = [lines[0]] * CONFIRM
    readings, decoder = feed(usual + lines)
    assert len(readings) == len(usual) + len(lines), decoder.rejects
    assert dict(decoder.rejects) == {}


def test_shape_is_confirmed_by_three_lines() -> None:
    """Readings of a new shape are held until three lines agree, then all given with their own times."""
    decoder = PrintedDecoder(["mass"])
    given = [decoder.feed(b"\n" if n == 0 else b"1.00 g\n", n) for n in range(5)]
    assert [[r.received_ns for r in some] for some in given] == [[], [], [], [1, 2, 3], [4]]


def test_a_lasting_change_loses_nothing() -> None:
    """Another unit or range that stays is learnt: none of its lines is lost, nor when it changes back."""
    lines = ["99.98 g"] * 3 + ["100.0 g"] * 5 + ["99.99 g"] * 2 + ["0.1001 kg"] * 3 + ["100.1 g"]
    expected = [99.98] * 3 + [100.0] * 5 + [99.99] * 2 + [100.1] * 3 + [100.1]
    assert values(lines) == expected


def test_a_damaged_first_line_does_not_rule() -> None:
    """A damaged line at the start does not become the shape that sound lines are held against."""
    assert values(["1.2 g", "12.34 g", "12.35 g", "12.36 g"]) == [12.34, 12.35, 12.36]


def test_reset_lets_go_of_what_is_held() -> None:
    """Held readings do not cross a reconnect; a shape already confirmed does."""
    decoder = PrintedDecoder(["mass"])
    decoder.feed(b"\n1.00 g\n1.00 g\n", 0)
    decoder.reset()
    assert decoder.feed(b"\n1.00 g\n", 0) == []
    assert decoder.rejects == {"shape": 2}


def test_the_label_belongs_to_the_shape() -> None:
    """A single tare print between net ones is not a weighing of the same kind."""
    lines = ["N   12.34 g"] * 4 + ["T    3.00 g"] + ["N   12.34 g"]
    assert values(lines) == [12.34] * 5


@pytest.mark.parametrize(
    ("pattern", "line", "expected"),
    [
        (PATTERN, "ST, 12.34 ,g", 12.34),
        (PATTERN, "US,+12 ,kg", 12000.0),
        (r"(?P<sign>[+-]?) *(?P<value>\d+,\d+)", "-  12,34", -12.34),
        (r"W(?P<value>[-+0-9.eE]+)", "W1.5e1", 15.0),
        (r"(?P<value>\d+\.\d)(?P<unit>oz)?", "12.3", 12.3),
        (r"\d\d:\d\d (?P<kind>[NG]) (?P<value>\d+\.\d) (?P<unit>g)", "09:41 N 12.3 g", 12.3),
    ],
)
def test_patterns_of_the_bench_file(pattern: str, line: str, expected: float) -> None:
    """A pattern's groups say what is value, sign, unit; without a unit the canonical one holds; a comma is a point."""
    assert values([line] * 3, pattern) == [expected] * 3


@pytest.mark.parametrize(
    ("pattern", "line", "reason"),
    [
        (PATTERN, "ST, 12.34 ,lb", "no_match"),
        (r"(?P<value>\d+) (?P<unit>\w+)", "12 lb", "unit"),
        (r"(?P<value>\d+) (?P<unit>\w+)", "12 nC", "unit"),
        (r"(?P<value>\S+) g", "1.2.3 g", "number"),
        (r"(?P<value>\S+) g", "inf g", "number"),
        (r"(?P<value>\S+) g", "1,000,0 g", "number"),
        (r"(?P<sign>[+-])(?P<value>\S+) g", "--5 g", "number"),
        (r"(?:(?P<value>\d+)|x) g", "x g", "no_match"),
        (r"(?P<value>\d+) g", "\xb2 g", "no_match"),
    ],
)
def test_what_a_pattern_lets_through_is_still_checked(pattern: str, line: str, reason: str) -> None:
    """A pattern cannot make a weight of what is no decimal number in a unit of mass."""
    readings, decoder = feed([line] * 3, pattern)
    assert readings == []
    assert decoder.rejects == {reason: 3}

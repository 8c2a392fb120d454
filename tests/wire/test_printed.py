"""Lines of scales that print."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chargebench.wire.printed import BUILT_IN, CONFIRM, PrintedDecoder
from chargebench.wire.reading import Reading, Status
from chargebench.wire.scale_words import WORDS

PATTERN = r"(?P<stable>ST|US),\s*(?P<value>[+-]?\d+\.?\d*)\s*,\s*(?P<unit>m?k?g)"


def feed(lines: list[str], pattern: str | None = None, unit: str | None = None) -> tuple[list[Reading], PrintedDecoder]:
    """Readings of lines that follow a first, dropped piece."""
    decoder = PrintedDecoder(["mass"], pattern, unit)
    return decoder.feed("\r\n".join(["", *lines, ""]).encode("latin-1"), 0), decoder


def values(lines: list[str], pattern: str | None = None, unit: str | None = None) -> list[float]:
    """Just the values."""
    return [reading.value for reading in feed(lines, pattern, unit)[0]]


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
        (r"(?P<sign>[+-]?) *(?P<value>\d+,\d+) g", "-  12,34 g", -12.34),
        (r"W(?P<value>[-+0-9.eE]+)g", "W1.5e1g", 15.0),
        (r"Weight (?P<value>\d\.\d+) kg", "Weight 0.620 kg", 620.0),
        (r"(?:Mon|Tue) (?P<value>\d+\.\d) (?P<unit>g)", "Tue 12.3 g", 12.3),
        (r".*?(?P<value>-?\d+\.\d) (?P<unit>g)", "Net: 12.3 g", 12.3),
        (r"\d\d:\d\d (?P<kind>[NG]) (?P<value>\d+\.\d) (?P<unit>g)", "09:41 N 12.3 g", 12.3),
    ],
)
def test_patterns_of_the_bench_file(pattern: str, line: str, expected: float) -> None:
    """A pattern's groups say what is value, sign, unit; units and words that it spells out hold; a comma is a point."""
    assert values([line] * 3, pattern) == [expected] * 3


@pytest.mark.parametrize(
    ("pattern", "line", "reason"),
    [
        (PATTERN, "ST, 12.34 ,lb", "no_match"),
        (r"(?P<value>\d+) (?P<unit>\w+)", "12 lb", "unit"),
        (r"(?P<value>\d+) (?P<unit>\w+)", "12 nC", "unit"),
        (r"(?P<value>\S+) g", "1.2.3 g", "number"),
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


@pytest.mark.parametrize(
    ("pattern", "unit", "line", "expected"),
    [
        (r"(?P<value>\d+\.\d+)", "g", "0.620", 0.62),
        (r"(?P<value>\d+\.\d+)", "kg", "0.620", 620.0),
        (r"(?P<value>\d+\.\d+) ?(?P<unit>k?g)?", "kg", "0.620", 620.0),
        (r"(?P<value>\d+\.\d+) ?(?P<unit>k?g)?", "kg", "620.0 g", 620.0),
        (r"(?P<value>\d+\.\d+) ?(?P<unit>k?g)?", None, "0.620", "no_unit"),
        (r"(?P<value>\d+\.\d+)(?: kg)?", None, "0.620 kg", 620.0),
        (r"(?P<value>\d+\.\d+)(?: kg)?", None, "0.620", "no_unit"),
        (None, None, "0.620", "no_match"),
        (None, "kg", "0.620", "no_match"),
    ],
)
def test_a_missing_unit_is_never_taken_for_grams(
    pattern: str | None, unit: str | None, line: str, expected: float | str
) -> None:
    """The line's unit holds, then what the pattern spells out, then the bench file's; without any it is no weight."""
    readings, decoder = feed([line] * 3, pattern, unit)
    if isinstance(expected, str):
        assert readings == []
        assert decoder.rejects == {expected: 3}
    else:
        assert [r.value for r in readings] == [expected] * 3


@pytest.mark.parametrize(
    ("pattern", "unit", "words"),
    [(r"(?P<value>\d+)", None, "tells no unit"), (r"(?P<value>\d+)", "lb", "allowed are mg, g, kg")],
)
def test_a_pattern_without_a_unit_is_refused(pattern: str, unit: str | None, words: str) -> None:
    """That no unit can be known is said when the bench file is read, not line by line."""
    with pytest.raises(ValueError, match=words):
        PrintedDecoder(["mass"], pattern, unit)


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("OL   620.00 g", Status.OVER),
        ("ol   620.00 g", Status.OVER),
        ("OL:  620.00 g", Status.OVER),
        ("OL620.00 g", Status.OVER),
        ("620.00 g OL", Status.OVER),
        ("620.00 g  H", Status.OVER),
        ("620.00 OL g", Status.OVER),
        ("Net  620.00 g OL", Status.OVER),
        ("ST,OL,+620.00,g", Status.OVER),
        ("OL,NT,+620.00,g", Status.OVER),
        ("UL,-620.00,g", Status.OVER),
        ("Under 620.00 g", Status.OVER),
        ("-----", Status.OVER),
        ("- - - - g", Status.OVER),
        ("--.-- g", Status.OVER),
        ("ST,------,g", Status.OVER),
        ("----- 620.00 g", Status.OVER),
        ("_____ 620.00 g", Status.OVER),
        ("      H     ", Status.OVER),
        ("L", Status.OVER),
        ("E   620.00 g", Status.NOT_A_NUMBER),
        ("Err 4", Status.NOT_A_NUMBER),
        ("ERROR  620.00 g", Status.NOT_A_NUMBER),
        ("T    620.00 g", "not_weighing"),
        ("Tare 620.00 g", "not_weighing"),
        ("TARE:620.00 g", "not_weighing"),
        ("PT   620.00 g", "not_weighing"),
        ("ST,TR,+620.00,g", "not_weighing"),
        ("Preset 620.00 g", "not_weighing"),
        ("min  620.00 g", "not_weighing"),
        ("Max  620.00 g", "not_weighing"),
        ("Total 620.00 g S", "not_weighing"),
        ("Target 620.00 g", "not_weighing"),
        ("Diff 620.00 g", "not_weighing"),
        ("Max 620 g d=0.01 g", "not_weighing"),
        ("Foo  620.00 g", "word"),
        ("NetX 620.00 g", "word"),
        ("XX,+620.00,g", "word"),
        ("ST,XY,+620.00,g", "word"),
        ("620.00 g XY", "word"),
        ("Poids 620.00 g", "word"),
        ("N\xe9t 620.00 g", "no_match"),
        ("STNT,+620.00,g", "word"),
        ("620.00 gOL", "unit"),
        ("620.00 G", "unit"),
        ("620.00 lb", "unit"),
        ("0.620", "no_match"),
        ("Net 620.00 g", Status.NONE),
        ("NETT 620.00 g", Status.NONE),
        ("netto 620.00 g", Status.NONE),
        ("Brutto 620.00 g", Status.NONE),
        ("GS   620.00 g", Status.NONE),
        ("st,+620.00,g", Status.SETTLED),
    ],
)
def test_what_is_no_weight_is_never_one(line: str, expected: Status | str) -> None:
    """Overload and fault are a status without a number, tares are counted, unknown words reject the line."""
    readings, decoder = feed([line] * 3)
    if isinstance(expected, str):
        assert readings == []
        assert decoder.rejects == {expected: 3}
    elif expected & (Status.OVER | Status.NOT_A_NUMBER):
        assert [r.status for r in readings] == [expected] * 3
        assert all(math.isnan(r.value) for r in readings)
    else:
        assert [(r.value, r.status) for r in readings] == [(620.0, expected)] * 3


PATTERNS = [
    None,
    PATTERN,
    r".*?(?P<value>\d+\.\d+) *(?P<unit>m?k?g).*",
    r"(?P<kind>[A-Za-z]*):? *(?P<value>\d+\.\d+) *(?P<unit>k?g)(?: (?P<stable>[A-Za-z]+))?",
    r"(?P<stable>\S*) *(?P<value>\d+\.\d+) g",
    r"Load:? *(?P<kind>[A-Z]*) *(?P<value>\d+\.\d+) g(?P<stable>.*)",
]
FINE = {word for word, means in WORDS.items() if means in (Status.NONE, Status.SETTLED, Status.UNSETTLED)} | {"LOAD"}
UNFIT = [*sorted({word for word in WORDS if word not in FINE} - {"-"}), "-----", "- -", "--.--"]
CASES = st.sampled_from([str.upper, str.lower, str.capitalize])


@settings(max_examples=600, deadline=None)
@given(
    word=st.sampled_from(UNFIT) | st.text("ABEHKLMNOTÖØабÎ", min_size=2, max_size=8).filter(lambda w: w not in FINE),
    case=CASES,
    shape=st.sampled_from(
        ["{w} {v} {u}", "{w}  {v}{u}", "{w}: {v} {u}", "{w},{v},{u}", "ST,{w},+{v},{u}", "{v} {u} {w}", "{v} {w} {u}",
         "{v} {u}{w}", "{w}{v} {u}", "N {v} {u} {w}", "Load: {v} {u} {w}", "Load {w} {v} {u}", "Net {w} {v} {u}"]
    ),
    pattern=st.sampled_from(PATTERNS),
    unit=st.sampled_from(["g", "kg", "mg"]),
)  # fmt: skip
def test_no_line_with_an_unfit_word_is_a_weight(
    word: str, case: object, shape: str, pattern: str | None, unit: str
) -> None:
    """Whatever its shape and the pattern, a line with an overload, tare or unknown word on it gives no number."""
    line = shape.format(w=case(word), v="620.00", u=unit)  # type: ignore[operator]
    decoder = PrintedDecoder(["mass"], pattern)
    readings = decoder.feed("\n".join(["", *[line] * 4, ""]).encode("utf-8"), 0)
    assert [r for r in readings if math.isfinite(r.value)] == []


@pytest.mark.parametrize("pattern", PATTERNS)
def test_a_plain_weight_of_each_pattern_passes(pattern: str | None) -> None:
    """Each of those patterns gives weights of lines without such a word (else the rule above would hold by silence)."""
    lines = ["ST, 620.00 ,g", "620.00 g", "Load: 620.00 g", "N 620.00 g"]
    assert any(values([line] * 3, pattern) == [620.0] * 3 for line in lines)


@pytest.mark.parametrize(
    ("line", "reason"), [("XX, 12.34 ,g", "word"), ("TR, 12.34 ,g", "not_weighing"), ("ST, 12.34 ,g", None)]
)
def test_a_status_word_of_a_users_pattern_is_held_to_the_list(line: str, reason: str | None) -> None:
    """What a pattern calls stable or kind rejects the line where it is not known."""
    for group in ("stable", "kind"):
        readings, decoder = feed([line] * 3, rf"(?P<{group}>\w+), *(?P<value>[0-9.]+) *,(?P<unit>g)")
        assert len(readings) == (0 if reason else 3)
        assert decoder.rejects == ({reason: 3} if reason else {})


def test_an_overload_among_weights_loses_none_of_them() -> None:
    """Weights before and after an overload are all given, and the overload once."""
    readings, decoder = feed(["12.34 g"] * 3 + ["OL   620.00 g"] + ["12.35 g"] * 2)
    assert [r.value for r in readings if math.isfinite(r.value)] == [12.34] * 3 + [12.35] * 2
    assert [r.status for r in readings].count(Status.OVER) == 1
    assert decoder.rejects == {}


def test_every_built_in_shape_has_groups_for_its_words() -> None:
    """No built-in shape lets a word by that is not held to the list."""
    for text in BUILT_IN.values():
        assert ".*" not in text
        assert "(?P<unit>" in text

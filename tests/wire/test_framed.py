"""Lines of the bench's own boards."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargebench.wire.crc import crc_text
from chargebench.wire.framed import FramedDecoder, command, encode, kind_of
from chargebench.wire.framed_batch import FEWEST, alike
from chargebench.wire.reading import Reading, Status


def framed(body: str) -> bytes:
    """A line with the right check field, whatever its body."""
    return body.encode() + b"*" + crc_text(body.encode()) + b"\n"


def decode(*bodies: str, carries: tuple[str, ...] = ("charge",)) -> tuple[list[Reading], FramedDecoder]:
    """Readings of some bodies, and the decoder."""
    decoder = FramedDecoder(carries)
    return decoder.feed(b"".join(map(framed, bodies)), 0), decoder


def test_a_line_by_hand() -> None:
    """Every field of a line arrives where it belongs."""
    (reading,), _ = decode("Q2,65535,4294967295,-1.5e1,pC,OVER+UNST", carries=("charge2",))
    assert (reading.channel, reading.value, reading.sequence, reading.device_ms) == (
        "charge2",
        -0.015,
        65535,
        4294967295,
    )
    assert reading.status == Status.OVER | Status.UNSETTLED
    assert reading.raw.startswith(b"Q2,65535")


@pytest.mark.parametrize(
    ("body", "carries", "channel", "value"),
    [
        ("Q,0,0,12.3,pC,OK", "charge", "charge", 0.0123),
        ("Q,0,0,0.0001,uC,OK", "charge", "charge", 0.1),
        ("I,0,0,-7,pA,OK", "current", "current", -0.007),
        ("I,0,0,.5,uA,OK", "current", "current", 500.0),
        ("M,0,0,1234.,mg,OK", "mass", "mass", 1.234),
        ("M,0,0,0.001,kg,OK", "mass", "mass", 1.0),
        ("H,0,0,+45.5,%,OK", "humidity", "humidity", 45.5),
        ("T,0,0,-3.25,C,OK", "temperature", "temperature", -3.25),
    ],
)
def test_units_are_exact(body: str, carries: str, channel: str, value: float) -> None:
    """A value in any unit becomes the double nearest to the decimal it says in the canonical unit."""
    (reading,), _ = decode(body, carries=(carries,))
    assert (reading.channel, reading.value) == (channel, value)


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        ("Q,0,0,1,nC", "fields"),
        ("Q,0,0,1,nC,OK,OK", "fields"),
        ("Q,65536,0,1,nC,OK", "counter"),
        ("Q,-1,0,1,nC,OK", "counter"),
        ("Q,0,4294967296,1,nC,OK", "counter"),
        ("Q,0,1.5,1,nC,OK", "counter"),
        ("Q,,0,1,nC,OK", "counter"),
        ("Q,0,0,one,nC,OK", "number"),
        ("Q,0,0,1e999,nC,OK", "number"),
        ("Q,0,0, 1,nC,OK", "number"),
        ("Q,0,0,1e,pC,OK", "number"),
        ("Q,0,0,1,g,OK", "unit"),
        ("Q,0,0,1,C,OK", "unit"),
        ("Q,0,0,1,,OK", "unit"),
        ("Q,0,0,1,nC,", "status"),
        ("Q,0,0,1,nC,FINE", "status"),
        ("Q,0,0,1,nC,OK+OVER", "status"),
        ("Q,0,0,1,nC,OVER+OVER", "status"),
        ("X,0,0,1,nC,OK", "kind"),
        ("Q1,0,0,1,nC,OK", "kind"),
        ("q,0,0,1,nC,OK", "kind"),
        ("M,0,0,1,g,OK", "not_carried"),
        ("Q2,0,0,1,nC,OK", "not_carried"),
    ],
)
def test_wrong_fields_behind_a_right_check(body: str, reason: str) -> None:
    """A line whose check field agrees but whose fields are wrong is counted under the field's own reason."""
    readings, decoder = decode(body)
    assert readings == []
    assert decoder.rejects == {reason: 1}


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"Q,5,5,1.000,nC,OK*0000\n", "check"),
        (b"Q,5,5,1.000,nC,OK\n", "no_check"),
        (framed("Q,5,5,1.000,nC,OK").lower(), "check"),
        (framed("Q,5,5,1.000,nC,OK").replace(b"1.0", b"7.0"), "check"),
    ],
)
def test_damage_is_counted(line: bytes, reason: str) -> None:
    """A line without a right check field, in upper-case hex, gives nothing and is counted."""
    decoder = FramedDecoder(["charge"])
    decoder.feed(framed("Q,4,4,1,nC,OK"), 0)
    assert decoder.feed(line, 0) == []
    assert decoder.rejects == {reason: 1}


def test_one_flipped_bit_never_passes() -> None:
    """Every single-bit error of a line is found (a CRC with more than one term finds all of them)."""
    line = framed("Q,4,4,1.250,nC,OK")[:-1]
    for bit in range(8 * len(line)):
        damaged = bytearray(line)
        damaged[bit // 8] ^= 1 << bit % 8
        decoder = FramedDecoder(["charge"])
        assert decoder.feed(bytes(damaged) + b"\n", 0) == []


def test_tail_at_connect_is_no_damage() -> None:
    """A line whose beginning was not seen counts as cut, once after each opening; a whole first line is kept."""
    decoder = FramedDecoder(["charge"])
    decoder.feed(b"0,nC,OK*12AB\n" + framed("Q,1,1,1,nC,OK"), 0)
    decoder.reset()
    assert len(decoder.feed(framed("Q,2,2,1,nC,OK") + b"junk\n", 0)) == 1
    assert decoder.rejects == {"cut": 1, "no_check": 1}


@pytest.mark.parametrize(
    ("counters", "given", "lost", "repeated", "late"),
    [
        ([(1, 10), (2, 20), (3, 30)], 3, 0, 0, 0),
        ([(1, 10), (4, 40)], 2, 2, 0, 0),
        ([(65534, 10), (65535, 20), (0, 30), (1, 40)], 4, 0, 0, 0),
        ([(65534, 10), (2, 40)], 2, 3, 0, 0),
        ([(1, 10), (1, 10), (2, 20)], 2, 0, 1, 0),
        ([(1, 10), (3, 30), (2, 20), (4, 40)], 3, 1, 0, 1),
        ([(5, 4294967290), (6, 4), (7, 14)], 3, 0, 0, 0),
        ([(500, 90_000), (0, 3), (1, 13)], 3, 0, 0, 0),
        ([(500, 90_000), (500, 12), (501, 22)], 3, 0, 0, 0),
        ([(9, 50_000), (0, 2), (1, 12)], 3, 0, 0, 0),
        ([(40, 800), (0, 3), (1, 13), (2, 23), (3, 33)], 5, 0, 0, 0),
        ([(1, 10), (4, 40), (2, 20), (3, 30), (5, 50), (7, 70), (6, 60)], 4, 3, 0, 3),
        ([(1, 10), (6, 60), (2, 20), (3, 30), (4, 40), (5, 50)], 4, 4, 0, 2),
        ([(5, 50), (6, 60), (7, 70), (5, 50), (6, 60), (7, 70), (8, 80)], 4, 0, 1, 2),
        ([*((n, 88_000 + 10 * n) for n in (*range(100, 200), *range(150, 200))), (200, 90_000)], 101, 0, 1, 49),
        ([(0, 50), (1, 60), (2, 70), (0, 50), (1, 60), (2, 70)], 6, 0, 0, 0),
    ],
    ids=[
        "plain",
        "gap",
        "wrap",
        "gap over wrap",
        "repeat",
        "out of order",
        "clock wraps",
        "restart",
        "same number",
        "near",
        "restart soon after the start",
        "two late ones",
        "more than two in a row are none",
        "three lines sent twice",
        "a buffer sent twice",
        "a board that starts the same way twice",
    ],
)
def test_counters(counters: list[tuple[int, int]], given: int, lost: int, repeated: int, late: int) -> None:
    """Sequence numbers tell lost, repeated and late lines; wraps and restarts of the board are neither."""
    readings, decoder = decode(*(f"Q,{seq},{ms},1,nC,OK" for seq, ms in counters))
    assert (len(readings), decoder.lost, decoder.repeated) == (given, lost, repeated)
    assert decoder.rejects.get("late", 0) == late


YOUNG = [f"Q,{n},{20 * n + 7},1,nC,OK" for n in range(10)]
OLD = [f"Q,{n},{20 * n + 7},1,nC,OK" for n in range(4000, 4010)]


@pytest.mark.parametrize(
    ("bodies", "marked"),
    [
        ([*OLD, "Q,0,7,1,nC,OK", "Q,1,27,1,nC,OK"], 10),
        ([*OLD, "Q,0,7,1,nC,RESET", "Q,1,27,1,nC,OK"], 10),
        ([*OLD, "Q,5,107,1,nC,OK", "Q,6,127,1,nC,OK"], 10),
        ([*OLD, "Q,3990,70000,1,nC,OK", "Q,3991,70020,1,nC,OK"], 10),
        ([*YOUNG, "Q,0,7,2,nC,OK", "Q,1,27,1,nC,OK"], 10),
        ([*YOUNG, "Q,4,87,2,nC,OK", "Q,5,107,1,nC,OK"], 10),
        ([*YOUNG, "Q,0,250,1,nC,OK", "Q,1,270,1,nC,OK"], 10),
        ([*YOUNG, "Q,9,250,1,nC,OK", "Q,10,270,1,nC,OK"], 10),
        ([*OLD, "N,0,3,ready,-,OK", "Q,4010,80207,1,nC,OK"], None),
        (["N,5,70000,hello,-,OK", *OLD, "N,0,3,ready,-,OK", "Q,0,23,1,nC,OK"], 10),
        (["N,0,1200,hello,-,OK", *YOUNG, "N,0,3500,hello,-,OK", "Q,175,3507,1,nC,OK"], 10),
        (["Q,1,4294967290,1,nC,OK", "Q,2,4,1,nC,OK"], None),
        (["Q,65535,900,1,nC,OK", "Q,0,920,1,nC,OK"], None),
        ([*YOUNG, "Q,1009,20187,1,nC,OK"], None),
    ],
    ids=[
        "back to nothing", "said by the board too", "first lines lost", "much later than it started", "while young",
        "young, first lines lost", "only the numbers went back", "the same number again", "first words ever",
        "told by its words", "told by the number of its words alone", "clock wraps", "numbers wrap", "lines lost",
    ],
)  # fmt: skip
def test_a_restart_is_told_once(bodies: list[str], marked: int | None) -> None:
    """A clock that ran backwards, or numbers no loss explains: the next reading is RESET and RESTARTED, no other is."""
    readings, _ = decode(*bodies)
    values = [reading for reading in readings if reading.channel == "charge"]
    assert [n for n, r in enumerate(values) if r.status & Status.RESTARTED] == ([] if marked is None else [marked])
    assert all(r.status & Status.RESET for r in values if r.status & Status.RESTARTED)


def test_every_kind_hears_of_a_restart() -> None:
    """The kind whose clock went back tells it for all: each kind's next reading is marked once, whenever it comes."""
    carries = ("charge", "charge2", "mass", "humidity")
    before = [f"{kind},{n},{90_000 + n},1,{unit},OK" for n in range(3) for kind, unit in KINDS]
    after = [f"{kind},{n},{n + 5},1,{unit},OK" for n in range(3) for kind, unit in KINDS]
    readings, _ = decode(*before, *after, carries=carries)
    marked = [(r.channel, r.sequence) for r in readings if r.status & Status.RESTARTED]
    assert marked == [(channel, 0) for channel in carries]
    assert len(readings) == 24


KINDS = (("Q", "nC"), ("Q2", "nC"), ("M", "g"), ("H", "%"))


def test_a_restart_between_connections_and_in_a_flood() -> None:
    """Found after a reconnect that would fill a hole, and where hundreds of lines come in one piece."""
    decoder = FramedDecoder(["charge"])
    decoder.feed(b"".join(framed(f"Q,{n},{10 * n},1,nC,OK") for n in (*range(50), *range(60, 70))), 0)
    decoder.reset()
    assert decoder.feed(framed("Q,55,550,1,nC,OK"), 0)[0].status == Status.RESET | Status.RESTARTED
    flood = decoder.feed(b"".join(framed(f"Q,{n},{10 * n},2,nC,OK") for n in (*range(56, 900), *range(700))), 0)
    assert [n for n, r in enumerate(flood) if r.status] == [844]
    assert len(flood) == 844 + 700


def test_each_kind_counts_for_itself() -> None:
    """Each kind has a counter of its own; a gap in one is no gap in another."""
    bodies = ["Q,1,1,1,nC,OK", "M,9,1,1,g,OK", "Q,2,2,1,nC,OK", "M,11,2,1,g,OK", "N,5,2,hi,-,OK"]
    readings, decoder = decode(*bodies, carries=("charge", "mass"))
    assert len(readings) == 5
    assert decoder.lost == 1


def test_lines_lost_while_unplugged_are_counted() -> None:
    """Counters go on over a reset, so that what a board sent meanwhile counts as lost."""
    decoder = FramedDecoder(["charge"])
    decoder.feed(framed("Q,1,10,1,nC,OK"), 0)
    decoder.reset()
    decoder.feed(framed("Q,11,110,1,nC,OK"), 0)
    assert decoder.lost == 9


def test_notice_is_text() -> None:
    """The words of a notice are kept as text, and stand for no number."""
    (reading,), _ = decode("N,0,0,board 3 <b>ready</b>,-,OK")
    assert reading.channel == "notice"
    assert reading.text == "board 3 <b>ready</b>"
    assert reading.value != reading.value


@given(
    channel=st.sampled_from(["charge", "charge2", "charge99", "current", "mass", "humidity", "temperature"]),
    sequence=st.integers(0, 65535),
    ms=st.integers(0, 2**32 - 1),
    value=st.decimals(allow_nan=False, allow_infinity=False, places=4, min_value=-(10**9), max_value=10**9),
)
def test_what_is_encoded_is_decoded(channel: str, sequence: int, ms: int, value: object) -> None:
    """A line made by `encode` comes back as the same reading."""
    unit = {"charge": "nC", "current": "nA", "mass": "g", "humidity": "%", "temperature": "C"}[
        channel.rstrip("0123456789")
    ]
    decoder = FramedDecoder([channel])
    (reading,) = decoder.feed(encode(kind_of(channel), sequence, ms, str(value), unit), 5)
    assert (reading.channel, reading.sequence, reading.device_ms) == (channel, sequence, ms)
    assert reading.value == float(str(value))


@pytest.mark.parametrize("text", ["a,b", "a*b", "a\nb", "", "µ", "x" * 65])
def test_encode_refuses_what_breaks_a_line(text: str) -> None:
    """A field that would end the line or shift its fields is refused."""
    with pytest.raises(ValueError, match="printable ASCII"):
        encode("N", 0, 0, text, "-")


@pytest.mark.parametrize(
    ("word", "rate", "expected"), [("ID?", None, b"ID?\n"), ("ZERO", None, b"ZERO\n"), ("RATE", 50, b"RATE 50\n")]
)
def test_commands(word: str, rate: int | None, expected: bytes) -> None:
    """The three commands are encoded as boards read them."""
    assert command(word, rate) == expected


@pytest.mark.parametrize(
    ("word", "rate"), [("RATE", None), ("RATE", 0), ("RATE", 10_001), ("ZERO", 5), ("RESET", None)]
)
def test_other_commands_are_refused(word: str, rate: int | None) -> None:
    """Anything else is refused before it reaches a board."""
    with pytest.raises(ValueError, match="allowed are"):
        command(word, rate)


def line_by_line(data: bytes) -> tuple[list[Reading], FramedDecoder]:
    """Readings when no batch can form."""
    decoder = FramedDecoder(["charge", "mass"])
    return [r for line in data.splitlines(keepends=True) for r in decoder.feed(line, 0)], decoder


def test_batches_are_used() -> None:
    """Sound lines of one kind in sequence do take the batch (else the next test would hold nothing)."""
    lines = [framed(f"Q,{n},{n},1.5,nC,OK")[:-1] for n in range(FEWEST)]
    decoder = FramedDecoder(["charge"])
    batch = alike(lines, 0, decoder._meaning, {})
    assert batch == decoder.feed(b"\n".join(lines) + b"\n", 0)
    assert batch is not None


ODD = [
    b"Q,20,20,1,nC,OVER",
    b"M,20,20,1,g,OK",
    b"Q,20,20,1,pC,OK",
    b"Q,21,20,1,nC,OK",
    b"Q,19,19,1,nC,OK",
    b"Q,20,3,1,nC,OK",
    b"Q,20,20,1,nC",
    b"Q,20,20,1,nC,OK,OK",
    b"Q,20,20,inf,nC,OK",
    b"Q,20,20,1_0,nC,OK",
    b"Q,20,20,,nC,OK",
    b"Q,,20,1,nC,OK",
    b"Q,20,4294967296,1,nC,OK",
    b"N,20,20,words,-,OK",
    b"Q2,20,20,1,nC,OK",
    b"Q,20,20,1*2,nC,OK",
]


@pytest.mark.parametrize("odd", ODD, ids=repr)
def test_a_batch_with_an_odd_line_equals_line_by_line(odd: bytes) -> None:
    """One line that is unlike the others, in any way, changes nothing about the others."""
    lines = [framed(f"Q,{n},{n},{n}.5,nC,OK") for n in range(40)]
    lines[20] = odd + b"*" + crc_text(odd) + b"\n"
    expected, slow = line_by_line(b"".join(lines))
    fast = FramedDecoder(["charge", "mass"])
    assert list(map(repr, fast.feed(b"".join(lines), 0))) == list(map(repr, expected))
    assert (fast.rejects, fast.lost, fast.repeated) == (slow.rejects, slow.lost, slow.repeated)


def test_batches_with_damage_equal_line_by_line() -> None:
    """Thousands of lines with damage here and there give the same either way."""
    rng = random.Random(7)
    lines = [bytearray(framed(f"Q,{n % 65536},{n * 5},{n / 9:.4f},nC,OK")) for n in range(65000, 69000)]
    for _ in range(60):
        line = rng.choice(lines)
        line[rng.randrange(len(line))] = rng.randrange(256)
    data = b"".join(lines)
    expected, slow = line_by_line(data.replace(b"\r", b"?"))
    fast = FramedDecoder(["charge", "mass"])
    assert fast.feed(data.replace(b"\r", b"?"), 0) == expected
    assert (fast.rejects, fast.lost) == (slow.rejects, slow.lost)
    assert fast.lost > 0

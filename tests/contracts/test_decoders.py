"""What every decoder must do, whatever the lines: held here once for all of them."""

from __future__ import annotations

import math
import random
import tracemalloc
from collections.abc import Iterator
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chargebench.units import QUANTITIES
from chargebench.wire.decoder import Decoder
from chargebench.wire.framed import encode
from chargebench.wire.make import make_decoder
from chargebench.wire.reading import Reading
from chargebench.wire.rejects import REASONS

USER_PATTERN = r"(?P<stable>ST|US),\s*(?P<value>[+-]?\d+\.?\d*)\s*,\s*(?P<unit>m?k?g)"
MAKERS = {
    "framed": ("framed", ["charge", "charge2", "mass", "humidity", "temperature"], None),
    "printed": ("printed", ["mass"], None),
    "printed by a pattern": ("printed", ["mass"], USER_PATTERN),
    "scpi": ("scpi", ["charge"], None),
}
FAMILIES = sorted(MAKERS)


def decoder_of(family: str) -> Decoder:
    """A fresh decoder, told of the poll where lines are answers."""
    decoder = make_decoder(*MAKERS[family])
    decoder.asked("READ?")
    return decoder


def framed_stream() -> bytes:
    """Several kinds, wraps, notices, and a stretch long enough for a batch."""
    lines = [encode("Q", 65500 + n, 4_294_967_200 + 10 * n, f"{n / 7:.3f}", "nC") for n in range(80)]
    lines += [encode("M", n, n, f"{n}.25", "g", "UNST") for n in range(5)]
    lines += [encode("N", 0, 1, "hello", "-"), encode("Q2", 1, 1, "-1e-3", "uC", "OVER+RESET")]
    lines += [encode("T", 1, 1, "21.5", "C"), encode("H", 2, 2, "40.1", "%")]
    return b"".join(lines)


STREAMS = {
    "framed": framed_stream(),
    "printed": b"3 g\r\n" + b"".join(b"%8.2f g S\r\n" % (9.9 + n / 100) for n in range(30)) + b" -0.01 g\r",
    "printed by a pattern": b"\nST, 9.98 ,g\nUS, 9.99 ,g\nST,10.00 ,g\nST, 1.0 ,g\nUS,-0.01 ,g\n",
    "scpi": b'+1.25E-09\n-2E-9\r\n9.9E37\n9.91E37\nMAKER,MODEL,7,1.0\n-113,"Undefined header"\n1e-9,2\n0\n',
}


def same(a: list[Reading], b: list[Reading]) -> bool:
    """Equal but for the time of receipt; NaN equals NaN."""
    return [repr(r._replace(received_ns=0)) for r in a] == [repr(r._replace(received_ns=0)) for r in b]


def counts(decoder: Decoder) -> tuple[object, ...]:
    """Everything a decoder counts."""
    return decoder.lines_read, dict(decoder.rejects), decoder.lost, decoder.repeated


def check_sound(decoder: Decoder, readings: list[Reading], carries: list[str]) -> None:
    """Hold readings and counts to the contract."""
    assert set(decoder.rejects) <= set(REASONS)
    for reading in readings:
        assert reading.channel in (*carries, "notice")
        assert math.isfinite(reading.value) or reading.status or reading.channel == "notice"
        assert reading.sequence is None or 0 <= reading.sequence < 1 << 16
        assert reading.device_ms is None or 0 <= reading.device_ms < 1 << 32
        assert len(reading.raw) <= 512


def in_pieces(data: bytes, cuts: list[int]) -> Iterator[bytes]:
    """`data` cut at the given places."""
    places = sorted({0, len(data), *(cut % (len(data) + 1) for cut in cuts)})
    return (data[a:b] for a, b in pairwise(places))


@pytest.mark.parametrize("family", FAMILIES)
def test_its_own_stream_gives_readings(family: str) -> None:
    """A stream of the family's lines gives readings (so that the rules below are not held by silence)."""
    decoder = decoder_of(family)
    readings = decoder.feed(STREAMS[family], 7)
    assert len(readings) >= 3
    assert all(reading.received_ns == 7 for reading in readings)
    check_sound(decoder, readings, MAKERS[family][1])


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("junk", [b"", b"\x00", b"\xff\xfe\n", b"1,2\n", b"*" * 600 + b"\n", b"\r\n\r"])
def test_byte_by_byte_equals_whole(family: str, junk: bytes) -> None:
    """Feeding byte by byte gives the readings and counts of feeding whole, with junk before and behind."""
    data = junk + STREAMS[family] + junk
    whole, bytewise = decoder_of(family), decoder_of(family)
    expected = whole.feed(data, 0)
    found = [reading for n in range(len(data)) for reading in bytewise.feed(data[n : n + 1], n)]
    assert same(found, expected)
    assert counts(bytewise) == counts(whole)


@given(
    family=st.sampled_from(FAMILIES),
    edits=st.lists(st.tuples(st.integers(0, 5000), st.binary(max_size=6), st.integers(0, 6)), max_size=6),
    cuts=st.lists(st.integers(0, 6000), max_size=8),
)
def test_any_cut_of_any_damage(family: str, edits: list[tuple[int, bytes, int]], cuts: list[int]) -> None:
    """However a damaged stream is cut into chunks, readings and counts are the same, and keep the contract."""
    data = STREAMS[family]
    for place, inserted, removed in edits:
        at = place % (len(data) + 1)
        data = data[:at] + inserted + data[at + removed :]
    whole, pieces = decoder_of(family), decoder_of(family)
    expected = whole.feed(data, 0)
    found = [reading for piece in in_pieces(data, cuts) for reading in pieces.feed(piece, 0)]
    assert same(found, expected)
    assert counts(pieces) == counts(whole)
    check_sound(whole, expected, MAKERS[family][1])


@settings(max_examples=200)
@given(family=st.sampled_from(FAMILIES), chunks=st.lists(st.binary(max_size=300), max_size=10))
def test_never_raises(family: str, chunks: list[bytes]) -> None:
    """No bytes make a decoder raise."""
    decoder = decoder_of(family)
    readings = [reading for chunk in chunks for reading in decoder.feed(chunk, 0)]
    check_sound(decoder, readings, MAKERS[family][1])


@pytest.mark.parametrize("family", FAMILIES)
def test_mutations(family: str) -> None:
    """Lines with bytes changed, dropped and put in never make a decoder raise or give nonsense."""
    rng = random.Random(2026)
    decoder = decoder_of(family)
    lines = STREAMS[family].splitlines(keepends=True)
    for _ in range(3000):
        line = bytearray(rng.choice(lines))
        for _ in range(rng.randrange(3)):
            at = rng.randrange(len(line) + 1)
            line[at : at + rng.randrange(2)] = rng.choice([b"", b"\x00", b"9", b",", b"\n", rng.randbytes(3)])
        check_sound(decoder, decoder.feed(bytes(line), 0), MAKERS[family][1])
    assert decoder.lines_read > 2000


@pytest.mark.parametrize("family", FAMILIES)
def test_ten_megabytes_without_a_line_end(family: str) -> None:
    """A line that never ends is skipped in bounded memory, counted once, and the next line is read again."""
    decoder = decoder_of(family)
    decoder.feed(STREAMS[family], 0)
    piece = b"7" * 10_000
    tracemalloc.start()
    for _ in range(1000):
        assert decoder.feed(piece, 0) == []
    _now, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak < 1_000_000
    assert decoder.rejects["too_long"] == 1
    assert decoder.feed(b"\n" + STREAMS[family], 0)


@pytest.mark.parametrize("family", FAMILIES)
def test_a_sample_of_what_was_not_understood_is_kept(family: str) -> None:
    """Of lines that were to give a reading and did not, the latest is at hand to be shown."""
    decoder = decoder_of(family)
    assert decoder.sample == b""
    decoder.feed(b"\n" + STREAMS[family] + b"#?! 12,\n", 0)
    assert decoder.sample == b"#?! 12,"
    assert decoder.lines_read - decoder.spoken >= sum(decoder.rejects.values()) - decoder.rejects.get("cut", 0)


@pytest.mark.parametrize("family", FAMILIES)
def test_reset_drops_the_unfinished_line(family: str) -> None:
    """Bytes of before and after a reconnect are never joined to one line."""
    stream = STREAMS[family]
    decoder = decoder_of(family)
    decoder.feed(stream, 0)
    line = stream.splitlines()[1]
    decoder.feed(line[:5], 0)
    decoder.reset()
    joined = decoder.feed(line[5:] + b"\n", 0)
    assert line not in [reading.raw for reading in joined]


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize(
    "text", ["inf", "-Infinity", "nan", "1_000", "１２", "0x10", "1e", "--1", "1e9999", "", ".", "1.2.3"]
)
def test_what_python_takes_for_numbers(family: str, text: str) -> None:
    """Words, underscores, foreign digits and overflow, some of which ``float`` takes, are no numbers on any line."""
    value = text.encode()
    decoder = decoder_of(family)
    if family == "framed":
        from chargebench.wire.crc import crc_text

        body = b"Q,1,1," + value + b",nC,OK"
        data = body + b"*" + crc_text(body) + b"\n"
    elif family == "scpi":
        data = value + b"\n"
    else:
        data = b"\n" + (b"ST," + value + b",g\n") * 5
    assert [reading for reading in decoder.feed(data, 0) if math.isfinite(reading.value)] == []


@pytest.mark.parametrize(
    ("lines", "carries", "pattern", "words"),
    [
        ("fax", ["charge"], None, "framed, printed, scpi"),
        ("framed", ["charge"], "(?P<value>.)", "only printed"),
        ("framed", ["weight"], None, "charge"),
        ("printed", ["mass", "charge"], None, "exactly one"),
        ("framed", ["notice"], None, "charge"),
        ("printed", ["weight"], None, "mass"),
        ("printed", ["mass"], "(", "regular expression"),
        ("scpi", ["weight"], None, "charge"),
    ],
)
def test_refused_when_made(lines: str, carries: list[str], pattern: str | None, words: str) -> None:
    """What cannot work is refused when a decoder is made, in words that say what is allowed."""
    with pytest.raises(ValueError, match=r".+") as caught:
        make_decoder(lines, carries, pattern)
    assert words in str(caught.value)


def test_every_quantity_travels_somewhere() -> None:
    """Every quantity there is can be carried by framed lines."""
    for name in QUANTITIES:
        make_decoder("framed", [name])

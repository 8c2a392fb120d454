"""Bytes as no instrument should send them: mutated lines, whole and in pieces, through every decoder."""

from __future__ import annotations

import random
from collections.abc import Callable

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from chargebench.wire.decoder import Decoder
from chargebench.wire.framed import encode
from chargebench.wire.make import make_decoder
from tests.faults.tally import Tally

BLOCK = 20_000
MOST_KEPT = 1 << 20
EXAMPLES = 300
MOST_BY_CHANCE = 3  # a damaged line passes a checksum of 16 bits once in 65,536; some 10,000 are damaged


def _framed(draw: random.Random, number: int) -> bytes:
    return encode(
        "Q", number, 20 * number, f"{draw.gauss(0, 100):.4f}", "nC", draw.choice(["OK", "OVER", "RESET+ZERO"])
    )


def _printed(draw: random.Random, number: int) -> bytes:
    return b"ST,%+09.3f,g\r\n" % draw.uniform(0, 300)


def _scpi(draw: random.Random, number: int) -> bytes:
    return b"%.6E\n" % draw.gauss(0, 1e-7)


SENDERS: dict[str, tuple[str, str, str | None, Callable[[random.Random, int], bytes]]] = {
    "framed": ("framed", "charge", None, _framed),
    "printed": ("printed", "mass", None, _printed),
    "printed by a pattern": ("printed", "mass", r"ST,(?P<value>[+-]\d+\.\d{3}),(?P<unit>g)", _printed),
    "scpi": ("scpi", "charge", None, _scpi),
}
"""Lines, channel, pattern, and what sends them."""


def _mutated(draw: random.Random, data: bytearray) -> bytes:
    """Some bytes changed, dropped, doubled, zeroed; now and then a stretch of noise or no line end for long."""
    for _ in range(draw.randrange(200)):
        at, length = draw.randrange(len(data)), draw.randrange(1, 20)
        match draw.randrange(5):
            case 0:
                data[at] = draw.randrange(256)
            case 1:
                del data[at : at + length]
            case 2:
                data[at:at] = data[at : at + length]
            case 3:
                data[at:at] = bytes(length)
            case _:
                data[at:at] = draw.randbytes(length)
    if draw.random() < 0.1:
        data[0:0] = b"7" * draw.randrange(10_000)
    return bytes(data)


def fuzz(bytes_each: int, seed: int = 0) -> Tally:
    """So many bytes through each decoder: no exception, no growth, no framed value that was not sent.

    Most of them are sound lines mutated; `EXAMPLES` texts of Hypothesis come on top.
    """
    tally = Tally("fuzzed bytes through each decoder")
    for name in SENDERS:
        _mutate(name, bytes_each, random.Random(seed), tally)
        _explore(name, tally)
    if tally.seen["framed lines passed by chance"] > MOST_BY_CHANCE:
        tally.wrong.append(f"framed: {tally.seen['framed lines passed by chance']} values that were not sent")
    return tally


def _decoder(name: str) -> Decoder:
    lines, channel, pattern, _ = SENDERS[name]
    decoder = make_decoder(lines, [channel], pattern)
    decoder.asked("READ?")
    return decoder


def _mutate(name: str, bytes_each: int, draw: random.Random, tally: Tally) -> None:
    """Blocks of mutated lines, fed in pieces."""
    decoder, send, fed = _decoder(name), SENDERS[name][3], 0
    while fed < bytes_each:
        sent = [send(draw, fed + n) for n in range(BLOCK // 30)]
        data = _mutated(draw, bytearray(b"".join(sent)))
        readings = []
        for first in range(0, len(data), step := draw.choice([1, 7, 64, 4096])):
            try:
                readings += decoder.feed(data[first : first + step], fed)
            except Exception as error:  # noqa: BLE001 - any exception is what is looked for
                tally.losses.append(f"{name}: raised {error!r}")
                decoder = _decoder(name)
        fed += len(data)
        tally.seen[f"{name} readings"] += len(readings)
        if name == "framed":
            true = {line.rstrip() for line in sent}
            tally.seen["framed lines passed by chance"] += sum(reading.raw not in true for reading in readings)
    if _kept(decoder) > MOST_KEPT:
        tally.losses.append(f"{name}: keeps {_kept(decoder)} bytes")
    tally.trials += fed


def _explore(name: str, tally: Tally) -> None:
    """Texts that Hypothesis makes of the format's own characters and others, in two pieces."""

    @settings(max_examples=EXAMPLES, database=None, deadline=None, suppress_health_check=list(HealthCheck))
    @given(st.lists(st.one_of(st.binary(max_size=80), st.text("QMN,*+-.0123456789EeSTg\r\n ").map(str.encode))))
    def hold(pieces: list[bytes]) -> None:
        decoder = _decoder(name)
        for piece in pieces:
            decoder.feed(piece, 0)
            tally.trials += len(piece)

    try:
        hold()
    except Exception as error:  # noqa: BLE001 - any exception is what is looked for
        tally.losses.append(f"{name}: {error!r}")


def _kept(decoder: object) -> int:
    """Bytes that a decoder holds back."""
    return len(getattr(getattr(decoder, "_splitter", None), "_rest", b""))

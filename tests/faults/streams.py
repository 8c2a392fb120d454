"""Bytes as no instrument should send them: mutated lines, whole and in pieces, through every decoder."""

from __future__ import annotations

import random
from collections.abc import Callable

from chargebench.wire.framed import encode
from chargebench.wire.make import make_decoder
from tests.faults.tally import Tally

BLOCK = 20_000
MOST_KEPT = 1 << 20


def _framed(draw: random.Random, number: int) -> bytes:
    return encode(
        "Q", number, 20 * number, f"{draw.gauss(0, 100):.4f}", "nC", draw.choice(["OK", "OVER", "RESET+ZERO"])
    )


def _printed(draw: random.Random, number: int) -> bytes:
    return b"ST,%+09.3f,g\r\n" % draw.uniform(0, 300)


def _scpi(draw: random.Random, number: int) -> bytes:
    return b"%.6E\n" % draw.gauss(0, 1e-7)


SENDERS: dict[str, tuple[str, Callable[[random.Random, int], bytes]]] = {
    "framed": ("charge", _framed),
    "printed": ("mass", _printed),
    "scpi": ("charge", _scpi),
}


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
    """So many mutated bytes through each decoder: no exception, no growth, no framed value that was not sent."""
    tally = Tally("fuzzed bytes through each decoder")
    for lines, (channel, send) in SENDERS.items():
        draw = random.Random(seed)
        decoder, fed = make_decoder(lines, [channel]), 0
        while fed < bytes_each:
            sent = [send(draw, fed + n) for n in range(BLOCK // 30)]
            data = _mutated(draw, bytearray(b"".join(sent)))
            readings = []
            for first in range(0, len(data), step := draw.choice([1, 7, 64, 4096])):
                try:
                    readings += decoder.feed(data[first : first + step], fed)
                except Exception as error:  # noqa: BLE001 - any exception is what is looked for
                    tally.losses.append(f"{lines}: raised {error!r}")
                    decoder = make_decoder(lines, [channel])
            fed += len(data)
            tally.seen[f"{lines} readings"] += len(readings)
            if lines == "framed":
                true = {line.rstrip() for line in sent}
                wrong = [r for r in readings if r.raw not in true]
                if len(wrong) > 1 + len(data) // (30 * 65536 // 4):
                    tally.losses.append(f"framed: {len(wrong)} values that were not sent")
                tally.seen["framed lines passed by chance"] += len(wrong)
        if _kept(decoder) > MOST_KEPT:
            tally.losses.append(f"{lines}: keeps {_kept(decoder)} bytes")
        tally.trials += fed
    return tally


def _kept(decoder: object) -> int:
    """Bytes that a decoder holds back."""
    return len(getattr(getattr(decoder, "_splitter", None), "_rest", b""))

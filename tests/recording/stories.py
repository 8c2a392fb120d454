"""A morning at the paper bench, told stretch by stretch, as the bytes of a board and a scale."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from chargebench.instruments.feed import Chunk
from chargebench.wire.framed import encode

LINES_PER_TICK = 2
TICK_S = 0.1
NOISE_NC = 0.03


@dataclass(frozen=True)
class Stretch:
    """So many seconds of the same: what falls a second, what the cup weighs, what the board says of its readings."""

    seconds: float
    grams_per_s: float = 0.0
    nC_per_s: float = 0.0
    cup_g: float | None = None
    status: str = "OK"
    silent: frozenset[str] = frozenset()


QUIET = Stretch(16.0)
GRIND = Stretch(6.0, grams_per_s=3.0, nC_per_s=-100.0)
SETTLE = Stretch(18.0)
EMPTIED = Stretch(1.0, cup_g=210.0)


def told(stretches: Sequence[Stretch], instruments: Sequence[str] = ("cup", "scale")) -> Iterator[Chunk]:
    """Chunks of the whole story, ten a second, beginning with both ports open; a failure says that it is over."""
    rng = random.Random(4)
    for name in instruments:
        yield Chunk(name, 0, "open", text=f"{name}: port is open")
    charge_nC, mass_g, tick = 0.0, 210.0, 0
    for stretch in stretches:
        mass_g = mass_g if stretch.cup_g is None else stretch.cup_g
        for _ in range(round(stretch.seconds / TICK_S)):
            tick += 1
            charge_nC += stretch.nC_per_s * TICK_S
            mass_g += stretch.grams_per_s * TICK_S
            sent = {"cup": _board(tick, charge_nC, stretch.status, rng), "scale": b"ST,%+09.3f,g\r\n" % mass_g}
            for name in instruments:
                if name not in stretch.silent and (name == "cup" or tick % 2):
                    yield Chunk(name, round(tick * TICK_S * 1e9), "data", sent[name])
    yield Chunk(instruments[0], round(tick * TICK_S * 1e9), "failed", text="the story is over")


def _board(tick: int, charge_nC: float, status: str, rng: random.Random) -> bytes:
    lines = b""
    for n in range(LINES_PER_TICK):
        number = tick * LINES_PER_TICK + n
        value = f"{charge_nC + rng.gauss(0.0, NOISE_NC):.4f}"
        lines += encode("Q", number % 65536, 7_000_000 + number * 50, value, "nC", status)
    return lines

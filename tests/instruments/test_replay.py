"""Playing recorded chunks again."""

from __future__ import annotations

from queue import SimpleQueue

import pytest

from chargebench.instruments.feed import Chunk
from chargebench.instruments.replay import replay
from chargebench.wire.framed import encode
from chargebench.wire.make import make_decoder

CHUNKS = [
    Chunk("cup", 5_000_000_000, "open", text="cup: open"),
    Chunk("cup", 5_200_000_000, "data", encode("Q", 1, 10, "1.5", "nC")),
    Chunk("cup", 5_100_000_000, "data", encode("Q", 2, 20, "2.5", "nC")),
    Chunk("cup", 6_100_000_000, "lost", text="cup: gone"),
]


def test_chunks_are_played_as_they_were() -> None:
    """Every chunk comes out unchanged and in order, so that it decodes to the same readings at the same times."""
    queue: SimpleQueue[Chunk] = SimpleQueue()
    assert replay(CHUNKS, queue) == 4
    played = [queue.get_nowait() for _ in range(4)]
    assert played == CHUNKS
    decoder = make_decoder("framed", ["charge"])
    readings = [r for chunk in played for r in decoder.feed(chunk.data, chunk.received_ns)]
    assert [(r.value, r.received_ns) for r in readings] == [(1.5, 5_200_000_000), (2.5, 5_100_000_000)]


def test_pace() -> None:
    """At ten times the speed the waits are a tenth, and time never runs backwards."""
    waits: list[float] = []
    replay(CHUNKS, SimpleQueue(), speed=10.0, wait=waits.append)
    assert waits == pytest.approx([0.02, 0.1])


@pytest.mark.parametrize("speed", [0.0, -1.0, float("nan")])
def test_speed_must_be_one(speed: float) -> None:
    """A speed that is not above 0 is refused."""
    with pytest.raises(ValueError, match="above 0"):
        replay([], SimpleQueue(), speed=speed)

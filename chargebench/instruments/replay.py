"""Plays chunks that were recorded once into a queue, as if an instrument sent them. Owns the pacing; opens no port.

Where the chunks come from (a journal, a test) is the caller's business. Their times of receipt are kept, so whatever
reads the queue comes to the same readings at the same times, at any speed.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from queue import SimpleQueue

from chargebench.instruments.feed import Chunk

__all__ = ["replay"]


def replay(
    chunks: Iterable[Chunk],
    queue: SimpleQueue[Chunk],
    speed: float | None = None,
    wait: Callable[[float], None] = time.sleep,
) -> int:
    """Put recorded chunks into `queue`, in order.

    Parameters
    ----------
    chunks : iterable of Chunk
        In order of receipt; a time before the one before it is played at once.
    queue : SimpleQueue of Chunk
        What a recorder, or a test in its place, reads.
    speed : float, optional
        Times as fast as it was recorded; without it, as fast as it goes.
    wait : callable
        What passes the seconds between chunks.

    Returns
    -------
    int
        Chunks played.

    Raises
    ------
    ValueError
        When the speed is not above 0.
    """
    if speed is not None and not speed > 0:
        raise ValueError(f"speed {speed}: allowed is any number above 0")
    played = 0
    before_ns: int | None = None
    for chunk in chunks:
        if speed is not None and before_ns is not None and chunk.received_ns > before_ns:
            wait((chunk.received_ns - before_ns) / 1e9 / speed)
        before_ns = chunk.received_ns
        queue.put(chunk)
        played += 1
    return played

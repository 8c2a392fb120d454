"""Streams as no instrument should send them, through a whole recorder, before a sound grind and in the middle of it.

The recorder must stay up, keep every byte, make up no value, say what is wrong in one sentence, and go on by itself.
"""

from __future__ import annotations

import random
import resource
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from chargebench.instruments.feed import Chunk
from chargebench.wire.framed import encode
from tests.faults.scene import FIRST_MS, RUNS, Taken, judge, recorder, stream
from tests.faults.tally import Tally, apart
from tests.recording.byte_bench import PlayedFeeds

__all__ = ["ABUSES", "abuse_streams"]

MOST_GROWTH_MB = 150.0
BEFORE, DURING, LATE_CHUNKS = 100, 130, 90
NS_A_CHUNK = 1_000_000

Chunks = Iterator[bytes]


def _rubbish(draw: random.Random, before: int) -> Chunks:
    return (draw.randbytes(draw.randrange(1, 4000)) for _ in range(40))


def _zeros(draw: random.Random, before: int) -> Chunks:
    return (bytes(draw.randrange(1, 4000)) for _ in range(40))


def _wrong_baud(draw: random.Random, before: int) -> Chunks:
    """Lines read at twice their rate: bits doubled and cut apart, few line ends."""
    line = b"".join(chunk.data for chunk in stream()[:40])
    doubled = bytes((byte << 1 ^ byte >> 3) & 0xFE for byte in line for _ in (0, 1))
    return (doubled[at : at + 100] for at in range(0, 8000, 100))


def _half_lines(draw: random.Random, before: int) -> Chunks:
    lines = [line for chunk in stream()[:200] if chunk.instrument == "cup" for line in chunk.data.splitlines()]
    return (line[: draw.randrange(len(line))] + draw.choice((b"\r\n", b"\n", b"\r")) for line in lines)


def _no_line_end(draw: random.Random, before: int) -> Chunks:
    """10 MB without a line end."""
    return (b"7" * 65536 for _ in range(160))


def _repeated(draw: random.Random, before: int) -> Chunks:
    """The last chunks once more, as a buffer that is sent twice."""
    return (chunk.data for chunk in stream()[before - LATE_CHUNKS : before] if chunk.instrument == "cup")


def _out_of_order(draw: random.Random, before: int) -> Chunks:
    """Lines of the last chunks, shuffled."""
    found = [chunk for chunk in stream()[before - LATE_CHUNKS : before] if chunk.instrument == "cup"]
    lines = [line for chunk in found for line in chunk.data.splitlines(keepends=True)]
    draw.shuffle(lines)
    return (b"".join(lines[at : at + 3]) for at in range(0, len(lines), 3))


def _notices(draw: random.Random, before: int) -> Chunks:
    """Five thousand notices within a millisecond."""
    ms = FIRST_MS + stream()[before - 1].received_ns // 1_000_000
    return (encode("N", n % 65536, ms, "<b>=1+1" + "x" * 50, "-") for n in range(5000))


ABUSES: Mapping[str, Callable[[random.Random, int], Chunks]] = {
    "rubbish": _rubbish,
    "zeros": _zeros,
    "wrong baud": _wrong_baud,
    "half lines": _half_lines,
    "10 MB without a line end": _no_line_end,
    "lines repeated": _repeated,
    "lines out of order": _out_of_order,
    "flood of notices": _notices,
}


def _abused(pieces: list[bytes], at: int) -> list[Chunk]:
    """The stream with pieces put in before its chunk of that number, after which a new line begins."""
    sound = list(stream())
    ns = sound[at - 1].received_ns
    bad = [Chunk("cup", ns + (n + 1) * NS_A_CHUNK // len(pieces), "data", data) for n, data in enumerate(pieces)]
    return [*sound[:at], *bad, Chunk("cup", ns + NS_A_CHUNK, "data", b"\n"), *sound[at:]]


def abuse_streams(seeds: int) -> Tally:
    """Each kind of abuse before a grind and in it; the flood, too: ten times as fast as the line allows."""
    tally = Tally("stream of rubbish, repeats, endless lines, flood")
    for name, make in ABUSES.items():
        for at in (BEFORE, DURING):
            for seed in range(seeds):
                pieces = list(make(random.Random(seed), at))
                _one(tally, f"{name} at {at}", _abused(pieces, at))
                tally.seen[name] += 1
    return tally


def _one(tally: Tally, where: str, made: list[Chunk]) -> None:
    folder = Path(tempfile.mkdtemp())
    taken, said, grown_MB = apart(lambda: _recorded(folder, made))
    tally.trials += 1
    if grown_MB > MOST_GROWTH_MB:
        tally.losses.append(f"{where}: memory grew by {grown_MB:.0f} MB")
    if not all(text.isprintable() for text in said):
        tally.losses.append(f"{where}: a notice is not one printable line: {said}")
    tally.judged(where, apart(lambda: judge(folder, taken, lines_may_miss=True)))
    if len(list(folder.glob("*.h5"))) != RUNS:
        tally.losses.append(f"{where}: {len(list(folder.glob('*.h5')))} of {RUNS} runs; the recorder said {said}")
    shutil.rmtree(folder)


def _recorded(folder: Path, made: list[Chunk]) -> tuple[list[Taken], list[str], float]:
    """Chunks taken, notices, megabytes by which memory grew."""
    taken: list[Taken] = []
    said: list[str] = []

    def emit(event: Mapping[str, Any]) -> None:
        if event.get("event") == "notice":
            said.append(str(event["text"]))

    def take(chunk: Chunk) -> None:
        taken.append(Taken(chunk.received_ns, chunk.instrument, chunk.data))

    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    recorder(folder, take, emit, feeds=lambda bench, queue: PlayedFeeds(made, queue)).record(RUNS, 60.0)
    return taken, said, (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024

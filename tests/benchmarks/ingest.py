"""Ingest through a pseudo-terminal: lines a second against two loops in the same run, and the share of a core at rest.

Run as ``python -m tests.benchmarks.ingest``. The baselines: *bare*, ``os.read`` in chunks, split, CRC, ``float``; and
*readline*, the serial library's ``readline()`` with the same parsing. Ours is the whole way: port, feed thread, queue,
decoder, `Reading`s with unit, counters and status. Wanted: at least 0.5 of bare, at least 100 times readline.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
import tty
from binascii import crc_hqx
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from queue import SimpleQueue

import serial

from chargebench.instruments.benchfile import Bench, bench_from_text
from chargebench.instruments.feed import Chunk, Feeds
from chargebench.wire.framed import encode
from chargebench.wire.make import make_decoder

WANTED_OF_BARE = 0.5
WANTED_OF_READLINE = 100.0
BLOCK_LINES = 1 << 14

# The player: writes the block on its stdin to descriptor 1 (the terminal's master), over and over, or at a pace.
PLAYER = """
import os, sys, time
repeats, lines_per_s, line_bytes = int(sys.argv[1]), float(sys.argv[2]), int(sys.argv[3])
block = sys.stdin.buffer.read()
os.read(1, 1)  # the reader says when it is ready
if lines_per_s == 0:
    for _ in range(repeats):
        view = memoryview(block)
        while view:
            view = view[os.write(1, view):]
else:
    step, start = line_bytes * max(1, int(lines_per_s / 100)), time.monotonic()
    for index, at in enumerate(range(0, len(block), step)):
        time.sleep(max(0.0, start + index * 0.01 - time.monotonic()))
        os.write(1, block[at : at + step])
time.sleep(1)
"""


def block(lines: int) -> bytes:
    """Framed charge lines of equal length."""
    return b"".join(encode("Q", n, 1_000_000 + n, f"{-50 + n % 7000 / 1000:+09.4f}", "nC") for n in range(lines))


@contextmanager
def played(data: bytes, repeats: int, lines_per_s: float = 0.0) -> Iterator[str]:
    """Name of a terminal on which another process plays `data` once it is sent one byte."""
    master, slave = os.openpty()
    tty.setraw(slave)
    line_bytes = data.index(b"\n") + 1
    command = [sys.executable, "-c", PLAYER, str(repeats), str(lines_per_s), str(line_bytes)]
    player = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=master)
    os.close(master)
    assert player.stdin is not None
    player.stdin.write(data)
    player.stdin.close()
    try:
        yield os.ttyname(slave)
    finally:
        os.close(slave)
        player.kill()
        player.wait()


def bare(name: str, lines: int) -> float:
    """Seconds for the loop without a house around it."""
    terminal = os.open(name, os.O_RDWR | os.O_NOCTTY)
    values: list[float] = []
    rest = b""
    os.write(terminal, b"\n")
    start = time.perf_counter()
    while len(values) < lines:
        pieces = (rest + os.read(terminal, 65536)).split(b"\n")
        rest = pieces.pop()
        for line in pieces:
            body, _, check = line.rpartition(b"*")
            if crc_hqx(body, 0xFFFF) == int(check, 16):
                values.append(float(body.split(b",")[3]))
    seconds = time.perf_counter() - start
    os.close(terminal)
    return seconds


def by_readline(name: str, lines: int) -> float:
    """Seconds for the serial library's own line reading."""
    values: list[float] = []
    with serial.Serial(name, 115200, timeout=5) as port:
        port.write(b"\n")
        start = time.perf_counter()
        while len(values) < lines:
            body, _, check = port.readline().rstrip().rpartition(b"*")
            if crc_hqx(body, 0xFFFF) == int(check, 16):
                values.append(float(body.split(b",")[3]))
        return time.perf_counter() - start


def bench_on(name: str) -> Bench:
    """A bench with one board."""
    return bench_from_text(
        f'[bench]\nname = "ingest"\n[instrument.cup]\nport = "{name}"\nlines = "framed"\ncarries = ["charge"]\n'
    )


def ours(name: str, lines: int) -> float:
    """Seconds for port, feed, queue and decoder. The feed's own ``ID?`` starts the player."""
    queue: SimpleQueue[Chunk] = SimpleQueue()
    decoder = make_decoder("framed", ["charge"])
    feeds = Feeds(bench_on(name), queue)
    readings = 0
    feeds.start()
    assert queue.get(timeout=30).kind == "open"  # opening is no part of any reader's time
    start = time.perf_counter()
    while readings < lines:
        chunk = queue.get(timeout=30)
        if chunk.kind == "data":
            readings += len(decoder.feed(chunk.data, chunk.received_ns))
    seconds = time.perf_counter() - start
    feeds.stop()
    assert not decoder.rejects
    return seconds


def rate(reader: Callable[[str, int], float], repeats: int, lines: int = BLOCK_LINES) -> float:
    """Lines a second of one reader."""
    with played(block(lines), repeats) as name:
        return repeats * lines / reader(name, repeats * lines)


def core_share(lines_per_s: int, seconds: int) -> float:
    """Share of one core that reading and decoding a steady stream takes, in percent."""
    lines = lines_per_s * seconds
    with played(block(lines), 1, lines_per_s) as name:
        before, wall = time.process_time(), time.perf_counter()
        ours(name, lines)
        return 100 * (time.process_time() - before) / (time.perf_counter() - wall)


def main() -> int:
    """Print the table; 1 where a ratio is missed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeats", type=int, default=30, help=f"blocks of {BLOCK_LINES} lines")
    parser.add_argument("--rounds", type=int, default=5, help="the best of so many rounds counts, for both")
    given = parser.parse_args()
    rounds = [(rate(bare, given.repeats), rate(ours, given.repeats)) for _ in range(given.rounds)]
    of_bare, of_ours = map(max, zip(*rounds, strict=True))
    of_readline = rate(by_readline, 1, 2000)
    share = core_share(1000, 5)
    print("| reader | lines/s | against bare | against readline |")
    print("| --- | ---: | ---: | ---: |")
    for label, value in (("bare loop", of_bare), ("port, feed, queue, decoder", of_ours), ("readline()", of_readline)):
        print(f"| {label} | {value:,.0f} | {value / of_bare:.3f} | {value / of_readline:,.1f} |")
    print(f"\nAt 1,000 lines/s reading and decoding take {share:.1f} % of one core.")
    kept = of_ours >= WANTED_OF_BARE * of_bare and of_ours >= WANTED_OF_READLINE * of_readline
    print("wanted ratios:", "kept" if kept else "MISSED")
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())

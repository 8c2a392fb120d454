"""What every kind of port must do, held on real ones: a kernel terminal, a socket, a serial server on the network."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator

import pytest

from chargebench.errors import PortLostError
from chargebench.instruments.ports import Port, open_port
from tests.instruments.far_end import FarEnd, Listener, SerialServer, Terminal, bench_with

# The serial library's client for RFC 2217 starts its thread the old way.
pytestmark = pytest.mark.filterwarnings(r"ignore:set(Daemon|Name)\(\):DeprecationWarning")

KINDS = ["socket", "rfc2217"] if sys.platform == "win32" else ["terminal", "socket", "rfc2217"]
Pair = tuple[Port, FarEnd]


@pytest.fixture(params=KINDS)
def pair(request: pytest.FixtureRequest) -> Iterator[Pair]:
    """An open port and its far end."""
    far_end: FarEnd = {"terminal": Terminal, "socket": Listener, "rfc2217": SerialServer}[request.param]()
    port = open_port(bench_with(far_end.port).instruments["x"])
    if isinstance(far_end, Terminal):
        far_end.opened()
    try:
        yield port, far_end
    finally:
        port.close()
        far_end.vanish()


def read_all(port: Port, count: int, most: int = 65536) -> bytes:
    """Read until `count` bytes are there, or nothing comes for two seconds."""
    data = b""
    while len(data) < count and (piece := port.read(most, 2.0)):
        data += piece
    return data


def _read_on(port: Port) -> None:
    """Read for a while, whatever comes."""
    for _ in range(20):
        port.read(100, 0.5)


def test_bytes_arrive_unchanged(pair: Pair) -> None:
    """Every byte value passes both ways, unchanged and in order."""
    port, far_end = pair
    every = bytes(range(256)) * 4
    far_end.write(every)
    assert read_all(port, len(every)) == every
    port.write(every)
    assert far_end.read(len(every)) == every


def test_silence_is_empty(pair: Pair) -> None:
    """When nothing comes in time, a read gives nothing and the port stays good."""
    port, far_end = pair
    assert port.read(100, 0.01) == b""
    far_end.write(b"later\n")
    assert read_all(port, 6) == b"later\n"


def test_no_more_than_asked_for(pair: Pair) -> None:
    """A read gives at most the bytes asked for and leaves the rest for the next."""
    port, far_end = pair
    far_end.write(b"0123456789")
    first = port.read(4, 2.0)
    assert 1 <= len(first) <= 4
    assert first + read_all(port, 10 - len(first), most=3) == b"0123456789"


def test_a_chunk_is_not_a_byte(pair: Pair) -> None:
    """What has arrived is given in chunks, not byte by byte."""
    port, far_end = pair
    port.read(1, 0.01)
    far_end.write(b"x" * 2000)
    pieces = []
    while sum(map(len, pieces)) < 2000:
        pieces.append(port.read(65536, 2.0))
        assert pieces[-1]
    assert len(pieces) <= 20


def test_going_away_is_said(pair: Pair) -> None:
    """When the far end goes away, reading says so by `PortLostError` and nothing else; what came before is given."""
    port, far_end = pair
    far_end.vanish()
    with pytest.raises(PortLostError) as caught:
        _read_on(port)
    assert "\n" not in str(caught.value)
    port.close()


def test_closing_gives_everything_back(pair: Pair) -> None:
    """Closing twice does no harm, and reading a closed port says that it is lost."""
    port, _far_end = pair
    port.close()
    port.close()
    with pytest.raises(PortLostError):
        port.read(1, 0.01)


@pytest.mark.skipif(not os.path.isdir("/proc/self/fd"), reason="counts descriptors the Linux way")
def test_no_descriptor_is_left() -> None:
    """Opening and closing leaves no descriptor behind."""
    far_end = Terminal()
    before = set(os.listdir("/proc/self/fd"))
    for _ in range(5):
        open_port(bench_with(far_end.port).instruments["x"]).close()
    assert set(os.listdir("/proc/self/fd")) == before
    far_end.vanish()

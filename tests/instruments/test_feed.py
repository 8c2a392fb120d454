"""Feeds: one thread an instrument, one queue, and no fault that goes unheard. All on real terminals and sockets."""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from queue import SimpleQueue

import pytest

from chargebench.instruments import feed as feed_module
from chargebench.instruments.benchfile import Bench, Instrument, bench_from_text
from chargebench.instruments.feed import Feeds
from chargebench.instruments.host_clock import host_ns
from chargebench.instruments.ports import Port, open_port
from chargebench.wire.framed import encode
from chargebench.wire.make import make_decoder
from tests.instruments.far_end import PATIENCE_S, Heard, Listener, Terminal, bench_with, wait_for

on_terminals = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals")


@pytest.fixture
def listen(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[Bench], Heard]]:
    """Starts feeds, and holds that stopping them leaves no thread.

    However busy the machine is, no thread is given up.
    """
    monkeypatch.setattr(feed_module, "STOP_S", PATIENCE_S)
    started: list[Heard] = []

    def start(bench: Bench) -> Heard:
        heard = Heard(bench)
        heard.feeds.start()
        started.append(heard)
        return heard

    yield start
    for heard in started:
        heard.feeds.stop()
    assert [thread.name for thread in threading.enumerate() if thread.name.startswith("feed-")] == []


Listen = Callable[[Bench], Heard]


@on_terminals
def test_framed_bytes_arrive_stamped(listen: Listen) -> None:
    """Bytes arrive unchanged, stamped after they were sent; the board is asked who it is."""
    end = Terminal()
    heard = listen(bench_with(end.port))
    heard.until(lambda: heard.kinds() == ["open"])
    assert end.read(4) == b"ID?\n"
    sent_ns = host_ns()
    lines = [encode("Q", n, n, "1.5", "nC") for n in range(50)]
    for line in lines:
        end.write(line)
    heard.until(lambda: heard.data() == b"".join(lines))
    stamps = [chunk.received_ns for chunk in heard.chunks if chunk.kind == "data"]
    assert sent_ns < stamps[0]
    assert stamps == sorted(stamps)
    assert stamps[-1] <= host_ns()
    heard.feeds.stop()
    end.vanish()


@on_terminals
def test_unplugged_and_plugged_in_again(listen: Listen, tmp_path: Path) -> None:
    """A port that goes away is said to be lost, tried again, and read again when it is back under its name."""
    link = tmp_path / "port"
    first = Terminal()
    link.symlink_to(first.port)
    heard = listen(bench_with(str(link)))
    heard.until(lambda: "open" in heard.kinds())
    first.write(b"before\nhalf a li")
    heard.until(lambda: heard.data() == b"before\nhalf a li")
    link.unlink()
    first.vanish()
    heard.until(lambda: heard.kinds() == ["open", "lost", "missing"])
    second = Terminal()
    link.symlink_to(second.port)
    heard.until(lambda: heard.kinds() == ["open", "lost", "missing", "open"])
    second.write(b"after\n")
    heard.until(lambda: heard.data().endswith(b"after\n"))
    assert all(str(link) in chunk.text for chunk in heard.chunks if chunk.kind != "data")
    heard.feeds.stop()
    second.vanish()


def test_a_server_that_hangs_up(listen: Listen) -> None:
    """A connection that is closed is lost, and made again when somebody answers again."""
    first = Listener()
    heard = listen(bench_with(first.port))
    first.write(b"1\n")
    heard.until(lambda: heard.data() == b"1\n")
    first.vanish()
    heard.until(lambda: heard.kinds()[:2] == ["open", "lost"])
    second = Listener(first.number)
    second.write(b"2\n")
    heard.until(lambda: heard.data() == b"1\n2\n")
    heard.feeds.stop()
    second.vanish()


@on_terminals
def test_a_held_port_is_said_once_and_taken_when_free(listen: Listen, monkeypatch: pytest.MonkeyPatch) -> None:
    """A port that another program holds gives one sentence with the remedy, and is read as soon as it is free."""
    tries: list[str] = []

    def counted(instrument: Instrument) -> Port:
        tries.append(instrument.name)
        return open_port(instrument)

    monkeypatch.setattr(feed_module, "open_port", counted)
    end = Terminal()
    holder = open_port(bench_with(end.port).instruments["x"])
    heard = listen(bench_with(end.port))
    heard.until(lambda: heard.kinds() == ["held"])
    assert "close that program" in heard.chunks[0].text
    heard.until(lambda: len(tries) >= 3)  # the second try is over then, and has said nothing new
    assert heard.kinds() == ["held"]
    holder.close()
    heard.until(lambda: heard.kinds() == ["held", "open"])
    heard.feeds.stop()
    end.vanish()


@on_terminals
@pytest.mark.parametrize(
    ("port", "kind", "words"),
    [("/dev/no-such-port", "missing", "plugged in"), ("/dev/null", "missing", "not a serial port")],
)
def test_ports_that_are_none(listen: Listen, port: str, kind: str, words: str) -> None:
    """A port that is not there, or is something else, gives a sentence that says what to look at."""
    heard = listen(bench_with(port))
    heard.until(lambda: heard.kinds() == [kind])
    assert words in heard.chunks[0].text


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="the system forbids nothing to this user")
def test_a_forbidden_port(listen: Listen, tmp_path: Path) -> None:
    """A port this user may not open gives a sentence with the remedy."""
    port = tmp_path / "port"
    port.touch(mode=0)
    heard = listen(bench_with(str(port)))
    heard.until(lambda: heard.kinds() == ["forbidden"])
    assert "not allowed" in heard.chunks[0].text


def test_one_dead_port_does_not_stop_the_others(listen: Listen) -> None:
    """Each instrument is read whatever becomes of the others."""
    end = Listener()
    text = bench_with(end.port).text + '[instrument.y]\nport = "/dev/no-such"\nlines = "framed"\ncarries = ["mass"]\n'
    heard = listen(bench_from_text(text))
    end.write(b"here\n")
    heard.until(lambda: heard.data("x") == b"here\n" and "missing" in heard.kinds())
    heard.feeds.stop()
    end.vanish()


def test_commands_are_sent(listen: Listen) -> None:
    """What is sent while a port is open is written by its own thread, in order; unknown instruments are an error."""
    end = Listener()
    heard = listen(bench_with(end.port))
    heard.until(lambda: heard.kinds() == ["open"])
    assert end.read(4) == b"ID?\n"
    heard.feeds.send("x", b"RATE 100\n")
    heard.feeds.send("x", b"ZERO\n")
    assert end.read(14) == b"RATE 100\nZERO\n"
    with pytest.raises(KeyError):
        heard.feeds.send("z", b"ZERO\n")
    heard.feeds.stop()
    end.vanish()


def test_commands_to_a_closed_port_are_not_kept(listen: Listen) -> None:
    """A command for a port that was not open is dropped with a note, not sent minutes later."""
    end = Listener()
    end.vanish()
    heard = listen(bench_with(end.port))
    heard.until(lambda: "missing" in heard.kinds())
    heard.feeds.send("x", b"ZERO\n")
    again = Listener(end.number)
    heard.until(lambda: "note" in heard.kinds())
    assert again.read(4) == b"ID?\n"
    heard.feeds.send("x", b"RATE 9\n")
    assert again.read(7) == b"RATE 9\n"
    heard.feeds.stop()
    again.vanish()


def answer(end: Listener, replies: dict[bytes, list[bytes]]) -> list[bytes]:
    """Answer queries line by line in a thread until the caller hangs up; the last reply of a list is repeated."""
    asked: list[bytes] = []

    def serve() -> None:
        rest = b""
        try:
            while data := end.call().recv(4096):
                *lines, rest = (rest + data).split(b"\n")
                for line in lines:
                    asked.append(line)
                    left = replies.get(line, [b""])
                    end.write(left.pop(0) if len(left) > 1 else left[0])
        except OSError:
            return

    threading.Thread(target=serve, daemon=True).start()
    return asked


def test_a_scale_is_asked_to_print(listen: Listen) -> None:
    """A scale with a request is sent it again and again, and what it prints is handed on."""
    end = Listener()
    asked = answer(end, {b"P\r": [b"  12.34 g\r\n"]})
    heard = listen(bench_with(end.port, 'request = "P\\r\\n"\npoll_s = 0.02', lines="printed", carries="mass"))
    heard.until(lambda: heard.data().count(b"12.34") >= 4)
    assert set(asked) == {b"P\r"}
    heard.feeds.stop()
    end.vanish()


def test_an_exception_is_heard(listen: Listen, monkeypatch: pytest.MonkeyPatch) -> None:
    """An exception in a reading thread comes out of the queue and reaches the thread hook; nothing is swallowed."""
    hooked: list[type[BaseException]] = []
    monkeypatch.setattr(threading, "excepthook", lambda args: hooked.append(args.exc_type))

    def fail(_instrument: object) -> None:
        raise ZeroDivisionError("broken on purpose")

    monkeypatch.setattr(feed_module, "open_port", fail)
    heard = listen(bench_with("/dev/x"))
    heard.until(lambda: heard.kinds() == ["failed"])
    assert "broken on purpose" in heard.chunks[0].text
    wait_for(lambda: hooked == [ZeroDivisionError])


@on_terminals
@pytest.mark.skipif(not os.path.isdir("/proc/self/fd"), reason="counts descriptors the Linux way")
def test_stop_leaves_nothing(listen: Listen) -> None:
    """After stop, no thread, no descriptor, and nothing more in the queue; stopping again does no harm."""
    end = Terminal()
    before = set(os.listdir("/proc/self/fd"))
    for _ in range(3):
        heard = Heard(bench_with(end.port))
        heard.feeds.start()
        heard.until(lambda heard=heard: heard.kinds() == ["open"])
        heard.feeds.stop()
        heard.feeds.stop()
        heard.drain()
        end.write(b"too late\n")
        assert heard.queue.empty()
    assert set(os.listdir("/proc/self/fd")) == before
    Feeds(bench_with(end.port), SimpleQueue()).stop()
    end.vanish()


@on_terminals
def test_a_flood_is_read_whole(listen: Listen) -> None:
    """Four thousand lines as fast as a terminal takes them arrive without one lost."""
    end = Terminal()
    heard = listen(bench_with(end.port))
    heard.until(lambda: heard.kinds() == ["open"])
    data = b"".join(encode("Q", n, n, f"{n}.25", "nC") for n in range(4000))
    for at in range(0, len(data), 1000):
        end.write(data[at : at + 1000])
    heard.until(lambda: len(heard.data()) == len(data))
    decoder = make_decoder("framed", ["charge"])
    assert len(decoder.feed(heard.data(), 0)) == 4000
    assert decoder.lost == 0
    heard.feeds.stop()
    end.vanish()

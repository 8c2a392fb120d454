"""Rules of null grinds whose scale is heard late, or not at all: on the virtual bench, its scale behind a held line."""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from chargebench.archive.archive import Archive
from chargebench.cli import capture
from chargebench.cli.qualify_steps import Session, do_nulls, do_zero
from chargebench.errors import ChargebenchError
from chargebench.instruments.benchfile import read_bench
from chargebench.instruments.virtual import VirtualBench

pytestmark = pytest.mark.skipif(os.name == "nt", reason="the virtual bench's terminals are POSIX")

STEP_S = 0.1
WAIT_S = 0.8
"""Longer than a quiet stretch lasts here, by the wall clock."""


class Held:
    """A line from a port to a socket that can be held: what it is sent then arrives when it is let go."""

    def __init__(self, source: str) -> None:
        self._source = source
        self._stop, self._free = threading.Event(), threading.Event()
        self._free.set()
        self._server = socket.create_server(("127.0.0.1", 0))
        self._thread = threading.Thread(target=self._carry)
        self.port = f"socket://127.0.0.1:{self._server.getsockname()[1]}"

    def __enter__(self) -> Held:
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._stop.set()
        self._free.set()
        with suppress(OSError):  # nobody has called
            socket.create_connection(self._server.getsockname()).close()
        self._thread.join()
        self._server.close()

    def _carry(self) -> None:
        end = os.open(self._source, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        connection, _ = self._server.accept()
        with connection, suppress(OSError):
            while not self._stop.wait(0.01):
                self._free.wait()
                with suppress(BlockingIOError):
                    connection.sendall(os.read(end, 65536))
        os.close(end)

    def hold(self, for_s: float | None = None) -> None:
        """Hold it, for so long or for good."""
        self._free.clear()
        if for_s is not None:
            threading.Timer(for_s, self._free.set).start()


@pytest.fixture
def virtual(tmp_path: Path) -> Iterator[VirtualBench]:
    """A virtual bench at ten times real speed, with short quiet stretches."""
    with VirtualBench(tmp_path / "virtual", scenario="quarry", seed=3, speed=10.0) as bench:
        with bench.bench_path.open("a", encoding="utf-8") as file:
            file.write("\n[recording]\nquiet_before_s = 5\nquiet_after_s = 6\n")
        yield bench


@pytest.fixture
def held(virtual: VirtualBench) -> Iterator[Held]:
    """The line of its scale, to which its bench file points."""
    text = virtual.bench_path.read_text(encoding="utf-8")
    port = read_bench(virtual.bench_path).instruments["scale"].port
    with Held(port) as line:
        virtual.bench_path.write_text(text.replace(port, line.port), encoding="utf-8")
        yield line


def _session(virtual: VirtualBench, archive: Path, person: object) -> Session:
    return Session(read_bench(virtual.bench_path), Archive(archive, create=True), person, print, print)  # type: ignore[arg-type]


def _stored(archive: Path) -> list[Path]:
    return [path for path in archive.rglob("*") if path.is_file()]


@pytest.mark.parametrize("when", ["1 of 2", "Stop the grinder"])
def test_coffee_that_the_scale_tells_late_is_seen(tmp_path: Path, virtual: VirtualBench, held: Held, when: str) -> None:
    """A null grind in which coffee fell is refused though the scale is heard only after the quiet stretch is over."""

    def person(text: str) -> None:
        if when in text:
            held.hold(WAIT_S)
        if "Start the empty grinder" in text:
            threading.Timer(STEP_S, lambda: virtual.grind(12.0)).start()

    with pytest.raises(ChargebenchError, match="mass on the scale changed by"):
        do_nulls(_session(virtual, tmp_path / "archive", person), "blank", 2, 20.0, 18.0)
    assert not _stored(tmp_path / "archive")


def test_a_scale_that_falls_silent_ends_a_check(
    tmp_path: Path, virtual: VirtualBench, held: Held, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A scale that was heard and is no more cannot vouch for an empty cup: nothing is stored, and it is named."""
    monkeypatch.setattr(capture, "SILENT_S", WAIT_S)

    def person(text: str) -> None:
        if "Start the empty grinder" in text:
            held.hold()

    with pytest.raises(ChargebenchError, match=r"no reading of the mass .* nothing was stored"):
        do_nulls(_session(virtual, tmp_path / "archive", person), "blank", 1, 5.0, 18.0)
    assert not _stored(tmp_path / "archive")


def test_a_scale_that_is_off_is_told_and_gone_without(
    tmp_path: Path, virtual: VirtualBench, held: Held, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A scale never heard in a check is waited for, then the check goes on by the charge alone, which is said."""
    monkeypatch.setattr(capture, "SILENT_S", WAIT_S)
    said: list[str] = []
    held.hold()
    stem, _ = do_zero(_session(virtual, tmp_path / "archive", said.append), 12.0)
    assert stem
    assert sum("the scale is not heard" in text for text in said) == 1


def test_null_grinds_before_the_one_refused_are_told(tmp_path: Path, virtual: VirtualBench) -> None:
    """Where coffee falls in the second null grind the first stays, and the sentence says so and how it counts."""
    said: list[str] = []

    def person(text: str) -> None:
        said.append(text)
        if sum("Start the empty grinder" in text for text in said) == 2 and "Start the empty grinder" in text:
            threading.Timer(STEP_S, lambda: virtual.grind(12.0)).start()

    with pytest.raises(ChargebenchError, match="mass on the scale changed by") as refused:
        do_nulls(_session(virtual, tmp_path / "archive", person), "blank", 2, 20.0, 18.0)
    assert "the null grind before it is kept" in str(refused.value)
    assert "--with-archive" in str(refused.value)
    assert "nothing was stored" not in str(refused.value)
    assert [path.suffix for path in _stored(tmp_path / "archive")] == [".h5"]


def test_a_check_too_long_for_its_file_is_refused_at_once(tmp_path: Path, virtual: VirtualBench) -> None:
    """Seconds that bring more readings than a run file holds are refused when their rate is known, with what fits."""
    with pytest.raises(ChargebenchError, match=r"readings a second for .* s are more than a run file holds; .* holds"):
        do_zero(_session(virtual, tmp_path / "archive", print), 1e7)
    assert not _stored(tmp_path / "archive")

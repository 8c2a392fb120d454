"""Rules of the thread that prints events: nobody waits for it, order stays, and repeats are the first to go."""

from __future__ import annotations

import errno
import threading
from collections.abc import Mapping
from typing import Any

import pytest

from chargebench.cli import printer
from chargebench.cli.printer import MOST_REPEATS, Printer

Event = Mapping[str, Any]


def test_events_wait_in_order_and_repeats_go_first() -> None:
    """While the reader hangs events are taken at once; then all come in order, but for most of the repeats."""
    heard: list[Event] = []
    reading = threading.Event()

    def write(event: Event) -> None:
        reading.wait(60)
        heard.append(event)

    out = Printer(write, gone=lambda: None)
    told = [{"event": "state", "n": n, **({"quiet_s": 1.0} if n % 100 else {})} for n in range(5000)]
    for event in told:
        out(event)
    reading.set()
    out.close()
    assert [event for event in heard if "quiet_s" not in event] == told[::100]
    assert sum("quiet_s" in event for event in heard) <= MOST_REPEATS + 1
    assert [event["n"] for event in heard] == sorted(event["n"] for event in heard)


def test_what_waits_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """Events beyond the bound push out the oldest; memory does not grow with a reader that hangs."""
    monkeypatch.setattr(printer, "MOST_WAITING", 50)
    heard: list[Event] = []
    reading = threading.Event()
    out = Printer(lambda event: (reading.wait(60), heard.append(event))[1], gone=lambda: None)
    for n in range(1000):
        out({"event": "notice", "n": n})
    reading.set()
    out.close()
    assert len(heard) <= 51
    assert heard[-1]["n"] == 999


@pytest.mark.parametrize(
    ("error", "said"), [(BrokenPipeError(), False), (OSError(errno.ENOSPC, "no room"), True), (KeyError("x"), True)]
)
def test_a_reader_that_is_gone_is_told_once(error: Exception, said: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever ends the printing ends the recording once; only a reader that went away is no error."""
    monkeypatch.setattr(printer, "silence_stdout", lambda: None)
    gone: list[bool] = []

    def write(event: Event) -> None:
        raise error

    out = Printer(write, gone=lambda: gone.append(True))
    for _ in range(3):
        out({"event": "state"})
    if said:
        with pytest.raises(type(error)):
            out.close()
    out.close()
    assert gone == [True]

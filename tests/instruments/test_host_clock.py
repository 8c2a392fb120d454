"""The clock that all that comes from instruments is stamped with."""

from __future__ import annotations

import sys
import time

import pytest

from chargebench.instruments import feed
from chargebench.instruments.feed import Feeds
from chargebench.instruments.host_clock import host_ns
from tests.instruments.far_end import bench_with


@pytest.mark.skipif(sys.platform != "linux", reason="each system has another clock that goes on in its sleep")
def test_it_goes_on_while_the_computer_sleeps() -> None:
    """It is the system's clock of all time since it was started, asleep or not."""
    before = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    assert before <= host_ns() <= time.clock_gettime_ns(time.CLOCK_BOOTTIME)


def test_what_a_feed_hands_on_is_stamped_with_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """A reading thread looks at no other clock for the time of receipt."""
    from queue import SimpleQueue

    monkeypatch.setattr(feed, "host_ns", lambda: 77)
    queue: SimpleQueue[feed.Chunk] = SimpleQueue()
    feeds = Feeds(bench_with("/dev/no-such-port"), queue)
    feeds.start()
    try:
        assert queue.get(timeout=60.0).received_ns == 77
    finally:
        feeds.stop()

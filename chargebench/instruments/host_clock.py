"""The host's clock that all that comes from instruments is stamped with. Owns the choice of it.

It never runs backwards, whoever sets the wall clock, and it goes on while the computer sleeps: a lid that is closed in
mid-run is a silence as long as it was. Python's own monotonic clock stands still meanwhile on Linux and macOS.
"""

from __future__ import annotations

import sys
import time

__all__ = ["host_ns"]


def host_ns() -> int:
    """Nanoseconds since some moment in the past; only differences mean anything."""
    if sys.platform == "linux":
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    if sys.platform == "darwin":
        return time.clock_gettime_ns(time.CLOCK_MONOTONIC)
    return time.monotonic_ns()

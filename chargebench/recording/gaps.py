"""Silences in a trace. Owns the rules of what is one and of which are explained by something else; pure."""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterable, Iterator
from itertools import accumulate

import numpy as np

from chargebench.runs.run import Gap, Trace
from chargebench.wire.reading import Status

__all__ = ["late", "silences", "unexplained"]

LEAST_S = 1.0
INTERVALS = 10.0
REASON = "nothing was heard"
LATE = "lines came late, at once: when they were sent is not known"


def silences(traces: Iterable[Trace], end_s: float) -> Iterator[Gap]:
    """Stretches without a reading that last over a second and over ten times the channel's usual interval.

    The liveliest channel speaks for its instrument. A silence up to `end_s`, the end of the run, counts as well.
    """
    liveliest: dict[str, Trace] = {}
    for trace in traces:
        other = liveliest.get(trace.instrument)
        if other is None or len(trace) > len(other):
            liveliest[trace.instrument] = trace
    for trace in liveliest.values():
        if len(trace) < 2:
            continue
        interval_s = np.diff(trace.time_s)
        limit_s = max(LEAST_S, INTERVALS * float(np.median(interval_s)))
        for index in np.flatnonzero(interval_s > limit_s):
            yield Gap(trace.instrument, float(trace.time_s[index]), float(trace.time_s[index + 1]), REASON)
        if end_s - trace.time_s[-1] > limit_s:
            yield Gap(trace.instrument, float(trace.time_s[-1]), end_s, REASON)


def late(traces: Iterable[Trace], least: int) -> Iterator[Gap]:
    """Stretches of so many readings that came too late to tell when they were sent, with the sound ones about them."""
    for trace in traces:
        unknown = np.concatenate(([False], (trace.status & int(Status.LATE)) != 0, [False]))
        starts, ends = np.flatnonzero(unknown[1:] & ~unknown[:-1]), np.flatnonzero(unknown[:-1] & ~unknown[1:])
        for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
            if end - start < least:
                continue
            first, last = max(start - 1, 0), min(end, len(trace) - 1)
            yield Gap(trace.instrument, float(trace.time_s[first]), float(trace.time_s[last]), LATE)


def unexplained(silent: Iterable[Gap], stated: Iterable[Gap]) -> Iterator[Gap]:
    """Those silences that overlap no stated gap of their instrument."""
    starts_s: dict[str, list[float]] = defaultdict(list)
    ends_s: dict[str, list[float]] = defaultdict(list)
    for gap in sorted(stated, key=lambda gap: gap.start_s):
        starts_s[gap.instrument].append(gap.start_s)
        ends_s[gap.instrument].append(gap.end_s)
    latest_s = {name: list(accumulate(found, max)) for name, found in ends_s.items()}
    for gap in silent:
        begun = bisect_left(starts_s[gap.instrument], gap.end_s)
        if not begun or latest_s[gap.instrument][begun - 1] <= gap.start_s:
            yield gap

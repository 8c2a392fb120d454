"""Silences in a trace. Owns the rule of what is one; pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from chargebench.runs.run import Gap, Trace

__all__ = ["silences"]

LEAST_S = 1.0
INTERVALS = 10.0
REASON = "nothing was heard"


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

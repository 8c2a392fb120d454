"""Cost of reducing a long run, as ratios to one numpy multiply of the same array in the same process.

Run as ``python -m tests.benchmarks.reduce``. The run holds 300,000 charge readings (1,000 a second for five minutes)
and the mass beside them; the reduction is the whole of it, budget and curves included. The checksum of the raw
readings, which a run works out once and its sealing has asked for before, is not.
"""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable

import numpy as np

from chargebench.processing.recipe import process
from tests.processing.simulate import simulate

SAMPLES = 300_000
MOST_MULTIPLIES = 250.0
MOST_COPIES = 12.0


def seconds(work: Callable[[], object], repeats: int) -> float:
    """Least processor time, all threads together, of a piece of work: what else the machine does only adds to it."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def measure() -> tuple[float, float, float, float]:
    """Seconds of one multiply and of one reduction, their ratio, and peak memory in copies of the array."""
    run, _ = simulate(rate_Hz=1000.0, before_s=120.0, grind_s=60.0, after_s=120.0, seed=5)
    value = np.array(run.traces["charge"].value[:SAMPLES])
    process(run)
    one = seconds(lambda: value * 1.0000001, 201)
    whole = seconds(lambda: process(run), 200)
    tracemalloc.start()
    process(run)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return one, whole, whole / one, peak / value.nbytes


def main() -> None:
    """Print the ratios and what is allowed."""
    one, whole, ratio, copies = measure()
    print(f"one multiply of {SAMPLES} readings   {1e3 * one:8.3f} ms")
    print(f"whole reduction               {1e3 * whole:8.3f} ms")
    print(f"ratio                         {ratio:8.1f}    at most {MOST_MULTIPLIES:g}")
    print(f"peak memory                   {copies:8.2f} copies, at most {MOST_COPIES:g}")


if __name__ == "__main__":
    main()

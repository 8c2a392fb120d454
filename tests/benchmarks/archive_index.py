"""Listing an archive by its index against reading its runs: ``python -m tests.benchmarks.archive_index [--runs N]``.

Prints the time of the first listing and of a later one as multiples of loading every run once, in the same process.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from chargebench.archive.archive import Archive
from chargebench.runs.load import load_run
from chargebench.runs.run import Run, Trace
from chargebench.runs.write import run_bytes


def _run() -> Run:
    """A minute of a charge reading at 50 a second and a scale at 10."""
    traces = {}
    for channel, rate_Hz in (("charge", 50.0), ("mass", 10.0)):
        t = np.arange(0.0, 60.0, 1.0 / rate_Hz)
        none = np.full(len(t), -1)
        noise = np.round(np.random.default_rng(1).normal(0.0, 0.1, len(t)), 3)
        traces[channel] = Trace(channel, "bench", t, noise, 0 * none, none, none, none)
    return Run("20260314T091500Z-000000", "2026-03-14T09:15:00Z", {"dose_g": 18.0}, traces)


def _seconds(what: Callable[[], object]) -> float:
    start = time.perf_counter()
    what()
    return time.perf_counter() - start


def main() -> None:
    """Write, list, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=300)
    count = parser.parse_args().runs
    with tempfile.TemporaryDirectory() as folder:
        model = _run()
        for n in range(count):
            name = f"20260314T091500Z-{n:06x}"
            (Path(folder) / f"{name}.h5").write_bytes(run_bytes(replace(model, run_id=name)))
        archive = Archive(folder)
        loading = _seconds(lambda: [load_run(path) for path in archive.run_paths()])
        first, later = _seconds(archive.entries), _seconds(archive.entries)
    print(f"{count} runs: loading each once {1e3 * loading / count:.2f} ms a run")
    print(f"first listing {first / loading:.2f} times that, a later one {later / loading:.4f} times")


if __name__ == "__main__":
    main()

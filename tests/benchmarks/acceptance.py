"""Records many runs of the independent player: ``python -m tests.benchmarks.acceptance [--runs N] [--speed X]``.

Prints one line a run and how many held the truth. In real time (the default) ten runs at once take about a minute.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from tests.independent_player import draw_play
from tests.recorded_player import HEAD, record_all


def main() -> None:
    """Record, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=20)
    parser.add_argument("--first", type=int, default=100, help="seed of the first run")
    parser.add_argument("--speed", type=float, default=1.0, help="times real speed")
    parser.add_argument("--at-once", type=int, default=5)
    given = parser.parse_args()
    plays = [draw_play(seed) for seed in range(given.first, given.first + given.runs)]
    judged = []
    print(HEAD)
    with tempfile.TemporaryDirectory() as folder:
        for one in record_all(plays, Path(folder), given.speed, given.at_once):
            judged.append(one)
            print(one, flush=True)
    sized = [j for j in judged if abs(j.true_nC_per_g) > 5.0]
    close = sum(abs(j.error_nC_per_g) <= 0.01 * abs(j.true_nC_per_g) for j in sized)
    print(f"truth within U95: {sum(j.inside for j in judged)} of {len(judged)}")
    print(f"above 5 nC/g within 1 %: {close} of {len(sized)}")


if __name__ == "__main__":
    main()

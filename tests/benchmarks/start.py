"""``python -m tests.benchmarks.start``: start of ``chargebench --help`` against ``python -c pass``, in the same run."""

from __future__ import annotations

import subprocess
import sys
import time
from statistics import median

ROUNDS = 15


def seconds(words: list[str]) -> float:
    """One start of an interpreter with these words."""
    began = time.perf_counter()
    subprocess.run([sys.executable, *words], stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - began


def main() -> None:
    """Print the table; rounds alternate, so that both see the same machine."""
    cases = {"python -c pass": ["-c", "pass"], "chargebench --help": ["-m", "chargebench", "--help"]}
    times: dict[str, list[float]] = {name: [] for name in cases}
    for _ in range(ROUNDS):
        for name, words in cases.items():
            times[name].append(seconds(words))
    base = median(times["python -c pass"])
    print(f"{'command':<20} {'median ms':>9} {'ratio':>6}")
    for name, values in times.items():
        print(f"{name:<20} {1000 * median(values):>9.1f} {median(values) / base:>6.2f}")


if __name__ == "__main__":
    main()

"""The fault campaign: ``python -m tests.faults`` for a short one, ``--full`` for the numbers that README quotes.

Exit code 1 where anything was lost beyond the promise.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Sequence

from tests.faults.device_clocks import clock_events
from tests.faults.disk_errors import fail_every_call
from tests.faults.files import damaged_files, hostile_files
from tests.faults.kills import kill_recorders, kill_recoveries
from tests.faults.power_cuts import cut_power
from tests.faults.streams import fuzz
from tests.faults.tags import hostile_tags
from tests.faults.tally import Tally
from tests.faults.unplugs import unplug

Campaign = tuple[Callable[[], Tally], ...]


def campaign(*, full: bool, seed: int) -> Campaign:
    """Every kind of fault, with its number of trials."""

    def many(few: int, all_of_them: int) -> int:
        return all_of_them if full else few

    return (
        lambda: kill_recorders(many(10, 400), seed),
        lambda: kill_recoveries(many(8, 160), seed),
        lambda: cut_power(many(20, 300), seed),
        lambda: fail_every_call(1 if full else 3),
        lambda: unplug(many(5, 200), seed),
        lambda: clock_events(many(50, 1000), seed),
        lambda: fuzz(many(100_000, 2_000_000), seed),
        lambda: hostile_files(),
        lambda: damaged_files(many(100, 4000), seed),
        lambda: hostile_tags(),
    )


def main(arguments: Sequence[str]) -> int:
    """Run the campaign and print its table."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    parser.add_argument("--full", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args(arguments)
    print(f"{'fault':<44} {'trials':>9} {'losses':>8}   seen")
    lost = 0
    for work in campaign(full=chosen.full, seed=chosen.seed):
        started = time.monotonic()
        tally = work()
        lost += len(tally.losses)
        print(f"{tally.row()}  ({time.monotonic() - started:.0f} s)", flush=True)
        for loss in tally.losses[:20]:
            print(f"    {loss}", flush=True)
    print(f"losses beyond the promise: {lost}")
    return 1 if lost else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

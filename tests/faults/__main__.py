"""The fault campaign: ``python -m tests.faults`` for a short one, ``--full`` for the numbers that README quotes.

Exit code 1 where anything was lost beyond the promise. Victims are forked and system calls replaced as Linux has them,
so it runs on Linux only.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence

from tests.faults.abuse import abuse_streams
from tests.faults.device_clocks import clock_events
from tests.faults.files import damaged_files, hostile_files
from tests.faults.folders import hostile_folders
from tests.faults.kills import kill_at_changes, kill_moves, kill_recorders, kill_recoveries, kill_sealers
from tests.faults.loaded import record_on_a_busy_machine
from tests.faults.power import cut_power
from tests.faults.real import end_real_recorders
from tests.faults.refusals import fail_forever, fail_once, fail_removals, fail_sealing
from tests.faults.segments import kill_at_calls, recover_old_journals
from tests.faults.stopping import end_by_exceptions, set_host_clock, share_a_folder
from tests.faults.streams import fuzz
from tests.faults.tags import hostile_tags
from tests.faults.tally import Tally, header
from tests.faults.unplugs import unplug
from tests.faults.vanish import vanish

MOST_SHOWN = 10


def campaign(*, full: bool, seed: int) -> tuple[Callable[[], Tally], ...]:
    """Every kind of fault, with its number of trials."""

    def many(few: int, all_of_them: int) -> int:
        return all_of_them if full else few

    return (
        lambda: kill_recorders(many(6, 250), seed),
        lambda: kill_at_changes(many(6, 100), seed),
        lambda: kill_moves(many(14, 112), seed),
        lambda: kill_sealers(many(3, 100), "sealer", seed),
        lambda: kill_sealers(many(3, 100), "both", seed),
        lambda: kill_recoveries(many(6, 150), seed),
        lambda: cut_power(many(10, 300), seed),
        lambda: cut_power(many(10, 300), seed + 1, rolling=True),
        lambda: cut_power(many(10, 200), seed + 2, moving=True),
        lambda: fail_once(many(1, 12), seed),
        lambda: fail_forever(many(3, 60), seed),
        lambda: fail_removals(many(6, 60), seed),
        lambda: fail_sealing(),
        lambda: kill_at_calls(many(12, 1)),
        lambda: vanish(many(7, 42), seed),
        lambda: recover_old_journals(),
        lambda: record_on_a_busy_machine(many(1, 10)),
        lambda: end_real_recorders(many(0, 40), seed),
        lambda: share_a_folder(many(1, 20)),
        lambda: end_by_exceptions(many(4, 40), seed),
        lambda: set_host_clock(many(1, 10), seed),
        lambda: abuse_streams(many(1, 6)),
        lambda: unplug(many(5, 120), seed),
        lambda: unplug(many(5, 120), seed, by_number=True),
        lambda: clock_events(many(50, 1000), seed),
        lambda: fuzz(many(100_000, 2_000_000), seed),
        lambda: hostile_files(),
        lambda: damaged_files(many(100, 4000), seed),
        lambda: hostile_tags(reports=full),
        lambda: hostile_folders(many(41, 1)),
    )


def main(arguments: Sequence[str]) -> int:
    """Run the campaign and print its table."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    parser.add_argument("--full", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args(arguments)
    print(header(), flush=True)
    tallies = []
    for work in campaign(full=chosen.full, seed=chosen.seed):
        tally = work()
        tallies.append(tally)
        print(tally.row(), flush=True)
        for words in [*tally.losses[:MOST_SHOWN], *tally.wrong[:MOST_SHOWN]]:
            print(f"    {words}", flush=True)
    lost, wrong = (sum(len(getattr(tally, what)) for tally in tallies) for what in ("losses", "wrong"))
    print(f"{sum(tally.trials for tally in tallies)} cases; beyond the promise lost: {lost}, wrong: {wrong}")
    return 1 if lost or wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

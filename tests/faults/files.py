"""Run files from strangers, and run files that were damaged: refused, every one, by a reader that lives on."""

from __future__ import annotations

from chargebench.errors import RunFileError
from chargebench.runs.check import difference
from chargebench.runs.load import load_run_bytes
from chargebench.runs.write import run_bytes
from tests.damaged_files import damaged
from tests.faults.tally import Tally
from tests.hostile_files import HOSTILE
from tests.runs.made_runs import made_run


def hostile_files(limit: int | None = None) -> Tally:
    """Each hostile file once."""
    tally = Tally("hostile run file")
    run = made_run()
    good = run_bytes(run)
    for name in list(HOSTILE)[:limit]:
        tally.trials += 1
        try:
            load_run_bytes(HOSTILE[name](good), "a file")
            tally.losses.append(f"{name}: was read")
        except RunFileError:
            tally.seen["refused"] += 1
    if difference(load_run_bytes(good), run):
        tally.losses.append("the reader no longer reads a sound file")
    return tally


def damaged_files(trials: int, seed: int = 0) -> Tally:
    """Copies of a sound file with a few bytes changed, cut or moved: refused, or read as it was."""
    tally = Tally("damaged run file")
    run = made_run()
    good = run_bytes(run)
    for what, data in damaged(good, trials, seed):
        tally.trials += 1
        try:
            found = load_run_bytes(data, "a file")
        except RunFileError:
            tally.seen["refused"] += 1
            continue
        tally.seen["read unchanged"] += 1
        if difference(found, run):
            tally.losses.append(f"{what}: other data, silently")
    return tally

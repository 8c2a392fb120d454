"""Every call of sealing that changes or opens a file fails once; then sealing is tried again."""

from __future__ import annotations

import errno
import shutil
import tempfile
from pathlib import Path

from chargebench.errors import ChargebenchError
from chargebench.recording.manifest import check_manifest
from chargebench.recording.seal import seal
from chargebench.runs.check import check_run
from chargebench.runs.load import load_run
from tests.faults.calls import failing
from tests.faults.scene import snapshot
from tests.faults.tally import Tally
from tests.recording.bench_model import Grind
from tests.recording.byte_bench import RUN_ID, written_journal

ERRORS = (errno.ENOSPC, errno.EIO)


def fail_every_call(step: int = 1) -> Tally:
    """Each `step`-th call of sealing a journal, with each error."""
    tally = Tally("call of sealing fails (ENOSPC, EIO)")
    home = Path(tempfile.mkdtemp())
    journal = written_journal(home, Grind(end_s=12.0))
    data = journal.read_bytes()
    for error in ERRORS:
        at = 0
        while _one(tally, data, at, error):
            at += step
    shutil.rmtree(home)
    return tally


def _one(tally: Tally, data: bytes, at: int, error: int) -> bool:
    """One failure and the sealing after it; False where there was no such call any more."""
    folder = Path(tempfile.mkdtemp())
    journal = folder / f"{RUN_ID}.journal"
    journal.write_bytes(data)
    where = f"call {at}, {errno.errorcode[error]}"
    with failing(at, error) as made:
        try:
            seal(journal)
            said = "survived"
        except (ChargebenchError, OSError):
            said = "said"
    if at >= len(made):
        shutil.rmtree(folder)
        return False
    tally.trials += 1
    tally.seen[said] += 1
    run = folder / f"{RUN_ID}.h5"
    if not journal.exists() and not (run.exists() and load_run(run).journal == data):
        tally.losses.append(f"{where} ({made[at]}): journal gone, run not there")
    if journal.exists():
        seal(journal)
    wrong = [*check_run(run), *check_manifest(folder)] if run.exists() else ["no run"]
    left = set(snapshot(folder)) - {run.name, "manifest.jsonl"}
    tally.losses += [f"{where} ({made[at]}): {words}" for words in [*wrong, *sorted(left)]]
    shutil.rmtree(folder)
    return True

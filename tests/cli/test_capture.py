"""Rules of a bench check's recording where the disk fails under it, on a played stream and with failing calls."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from chargebench.cli.capture import Capture
from chargebench.errors import JournalError
from chargebench.recording.segments import journals_in
from chargebench.runs.load import load_run
from chargebench.runs.run import Knowledge
from tests.faults.layer import Calls, Fault
from tests.faults.scene import BENCH, stream
from tests.recording.byte_bench import bench
from tests.recording.sealing import seal_at

pytestmark = pytest.mark.skipif(not hasattr(os, "fdatasync"), reason="watches the calls of Linux")

Fails = Callable[[str, str, int], Fault | None]


def _of_journal(call: str, path: str, folder: str = "") -> bool:
    return call == "write" and path.endswith(".journal") and folder in path


@pytest.mark.parametrize(
    "fails",
    [
        lambda name, path, n: Fault(errno.EIO) if _of_journal(name, path) and n == 100 else None,
        lambda name, path, n: Fault(errno.ENOSPC, "half") if _of_journal(name, path, "checks") and n > 100 else None,
        lambda name, path, n: Fault(errno.EIO) if name == "fdatasync" and n == 1 else None,
    ],
    ids=["one write", "disk full", "one sync"],
)
def test_a_failing_disk_costs_a_check_nothing(tmp_path: Path, fails: Fails) -> None:
    """The recording goes on in the fallback folder, which is said once, and every reading is in the sealed run."""
    said: list[str] = []
    with Calls(tmp_path, fails):
        capture = Capture(bench(BENCH), tmp_path / "checks", {}, Knowledge(), said.append, tmp_path / "fallback")
        heard = [reading for chunk in stream() for reading in capture._take(chunk)]
        path = capture.seal()
    run = load_run(path)
    assert sum(len(trace) for trace in run.traces.values()) == len(heard)
    assert not run.recovered
    (text,) = said
    assert "could not be" in text
    assert str(tmp_path / "fallback") in text


def test_a_check_that_no_disk_takes_is_not_sealed(tmp_path: Path) -> None:
    """Where neither folder takes it that is said, the check is refused, and its journal is kept for the next start."""
    said: list[str] = []
    with Calls(tmp_path, lambda name, path, n: Fault(errno.ENOSPC) if _of_journal(name, path) and n > 100 else None):
        capture = Capture(bench(BENCH), tmp_path / "checks", {}, Knowledge(), said.append, tmp_path / "fallback")
        for chunk in stream():
            capture._take(chunk)
        with pytest.raises(JournalError, match="could not be written"):
            capture.seal()
    assert all("in memory only" in text for text in said)
    assert said
    (journal,) = journals_in(tmp_path / "checks")
    assert load_run(seal_at(journal)).recovered

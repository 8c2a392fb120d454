"""The child that seals and processes, as its parent sees it."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from chargebench.cli.finisher import Finisher
from chargebench.errors import StorageError
from chargebench.recording.ids import segment_name
from chargebench.recording.quarantine import QUARANTINE
from chargebench.recording.recover import recover
from chargebench.recording.seal import seal
from chargebench.recording.segments import Row
from tests.recording.byte_bench import RUN_ID, written_journal
from tests.recording.sealing import row_of


def test_a_sealing_that_never_ends_puts_its_journal_into_quarantine(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A child without an answer is ended after a while, and the journal is in quarantine, whole."""
    data = written_journal(tmp_path).read_bytes()
    idle = [sys.executable, "-c", "import time; time.sleep(600)"]
    start = subprocess.Popen
    monkeypatch.setattr(subprocess, "Popen", lambda words, **more: start(idle, **more))
    heard: list[Mapping[str, Any]] = []
    finisher = Finisher(patience_s=0.5)
    assert recover([tmp_path], finisher, heard.append) == 1
    assert finisher._child is None
    finisher.close()
    assert [event["code"] for event in heard] == ["not-sealed", "quarantined"]
    assert "no answer after" in heard[0]["text"]
    assert (tmp_path / QUARANTINE / segment_name(RUN_ID, 1)).read_bytes() == data


@pytest.mark.parametrize(
    ("code", "kind"), [("os.kill(os.getpid(), 9)", "StorageError"), ("os._exit(3)", "UnsealableError")]
)
def test_only_a_crash_is_the_journals_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: str, kind: str
) -> None:
    """A child that somebody killed says nothing of the journal, which waits; one that crashed does."""
    journal = written_journal(tmp_path)
    start = subprocess.Popen
    words = [sys.executable, "-c", f"import os, sys; sys.stdin.readline(); {code}"]
    monkeypatch.setattr(subprocess, "Popen", lambda _, **more: start(words, **more))
    finisher = Finisher()
    with pytest.raises(StorageError) as caught:
        finisher(row_of(journal))
    finisher.close()
    assert type(caught.value).__name__ == kind


def test_a_run_that_is_sealed_and_not_processed_is_said_to_be_sealed(tmp_path: Path) -> None:
    """Where only the processing fails, nobody is told that the journal waits: the run is named, and what went wrong."""
    written_journal(tmp_path)

    def sealed_only(row: Row) -> dict[str, Any]:
        seal(row)
        raise StorageError("the sealing process ended with code -9; try again")

    heard: list[Mapping[str, Any]] = []
    assert recover([tmp_path], sealed_only, heard.append) == 0
    assert [event.get("code", event["event"]) for event in heard] == ["sealed", "not-processed"]
    assert heard[0]["path"] == str(tmp_path / f"{RUN_ID}.h5")
    assert "code -9" in heard[1]["text"]

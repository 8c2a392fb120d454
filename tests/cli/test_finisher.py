"""The child that seals and processes, as its parent sees it."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from chargebench.cli.finisher import Finisher
from chargebench.errors import StorageError
from chargebench.recording.manifest import MANIFEST
from chargebench.recording.recover import QUARANTINE, recover
from chargebench.recording.seal import seal
from tests.recording.byte_bench import RUN_ID, written_journal


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes on this system")
def test_a_sealing_that_never_ends_counts_as_a_failure(tmp_path: Path) -> None:
    """A child without an answer is ended after a while; after three such starts the journal is in quarantine, whole."""
    data = written_journal(tmp_path).read_bytes()
    os.mkfifo(tmp_path / MANIFEST)  # reading it waits for ever
    heard: list[Mapping[str, Any]] = []
    for _ in range(3):
        finisher = Finisher(patience_s=0.5)
        assert recover([tmp_path], finisher, heard.append) == 1
        assert finisher._child is None
        finisher.close()
    assert [event["code"] for event in heard] == ["not-sealed"] * 3 + ["quarantined"]
    assert "no answer after" in heard[0]["text"]
    assert (tmp_path / QUARANTINE / f"{RUN_ID}.journal").read_bytes() == data


def test_a_run_that_is_sealed_and_not_processed_is_said_to_be_sealed(tmp_path: Path) -> None:
    """Where only the processing fails, nobody is told that the journal waits: the run is named, and what went wrong."""
    journal = written_journal(tmp_path)

    def sealed_only(journal: Path) -> dict[str, Any]:
        seal(journal)
        raise StorageError("the sealing process ended with code -9; try again")

    heard: list[Mapping[str, Any]] = []
    assert recover([tmp_path], sealed_only, heard.append) == 0
    assert [event.get("code", event["event"]) for event in heard] == ["sealed", "not-processed"]
    assert heard[0]["path"] == str(journal.with_suffix(".h5"))
    assert "code -9" in heard[1]["text"]

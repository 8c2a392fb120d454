"""The child that seals and processes, as its parent sees it."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from chargebench.cli.finisher import Finisher
from chargebench.recording.manifest import MANIFEST
from chargebench.recording.recover import QUARANTINE, recover
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

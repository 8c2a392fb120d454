"""What a look over a run file finds."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from chargebench.runs.check import check_run
from chargebench.runs.run import Trace
from chargebench.runs.write import run_bytes
from tests.runs.made_runs import made_run, made_trace


def _file(folder: Path, name: str = "20260314T091500Z-7f3a2c.h5", **fields: Any) -> Path:
    path = folder / name
    path.write_bytes(run_bytes(made_run(**fields)))
    return path


def test_sound_file_has_no_findings(tmp_path: Path) -> None:
    """Nothing is found where nothing is wrong."""
    assert check_run(_file(tmp_path)) == ()


def test_damaged_file_is_one_finding(tmp_path: Path) -> None:
    """A file that cannot be read is a finding, not an exception."""
    path = _file(tmp_path)
    path.write_bytes(path.read_bytes()[:-1])
    (finding,) = check_run(path)
    assert path.name in finding


def _times(times: list[float]) -> Trace:
    trace = made_trace("charge", "cup", len(times))
    return Trace("charge", "cup", times, trace.value, trace.status, trace.sequence, trace.device_ms, trace.received_ns)


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"run_id": "another"}, "another"),
        ({"tags": {"dose_g": -4.0}}, "dose_g"),
        ({"tags": {"treatment": "wet"}}, "treatment"),
        ({"journal": b""}, "journal"),
        ({"traces": {}}, "no channel"),
        ({"traces": {"charge": made_trace("charge", "stranger", 5)}}, "stranger"),
        ({"traces": {"charge": _times([0.0, 2.0, 1.0])}}, "backwards 1 times"),
        ({"traces": {"charge": _times([0.0, np.nan, 1.0])}}, "1 readings without a time"),
    ],
)
def test_each_finding(tmp_path: Path, fields: dict[str, Any], words: str) -> None:
    """Each of these is found, alone, and said in one line."""
    (finding,) = check_run(_file(tmp_path, **fields))
    assert words in finding
    assert finding.isprintable()

"""Runs and benches to fill an archive with."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from chargebench.instruments.benchfile import Bench, bench_from_text
from chargebench.runs.run import Run, Trace
from chargebench.runs.write import run_bytes

BENCH = """
[bench]
name = "North bench"

[instrument.cup]
port = "/dev/ttyACM0"
lines = "framed"
carries = ["charge"]

[instrument.scale]
port = "/dev/ttyUSB0"
lines = "printed"
carries = ["mass"]
resolution_g = 0.01
repeatability_g = 0.02

[calibration]
gain = 1.002
u_gain = 0.004
leakage_time_constant_s = 500.0
u_leakage_time_constant_s = 25.0
bias_current_pA = -12.0
u_bias_current_pA = 3.0
certified = 2026-01-10
valid_until = 2026-12-31
"""


@pytest.fixture
def bench() -> Bench:
    """A bench with a charge input, a scale and a calibration."""
    return bench_from_text(BENCH)


def make_run(run_id: str = "20260314T091500Z-7f3a2c", charge_nC: float = -900.0, **tags: str | float) -> Run:
    """A quiet minute with one grind of 10 s in it, on cup and scale."""
    t = np.arange(0.0, 45.0, 0.02)
    rng = np.random.default_rng(7)
    ramp = np.clip((t - 15.0) / 10.0, 0.0, 1.0)
    none = np.full(len(t), -1)

    def trace(channel: str, instrument: str, value: np.ndarray) -> Trace:
        return Trace(channel, instrument, t, value, none * 0, none, none, none)

    return Run(
        run_id=run_id,
        started=f"{run_id[:4]}-{run_id[4:6]}-{run_id[6:8]}T09:15:00Z",
        tags={"coffee": "Quillon", "dose_g": 18.0, **tags},
        traces={
            "charge": trace("charge", "cup", charge_nC * ramp + rng.normal(0.0, 0.2, len(t))),
            "mass": trace("mass", "scale", np.round(152.3 + 18.0 * ramp, 2)),
        },
    )


@pytest.fixture
def put(tmp_path: Path) -> Callable[..., Path]:
    """Writes a run into ``tmp_path/archive`` and hands back its file."""
    folder = tmp_path / "archive"
    folder.mkdir()

    def write(run_id: str = "20260314T091500Z-7f3a2c", **tags: str | float) -> Path:
        path = folder / f"{run_id}.h5"
        path.write_bytes(run_bytes(make_run(run_id, **tags)))
        return path

    return write

"""Runs made up for tests: small, with every field filled, or plain."""

from __future__ import annotations

from typing import Any

import numpy as np

from chargebench.runs.run import Gap, InstrumentRecord, Knowledge, Known, Mark, Run, Trace


def made_trace(channel: str, instrument: str, samples: int, seed: int = 1) -> Trace:
    """A drifting, noisy trace with a clock and counters."""
    random = np.random.default_rng(seed)
    ticks = np.arange(samples)
    value = np.round(0.02 * ticks + random.normal(0, 0.5, samples), 4)
    return Trace(
        channel,
        instrument,
        ticks * 0.02,
        value,
        random.integers(0, 32, samples),
        ticks % 65536,
        ticks * 20,
        10**15 + ticks * 20_000_000,
    )


def made_run(samples: int = 400, **fields: Any) -> Run:
    """A run with every field filled, any of them replaced."""
    given: dict[str, Any] = {
        "run_id": "20260314T091500Z-7f3a2c",
        "started": "2026-03-14T09:15:00Z",
        "tags": {"coffee": "Höhenlage 12", "dose_g": 18.0, "treatment": "dry", "operator": "bench hand", "free": "yes"},
        "traces": {"charge": made_trace("charge", "cup", samples), "mass": made_trace("mass", "scale", samples // 5)},
        "marks": (Mark(0.5, "state", "armed"), Mark(4.0, "user", "door closed")),
        "gaps": (Gap("scale", 1.0, 1.5, "unplugged"),),
        "instruments": {
            "cup": InstrumentRecord("cup", "/dev/ttyACM0", "framed", ("charge",), "board 2", samples, {"crc": 2}),
            "scale": InstrumentRecord("scale", "/dev/ttyUSB0", "printed", ("mass",)),
        },
        "bench_text": '[bench]\nname = "Nordbank µ"\n',
        "knowledge": Knowledge({"gain": Known(1.002, 0.003, 7.0, "C·V at five levels", "2026-03-01", "2027-03-01")}),
        "clock": {"governs": "cup", "rate": 1.0000123, "note": ""},
        "journal": b"raw 1 1000000 cup Q,1,20,-0.0012,nC,OK*0000 00000000\n" * samples,
        "recovered": True,
        "versions": {"chargebench": "0.1.0", "python": "3.11"},
        "origin": "recorded",
    }
    return Run(**(given | fields))

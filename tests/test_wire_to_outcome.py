"""From the bytes of a board to the outcome: how the same charge is written and cut up does not matter."""

from __future__ import annotations

import json
from dataclasses import replace
from decimal import Decimal
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from chargebench.processing.recipe import process
from chargebench.runs.run import Run, Trace
from chargebench.wire.framed import encode
from chargebench.wire.make import make_decoder
from tests.processing.simulate import Bench, simulate

SHIFTS = {"pC": 3, "nC": 0, "uC": -3}


def sent(run: Run, unit: str) -> bytes:
    """Lines of the run's charge in a unit, as a board would write them."""
    x = run.traces["charge"]
    texts = (format(Decimal(f"{value:.4f}").scaleb(SHIFTS[unit]), "f") for value in x.value)
    return b"".join(
        encode("Q", n, round(1000 * t), text, unit) for n, (t, text) in enumerate(zip(x.time_s, texts, strict=True))
    )


def outcome_of(run: Run, pieces: list[bytes]) -> str:
    """The outcome of the run with its charge read from bytes that came in pieces."""
    decoder = make_decoder("framed", ["charge"])
    readings = [reading for piece in pieces for reading in decoder.feed(piece, 0)]
    device_ms = np.array([reading.device_ms for reading in readings])
    columns = (
        device_ms / 1000.0, np.array([reading.value for reading in readings]),
        np.array([int(reading.status) for reading in readings]),
        np.array([reading.sequence for reading in readings]), device_ms, np.zeros(len(readings), dtype=np.int64),
    )  # fmt: skip
    read = replace(run, traces={**run.traces, "charge": Trace("charge", "cup", *columns)})
    return json.dumps(process(read).as_json(), sort_keys=True)


@settings(max_examples=12, deadline=None)
@given(
    seed=st.integers(0, 100), unit=st.sampled_from(sorted(SHIFTS)),
    cuts=st.lists(st.integers(0, 30_000), max_size=40),
)  # fmt: skip
def test_unit_and_pieces_change_no_bit_of_the_outcome(seed: int, unit: str, cuts: list[int]) -> None:
    """Charge in pC, nC or µC, its bytes cut anywhere, gives the outcome of one piece in nC, to the last bit."""
    run, _ = simulate(Bench(rate_Hz=20.0, walk=0.005, seed=seed))
    data = sent(run, unit)
    edges = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    pieces = [data[a:b] for a, b in pairwise(edges)]
    assert outcome_of(run, pieces) == outcome_of(run, [sent(run, "nC")])

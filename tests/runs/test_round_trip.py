"""A run written and read again is the same run, to the last bit of every field."""

from __future__ import annotations

import io
import math
from typing import Any

import h5py
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from chargebench.errors import ForeignRunError, RunFileError
from chargebench.runs import write
from chargebench.runs.check import difference
from chargebench.runs.layout import CHANNELS
from chargebench.runs.load import load_run_bytes
from chargebench.runs.run import Gap, InstrumentRecord, Knowledge, Known, Mark, Run, Trace
from chargebench.runs.tree import run_of, tree_of
from chargebench.runs.write import run_bytes
from tests.runs.made_runs import made_run, made_trace

WORD = st.text(max_size=40)
PLAIN = WORD.map(lambda text: text.replace("\0", ""))
NUMBER = st.floats(allow_nan=True, allow_infinity=True)
VALUES = st.dictionaries(WORD, st.one_of(WORD, NUMBER), max_size=6)


@st.composite
def traces(draw: st.DrawFn, channel: str) -> Trace:
    """A trace of any numbers, empty ones included."""
    size = draw(st.integers(0, 60))
    floats, integers = (hnp.arrays(kind, size) for kind in (np.float64, np.int64))
    numbers = [draw(floats), draw(floats), *(draw(integers) for _ in range(4))]
    return Trace(channel, draw(PLAIN), *numbers)


@st.composite
def runs(draw: st.DrawFn) -> Run:
    """Any run the recorder could make, and many it could not."""
    channels = draw(st.lists(st.sampled_from(CHANNELS[:40]), unique=True, max_size=3))
    instrument = st.builds(
        InstrumentRecord,
        WORD,
        WORD,
        WORD,
        st.lists(WORD, max_size=3).map(tuple),
        WORD,
        st.integers(0, 2**40),
        st.dictionaries(WORD, st.integers(0, 10**9), max_size=3),
    )
    known = st.builds(Known, NUMBER, NUMBER, NUMBER, WORD, WORD, WORD)
    return Run(
        run_id=draw(PLAIN),
        started=draw(PLAIN),
        tags=draw(VALUES),
        traces={channel: draw(traces(channel)) for channel in channels},
        marks=tuple(draw(st.lists(st.builds(Mark, NUMBER, WORD, WORD), max_size=3))),
        gaps=tuple(draw(st.lists(st.builds(Gap, WORD, NUMBER, NUMBER, WORD), max_size=3))),
        instruments=draw(st.dictionaries(WORD, instrument, max_size=3)),
        bench_text=draw(PLAIN),
        knowledge=Knowledge(draw(st.dictionaries(WORD, known, max_size=3))),
        clock=draw(VALUES),
        journal=draw(st.binary(max_size=500)),
        recovered=draw(st.booleans()),
        versions=draw(st.dictionaries(WORD, WORD, max_size=3)),
        origin=draw(PLAIN),
    )


def alike(one: Any, other: Any) -> bool:
    """Equality field by field, with NaN equal to NaN; independent of how files are laid out."""
    if isinstance(one, float) and isinstance(other, float):
        return one == other or (math.isnan(one) and math.isnan(other))
    if isinstance(one, np.ndarray):
        return one.dtype == other.dtype and np.array_equal(one, other, equal_nan=one.dtype.kind == "f")
    if isinstance(one, (Run, Trace, Mark, Gap, InstrumentRecord, Known, Knowledge)):
        return type(one) is type(other) and alike(vars(one), vars(other))
    if hasattr(one, "items"):
        return list(one) == list(other) and all(alike(one[key], other[key]) for key in one)
    if isinstance(one, tuple):
        return len(one) == len(other) and all(map(alike, one, other))
    return bool(one == other) and type(one) is type(other)


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(runs())
def test_any_run_survives(run: Run) -> None:
    """Every field of any run comes back equal: NaN, infinities, empty traces, any text, any order."""
    assert alike(load_run_bytes(run_bytes(run)), run)


@pytest.mark.parametrize(
    "fields",
    [
        {},
        {"traces": {}},
        {"traces": {"charge": made_trace("charge", "cup", 0)}},
        {"traces": {"charge32": made_trace("charge32", "plates", 5), "current": made_trace("current", "cup", 1)}},
        {"traces": {"charge": made_trace("charge", "cup", 100_000)}, "journal": b"\0\xff" * 400_000},
        {"tags": {"note": "n" * 10_000, "coffee": "\0\x1b\u202e<b>", "operator": "\ud800"}},
        {"tags": {}, "marks": (), "gaps": (), "instruments": {}, "knowledge": Knowledge(), "clock": {}},
        {"tags": {"float": "inf", "x": math.inf, "y": -0.0}},
        {"bench_text": "", "journal": b"", "origin": "imported", "recovered": False, "run_id": "", "started": ""},
        {"bench_text": "# " + "µ" * 300_000},
    ],
    ids=lambda fields: ",".join(fields) or "all",
)
def test_particular_runs_survive(fields: dict[str, Any]) -> None:
    """The corners: no channel, no sample, several chunks, long and odd text, nothing at all."""
    run = made_run(**fields)
    back = load_run_bytes(run_bytes(run))
    assert alike(back, run)
    assert difference(back, run) == ""
    assert back.raw_sha256() == run.raw_sha256()


def test_what_comes_back_is_read_only() -> None:
    """Raw stays raw: the arrays of a loaded run cannot be written to."""
    trace = load_run_bytes(run_bytes(made_run())).traces["charge"]
    with pytest.raises(ValueError, match="read-only"):
        trace.value[0] = 1.0


@pytest.mark.parametrize(
    ("fields", "named"),
    [
        ({"bench_text": "a\0b"}, "NUL"),
        ({"bench_text": "\udcff"}, "surrogates"),
        ({"traces": {"voltage": made_trace("charge", "cup", 3)}}, "voltage"),
        ({"traces": {"charge": made_trace("mass", "cup", 3)}}, "charge"),
        ({"traces": {"charge33": made_trace("charge33", "cup", 3)}}, "charge33"),
        ({"bench_text": "x" * ((16 << 20) + 1)}, "16777217"),
    ],
)
def test_what_no_file_can_hold_is_refused_when_written(fields: dict[str, Any], named: str) -> None:
    """A run that could not be read again is not written."""
    with pytest.raises(RunFileError, match=named):
        run_bytes(made_run(**fields))


@pytest.mark.parametrize(
    "path", ["/entry/user/name", "/entry/charge/time", "/entry/run/record", "/entry/run/raw_sha256"]
)
def test_tree_with_a_hole_is_no_run(path: str) -> None:
    """Nothing of the layout may be missing."""
    tree = tree_of(made_run())
    del tree[path]
    with pytest.raises(ValueError):
        run_of(tree)


def test_difference_names_the_place() -> None:
    """Two runs that differ are told apart by the path at which they do."""
    assert difference(made_run(), made_run()) == ""
    assert difference(made_run(), made_run(journal=b"x")) == "/entry/journal/data"
    assert difference(made_run(), made_run(recovered=False)) == "/entry/run/record"


def test_numbers_are_stored_in_pieces_of_a_quarter_mebibyte() -> None:
    """What is damaged costs no more than its piece, and a program that reads a part reads little beside it."""
    run = made_run(traces={"charge": made_trace("charge", "cup", 70_000)})
    with h5py.File(io.BytesIO(run_bytes(run))) as file:
        pieces: list[int] = []
        file.visititems(
            lambda _, found: (
                pieces.append(found.chunks[0] * found.dtype.itemsize)
                if isinstance(found, h5py.Dataset) and found.dtype.kind != "O" and len(found) == 70_000
                else None
            )
        )
    assert set(pieces) == {262_144}


@pytest.mark.parametrize(("piece", "taken"), [(1_048_576, True), (1_048_584, False)])
def test_a_file_in_larger_pieces_than_a_mebibyte_is_refused(
    monkeypatch: pytest.MonkeyPatch, piece: int, taken: bool
) -> None:
    """A piece is unpacked whole, so that its size bounds what reading takes."""
    monkeypatch.setattr(write, "CHUNK_BYTES", piece)
    data = run_bytes(made_run(traces={"charge": made_trace("charge", "cup", 140_000)}))
    if taken:
        assert len(load_run_bytes(data).traces["charge"]) == 140_000
    else:
        with pytest.raises(ForeignRunError, match="at most 1048576 bytes"):
            load_run_bytes(data)

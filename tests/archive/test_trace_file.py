"""Rules of reading plain traces: what is understood, and what is refused with file, line, column and value."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chargebench.archive.trace_file import read_table, read_trace
from chargebench.errors import TraceFileError

T = [0.5 * n for n in range(12)]
Q = [(-1) ** n * 1.25 * n for n in range(12)]


def lines(
    delimiter: str = ",", mark: str = ".", quote: str = "", end: str = "\n", head: str = "time_s,charge_nC"
) -> str:
    """The same twelve readings, written in one of many ways."""
    rows = [delimiter.join(f"{quote}{v}{quote}".replace(".", mark) for v in row) for row in zip(T, Q, strict=True)]
    return end.join([head.replace(",", delimiter), *rows, ""])


@pytest.mark.parametrize(
    "data",
    [
        lines().encode(),
        lines(";").encode(),
        lines(";", ",").encode(),
        lines("\t", ",").encode(),
        lines(",", ",", '"').encode(),
        lines(end="\r\n").encode(),
        lines(end="\r").encode(),
        lines().rstrip().encode(),
        lines(quote='"').encode(),
        b"\xef\xbb\xbf" + lines(";", ",", end="\r\n").encode(),
        lines().encode("utf-16"),
        ("# made by a logger, in nC\n\n" + lines() + "\n\n").encode(),
        lines().replace(",", " , ").encode(),
        lines(head="time_s,current_nA").encode(),
        lines().replace("\n", ",\n").encode(),
    ],
    ids=[
        "commas", "semicolons", "decimal commas", "tabs", "quoted decimal commas", "CRLF", "CR", "no last line end",
        "quoted", "byte order mark", "UTF-16", "comment and empty lines", "blanks", "current", "delimiters at the end",
    ],
)  # fmt: skip
def test_the_same_readings_however_written(tmp_path: Path, data: bytes) -> None:
    """Delimiter, decimal mark, quotes, line ends and encoding do not change the readings."""
    path = tmp_path / "trace.csv"
    path.write_bytes(data)
    trace = read_trace(path, ("charge", "current"))
    np.testing.assert_array_equal(trace.time_s, T)
    np.testing.assert_array_equal(trace.value, Q)


@pytest.mark.parametrize(
    ("head", "quantity", "factor"),
    [
        ("time_s,charge_pC", "charge", 1e-3),
        ("time_s,charge_uC", "charge", 1e3),
        ("time_s,current_pA", "current", 1e-3),
        ("charge_nC,time_s", "charge", None),
    ],
)
def test_units_and_order_of_columns_come_from_the_header(
    tmp_path: Path, head: str, quantity: str, factor: float | None
) -> None:
    """Values arrive in the canonical unit, whatever unit and order the header names."""
    path = tmp_path / "trace.csv"
    text = lines(head=head)
    if factor is None:
        text = "\n".join([head, *(f"{q},{t}" for t, q in zip(T, Q, strict=True))])
    path.write_text(text)
    trace = read_trace(path, ("charge", "current"))
    assert trace.quantity == quantity
    np.testing.assert_allclose(trace.value, np.array(Q) * (factor or 1.0), rtol=1e-15)
    np.testing.assert_array_equal(trace.time_s, T)


def test_columns_not_asked_for_are_named(tmp_path: Path) -> None:
    """Further columns are left aside and named."""
    path = tmp_path / "trace.csv"
    path.write_text("\n".join(["time_s,room,charge_nC", *(f"{t},x,{q}" for t, q in zip(T, Q, strict=True))]))
    trace = read_trace(path, ("charge",))
    assert trace.ignored == ("room",)
    np.testing.assert_array_equal(trace.value, Q)


ROWS = lines().splitlines()


def _with(row: int, text: str) -> str:
    return "\n".join([*ROWS[:row], text, *ROWS[row + 1 :]])


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (_with(3, "1.0,nan"), "line 4, column charge_nC: found 'nan'"),
        (_with(3, "1.0,inf"), "line 4, column charge_nC: found 'inf'"),
        (_with(3, "1.0,1e999"), "line 4, column charge_nC: found '1e999'"),
        (_with(3, "1.0,"), "line 4, column charge_nC: found ''"),
        (_with(3, "NaN,2"), "line 4, column time_s: found 'NaN'"),
        (_with(3, "1.0,OVER"), "line 4, column charge_nC: found 'OVER'"),
        (_with(3, "1.0,0x10"), "line 4, column charge_nC: found '0x10'"),
        (_with(3, "1.0,1_000"), "line 4, column charge_nC: found '1_000'"),
        (_with(3, "1.0,٣"), "line 4, column charge_nC"),
        (_with(3, "0.5,2.5"), "line 4, column time_s: found '0.5', allowed times that rise"),
        (_with(3, "0.25,2.5"), "a time before"),
        (_with(3, "1.0,2.5,7"), "line 4: 3 cells where the header has 2"),
        (_with(3, "1.0"), "line 4: 1 cells"),
        (_with(3, '1.0,"2.5'), "line"),
        (_with(0, "time_s,charge"), "one column charge_nC or current_nA, found none"),
        (_with(0, "seconds,charge_nC"), "needs one column time_s, found none"),
        (_with(0, "charge_nC,current_nA"), "needs one column time_s"),
        (_with(0, "time_s,time_s"), "line 1: column 'time_s' named twice"),
        (_with(0, "time_s,"), "header time_s: needs one column time_s, found time_s, and one column charge_nC"),
        ("\n".join(r.replace(",", ",,") for r in ROWS), "line 1: column 2 has no name"),
        ("\n".join(r + ",1" for r in ROWS).replace("nC,1", "nC,current_nA"), "found charge_nC, current_nA"),
        ("\n".join(ROWS[1:]), "line 1: numbers where a header such as time_s,charge_nC"),
        ("\n".join(ROWS[:5]), "4 samples, allowed 10"),
        ("", "empty"),
        ("\n\n# nothing\n", "empty"),
        ("time_s;charge_nC\n0;1,5\n1;1.500\n", "line 3, column charge_nC: found '1.500', allowed one decimal mark"),
        ("time_s;charge_nC\n0;1.234,5\n", "line 2, column charge_nC: found '1.234,5'"),
        (lines(",", ","), "separate columns by semicolons"),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, text: str, says: str) -> None:
    """A trace that cannot be trusted is refused in one line with file, place, value and what is allowed."""
    path = tmp_path / "trace.csv"
    path.write_text(text, encoding="utf-8", newline="")
    with pytest.raises(TraceFileError, match=re.escape(says)) as caught:
        read_trace(path, ("charge", "current"))
    assert str(caught.value).startswith(str(path))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("data", [b"time_s,charge_nC\n0,\xff\n", b"\x89PNG\0\0\0", b"time_s\0"])
def test_bytes_that_are_no_text_are_refused(tmp_path: Path, data: bytes) -> None:
    """A file that is not text is refused by name."""
    path = tmp_path / "trace.csv"
    path.write_bytes(data)
    with pytest.raises(TraceFileError, match=r"trace\.csv: line"):
        read_trace(path, ("charge",))


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    """A file that is not there, or is a folder, is named."""
    for path in (tmp_path / "none.csv", tmp_path):
        with pytest.raises(TraceFileError, match=re.escape(str(path))):
            read_table(path)


@settings(max_examples=300, deadline=None)
@given(
    data=st.one_of(st.binary(max_size=300), st.text(max_size=300).map(lambda s: ("time_s,charge_nC\n" + s).encode()))
)
def test_any_bytes_are_read_or_refused(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    """Whatever a file holds, it is read as a trace or refused with TraceFileError, never anything else."""
    path = tmp_path_factory.getbasetemp() / "any.csv"
    path.write_bytes(data)
    try:
        trace = read_trace(path, ("charge",))
    except TraceFileError:
        return
    assert np.all(np.diff(trace.time_s) > 0)
    assert np.all(np.isfinite(trace.value))


@settings(max_examples=100, deadline=None)
@given(
    values=st.lists(st.floats(-1e9, 1e9), min_size=10, max_size=30),
    delimiter=st.sampled_from([";", "\t"]),
    mark=st.sampled_from([".", ","]),
)
def test_numbers_come_back_exactly(
    tmp_path_factory: pytest.TempPathFactory, values: list[float], delimiter: str, mark: str
) -> None:
    """Every finite number written in full is read back to the last bit."""
    path = tmp_path_factory.getbasetemp() / "exact.csv"
    rows = [f"{n}{delimiter}{value!r}".replace(".", mark) for n, value in enumerate(values)]
    path.write_text("\n".join([f"time_s{delimiter}charge_nC", *rows]), encoding="utf-8")
    np.testing.assert_array_equal(read_trace(path, ("charge",)).value, values)

"""Plain traces of other loggers, as text with a header line. Owns the reading of them; knows nothing of runs.

Understood: comma, semicolon or tab between columns; decimal point, or decimal comma where it cannot be mistaken;
quotes; LF, CRLF or CR; UTF-8 with or without a mark, and UTF-16 with one. Lines that are empty or begin with ``#`` are
passed over. Nothing is guessed: what could be read in two ways is refused, naming file, line and column.
"""

from __future__ import annotations

import codecs
import csv
import io
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final, NoReturn

import numpy as np
import numpy.typing as npt

from chargebench.errors import TraceFileError
from chargebench.files import TRACE, read_bytes
from chargebench.units import QUANTITIES, from_wire

__all__ = ["Column", "Table", "read_table", "read_trace"]

Floats = npt.NDArray[np.float64]
FEWEST_SAMPLES: Final = 10

_NUMBER: Final = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)


@dataclass(frozen=True)
class Table:
    """A text table: names of its columns and its rows, each with the number of its first line in the file."""

    path: Path
    header: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    delimiter: str


@dataclass(frozen=True)
class Column:
    """One quantity of a trace.

    Attributes
    ----------
    quantity : str
        ``charge``, ``current`` or ``mass``.
    time_s, value : float64 array (n,)
        Rising times; values in the canonical unit of the quantity.
    ignored : tuple of str
        Columns of the file that were not asked for.
    """

    quantity: str
    time_s: Floats
    value: Floats
    ignored: tuple[str, ...] = ()


def _text(path: Path) -> str:
    try:
        data = read_bytes(path, TRACE)
    except OSError as error:
        raise TraceFileError(f"{path}: cannot be read ({error.strerror or error})") from error
    wide = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    try:
        text = data.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise TraceFileError(f"{path}: line {line}: bytes that are no text; save it as CSV in UTF-8") from error
    if "\0" in text:
        raise TraceFileError(f"{path}: line {text[: text.index(chr(0))].count(chr(10)) + 1}: not a text file")
    return text


def _rows(path: Path, text: str, delimiter: str) -> Iterator[tuple[int, tuple[str, ...]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    last = 0
    try:
        for row in reader:
            first, last = last + 1, reader.line_num
            cells = tuple(cell.strip() for cell in row)
            if any(cells) and not cells[0].startswith("#"):
                yield first, cells
    except csv.Error as error:
        raise TraceFileError(f"{path}: line {reader.line_num}: {error}; a quoted cell must end at its quote") from error


def _delimiter(text: str) -> str:
    """The column delimiter, from the header line: whichever of tab, semicolon and comma comes first in that order."""
    lines = (line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#"))
    header = next(lines, "")
    return next((mark for mark in "\t;," if mark in header), ",")


def _cut(cells: tuple[str, ...], length: int) -> tuple[str, ...]:
    """Cells without empty ones beyond a length."""
    while len(cells) > length and not cells[-1]:
        cells = cells[:-1]
    return cells


def read_table(path: Path, *, ragged: bool = False) -> Table:
    """A text table with a header line.

    Parameters
    ----------
    path : Path
    ragged : bool
        True: rows of another length than the header are handed back as they are, for the caller to name.

    Raises
    ------
    TraceFileError
        When the file cannot be read as text, has no header, or a row has not as many cells as the header (unless
        `ragged`).
    """
    text = _text(path)
    delimiter = _delimiter(text)
    rows = list(_rows(path, text, delimiter))
    if not rows:
        raise TraceFileError(f"{path}: empty; expected a header line and rows")
    line, header = rows[0]
    if all(_NUMBER.fullmatch(cell) for cell in header):
        raise TraceFileError(f"{path}: line {line}: numbers where a header such as time_s,charge_nC is expected")
    while len(header) > 1 and not header[-1]:  # a delimiter at the end of each line
        header = header[:-1]
    rows = [(line, _cut(cells, len(header))) for line, cells in rows]
    for position, name in enumerate(header):
        if not name or name in header[:position]:
            wrong = f"column {name!r} named twice" if name else f"column {position + 1} has no name"
            raise TraceFileError(f"{path}: line {line}: {wrong}")
    for line, cells in rows[1:]:
        if len(cells) != len(header) and not ragged:
            hint = "; with commas as decimal marks separate columns by semicolons" if delimiter == "," else ""
            found = f"{len(cells)} cells where the header has {len(header)}"
            raise TraceFileError(f"{path}: line {line}: {found}{hint}")
    return Table(path, header, tuple(rows[1:]), delimiter)


class _Numbers:
    """Reads the numbers of one file and holds it to one decimal mark."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.mark = ""

    def refuse(self, line: int, column: str, text: str, allowed: str) -> NoReturn:
        raise TraceFileError(f"{self.path}: line {line}, column {column}: found {text[:60]!r}, allowed {allowed}")

    def read(self, line: int, column: str, text: str, power: int) -> float:
        if _NUMBER.fullmatch(text) is None:
            self.refuse(line, column, text, "a finite number without separators of thousands")
        mark = "," if "," in text else "." if "." in text else ""
        if mark and self.mark and mark != self.mark:
            self.refuse(line, column, text, f"one decimal mark in a file, so far {self.mark!r}")
        self.mark = self.mark or mark
        value = from_wire(text.replace(",", "."), power)
        if not math.isfinite(value):
            self.refuse(line, column, text, "a finite number")
        return value


def _time_power(name: str) -> int | None:
    return {"time_s": 0, "time_ms": -3}.get(name)


def _value_column(header: tuple[str, ...], quantities: tuple[str, ...]) -> list[tuple[str, str, int]]:
    """Columns that carry one of the quantities: name, quantity, power of ten to the canonical unit."""
    found = []
    for name in header:
        quantity, _, unit = name.partition("_")
        if quantity in quantities and unit in QUANTITIES[quantity].powers:
            found.append((name, quantity, QUANTITIES[quantity].powers[unit]))
    return found


def read_trace(path: Path, quantities: tuple[str, ...]) -> Column:
    """One trace out of a file: its time column and the one column that carries one of the quantities.

    Parameters
    ----------
    path : Path
        The file; columns are named ``time_s`` (or ``time_ms``) and, say, ``charge_nC``, ``current_nA``, ``mass_g``, or
        with another unit that `chargebench.units` knows.
    quantities : tuple of str
        Quantities looked for; exactly one column must carry one of them.

    Raises
    ------
    TraceFileError
        When a column is missing or there are two of them, a cell is not a finite number, time does not rise from row
        to row, or there are fewer than ten samples. Names file, line, column, value and what is allowed.
    """
    table = read_table(path)
    times = [name for name in table.header if _time_power(name) is not None]
    values = _value_column(table.header, quantities)
    if len(times) != 1 or len(values) != 1:
        wanted = " or ".join(f"{q}_{QUANTITIES[q].unit}" for q in quantities)
        which, what = ", ".join(times) or "none", ", ".join(value[0] for value in values) or "none"
        needs = f"needs one column time_s, found {which}, and one column {wanted}, found {what}"
        raise TraceFileError(f"{path}: header {','.join(table.header)}: {needs}")
    (time_name,), ((value_name, quantity, power),) = times, values
    time_s, value = _arrays(table, time_name, value_name, power)
    ignored = tuple(name for name in table.header if name not in (time_name, value_name))
    return Column(quantity, time_s, value, ignored)


def _arrays(table: Table, time_name: str, value_name: str, power: int) -> tuple[Floats, Floats]:
    """Times and values of a table, checked row by row."""
    numbers = _Numbers(table.path)
    time_power = _time_power(time_name) or 0
    at, of = table.header.index(time_name), table.header.index(value_name)
    time_s, value = np.empty(len(table.rows)), np.empty(len(table.rows))
    before = -math.inf
    for n, (line, cells) in enumerate(table.rows):
        time_s[n] = numbers.read(line, time_name, cells[at], time_power)
        value[n] = numbers.read(line, value_name, cells[of], power)
        if time_s[n] <= before:
            word = "the same time again" if time_s[n] == before else "a time before that of the row above"
            numbers.refuse(line, time_name, cells[at], f"times that rise from row to row ({word})")
        before = time_s[n]
    if len(value) < FEWEST_SAMPLES:
        raise TraceFileError(f"{table.path}: {len(value)} samples, allowed {FEWEST_SAMPLES} and more")
    return time_s, value

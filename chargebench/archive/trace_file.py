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
from array import array
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import count
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
MOST_ROWS: Final = 1_200_000
"""Twenty minutes at 1,000 samples a second; read within ten seconds of a core that has other work too."""
LONGEST_LINE: Final = 100_000
MOST_LINES: Final = 100
"""Of one row, whose quoted cells may go over several lines."""
MOST_CELLS: Final = 2_000_000
"""Of a table that is kept whole."""
PIECE: Final = 1 << 20

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


def _data(path: Path) -> tuple[bytes, str]:
    """The bytes of a file, and the encoding in which they are text."""
    try:
        data = read_bytes(path, TRACE)
    except OSError as error:
        raise TraceFileError(f"{path}: cannot be read ({error.strerror or error})") from error
    encoding = "utf-16" if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) else "utf-8-sig"
    decoder, line = codecs.getincrementaldecoder(encoding)(), 1
    for start in range(0, len(data) + 1, PIECE):
        piece = data[start : start + PIECE]
        try:
            text = decoder.decode(piece, final=start + PIECE > len(data))
        except UnicodeDecodeError as error:
            line += piece.count(b"\n", 0, error.start)
            raise TraceFileError(f"{path}: line {line}: bytes that are no text; save it as CSV in UTF-8") from error
        if "\0" in text:
            raise TraceFileError(f"{path}: line {line + text.count(chr(10), 0, text.index(chr(0)))}: not a text file")
        line += text.count("\n")
    return data, encoding


class _Rows:
    """Rows of a text table, each with the number of its first line, as they are read; never all of it at once.

    Attributes
    ----------
    delimiter : str
        From the header line: whichever of tab, semicolon and comma comes first in that order.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._data, self._encoding = _data(path)
        self._since_row = 0
        self.delimiter = self._delimiter()

    def _delimiter(self) -> str:
        for line in self._lines():
            self._since_row = 0
            if line.strip() and not line.lstrip().startswith("#"):
                return next((mark for mark in "\t;," if mark in line), ",")
        return ","

    def _lines(self) -> Iterator[str]:
        file = io.TextIOWrapper(io.BytesIO(self._data), self._encoding, newline="")
        self._since_row = 0
        for number in count(1):
            line = file.readline(LONGEST_LINE + 1)
            if not line:
                return
            self._since_row += 1
            if len(line) > LONGEST_LINE:
                self._refuse(number, f"longer than {LONGEST_LINE} characters, as no line of a trace is")
            if self._since_row > MOST_LINES:
                self._refuse(number, f"a row of more than {MOST_LINES} lines; is a quote not closed?")
            if number > 2 * MOST_ROWS:
                self._refuse(number, f"more than {2 * MOST_ROWS} lines; cut it into runs")
            yield line

    def _refuse(self, line: int, why: str) -> NoReturn:
        raise TraceFileError(f"{self._path}: line {line}: {why}")

    def __iter__(self) -> Iterator[tuple[int, tuple[str, ...]]]:
        reader = csv.reader(self._lines(), delimiter=self.delimiter, strict=True)
        last = rows = 0
        try:
            for row in reader:
                first, last, self._since_row = last + 1, reader.line_num, 0
                cells = tuple(map(str.strip, row))
                if any(cells) and not cells[0].startswith("#"):
                    rows += 1
                    if rows > MOST_ROWS + 1:
                        raise TraceFileError(
                            f"{self._path}: line {first}: more than {MOST_ROWS} rows; cut it into runs"
                        )
                    yield first, cells
        except csv.Error as error:
            told = f"{self._path}: line {reader.line_num}: {error}; a quoted cell must end at its quote"
            raise TraceFileError(told) from error


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
    header, rows, delimiter = _table(path, ragged=ragged)
    kept, left = [], MOST_CELLS
    for line, cells in rows:
        kept.append((line, cells))
        left -= len(cells)
        if left < 0:
            raise TraceFileError(f"{path}: line {line}: more than {MOST_CELLS} cells; cut the list into several")
    return Table(path, header, tuple(kept), delimiter)


def _table(path: Path, *, ragged: bool = False) -> tuple[tuple[str, ...], Iterator[tuple[int, tuple[str, ...]]], str]:
    """Header, rows as they are read, and delimiter; errors as `read_table`, those of rows when they are reached."""
    source = _Rows(path)
    rows = iter(source)
    line, header = next(rows, (0, ()))
    if not header:
        raise TraceFileError(f"{path}: empty; expected a header line and rows")
    if all(_NUMBER.fullmatch(cell) for cell in header):
        raise TraceFileError(f"{path}: line {line}: numbers where a header such as time_s,charge_nC is expected")
    while len(header) > 1 and not header[-1]:  # a delimiter at the end of each line
        header = header[:-1]
    before: set[str] = set()
    for position, name in enumerate(header):
        if not name or name in before:
            wrong = f"column {name!r} named twice" if name else f"column {position + 1} has no name"
            raise TraceFileError(f"{path}: line {line}: {wrong}")
        before.add(name)
    return header, _even(path, header, rows, source.delimiter, ragged=ragged), source.delimiter


def _even(
    path: Path, header: tuple[str, ...], rows: Iterator[tuple[int, tuple[str, ...]]], delimiter: str, *, ragged: bool
) -> Iterator[tuple[int, tuple[str, ...]]]:
    """Rows of the length of the header, or any where `ragged`."""
    for line, found in rows:
        cells = found if len(found) == len(header) else _cut(found, len(header))
        if len(cells) != len(header) and not ragged:
            hint = "; with commas as decimal marks separate columns by semicolons" if delimiter == "," else ""
            raise TraceFileError(f"{path}: line {line}: {len(cells)} cells where the header has {len(header)}{hint}")
        yield line, cells


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
        if (mark := "," if "," in text else "." if "." in text else "") and mark != self.mark:
            if self.mark:
                self.refuse(line, column, text, f"one decimal mark in a file, so far {self.mark!r}")
            self.mark = mark
        if mark == ",":
            text = text.replace(",", ".")
        value = from_wire(text, power) if power else float(text)
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
    header, rows, _ = _table(path)
    times = [name for name in header if _time_power(name) is not None]
    values = _value_column(header, quantities)
    if len(times) != 1 or len(values) != 1:
        wanted = " or ".join(f"{q}_{QUANTITIES[q].unit}" for q in quantities)
        which, what = ", ".join(times) or "none", ", ".join(value[0] for value in values) or "none"
        needs = f"needs one column time_s, found {which}, and one column {wanted}, found {what}"
        raise TraceFileError(f"{path}: header {','.join(header)[:300]}: {needs}")
    (time_name,), ((value_name, quantity, power),) = times, values
    time_s, value = _arrays(
        path, rows, (header.index(time_name), time_name), (header.index(value_name), value_name, power)
    )
    ignored = tuple(name for name in header if name not in (time_name, value_name))
    return Column(quantity, time_s, value, ignored)


def _arrays(
    path: Path, rows: Iterator[tuple[int, tuple[str, ...]]], time: tuple[int, str], value: tuple[int, str, int]
) -> tuple[Floats, Floats]:
    """Times and values of the two columns (place, name, power of ten), checked row by row."""
    numbers = _Numbers(path)
    (at, time_name), (of, value_name, power) = time, value
    time_power = _time_power(time_name) or 0
    times, values = array("d"), array("d")
    before = -math.inf
    for line, cells in rows:
        time_s = numbers.read(line, time_name, cells[at], time_power)
        values.append(numbers.read(line, value_name, cells[of], power))
        if time_s <= before:
            word = "the same time again" if time_s == before else "a time before that of the row above"
            numbers.refuse(line, time_name, cells[at], f"times that rise from row to row ({word})")
        times.append(time_s)
        before = time_s
    if len(values) < FEWEST_SAMPLES:
        raise TraceFileError(f"{path}: {len(values)} samples, allowed {FEWEST_SAMPLES} and more")
    return np.array(times), np.array(values)

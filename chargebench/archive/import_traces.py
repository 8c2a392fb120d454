"""Runs made of plain traces from other loggers. Owns the way from files to a sealed run marked ``imported``.

An imported run is a run like any other from here on: same file, same recipe, same flags. It has no journal and no
states; where the grind lies is found from the traces.
"""

from __future__ import annotations

import hashlib
import math
import re
import secrets
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np

from chargebench import __version__
from chargebench.archive.archive import Archive
from chargebench.archive.trace_file import Column, Table, read_table, read_trace
from chargebench.errors import ChargebenchError, TraceFileError
from chargebench.files import TRACE, read_bytes
from chargebench.runs.run import InstrumentRecord, Knowledge, Mark, Run, TagValue, Trace

__all__ = ["Imported", "Importer", "import_list", "import_run", "run_from_traces", "start_words"]

KnowledgeOn = Callable[[date], Knowledge]

SHORTEST_OVERLAP: Final = 0.5
"""Least part of the charge trace's time that the mass trace must cover: below it the two are not of one run."""


AHEAD: Final = timedelta(minutes=5)
"""Two computers' clocks may differ by so much."""


@dataclass(frozen=True)
class Imported:
    """What became of one run: its file, or what was wrong; what to know of others with the same readings.

    Attributes
    ----------
    path : Path or None
    problem, note : str
    line : int
        Where it stands in a list.
    """

    path: Path | None = None
    problem: str = ""
    note: str = ""
    line: int = 0


def _trace(column: Column, instrument: str) -> Trace:
    none = np.full(len(column.time_s), -1)
    return Trace(column.quantity, instrument, column.time_s, column.value, none * 0, none, none, none)


def _record(path: Path, name: str, column: Column) -> InstrumentRecord:
    """What a run keeps of a trace's origin: file name and SHA-256."""
    digest = hashlib.sha256(read_bytes(path, TRACE)).hexdigest()
    lines = len(column.time_s)
    return InstrumentRecord(name, path.name, "trace", (column.quantity,), f"sha256:{digest}", lines)


def _check_overlap(charge: Column, mass: Column, mass_file: Path) -> None:
    start, end = charge.time_s[[0, -1]]
    shared = min(end, mass.time_s[-1]) - max(start, mass.time_s[0])
    if shared < SHORTEST_OVERLAP * (end - start):
        spans = f"{mass.time_s[0]:g} to {mass.time_s[-1]:g} s, charge from {start:g} to {end:g} s"
        raise TraceFileError(f"{mass_file}: column time_s: mass from {spans}; both must share one clock")


def _started(text: str | None) -> datetime:
    """UTC start time; now where none is given.

    Raises
    ------
    TraceFileError
        When the text is not an ISO 8601 date and time.
    """
    if not text:
        return datetime.now(UTC)
    try:
        return datetime.fromisoformat(text).astimezone(UTC)
    except (ValueError, OverflowError, OSError):  # the last two from a date that no clock of this machine reaches
        raise TraceFileError(f"started: found {text!r}, allowed ISO 8601 such as 2026-03-14T09:15:00Z") from None


def start_words(text: str | None) -> str:
    """What is odd about a start time that was given, in words: no zone, or not yet come. Empty where nothing is.

    Raises
    ------
    TraceFileError
        When the text is not an ISO 8601 date and time.
    """
    moment, now = _started(text), datetime.now(UTC)
    odd = []
    if text and datetime.fromisoformat(text).tzinfo is None:
        odd.append(f"names no zone and is taken as this computer's time, {moment:%Y-%m-%dT%H:%M:%SZ}")
    if moment > now + AHEAD:
        odd.append(f"lies in the future, {_span(moment - now)} from now: check date and zone")
    return f"started {text} {' and '.join(odd)}" if odd else ""


def _span(ahead: timedelta) -> str:
    """Days or hours, rounded up."""
    hours = math.ceil(ahead.total_seconds() / 3600)
    return f"{hours} h" if hours < 48 else f"{math.ceil(hours / 24)} days"


def run_from_traces(
    charge_file: Path,
    mass_file: Path | None = None,
    tags: Mapping[str, TagValue] | None = None,
    started: str | None = None,
    bench_text: str = "",
    knowledge_on: KnowledgeOn | None = None,
) -> Run:
    """A run out of trace files, not yet written anywhere.

    Parameters
    ----------
    charge_file : Path
        Columns ``time_s`` and ``charge_nC`` or ``current_nA``.
    mass_file : Path or None
        Columns ``time_s`` and ``mass_g``, on the same clock. Without it, and without the tags ``mass_before_g`` and
        ``mass_after_g``, the run has a charge but no charge-to-mass.
    tags : mapping
        As checked by `chargebench.runs.tags`.
    started : str or None
        ISO 8601 start time, a label; local time where it names no zone, now where there is none. What is odd about it
        (see `start_words`) is noted in the run.
    bench_text : str
        The bench file that holds for these traces, as text; empty for none.
    knowledge_on : callable or None
        Gives what is known of that bench on the day of the run; None: no calibration, which the outcome flags.

    Raises
    ------
    TraceFileError
        When a file or the start time is not acceptable.
    TagError
        When a tag is not.
    """
    from chargebench.runs.tags import check_tags

    charge = read_trace(charge_file, ("charge", "current"))
    files = [(charge_file, "charge logger", charge)]
    if mass_file is not None:
        mass = read_trace(mass_file, ("mass",))
        _check_overlap(charge, mass, mass_file)
        files.append((mass_file, "mass logger", mass))
    moment, odd = _started(started), start_words(started)
    notes = [odd] if odd else []
    notes += [f"column {name} of {path.name} was not used" for path, _, column in files for name in column.ignored]
    return Run(
        run_id=f"{moment:%Y%m%dT%H%M%SZ}-{secrets.token_hex(3)}",
        started=f"{moment:%Y-%m-%dT%H:%M:%SZ}",
        tags=check_tags(dict(tags or {})),
        traces={column.quantity: _trace(column, name) for _, name, column in files},
        marks=tuple(Mark(float(charge.time_s[0]), "note", text) for text in notes),
        instruments={name: _record(path, name, column) for path, name, column in files},
        bench_text=bench_text,
        knowledge=knowledge_on(moment.date()) if knowledge_on else Knowledge(),
        clock={"governs": "trace files", "rate": 1.0, "note": "times as the files give them"},
        versions={"chargebench": __version__},
        origin="imported",
    )


def import_run(archive: Archive, run: Run) -> Path:
    """Seal a run into an archive; the file written.

    Raises
    ------
    RunFileError
        When it cannot be written, or what was written does not read back the same.
    """
    from chargebench.runs.publish import publish
    from chargebench.runs.write import run_bytes

    path = archive.folder / f"{run.run_id}.h5"
    publish(path, run_bytes(run))
    return path


class Importer:
    """Imports into an archive, and knows whose readings are there already.

    Parameters
    ----------
    archive : Archive
    """

    def __init__(self, archive: Archive) -> None:
        self._archive = archive
        self._holders: dict[str, list[Path]] = {}
        for entry in archive.find():
            self._holders.setdefault(entry.raw_sha256, []).append(entry.path)

    def __call__(self, run: Run, started: str | None) -> Imported:
        """Seal a run, unless the archive holds it: the same readings, tags, bench file and, where it is told, start.

        Raises
        ------
        RunFileError
            When it cannot be written, or what was written does not read back the same.
        """
        holders = self._holders.setdefault(run.raw_sha256(), [])
        for path in holders:
            if _is_same(self._archive.run(path), run, started is not None):
                return Imported(path, note=f"{path.stem} is this very run already; not imported again")
        path = import_run(self._archive, run)
        notes = [start_words(started)]
        if holders:
            others = ", ".join(holder.stem for holder in holders)
            notes.append(
                f"{path.stem} holds the same readings as {others}; a study counts only the one that began first"
            )
        holders.append(path)
        return Imported(path, note="; ".join(filter(None, notes)))


def _is_same(found: Run, run: Run, dated: bool) -> bool:
    """Whether two runs with the same readings say the same of them."""
    same = found.tags == run.tags and found.bench_text == run.bench_text
    return same and (found.started == run.started or not dated)


def _with_point(key: str, value: str) -> str:
    """A number's decimal comma as a point; text stays as it is."""
    from chargebench.runs.tags import TAGS

    is_number = key in TAGS and TAGS[key].kind == "number"
    return re.sub(r"(?<=\d),(?=\d)", ".", value) if is_number and value.count(",") == 1 else value


def _row_run(
    table: Table,
    cells: tuple[str, ...],
    tags: Mapping[str, TagValue],
    bench_text: str,
    knowledge_on: KnowledgeOn | None,
) -> tuple[Run, str | None]:
    """The run of a row, and when the row says that it began."""
    from chargebench.runs.tags import read_tags

    row = {name: cell for name, cell in zip(table.header, cells, strict=True) if cell}
    files = {name: table.path.parent / row.pop(name) for name in ("charge_file", "mass_file") if name in row}
    if "charge_file" not in files:
        raise TraceFileError("column charge_file: empty, allowed a file name")
    started = row.pop("started", None)
    own = read_tags([f"{key}={_with_point(key, value)}" for key, value in row.items()])
    mass_file = files.get("mass_file")
    run = run_from_traces(files["charge_file"], mass_file, {**tags, **own}, started, bench_text, knowledge_on)
    return run, started


def import_list(
    archive: Archive,
    list_file: Path,
    tags: Mapping[str, TagValue] | None = None,
    bench_text: str = "",
    knowledge_on: KnowledgeOn | None = None,
) -> Iterator[Imported]:
    """Import the runs of a list, row by row; a bad row is named and the rest is done, rows done earlier are not again.

    Parameters
    ----------
    archive : Archive
        Where the runs go.
    list_file : Path
        Columns ``charge_file``, optionally ``mass_file`` and ``started``, and any tags; file names are relative to
        the list's own folder, numbers may have a decimal comma. Empty cells say nothing.
    tags : mapping
        Tags of every run, overruled by the row's own.
    bench_text, knowledge_on
        As of `run_from_traces`.

    Yields
    ------
    Imported
        One a row, in order.

    Raises
    ------
    TraceFileError
        When the list itself cannot be read or has no column ``charge_file``.
    """
    table = read_table(list_file)
    if "charge_file" not in table.header:
        raise TraceFileError(f"{list_file}: header {','.join(table.header)}: needs a column charge_file")
    importer = Importer(archive)
    for line, cells in table.rows:
        try:
            run, started = _row_run(table, cells, tags or {}, bench_text, knowledge_on)
            yield replace(importer(run, started), line=line)
        except (ChargebenchError, OSError) as error:
            yield Imported(line=line, problem=f"{list_file}: line {line}: {error}")

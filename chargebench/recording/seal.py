"""Journal to sealed run: the last step of a recording, and of its recovery.

Owns the order: read and join the segments, build the run in memory, publish it, read back and compared, and only then
let the segments go. Each step may be repeated, and a kill between any two of them is put right by doing it all again:
what a sealed run of the same name holds already is not sealed again.
"""

from __future__ import annotations

import glob
import os
from collections.abc import Iterable
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Final

from chargebench.errors import (
    BenchFileError,
    DamagedRunError,
    ForeignRunError,
    JournalError,
    RunFileError,
    UnreadRunError,
    UnsealableError,
)
from chargebench.instruments.benchfile import bench_from_text
from chargebench.recording.assemble import Assembler
from chargebench.recording.header import wanted_of
from chargebench.recording.ids import RUN_ID, first_name
from chargebench.recording.records import Record
from chargebench.recording.segments import (
    HeldJournal,
    JournalContent,
    Row,
    joined,
    journal_content,
    of_records,
    read_journal,
)
from chargebench.runs.disk import remove, sync_file
from chargebench.runs.load import load_run
from chargebench.runs.publish import leftovers, publish
from chargebench.runs.run import Run
from chargebench.runs.write import run_bytes

__all__ = ["run_of", "seal", "sealed_runs"]

MOST_VERSIONS: Final = 99


def run_of(content: JournalContent, run_id: str) -> Run:
    """The run that a journal holds; marked as recovered where recording did not end as meant.

    Raises
    ------
    UnsealableError
        When there is no sound header to tell what the bytes are, or its bench file is not one of this version.
    """
    if not content.header:
        headed = bool(content.records) and content.records[0].kind == "header"
        wrong = "header is damaged (no JSON object, or a number out of bounds)" if headed else "journal has no header"
        raise UnsealableError(f"{run_id}: the {wrong}; what it holds cannot be told")
    try:
        bench = bench_from_text(str(content.header.get("bench", "")), run_id)
    except BenchFileError as error:
        raise UnsealableError(str(error)) from error
    assembler = Assembler(bench, content.header)
    for record in content.records:
        assembler.feed(record)
    if not content.complete:
        torn = f", with {len(content.tail)} bytes of a record half written" if content.tail else ""
        assembler.cut_short(f"recording was cut short at {assembler.now_s:.3f} s{torn}: what came after is missing")
    return _told_incomplete(assembler.run(content.data, recovered=not content.complete, run_id=run_id))


def _told_incomplete(run: Run) -> Run:
    """The run with a tag that says so where its recording ended before it was done, whoever or whatever ended it."""
    states = [mark.text for mark in run.marks if mark.kind == "state"]
    if "done" in states or "incomplete" in run.tags or not (states or run.recovered):
        return run
    return replace(run, tags={**run.tags, "incomplete": f"ended while {states[-1] if states else 'waiting'}"})


def seal(row: Row) -> Path:
    """Turn a journal that nobody writes any more into a run file in the first folder of its row; the segments go.

    What a run file in any of the folders holds already is not sealed again. The rest is published, under the run's own
    name or, where that is taken, one that ends in ``-r1``, ``-r2`` …

    Raises
    ------
    UnsealableError
        When no run can be made of what it holds.
    JournalError
        When another process holds a segment, or one cannot be read.
    RunFileError
        When the run file cannot be written, or one that is there cannot be read; the segments are still there.
    """
    try:
        with ExitStack() as held:
            for segment in row.segments:
                held.enter_context(HeldJournal(segment))
            path = _seal_held(row)
            if os.name != "nt":  # an open file cannot be removed there
                _remove(row.segments)
    except JournalError:
        if not row.here and (found := sealed_runs(row)):
            return found[0]
        raise
    if os.name == "nt":
        _remove(row.segments)
    return path


def _remove(segments: Iterable[Path]) -> None:
    for segment in segments:
        remove(segment)


def _seal_held(row: Row) -> Path:
    """Publish, or find that it is done.

    First the segments go on the disk, since a killed recorder may not have synced the end: after a power cut a shorter
    journal would stand beside the run file, and look like another.
    """
    for segment in row.segments:
        if not segment.exists():
            raise JournalError(f"{segment}: gone before it could be sealed")
        try:
            sync_file(segment)
        except OSError as error:
            raise JournalError(f"{segment}: cannot be synced: {error.strerror}") from error
    content = joined([read_journal(segment) for segment in row.segments])
    taken = sealed_runs(row)
    for aside in leftovers(row.folders[0], f"{row.run_id}*.h5"):
        remove(aside)  # for good, before the segments that tell of it go
    known = {path: sealed for path in taken if (sealed := _sealed_journal(path)) is not None}
    rest = _not_in(content, known.values())
    if known and not rest.of_instruments:
        return next(iter(known))
    path = _free_name(row, {path.name for path in taken})
    _publish(path, rest, path.stem)
    return path


def sealed_runs(row: Row) -> list[Path]:
    """Run files of a run, in whichever folder and of whatever version."""
    found = (path for folder in row.folders for path in sorted(folder.glob(f"{glob.escape(row.run_id)}*.h5")))
    return [path for path in found if RUN_ID.fullmatch(path.stem) and first_name(path.stem) == row.run_id]


def _free_name(row: Row, taken: set[str]) -> Path:
    for version in range(MOST_VERSIONS):
        name = f"{row.run_id}-r{version}.h5" if version else f"{row.run_id}.h5"
        if name not in taken:
            return row.folders[0] / name
    raise UnsealableError(
        f"{row.run_id}: {MOST_VERSIONS} other versions of this run are there already; move them elsewhere"
    )


def _not_in(content: JournalContent, sealed: Iterable[JournalContent]) -> JournalContent:
    """What of a journal is in no sealed run and was still wanted when that was sealed; all of it where that is so."""
    known: set[Record] = set()
    wanted = 1
    for other in sealed:
        known.update(other.records)
        wanted = max(wanted, wanted_of(other.header))
    rest = [r for r in content.records if r.kind != "header" and r.number >= wanted and r not in known]
    header = next((record for record in content.records if record.kind == "header"), None)
    if len(rest) + (header is not None) == len(content.records):
        return content
    return of_records(header, rest, content.tail)


def _publish(path: Path, content: JournalContent, run_id: str) -> None:
    run = run_of(content, run_id)
    try:
        data = run_bytes(run)
    except RunFileError as error:  # not the disk's fault: trying again would not mend it
        raise UnsealableError(str(error)) from error

    def verify(aside: Path) -> None:
        found = load_run(aside)
        if found.raw_sha256() != run.raw_sha256() or found.journal != content.data:
            raise DamagedRunError(f"{aside}: what was read back is not what the journal holds")

    publish(path, data, verify)


def _sealed_journal(path: Path) -> JournalContent | None:
    """The journal that a run file was sealed from; None where the file is damaged or no run of ours.

    Raises
    ------
    RunFileError
        When it could not be read: that does not tell what it holds.
    """
    try:
        return journal_content(load_run(path).journal)
    except UnreadRunError:
        raise
    except (DamagedRunError, ForeignRunError):
        return None

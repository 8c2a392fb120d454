"""Journal to sealed run: the last step of a recording, and of its recovery.

Owns the order: read the journal, build the run in memory, publish it beside the journal, read back and compared, and
only then let the journal go. Each step may be repeated, and a kill between any two of them
is put right by doing it all again. Runs in a process of its own: ``python -m chargebench.recording.seal JOURNAL``.
"""

from __future__ import annotations

import os
import sys
from dataclasses import replace
from pathlib import Path

from chargebench.errors import (
    BenchFileError,
    ChargebenchError,
    DamagedRunError,
    ForeignRunError,
    JournalError,
    UnreadRunError,
    UnsealableError,
)
from chargebench.instruments.benchfile import bench_from_text
from chargebench.recording.assemble import Assembler
from chargebench.recording.disk import remove, sync_file
from chargebench.recording.journal import HeldJournal, JournalContent, read_journal
from chargebench.runs.load import load_run
from chargebench.runs.publish import leftovers, publish
from chargebench.runs.run import Run
from chargebench.runs.write import run_bytes

__all__ = ["run_of", "seal", "sealed_journal"]

MOST_VERSIONS = 99


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
        torn = f", with {content.tail_bytes} bytes of a record half written" if content.tail_bytes else ""
        assembler.cut_short(f"recording was cut short at {assembler.now_s:.3f} s{torn}: what came after is missing")
    return _told_incomplete(assembler.run(content.data, recovered=not content.complete, run_id=run_id))


def _told_incomplete(run: Run) -> Run:
    """The run with a tag that says so where its recording ended before it was done, whoever or whatever ended it."""
    states = [mark.text for mark in run.marks if mark.kind == "state"]
    if "done" in states or "incomplete" in run.tags or not (states or run.recovered):
        return run
    return replace(run, tags={**run.tags, "incomplete": f"ended while {states[-1] if states else 'waiting'}"})


def seal(journal: Path) -> Path:
    """Turn a journal that nobody writes any more into a run file beside it; the journal goes.

    Where the run file is there already and holds this very journal, only the journal goes. Where it holds another,
    this one is published beside it under its own name, ending in ``-r1``, ``-r2`` …

    Raises
    ------
    UnsealableError
        When no run can be made of what it holds.
    JournalError
        When another process holds the journal, or it cannot be read.
    RunFileError
        When the run file cannot be written, or one that is there cannot be read; the journal is still there.
    """
    target = journal.with_suffix(".h5")
    try:
        with HeldJournal(journal):
            if not journal.exists():
                raise JournalError(f"{journal}: gone before it could be sealed")
            path = _seal_held(journal)
            if os.name != "nt":
                remove(journal)
    except JournalError:
        if not journal.exists() and target.exists():
            return target
        raise
    if os.name == "nt":  # an open file cannot be removed there
        remove(journal)
    return path


def _seal_held(journal: Path) -> Path:
    """Publish, or find that it is done.

    First the journal itself goes on the disk, since a killed recorder may not have synced its end: after a power cut a
    shorter journal would stand beside the run file, and look like another.
    """
    try:
        sync_file(journal)
    except OSError as error:
        raise JournalError(f"{journal}: cannot be synced: {error.strerror}") from error
    content = read_journal(journal)
    for aside in leftovers(journal.parent, f"{journal.stem}*.h5"):
        aside.unlink(missing_ok=True)
    for version in range(MOST_VERSIONS):
        run_id = journal.stem if not version else f"{journal.stem}-r{version}"
        path = journal.with_name(f"{run_id}.h5")
        if not path.exists():
            _publish(path, content, run_id)
        elif sealed_journal(path) != content.data:
            continue
        return path
    raise UnsealableError(
        f"{journal}: {MOST_VERSIONS} other versions of this run are there already; move them elsewhere"
    )


def _publish(path: Path, content: JournalContent, run_id: str) -> None:
    run = run_of(content, run_id)

    def verify(aside: Path) -> None:
        found = load_run(aside)
        if found.raw_sha256() != run.raw_sha256() or found.journal != content.data:
            raise DamagedRunError(f"{aside}: what was read back is not what the journal holds")

    publish(path, run_bytes(run), verify)


def sealed_journal(path: Path) -> bytes | None:
    """The journal that a run file was sealed from; None where the file is damaged or no run of ours.

    Raises
    ------
    RunFileError
        When it could not be read: that does not tell what it holds.
    """
    try:
        return load_run(path).journal
    except UnreadRunError:
        raise
    except (DamagedRunError, ForeignRunError):
        return None


def main(arguments: list[str]) -> int:
    """Seal the journals named; the path of each run on standard output."""
    for name in arguments:
        try:
            print(seal(Path(name)), flush=True)
        except (ChargebenchError, OSError) as error:
            print(f"chargebench: {error}", file=sys.stderr)
            return ChargebenchError.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

"""Journals of earlier versions that begin with copies: one that waited was followed by another run's journal.

Owns the rule which of the two goes. The newer one named the older and began with its last quiet stretch, up to a clock
record; a recorder that ended in between left both. This version begins the next segment of the same run instead.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress

from chargebench.errors import ChargebenchError
from chargebench.recording.records import Record, fields_of
from chargebench.recording.segments import JournalContent, Row, is_locked, joined, read_journal

__all__ = ["spare_rows"]


def spare_rows(rows: Sequence[Row]) -> Iterator[tuple[Row, Row]]:
    """Pairs of a row that can go and the one in which all that is wanted of it is found."""
    contents = {row.run_id: content for row in rows if (content := _content(row)) is not None}
    by_run = {row.run_id: row for row in rows}
    for run_id, new in contents.items():
        old_id = str(new.header.get("carries") or "")
        if old_id == run_id or (old := contents.get(old_id)) is None:
            continue
        received, copies = _received(old.records), _received(_copied(new.records))
        if copies and received[-len(copies) :] == copies and _waited(old.records):
            yield by_run[old_id], by_run[run_id]
        elif set(_received(new.records)) <= set(received):
            yield by_run[run_id], by_run[old_id]


def _content(row: Row) -> JournalContent | None:
    """What a journal holds that is from an earlier version and that nobody writes; None for any other."""
    if any(is_locked(segment) or "-s" in segment.name for segment in row.segments):
        return None
    with suppress(ChargebenchError):
        return joined([read_journal(segment) for segment in row.segments])
    return None


def _received(records: Sequence[Record]) -> list[str]:
    """What came from instruments, with the times."""
    return [record.payload for record in records if record.kind == "raw"]


def _copied(records: Sequence[Record]) -> Sequence[Record]:
    """The copies that a journal begins with; none unless all are there, up to the clock record that ends them.

    A power cut may keep that record and lose what was written before it.
    """
    ends = (n for n, record in enumerate(records) if record.kind == "clock" and record.number == n)
    return records[: next(ends, 0)]


def _waited(records: Sequence[Record]) -> bool:
    """Whether a journal ends before a grind, or after one that came to nothing."""
    marks = (fields_of(record) for record in records if record.kind == "mark")
    states = [fields.get("text") for fields in marks if fields.get("kind") == "state"]
    return states[-1:] in ([], ["waiting"], ["armed"]) and records[-1].kind != "end"

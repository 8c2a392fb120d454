"""Journals of earlier versions that begin with copies: one that waited was followed by another run's journal.

Owns the rule which of the two goes. The newer one named the older and began with its last quiet stretch, up to a clock
record; a recorder that ended in between left both. This version begins the next segment of the same run instead.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from chargebench.errors import ChargebenchError
from chargebench.recording.records import Record, fields_of
from chargebench.recording.segments import JournalContent, Row, is_locked, joined, read_header, read_journal

__all__ = ["spare_rows"]


def spare_rows(rows: Sequence[Row]) -> Iterator[tuple[Row, Row]]:
    """Pairs of a row that can go and the one in which all that is wanted of it is found."""
    by_run = {row.run_id: row for row in rows}
    for new in rows:
        old = by_run.get(_carries(new), new)
        if old is new or any(is_locked(segment) for segment in (*old.segments, *new.segments)):
            continue
        try:
            of_old, of_new = _content(old).records, _content(new).records
        except ChargebenchError:
            continue
        received, copies = _received(of_old), _received(_copied(of_new))
        if copies and received[-len(copies) :] == copies and _waited(of_old):
            yield old, new
        elif set(_received(of_new)) <= set(received):
            yield new, old


def _carries(row: Row) -> str:
    """Name of the run whose last quiet stretch a journal begins with; empty where it does not say."""
    header: Mapping[str, object] = {}
    for segment in row.segments:
        try:
            header = read_header(segment)
        except ChargebenchError:
            continue
        break
    return str(header.get("carries") or "")


def _content(row: Row) -> JournalContent:
    return joined([read_journal(segment) for segment in row.segments])


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

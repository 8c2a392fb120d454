"""Records: lines of the journal and back."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargebench.recording.records import (
    KINDS,
    MOST_NUMBER,
    Raw,
    Record,
    RecordParser,
    escape,
    fields_of,
    json_payload,
    line_of,
    raw_of,
    raw_payload,
    unescape,
)

INTEGERS = st.integers(-MOST_NUMBER, MOST_NUMBER)


def journal_of(count: int = 12) -> bytes:
    """A small journal of raw records."""
    return b"".join(line_of(Record("raw", n, raw_payload(n, "cup", b"line %d\n" % n))) for n in range(count))


@given(st.binary())
def test_escaping_keeps_every_byte_on_one_printable_line(data: bytes) -> None:
    """Any bytes come back as they were, and on the way they are printable ASCII without a line end."""
    text = escape(data)
    assert unescape(text) == data
    assert text.isascii()
    assert text.isprintable() or not text


@given(st.integers(0, 1 << 62), st.text(max_size=30), st.binary())
def test_raw_records_keep_time_name_and_bytes(ns: int, name: str, data: bytes) -> None:
    """A raw record gives back time, instrument and bytes, blanks and foreign letters in the name included."""
    name = name.encode("utf-8", "ignore").decode()
    assert raw_of(Record("raw", 0, raw_payload(ns, name, data))) == Raw(ns, name, data)


@given(st.sampled_from(sorted(KINDS)), st.dictionaries(st.text(), st.one_of(st.text(), INTEGERS)))
def test_json_records_survive_a_line(kind: str, fields: dict[str, str | int]) -> None:
    """Fields of any text come back from a line of ASCII."""
    [record] = RecordParser().feed(line_of(Record(kind, 0, json_payload(fields))))
    assert fields_of(record) == fields


@given(st.lists(st.integers(1, 60)))
def test_pieces_of_any_size_give_the_same_records(cuts: list[int]) -> None:
    """How the file was read makes no difference."""
    data = journal_of()
    parser, found = RecordParser(), []
    for cut in [*cuts, len(data)]:
        found += parser.feed(data[:cut])
        data = data[cut:]
    assert found == RecordParser().feed(journal_of())
    assert parser.tail == b""


@given(st.binary(max_size=400), st.integers(0, 300))
def test_parsing_never_raises_and_only_gives_what_was_written(junk: bytes, at: int) -> None:
    """Whatever is put into the middle of a journal, every record found is one that was written, at most once."""
    data = journal_of()
    found = RecordParser().feed(data[:at] + junk + data[at:])
    written = RecordParser().feed(data)
    assert [record for record in found if record not in written] == []
    assert len(set(found)) == len(found)


@given(st.integers(0, 10_000), st.integers(0, 7))
def test_a_flipped_bit_costs_one_record_and_is_counted(at: int, bit: int) -> None:
    """A changed bit anywhere is seen: the record it hit is left out, and never another given."""
    data = bytearray(journal_of())
    at %= len(data)
    data[at] ^= 1 << bit
    parser = RecordParser()
    found = parser.feed(bytes(data))
    assert set(found) < set(RecordParser().feed(journal_of()))
    assert len(found) >= 10
    assert parser.damaged or parser.tail


def test_an_endless_line_is_dropped_and_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    """A line beyond the limit takes no memory and costs only itself."""
    monkeypatch.setattr("chargebench.recording.records.MAX_LINE_BYTES", 1000)
    parser = RecordParser()
    for _ in range(50):
        assert parser.feed(b"x" * 100) == []
    assert len(parser.tail) <= 1000
    assert parser.feed(b"\n" + line_of(Record("note", 0, "{}"))) == [Record("note", 0, "{}")]
    assert parser.damaged == 1


@pytest.mark.parametrize(
    ("order", "numbers"),
    [([0, 1, 2], [0, 1, 2]), ([0, 2, 3], [0, 2, 3]), ([0, 1, 1, 2], [0, 1, 2]), ([0, 5, 3, 6], [0, 5, 6])],
)
def test_a_number_that_was_seen_is_dropped(order: list[int], numbers: list[int]) -> None:
    """Numbers only rise: one that was seen before, or passed over, is a repeat."""
    parser = RecordParser()
    found = parser.feed(b"".join(line_of(Record("note", n, "{}")) for n in order))
    assert [record.number for record in found] == numbers


NO_PAYLOADS = [
    "",
    "x",
    "1 cup",
    "-1 cup a",
    "99999999999999999999 cup a",
    f"{MOST_NUMBER + 1} cup a",
    "[1]",
    "{",
    "nan",
    "[" * 100_000,
    *(f'{{"ns":1,"deep":[{{"a":{number}}}]}}' for number in (10**400, -(10**19), "NaN", "-Infinity", "1e999")),
]


@pytest.mark.parametrize("payload", NO_PAYLOADS, ids=range(len(NO_PAYLOADS)))
def test_payloads_of_another_shape_are_nothing(payload: str) -> None:
    """A payload whose checksum holds but whose shape, or any number in it, does not gives no bytes and no fields."""
    assert raw_of(Record("raw", 1, payload)) is None
    assert fields_of(Record("note", 1, payload)) == {}

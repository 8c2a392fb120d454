"""Journal records to a run."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chargebench.instruments.feed import Chunk
from chargebench.recording.assemble import Assembler, Timed, governing_instrument
from chargebench.recording.gaps import unexplained
from chargebench.recording.records import KINDS, Record, json_payload, raw_payload
from chargebench.runs.run import Gap, Run
from tests.recording.bench_model import Grind, traces
from tests.recording.byte_bench import BENCH_TEXT, NO_SCALE_TEXT, bench, chunks, header

GRIND = Grind(end_s=40.0, start_s=15.0)


def records_of(made: Iterable[Chunk]) -> list[Record]:
    """Chunks as records, numbered from 1."""
    found = []
    for number, chunk in enumerate(made, 1):
        if chunk.kind == "data":
            payload = raw_payload(chunk.received_ns, chunk.instrument, chunk.data)
            found.append(Record("raw", number, payload))
        else:
            fields = {"ns": chunk.received_ns, "instrument": chunk.instrument, "text": chunk.text}
            found.append(Record(chunk.kind, number, json_payload(fields)))
    return found


def assembled(records: Iterable[Record], text: str = BENCH_TEXT) -> tuple[Run, list[Timed]]:
    """The run, and the readings as they came."""
    assembler = Assembler(bench(text), header(text=text, coffee="Hollow Hill"))
    live = [timed for record in records for timed in assembler.feed(record)]
    return assembler.run(), live


def test_every_line_arrives_with_its_value() -> None:
    """Charge and mass in the run are what the instruments sent, to the digits that they sent."""
    run, live = assembled(records_of(chunks(GRIND)))
    time_s, charge_nC, _, mass_g = traces(GRIND)
    assert run.traces["charge"].value == pytest.approx(np.round(charge_nC, 4), abs=1e-9)
    assert run.traces["charge"].time_s == pytest.approx(time_s + run.traces["charge"].time_s[0], abs=1.1e-3)
    assert run.traces["mass"].value == pytest.approx(np.round(mass_g, 3)[1:], abs=1e-9)
    assert len(live) == len(run.traces["charge"]) + len(run.traces["mass"])
    assert run.gaps == ()


def test_a_recording_hands_readings_on_and_keeps_none() -> None:
    """Told not to keep, it gives the very same readings and holds no column of them."""
    records = records_of(chunks(GRIND))
    live = Assembler(bench(BENCH_TEXT), header(text=BENCH_TEXT), keep=False)
    assert [timed for record in records for timed in live.feed(record)] == assembled(records)[1]
    assert not any(len(c.value) for source in live.sources.values() for c in source.columns.values())


def test_header_becomes_who_what_when() -> None:
    """Name, start, tags, knowledge, bench file and identity of the run are those of the header."""
    run, _ = assembled(records_of(chunks(GRIND)))
    assert (run.run_id, run.started) == ("20260314T091500Z-7f3a2c", "2026-03-14T09:15:00.000Z")
    assert dict(run.tags) == {"coffee": "Hollow Hill"}
    gain = run.knowledge.get("gain")
    assert gain is not None
    assert (gain.value, gain.u, gain.dof) == (1.01, 0.002, np.inf)
    assert run.bench_text == BENCH_TEXT
    assert run.instruments["cup"].identity == "paper board"
    assert run.instruments["cup"].lines_read == len(run.traces["charge"])


def test_a_framed_charge_board_governs() -> None:
    """The clock of the board that carries charge governs; without one the host's does."""
    assert governing_instrument(bench().instruments.values()) == "cup"
    printed = BENCH_TEXT.replace('carries = ["charge"]', 'carries = ["humidity"]')
    assert governing_instrument(bench(printed).instruments.values()) is None


@pytest.mark.parametrize("rate", [0.9, 1.0, 1.01, 10.0, 50.0])
def test_all_times_are_on_the_governing_clock(rate: float) -> None:
    """A scale without a clock is put where the board's clock was when its line came, whatever the board's rate."""
    slow = [
        Chunk(c.instrument, round(c.received_ns / rate), c.kind, c.data, c.text)
        for c in chunks(GRIND, tick_s=0.02 * rate)
    ]
    run, _ = assembled(records_of(slow))
    assert run.clock["governs"] == "cup"
    assert float(run.clock["rate"]) == pytest.approx(rate, rel=2e-2 if rate > 5 else 2e-3)
    assert bool(run.clock["note"]) == (rate != 1.0)
    sent_s = run.traces["mass"].time_s - run.traces["charge"].time_s[0]
    expected_s = np.arange(0.03, GRIND.end_s, 0.2)[1:]
    assert np.abs(sent_s - expected_s).max() < 0.04 * rate + 0.02


def test_the_sealing_clock_is_the_live_clock_in_the_end() -> None:
    """Live times of the board are final; those of the scale differ by no more than a tick."""
    run, live = assembled(records_of(chunks(GRIND)))
    for channel in ("charge", "mass"):
        times_s = np.array([timed.time_s for timed in live if timed.channel == channel])
        assert np.abs(times_s - run.traces[channel].time_s)[20:].max() < (1e-9 if channel == "charge" else 0.15)


def test_a_lost_port_leaves_a_gap_and_no_line_across_it() -> None:
    """Cut mid-line and opened again: the halves are not joined, and the gap is stated with its reason."""
    made = list(chunks(GRIND))
    times = [c.received_ns for c in made]
    cut = next(i for i, ns in enumerate(times) if ns > 20e9)
    back = next(i for i, ns in enumerate(times) if ns > 22e9)
    before, after = made[cut], made[back]
    torn = Chunk("cup", before.received_ns, "data", b"Q,1,99,12")
    rest = Chunk("cup", after.received_ns, "data", b"345.6,nC,OK*0000\n")
    lost = Chunk("cup", before.received_ns, "lost", text="cup: unplugged")
    again = Chunk("cup", after.received_ns, "open", text="cup: open")
    kept = [c for c in made[cut:back] if c.instrument == "scale"]
    run, _ = assembled(records_of([*made[:cut], torn, lost, *kept, again, rest, *made[back:]]))
    [gap] = run.gaps
    assert gap.instrument == "cup"
    assert gap.reason == "cup: unplugged"
    assert gap.end_s - gap.start_s == pytest.approx(2.0, abs=0.2)
    assert 12345.6 not in run.traces["charge"].value


def test_silence_is_a_gap() -> None:
    """Three seconds in which a port stays open and nothing comes are stated."""
    made = [c for c in chunks(GRIND) if c.instrument == "cup" or not 20e9 < c.received_ns < 23e9]
    run, _ = assembled(records_of(made))
    [gap] = run.gaps
    assert (gap.instrument, gap.reason) == ("scale", "nothing was heard")
    assert gap.end_s - gap.start_s == pytest.approx(3.0, abs=0.4)


def test_a_hole_in_the_journal_is_a_gap_and_joins_no_lines() -> None:
    """Records that were damaged leave a gap for every instrument, and what stands around them is not glued together."""
    records = records_of(chunks(GRIND))
    run, _ = assembled(records[:200] + records[220:])
    whole, _ = assembled(records)
    assert {gap.instrument for gap in run.gaps} == {"cup", "scale"}
    assert all("20 records" in gap.reason for gap in run.gaps)
    for channel, trace in run.traces.items():
        assert set(trace.value) <= set(whole.traces[channel].value)


def test_marks_notes_and_tags_travel() -> None:
    """State marks keep their own time; words get the time at which they were said; the last tags win."""
    records = records_of(chunks(GRIND))
    more = [
        Record("mark", 0, json_payload({"kind": "state", "text": "grinding", "time_s": 12.5})),
        Record("mark", 0, json_payload({"ns": 10_000_000_000, "kind": "user", "text": "smells burnt"})),
        Record("note", 0, json_payload({"ns": 11_000_000_000, "text": "a note", "code": "x", "severity": "note"})),
        Record("tag", 0, json_payload({"ns": 12_000_000_000, "tags": {"coffee": "Low Meadow", "dose_g": 18.0}})),
        Record("clock", 0, json_payload({"ns": 12_000_000_000, "utc": "2026-03-14T09:15:12Z"})),
    ]
    numbered = [record._replace(number=number) for number, record in enumerate([*records, *more], 1)]
    run, _ = assembled(numbered)
    assert dict(run.tags) == {"coffee": "Low Meadow", "dose_g": 18.0}
    marks = {mark.text: (mark.kind, mark.time_s) for mark in run.marks}
    assert marks["grinding"] == ("state", 12.5)
    assert marks["smells burnt"] == ("user", pytest.approx(10.0, abs=0.2))
    assert marks["a note"] == ("note", pytest.approx(11.0, abs=0.2))


@pytest.mark.parametrize(
    ("kind", "payload"),
    [
        ("raw", f"{2**63} cup x"),
        ("mark", '{"kind":"user","text":"x","time_s":1' + "0" * 400 + "}"),
        ("note", '{"ns":1' + "0" * 400 + ',"text":"x"}'),
        ("tag", '{"ns":1,"tags":{"dose_g":NaN}}'),
    ],
)
def test_a_record_with_an_impossible_number_is_a_gap_by_name(kind: str, payload: str) -> None:
    """A number that no recorder writes damages its record: it is left out, and a gap says which it was."""
    records = records_of(chunks(GRIND))
    whole, _ = assembled(records)
    damaged = Record(kind, 101, payload)
    run, _ = assembled([*records[:100], damaged, *(r._replace(number=r.number + 1) for r in records[100:])])
    assert {gap.reason for gap in run.gaps} == {f"record 101 of the journal ({kind}) is damaged"}
    assert (run.marks, dict(run.tags)) == (whole.marks, dict(whole.tags))
    assert len(run.traces["charge"]) == len(whole.traces["charge"])


class Counted(float):
    """A number that counts how often it is compared."""

    count = 0

    def __lt__(self, other: float) -> bool:
        Counted.count += 1
        return float(self) < float(other)

    def __gt__(self, other: float) -> bool:
        Counted.count += 1
        return float(self) > float(other)

    def __le__(self, other: float) -> bool:
        Counted.count += 1
        return float(self) <= float(other)


def test_breaks_and_silences_are_compared_in_near_linear_work() -> None:
    """Twice as many breaks and silences take little more than twice as many comparisons, and none goes astray."""

    def compared(many: int) -> int:
        stated = [Gap("cup", Counted(4 * i), Counted(4 * i + 1), "lost") for i in reversed(range(many))]
        silent = [Gap("cup", Counted(2 * i + 0.5), Counted(2 * i + 1.5), "silent") for i in range(2 * many)]
        Counted.count = 0
        assert [gap.start_s for gap in unexplained(silent, stated)] == [4 * i + 2.5 for i in range(many)]
        return Counted.count

    assert compared(2000) < 3 * compared(1000)


GAPS = st.lists(st.tuples(st.sampled_from(["cup", "scale"]), st.integers(0, 20), st.integers(0, 5)), max_size=12)


@given(GAPS, GAPS)
def test_a_silence_is_explained_by_what_it_overlaps(
    silent: list[tuple[str, int, int]], stated: list[tuple[str, int, int]]
) -> None:
    """What is left of the silences is what a comparison of each with each leaves."""
    found, known = ([Gap(name, at, at + length, "") for name, at, length in gaps] for gaps in (silent, stated))
    wanted = [
        gap
        for gap in found
        if not any(k.instrument == gap.instrument and k.start_s < gap.end_s and k.end_s > gap.start_s for k in known)
    ]
    assert list(unexplained(found, known)) == wanted


HOSTILE = st.tuples(st.sampled_from(sorted(KINDS)), st.integers(0, 50), st.text('{}[]":,nst 0123', max_size=40))


@settings(max_examples=60, deadline=None)
@given(st.lists(HOSTILE))
def test_hostile_records_raise_nothing(parts: list[tuple[str, int, str]]) -> None:
    """Records whose checksum holds and whose content is nonsense never stop the assembler."""
    assembler = Assembler(bench(NO_SCALE_TEXT), {})
    for kind, number, payload in parts:
        assembler.feed(Record(kind, number, payload))
    assert assembler.run(run_id="x").traces == {}


def test_damaged_bytes_are_rejected_and_counted() -> None:
    """A flipped byte in a framed line costs that line; it is counted and its number is missing."""
    made = [
        Chunk(c.instrument, c.received_ns, c.kind, c.data.replace(b"nC", b"uC", 1) if i == 100 else c.data, c.text)
        for i, c in enumerate(c for c in chunks(GRIND) if c.instrument == "cup")
    ]
    run, _ = assembled(records_of(made))
    assert dict(run.instruments["cup"].rejects) == {"check": 1, "lost": 1}


POLLED_TEXT = NO_SCALE_TEXT.replace('lines = "framed"', 'lines = "scpi"').replace(
    'carries = ["charge"]', 'carries = ["charge"]\nstart = ["*OPC?"]'
)
TALK = [
    ("*IDN?", b"MAKER,METER,1,1\n"), ("*ESR?", b"128\n"), ("SYST:ERR?", b'0,"No error"\n'), ("*OPC?", b"1\n"),
    ("READ?", b"1E-9\n"), ("", b"2E-9\n"), ("*ESR?", b"0\n"), ("READ?", b"3E-9\n"), ("*ESR?", b"128\n"),
    ("READ?", b"4E-9\n5E-9\n"),
]  # fmt: skip


def talk() -> list[Record]:
    """A conversation as records: each question before its answer."""
    made = [Chunk("cup", 1, "open", text="cup: open")]
    for number, (command, reply) in enumerate(TALK, 2):
        made += [Chunk("cup", number * 10**8, "asked", text=command)] if command else []
        made.append(Chunk("cup", number * 10**8, "data", reply))
    return records_of(made)


def test_a_conversation_replays_as_it_was() -> None:
    """From the journal as live only answers to the poll are readings; what else was answered stands among the notes."""
    run, live = assembled(talk(), POLLED_TEXT)
    assert [timed.value for timed in live] == [1.0, 2.0, 3.0, 4.0, 5.0]
    assert list(run.traces["charge"].value) == [1.0, 2.0, 3.0, 4.0, 5.0]
    assert list(run.traces["charge"].status) == [66, 0, 0, 66, 0]
    words = [mark.text for mark in run.marks]
    assert "cup: *OPC? 1" in words
    assert sum("switched on since" in text for text in words) == 2


@pytest.mark.parametrize("gone", range(len(TALK)))
def test_an_answer_whose_question_is_lost_is_no_reading(gone: int) -> None:
    """Without the record of any one question no answer to it becomes a charge; nor where a journal begins after it."""
    records = talk()
    at = [n for n, record in enumerate(records) if record.kind == "asked"]
    cut = at[min(gone, len(at) - 1)]
    for left in (
        records[:cut] + records[cut + 1 :],
        [r._replace(number=n) for n, r in enumerate(records[cut + 1 :], 1)],
    ):
        run, _ = assembled(left, POLLED_TEXT)
        found = list(run.traces["charge"].value) if "charge" in run.traces else []
        assert set(found) <= {1.0, 2.0, 3.0, 4.0, 5.0}

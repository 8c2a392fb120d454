"""Sealing, holding runs against their journals, and following a journal."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from chargebench.errors import DamagedRunError, JournalError, RunFileError, UnreadRunError
from chargebench.recording import seal as seal_module
from chargebench.recording.follow import JournalFollower
from chargebench.recording.records import Record, json_payload, line_of
from chargebench.recording.recover import recover
from chargebench.recording.segments import HeldJournal, is_locked, read_journal
from chargebench.recording.verify import contradiction
from chargebench.runs import load
from chargebench.runs.check import check_run
from chargebench.runs.load import load_run
from chargebench.runs.run import Run
from chargebench.runs.write import run_bytes
from tests.recording.bench_model import Grind
from tests.recording.byte_bench import RUN_ID, begun_journal, path_of, written_journal
from tests.recording.sealing import OTHER_ID, Heard, finish, names, seal_at
from tests.runs.made_runs import made_run

HERE = Path(__file__).parents[2]


def test_a_sealed_run_holds_its_journal_and_the_journal_goes(tmp_path: Path) -> None:
    """The run file is sound, carries the journal's very bytes, and is alone."""
    journal = written_journal(tmp_path)
    data = journal.read_bytes()
    path = seal_at(journal)
    run = load_run(path)
    assert names(tmp_path) == [path.name]
    assert check_run(path) == ()
    assert (run.journal, run.recovered, run.run_id) == (data, False, RUN_ID)


@pytest.mark.parametrize("what", ["values", "journal"])
def test_a_run_that_reads_back_otherwise_is_not_published(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    """What was written is read back as a run and compared, numbers and journal; where either differs nothing goes."""
    journal = written_journal(tmp_path)
    real = seal_module.load_run

    def other(path: Path) -> Run:
        run = real(path)
        return _changed(run, "charge") if what == "values" else replace(run, journal=run.journal[:-1])

    monkeypatch.setattr(seal_module, "load_run", other)
    with pytest.raises(DamagedRunError, match="not what the journal holds"):
        seal_at(journal)
    assert names(tmp_path) == [journal.name]


def test_sealing_again_changes_nothing(tmp_path: Path) -> None:
    """A journal that is still there beside its run file (a kill before it was removed) goes; the file stays."""
    journal = written_journal(tmp_path)
    data = journal.read_bytes()
    path = seal_at(journal)
    before = path.read_bytes()
    journal.write_bytes(data)
    assert seal_at(journal) == path
    assert seal_at(journal) == path
    assert path.read_bytes() == before
    assert names(tmp_path) == [path.name]


def test_another_journal_of_the_same_name_is_published_beside(tmp_path: Path) -> None:
    """A sealed run is never replaced: a journal that differs from it becomes a run of its own, once."""
    first = seal_at(written_journal(tmp_path))
    before = first.read_bytes()
    for _ in range(2):
        journal = written_journal(tmp_path, Grind(end_s=20.0, seed=5), ended=False)
        second = seal_at(journal)
        assert second.name == f"{RUN_ID}-r1.h5"
    assert first.read_bytes() == before
    assert load_run(second).recovered
    assert names(tmp_path) == sorted([first.name, second.name])


@pytest.mark.parametrize(
    "error",
    [
        OSError(errno.EIO, os.strerror(errno.EIO)),
        RunFileError("the process that reads run files cannot be started"),
        UnreadRunError("reading it took too long"),
    ],
    ids=lambda error: type(error).__name__,
)
def test_a_run_that_could_not_be_read_is_not_published_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    """Where a start cannot read the sealed file, the journal stays for the next, which finds it sealed."""
    journal = written_journal(tmp_path)
    data = journal.read_bytes()
    path = seal_at(journal)
    journal.write_bytes(data)

    def failing(*how: Any, **more: Any) -> Any:
        raise error

    with monkeypatch.context() as patched:
        patched.setattr(load, "read_bytes" if isinstance(error, OSError) else "read_apart", failing)
        assert recover([tmp_path], finish, Heard().append) == 1
    assert names(tmp_path) == sorted([path.name, journal.name])
    assert recover([tmp_path], finish, Heard().append) == 0
    assert names(tmp_path) == [path.name]


@pytest.mark.parametrize("cut", [0, 1, 777])
def test_a_run_cut_short_says_so(tmp_path: Path, cut: int) -> None:
    """A journal without its end becomes a recovered run whose gap is stated, torn record or not."""
    journal = written_journal(tmp_path, ended=False)
    if cut:
        journal.write_bytes(journal.read_bytes()[:-cut])
    run = load_run(seal_at(journal))
    assert run.recovered
    assert {gap.instrument for gap in run.gaps if "cut short" in gap.reason} == {"cup", "scale"}
    assert len(run.traces["charge"]) > 500


@pytest.mark.parametrize("payload", ['{"ns":1' + "0" * 400 + "}", '{"ns":0,"tags":{"dose_g":NaN}}', "[]"])
def test_a_damaged_header_is_said_to_be_one(tmp_path: Path, payload: str) -> None:
    """A header that no recorder writes is refused in the program's own words; the journal stays."""
    journal = tmp_path / f"{RUN_ID}.journal"
    journal.write_bytes(line_of(Record("header", 0, payload)) + line_of(Record("raw", 1, "1 cup x")))
    with pytest.raises(JournalError, match="header is damaged"):
        seal_at(journal)
    assert names(tmp_path) == [journal.name]


def test_a_held_journal_is_left_alone(tmp_path: Path) -> None:
    """While another process has the journal nothing is sealed and nothing removed."""
    journal = begun_journal(tmp_path)
    path = path_of(journal)
    with pytest.raises(JournalError, match="left alone"):
        seal_at(path)
    assert is_locked(path)
    assert recover([tmp_path], finish, Heard().append) == 0
    assert names(tmp_path) == [path.name]
    journal.close()


def test_leftovers_of_a_killed_sealing_go(tmp_path: Path) -> None:
    """Half a file that a killed sealing left aside is removed by the next one."""
    journal = written_journal(tmp_path)
    (tmp_path / f".{RUN_ID}.h5.0badf00d.part").write_bytes(b"half")
    seal_at(journal)
    assert names(tmp_path) == sorted([f"{RUN_ID}.h5"])


def _changed(run: Run, channel: str) -> Run:
    """The run with every value of a channel doubled, as somebody might who makes the checksums anew."""
    trace = run.traces[channel]
    return replace(run, traces={**run.traces, channel: replace(trace, value=2.0 * trace.value)})


@pytest.mark.parametrize("channel", ["charge", "mass"])
def test_a_run_that_contradicts_its_journal_is_told(tmp_path: Path, channel: str) -> None:
    """Doubled values under checksums made anew pass every other check, and differ from the journal in the file."""
    path = seal_at(written_journal(tmp_path))
    run = load_run(path)
    assert contradiction(run) == ""
    path.write_bytes(run_bytes(_changed(run, channel)))
    assert check_run(path) == ()
    assert f"/{channel}/" in contradiction(load_run(path))


def test_a_run_cut_short_agrees_with_its_journal(tmp_path: Path) -> None:
    """What recovery added to a run, gap and mark, is found again in its journal; an imported run has none to ask."""
    assert contradiction(load_run(seal_at(written_journal(tmp_path, ended=False)))) == ""
    assert contradiction(made_run(run_id=OTHER_ID, origin="imported", journal=b"")) == ""


def test_a_run_whose_journal_is_another_is_told(tmp_path: Path) -> None:
    """A journal that gives no run at all contradicts the run it lies in."""
    run = load_run(seal_at(written_journal(tmp_path)))
    assert "gives no run" in contradiction(replace(run, journal=b"not a journal"))


def test_two_sealers_of_one_journal_agree(tmp_path: Path) -> None:
    """Two processes sealing the same journal at the same time leave one sound run and no journal."""
    journal = written_journal(tmp_path)
    program = "import pathlib, sys, tests.recording.sealing as s; s.seal_at(pathlib.Path(sys.argv[1]))"
    words = [sys.executable, "-c", program, str(journal)]
    pair = [subprocess.Popen(words, cwd=HERE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) for _ in range(2)]
    assert 0 in [child.wait() for child in pair]
    assert names(tmp_path) == [f"{RUN_ID}.h5"]


def test_a_follower_sees_what_the_run_will_hold(tmp_path: Path) -> None:
    """Looked at while it grows, torn at any byte, the journal gives every reading once; when it is gone, nothing."""
    whole = written_journal(tmp_path)
    data = whole.read_bytes()
    path = tmp_path / "growing.journal"
    follower = JournalFollower(path)
    assert follower.poll() == []
    found = []
    for upto in [*range(100, len(data), 4001), len(data)]:
        path.write_bytes(data[:upto])
        found += follower.poll()
    path.unlink()
    assert follower.poll() == []
    run = load_run(seal_at(whole))
    charge = [reading for reading in found if reading.channel == "charge"]
    assert [reading.value for reading in charge] == run.traces["charge"].value.tolist()
    assert [reading.time_s for reading in charge] == run.traces["charge"].time_s.tolist()
    assert sum(reading.channel == "mass" for reading in found) == len(run.traces["mass"])


def test_holding_needs_a_file(tmp_path: Path) -> None:
    """A journal that is not there cannot be held, and says so."""
    with pytest.raises(JournalError, match="cannot be opened"), HeldJournal(tmp_path / "no.journal"):
        pass


def test_a_follower_goes_on_from_segment_to_segment(tmp_path: Path) -> None:
    """Readings come once and in order across segments, on one clock, though the next one repeats what was not safe."""
    whole = written_journal(tmp_path)
    records = read_journal(whole).records
    head = Record("header", 0, json_payload({**read_journal(whole).header, "segment": 2, "first": 150}))
    parts = [records[:160], [head, *records[150:]]]
    paths = [tmp_path / f"{number}.part" for number in range(2)]
    for path, part in zip(paths, parts, strict=True):
        path.write_bytes(b"".join(map(line_of, part)))
    paths[0].write_bytes(paths[0].read_bytes()[:-10])  # a write that failed half way
    follower = JournalFollower(paths[0])
    found = follower.poll()
    follower.go_on(paths[1])
    found += follower.poll()
    found += follower.poll()
    run = load_run(seal_at(whole))
    charge = [reading for reading in found if reading.channel == "charge"]
    assert [reading.value for reading in charge] == run.traces["charge"].value.tolist()
    assert [reading.time_s for reading in charge] == run.traces["charge"].time_s.tolist()

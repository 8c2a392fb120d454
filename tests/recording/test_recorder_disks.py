"""The recorder's journals: one after another, and where a disk takes nothing more."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import pytest

from chargebench.errors import GaveUpError, JournalError, StorageError, UnsealableError
from chargebench.instruments.feed import Chunk
from chargebench.recording import journal as journal_module
from chargebench.recording import recorder as module
from chargebench.recording.quarantine import QUARANTINE
from chargebench.recording.recover import recover
from chargebench.recording.segments import Row, read_journal
from chargebench.runs.load import load_run
from tests.recording.bench_model import Grind, traces
from tests.recording.byte_bench import chunks
from tests.recording.played import GRIND, IDLE, Event, Played
from tests.recording.sealing import finish

ROLLED = Grind(start_s=150.0, length_s=6.0, end_s=185.0)


def test_a_long_wait_keeps_the_last_quiet_stretch_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """After long waiting the journal goes on in the next segment; the run that follows has its quiet stretch.

    Its time begins with what was kept, and the word that the bench was at rest is there although it was let go.
    """
    monkeypatch.setattr(module, "ROLL_AFTER_S", 60.0)
    grind = Grind(start_s=150.0, length_s=6.0, end_s=185.0)
    played = Played(tmp_path, chunks(grind))
    assert played.recorder.record(1, 60.0) == 1
    assert len(journals(played)) == 3
    assert len(set(journals(played))) == 1
    assert played.files() == [".h5"]
    [path] = (tmp_path / "runs").glob("*.h5")
    run = load_run(path)
    states = {mark.text: mark.time_s for mark in run.marks if mark.kind == "state"}
    assert states["grinding"] - states["armed"] >= 10.0
    assert 20.0 < states["grinding"] < 90.0  # the first minute was let go
    assert 0.0 <= run.traces["charge"].time_s[0] < 0.2
    stamps = run.traces["charge"].device_ms
    assert len(stamps) == (stamps[-1] - stamps[0]) / 50 + 1


def test_a_window_is_told_of_a_wait_let_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever follows a journal hears that what was read before is over, and again what the state is."""
    monkeypatch.setattr(module, "ROLL_AFTER_S", 60.0)
    played = Played(tmp_path, chunks(ROLLED))
    assert played.recorder.record(1, 60.0) == 1
    at = [n for n, event in enumerate(played.events) if event.get("event") == "journal"]
    assert [played.events[n]["goes_on"] for n in at] == [False] * 3
    assert [played.events[n + 1]["state"] for n in at[1:]] == ["armed"] * 2


def test_two_full_disks_while_waiting_end_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While no folder takes a journal, the recorder waits on with a bounded memory, and the next run is whole."""
    monkeypatch.setattr(module, "ROLL_AFTER_S", 40.0)
    monkeypatch.setattr(module, "RESCUE_EVERY_S", 0.0)
    monkeypatch.setattr(module, "CHUNKS_A_TURN", 5)
    write = journal_module.write_all
    kept: list[int] = []

    def failing(descriptor: int, data: bytes) -> None:
        live = getattr(played.recorder, "_live", None)
        if played.kinds().count("journal") == 1 and live is not None and 20.0 < live.assembler.now_s < 100.0:
            kept.append(live.journal.held_bytes)
            raise OSError(28, "No space left on device")
        write(descriptor, data)

    monkeypatch.setattr(journal_module, "write_all", failing)
    played = Played(tmp_path, chunks(Grind(start_s=150.0, length_s=6.0, end_s=185.0)))
    assert played.recorder.record(1, 60.0) == 1
    assert "journal" in played.codes()
    assert max(kept) < 200_000
    [path] = (tmp_path / "runs").glob("*.h5")
    run = load_run(path)
    states = {mark.text: mark.time_s for mark in run.marks if mark.kind == "state"}
    assert states["grinding"] - states["armed"] >= 10.0


def test_a_full_disk_moves_the_run_to_the_fallback_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When the archive takes no more in the middle of a run, the run ends whole in the other folder, said in red."""
    write, full = journal_module.write_all, {"on": False}

    def react(event: Event, commands: SimpleQueue[dict[str, Any]]) -> None:
        full["on"] |= event.get("state") == "grinding"

    def failing(descriptor: int, data: bytes) -> None:
        if full["on"]:
            full["on"] = False
            raise OSError(28, "No space left on device")
        write(descriptor, data)

    monkeypatch.setattr(journal_module, "write_all", failing)
    played = Played(tmp_path, chunks(GRIND), react=react)
    assert played.recorder.record(1, 60.0) == 1
    assert played.files() == []
    assert played.files("fallback") == [".h5"]
    red = [event for event in played.events if event.get("severity") == "reject"]
    assert [event["code"] for event in red] == ["journal"]
    [path] = (tmp_path / "fallback").glob("*.h5")
    run = load_run(path)
    assert run.traces["charge"].value.tolist() == traces(GRIND)[1].round(4)[: len(run.traces["charge"])].tolist()
    assert not run.recovered


def test_a_folder_that_takes_nothing_is_replaced_at_once(tmp_path: Path) -> None:
    """Where no journal can be made in the archive, recording begins in the fallback folder, said in red."""
    (tmp_path / "runs").write_text("a file where the folder should be")
    played = Played(tmp_path, chunks(GRIND))
    assert played.recorder.record(1, 60.0) == 1
    assert played.files("fallback") == [".h5"]
    assert "fallback" in played.codes()


def test_a_finisher_that_fails_leaves_the_journal(tmp_path: Path) -> None:
    """A run that could not be sealed is said in red and its journal, complete, waits for the next start."""

    def fail(row: Row) -> dict[str, Any]:
        raise StorageError("the sealing process ended with code -9; try again")

    played = Played(tmp_path, chunks(GRIND), finisher=fail)
    assert played.recorder.record(1, 60.0) == 1
    assert "not-sealed" in played.codes()
    [journal] = (tmp_path / "runs").glob("*.journal")
    assert read_journal(journal).complete


def test_a_journal_of_which_no_run_can_be_made_goes_to_quarantine_at_once(tmp_path: Path) -> None:
    """The recorder itself moves it out of the way, whole and with a sentence; no later start tries it again."""

    def fail(row: Row) -> dict[str, Any]:
        raise UnsealableError("the sealing process ended with code -11")

    played = Played(tmp_path, chunks(GRIND), finisher=fail)
    assert played.recorder.record(1, 60.0) == 1
    assert played.codes()[-2:] == ["not-sealed", "quarantined"]
    (journal,) = (tmp_path / "runs" / QUARANTINE).iterdir()
    assert read_journal(journal).complete
    assert recover([tmp_path / "runs"], finish, played.events.append) == 0


def test_a_nearly_full_disk_is_said_before_a_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Little room is a notice before anything is recorded."""
    monkeypatch.setattr(module, "free_bytes", lambda folder: 3_000_000)
    played = Played(tmp_path, chunks(IDLE))
    with pytest.raises(GaveUpError):
        played.recorder.record(1, 0.2)
    assert played.codes()[0] == "disk-nearly-full"
    assert played.kinds().index("notice") < played.kinds().index("journal")


def whole_from_the_quiet_stretch(folder: Path) -> None:
    """The one run there is has its quiet stretch and not a hole or a repetition in its readings."""
    [path] = folder.rglob("*.h5")
    run = load_run(path)
    states = {mark.text: mark.time_s for mark in run.marks if mark.kind == "state"}
    assert states["grinding"] - states["armed"] >= 10.0
    stamps = run.traces["charge"].device_ms
    assert len(stamps) == (stamps[-1] - stamps[0]) / 50 + 1


@pytest.mark.parametrize("failures", [1, 3, 10_000])
def test_a_segment_that_cannot_be_removed_is_in_no_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failures: int
) -> None:
    """While a segment that was let go stays, nothing of it is in the run, whose readings are whole all the same."""
    monkeypatch.setattr(module, "ROLL_AFTER_S", 30.0)
    monkeypatch.setattr(module, "RESCUE_EVERY_S", 0.0)
    monkeypatch.setattr(module, "CHUNKS_A_TURN", 50)
    real, calls = journal_module.remove, iter(range(100_000))

    def removing(path: Path) -> None:
        if next(calls) < failures:
            raise OSError(5, "Input/output error")
        real(path)

    with monkeypatch.context() as patched:
        patched.setattr(journal_module, "remove", removing)
        played = Played(tmp_path, chunks(ROLLED))
        assert played.recorder.record(1, 60.0) == 1
    assert "not-sealed" not in played.codes()
    assert not list(tmp_path.rglob("*.journal"))
    whole_from_the_quiet_stretch(tmp_path)
    assert played.files() == [".h5"]


def test_a_journal_that_no_folder_takes_further_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where no folder takes the next segment the last one goes on, said once; later the next follows after all."""
    monkeypatch.setattr(module, "ROLL_AFTER_S", 60.0)
    monkeypatch.setattr(module, "RESCUE_EVERY_S", 0.0)
    monkeypatch.setattr(module, "CHUNKS_A_TURN", 50)
    create, calls = journal_module._new_locked, iter(range(100_000))

    def refusing(path: Path) -> int:
        if 1 <= next(calls) < 9:
            raise JournalError(f"{path}: journal cannot be created: No space left on device")
        return create(path)

    monkeypatch.setattr(journal_module, "_new_locked", refusing)
    played = Played(tmp_path, chunks(ROLLED))
    assert played.recorder.record(1, 60.0) == 1
    assert played.codes().count("not-followed") == 1
    assert len(journals(played)) >= 2
    whole_from_the_quiet_stretch(tmp_path)


def take_away(how: str, tmp_path: Path) -> None:
    """Let the archive vanish."""
    runs = tmp_path / "runs"
    if how == "removed":
        shutil.rmtree(runs)
        return
    runs.rename(tmp_path / "elsewhere")
    if how == "replaced":
        runs.mkdir()


@pytest.mark.skipif(os.name == "nt", reason="there a folder with an open file can be neither moved nor removed")
@pytest.mark.parametrize("how", ["removed", "moved", "replaced"])
def test_a_folder_that_vanishes_in_mid_run_costs_nothing(tmp_path: Path, how: str) -> None:
    """It is said in red, the run ends whole in the fallback, nothing is written where the folder was; it comes home."""
    done: list[str] = []

    def react(event: Event, commands: SimpleQueue[dict[str, Any]]) -> None:
        if event.get("state") == "grinding" and not done:
            done.append(how)
            take_away(how, tmp_path)
            played.recorder._live.journal.sync()

    played = Played(tmp_path, chunks(GRIND), react=react)
    assert played.recorder.record(1, 60.0) == 1
    red = [event for event in played.events if event.get("severity") == "reject"]
    assert [event["code"] for event in red] == ["journal"]
    assert "no longer there" in red[0]["text"]
    assert str(tmp_path / "fallback") in red[0]["text"]
    (path,) = (tmp_path / "fallback").glob("*.h5")
    run = load_run(path)
    assert not run.recovered
    assert run.traces["charge"].value.tolist() == traces(GRIND)[1].round(4)[: len(run.traces["charge"])].tolist()
    assert not (tmp_path / "runs").exists() or not list((tmp_path / "runs").iterdir())
    shutil.rmtree(tmp_path / "runs", ignore_errors=True)
    home = tmp_path / "runs"
    if (tmp_path / "elsewhere").exists():
        (tmp_path / "elsewhere").rename(home)
    home.mkdir(exist_ok=True)
    assert recover([home, tmp_path / "fallback"], finish, played.events.append) == 0
    assert [p.name for p in tmp_path.rglob("*") if p.is_file()] == [path.name]
    assert (home / path.name).exists()


@pytest.mark.skipif(os.name == "nt", reason="there a folder with an open file can be neither moved nor removed")
def test_the_next_run_goes_to_no_folder_that_took_the_archives_name(tmp_path: Path) -> None:
    """A new folder where the archive was is none of ours; once the archive is back, runs go there again."""

    def react(event: Event, commands: SimpleQueue[dict[str, Any]]) -> None:
        if event.get("state") == "done" and len(played.events) and not moved:
            moved.append((tmp_path / "runs").rename(tmp_path / "elsewhere"))
            (tmp_path / "runs").mkdir()

    moved: list[Path] = []
    played = Played(tmp_path, two_grinds(), react=react)
    assert played.recorder.record(2, 60.0) == 2
    assert not list((tmp_path / "runs").iterdir())
    assert len(played.files("fallback")) == 2
    assert "fallback" in played.codes()


def two_grinds() -> list[Chunk]:
    """One grind after another."""
    return [
        Chunk(c.instrument, c.received_ns + round(i * 45e9), c.kind, c.data, c.text)
        for i in range(2)
        for c in chunks(GRIND, ms0=7_000_000 + i * 45_000)
        if c.kind == "data" or i == 0
    ]


def journals(played: Played) -> list[str]:
    """Runs whose journal was told of."""
    return [str(event["run"]) for event in played.events if event.get("event") == "journal"]


@pytest.mark.parametrize("again", [True, False])
def test_a_run_that_no_disk_takes_is_kept_until_one_does(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, again: bool
) -> None:
    """Both disks full from the grind to after the end: the next run is waited for, and the first sealed once whole.

    Where there never is room again, the recorder says what is lost and seals nothing that is cut short as if it were
    whole.
    """
    monkeypatch.setattr(module, "RESCUE_EVERY_S", 0.0)
    monkeypatch.setattr(module, "CHUNKS_A_TURN", 50)
    write = journal_module.write_all

    def failing(descriptor: int, data: bytes) -> None:
        done = played.kinds().count("done")
        if "grinding" in played.kinds() and not (again and done and played.kinds().count("armed") > 1):
            raise OSError(28, "No space left on device")
        write(descriptor, data)

    with monkeypatch.context() as patched:
        patched.setattr(journal_module, "write_all", failing)
        played = Played(tmp_path, two_grinds())
        assert played.recorder.record(2, 60.0) == 2
    assert ("not-sealed" in played.codes()) is not again
    runs = [load_run(path) for path in tmp_path.rglob("*.h5")]
    assert [run.recovered for run in runs] == ([False, False] if again else [])
    if again:
        stamps = sorted(ms for run in runs for ms in run.traces["charge"].device_ms.tolist())
        assert stamps == sorted(set(stamps))
        assert len(stamps) >= (stamps[-1] - stamps[0]) / 50 - 2
        assert not list(tmp_path.rglob("*.journal"))
    else:
        assert sum("which is lost" in str(event.get("text")) for event in played.events) == 2


def test_one_error_and_no_fallback_lose_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the fallback folder cannot be used, recording goes on in a new file of the archive."""
    (tmp_path / "fallback").write_text("a file where the folder should be")
    write, failed = journal_module.write_all, []

    def failing(descriptor: int, data: bytes) -> None:
        if "grinding" in played.kinds() and not failed:
            failed.append(data)
            raise OSError(5, "Input/output error")
        write(descriptor, data)

    monkeypatch.setattr(journal_module, "write_all", failing)
    played = Played(tmp_path, chunks(GRIND))
    assert played.recorder.record(1, 60.0) == 1
    assert played.files() == [".h5"]
    [path] = (tmp_path / "runs").glob("*.h5")
    run = load_run(path)
    assert not run.recovered
    assert run.traces["charge"].value.tolist() == traces(GRIND)[1].round(4)[: len(run.traces["charge"])].tolist()


def test_runs_that_no_disk_takes_end_recording_before_memory_is_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ended runs are held up to a bound only: then recording stops in red, and what disks take by then is sealed."""
    monkeypatch.setattr(module, "MOST_HELD_BYTES", 1)
    write = journal_module.write_all

    def failing(descriptor: int, data: bytes) -> None:
        if not {"memory-full", "idle"} & {*played.codes(), *played.kinds()} and "grinding" in played.kinds():
            raise OSError(28, "No space left on device")
        write(descriptor, data)

    monkeypatch.setattr(journal_module, "write_all", failing)
    played = Played(tmp_path, chunks(GRIND))
    assert played.recorder.record(None, 60.0) == 1
    assert "memory-full" in played.codes()
    assert len(list(tmp_path.rglob("*.h5"))) == 1

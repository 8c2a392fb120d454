"""The journal file: one writer, nothing lost, failures survived."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from chargebench.errors import JournalError
from chargebench.recording import disk
from chargebench.recording import journal as module
from chargebench.recording.journal import HeldJournal, Journal, is_locked, read_journal
from tests.instruments.far_end import wait_for
from tests.recording.byte_bench import RUN_ID, header, written_journal

NAME = f"{RUN_ID}.journal"


@pytest.fixture
def journal(tmp_path: Path):
    """A journal being written."""
    made = Journal.create(tmp_path / NAME, header())
    yield made
    made.close()


def numbers(path: Path) -> list[int]:
    """Numbers of the records that hold."""
    return [record.number for record in read_journal(path).records]


def disk_full(*_: object) -> int:
    """A disk that takes nothing more."""
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_a_record_stands_in_the_file_when_append_returns(journal: Journal) -> None:
    """Another process reads a record as soon as it was appended."""
    for number in range(1, 20):
        assert journal.append("note", f'{{"n":{number}}}').number == number
        assert numbers(journal.path) == list(range(number + 1))


def test_header_is_there_before_anything_is_said(tmp_path: Path) -> None:
    """When create returns the file holds its whole header."""
    made = Journal.create(tmp_path / NAME, header(coffee="Hollow Hill"))
    content = read_journal(made.path)
    made.close()
    assert content.header["tags"] == {"coffee": "Hollow Hill"}
    assert not content.complete


def test_no_two_recorders_share_a_journal(journal: Journal) -> None:
    """A journal's name is taken once: a second one is refused and the first not touched."""
    before = journal.path.read_bytes()
    with pytest.raises(JournalError, match="cannot be created"):
        Journal.create(journal.path, header())
    assert journal.path.read_bytes() == before


def test_lock_is_held_until_the_journal_is_closed(journal: Journal) -> None:
    """Other processes find a journal locked while it is written, and free afterwards."""
    ask = (
        "import sys; from pathlib import Path; from chargebench.recording.journal import is_locked;"
        "print(is_locked(Path(sys.argv[1])))"
    )
    look = [sys.executable, "-c", ask, str(journal.path)]
    assert subprocess.run(look, capture_output=True, text=True, check=True).stdout.strip() == "True"
    with pytest.raises(JournalError, match="left alone"), HeldJournal(journal.path):
        pass
    journal.close()
    assert subprocess.run(look, capture_output=True, text=True, check=True).stdout.strip() == "False"
    assert not is_locked(journal.path.with_name("absent.journal"))


def test_closing_twice_does_no_harm(journal: Journal) -> None:
    """A second close does nothing."""
    journal.close()
    journal.close()
    assert not journal.failure


def test_data_is_synced_without_being_asked(journal: Journal, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was appended is synced by the side thread, soon and not for every record."""
    calls: list[int] = []
    monkeypatch.setattr(module, "sync_data", calls.append)
    for _ in range(1000):
        journal.append("note", "{}")
    wait_for(lambda: calls)
    assert len(calls) < 50


def test_failed_write_cuts_back_and_goes_on_in_memory(
    journal: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a write that failed half way the file ends with a whole record, and the rest moves to the other folder."""
    journal.append("note", "{}")

    def half(descriptor: int, data: bytes) -> None:
        os.write(descriptor, data[: len(data) // 2])
        disk_full()

    with monkeypatch.context() as patched:
        patched.setattr(module, "write_all", half)
        journal.append("note", '{"half":1}')
    assert "No space" in journal.failure
    assert read_journal(journal.path).tail_bytes == 0
    assert numbers(journal.path) == [0, 1]
    journal.append("note", '{"memory":1}')
    moved = journal.continue_in(tmp_path / "other")
    moved.append("end", "{}")
    moved.close()
    assert numbers(moved.path) == [0, 1, 2, 3, 4]
    assert read_journal(moved.path).complete
    assert not journal.path.exists()


def test_failed_sync_is_never_trusted_again(journal: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """After a failed sync nothing more goes to that file, and the whole journal goes on elsewhere."""
    journal.append("note", "{}")
    journal.sync()
    with monkeypatch.context() as patched:
        patched.setattr(module, "sync_data", disk_full)
        journal.append("note", '{"unsynced":1}')
        journal.sync()
    assert "could not be synced" in journal.failure
    assert numbers(journal.path) == [0, 1]
    moved = journal.continue_in(tmp_path / "other")
    moved.close()
    assert numbers(moved.path) == [0, 1, 2]


def test_a_fallback_that_fails_too_leaves_everything_in_memory(
    journal: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where no folder takes the journal it stays as it was and a later try gets all of it."""
    with monkeypatch.context() as patched:
        patched.setattr(module, "write_all", disk_full)
        for n in range(1, 6):
            journal.append("note", f'{{"n":{n}}}')
        with pytest.raises(JournalError):
            journal.continue_in(tmp_path / "other")
    moved = journal.continue_in(tmp_path / "other")
    moved.close()
    assert numbers(moved.path) == list(range(6))


def test_memory_is_bounded_and_moving_still_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Old lines leave memory; when the journal must move they are read back from the file."""
    monkeypatch.setattr(module, "KEPT_BYTES", 2000)
    journal = Journal.create(tmp_path / NAME, header())
    for n in range(1, 200):
        journal.append("note", f'{{"n":{n}}}')
    assert sum(map(len, journal._kept)) <= 2000
    moved = journal.continue_in(tmp_path / "other")
    moved.append("note", "{}")
    moved.close()
    assert numbers(moved.path) == list(range(201))


def test_what_cannot_be_read_back_stays_where_it_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the disk no longer gives the beginning back, the rest goes on elsewhere and the old file is not removed."""
    monkeypatch.setattr(module, "KEPT_BYTES", 2000)
    journal = Journal.create(tmp_path / NAME, header())
    for number in range(100):
        journal.append("raw", f"{number} cup {number:060}")
    journal.sync()
    old = journal.path.read_bytes()
    with monkeypatch.context() as failing:
        failing.setattr(Path, "read_bytes", disk_full)
        moved = journal.continue_in(tmp_path / "other")
    moved.append("raw", "100 cup x")
    moved.close()
    content = read_journal(moved.path)
    assert content.header["run"] == RUN_ID
    assert numbers(moved.path)[0] == 0
    assert numbers(moved.path)[-3:] == [99, 100, 101]
    assert content.missing > 0
    assert (tmp_path / NAME).read_bytes() == old


def test_real_write_errors_are_failures_not_exceptions(tmp_path: Path) -> None:
    """Against a real limit of the system (largest file size) the journal keeps its last whole record and says so."""
    resource = pytest.importorskip("resource")
    code = (
        "import resource, signal, sys; from pathlib import Path\n"
        "from chargebench.recording.journal import Journal, read_journal\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "journal = Journal.create(Path(sys.argv[1]), {'run': 'x'})\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (3000, resource.RLIM_INFINITY))\n"
        "for n in range(200): journal.append('note', '{\"n\":%d}' % n)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))\n"
        "moved = journal.continue_in(Path(sys.argv[2])); moved.close()\n"
        "print(len(read_journal(moved.path).records), bool(journal.failure))\n"
    )
    assert resource is not None
    words = [sys.executable, "-c", code, str(tmp_path / NAME), str(tmp_path / "other")]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["201", "True"]


@pytest.mark.parametrize("cut", [1, 2, 10, 30, 500])
def test_a_torn_tail_costs_only_itself(tmp_path: Path, cut: int) -> None:
    """A file cut off anywhere gives every whole record before the cut and says that it is not complete."""
    path = written_journal(tmp_path)
    data = path.read_bytes()
    path.write_bytes(data[:-cut])
    content = read_journal(path)
    assert not content.complete
    assert len(content.records) == data[:-cut].count(b"\n")
    assert content.tail_bytes == len(data[:-cut].rpartition(b"\n")[2])


def test_unreadable_is_an_error_in_words(tmp_path: Path) -> None:
    """A journal that is not there is a JournalError naming it."""
    with pytest.raises(JournalError, match=r"gone\.journal"):
        read_journal(tmp_path / "gone.journal")


def test_where_no_other_folder_is_it_goes_on_in_a_new_file_beside(
    journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a failure the same folder may take the journal again, whole, under another name; each time it fails."""
    for version in (1, 2):
        with monkeypatch.context() as patched:
            patched.setattr(module, "write_all", disk_full)
            journal.append("note", "{}")
        old, journal = journal, journal.continue_in(journal.path.parent)
        assert not old.path.exists()
        assert journal.append("note", "{}").number == 2 * version
    journal.close()
    assert numbers(journal.path) == list(range(5))
    assert [path.name for path in journal.path.parent.iterdir()] == [NAME]  # the first name is free again


def test_an_old_file_that_stays_is_tried_again(
    journal: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file that could not be removed after a move is not forgotten."""
    with monkeypatch.context() as patched:
        patched.setattr(module, "remove", disk_full)
        moved = journal.continue_in(tmp_path / "other")
        assert not moved.clear()
        again = moved.continue_in(tmp_path / "third")
    assert again.left == (journal.path, moved.path)
    assert again.clear()
    assert again.left == ()
    assert not journal.path.exists()
    again.close()


@pytest.mark.parametrize("let_go", [False, True])
def test_an_old_file_stays_where_the_new_one_lacks_its_beginning(
    journal: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, let_go: bool
) -> None:
    """A file whose beginning is in no memory goes only if that beginning was let go."""
    with monkeypatch.context() as patched:
        patched.setattr(module, "write_all", disk_full)
        for _ in range(5):
            journal.append("note", "{}")
    (journal.forget if let_go else journal._drop)(3)
    moved = journal.continue_in(tmp_path / "other")
    moved.close()
    assert numbers(moved.path) == [0, 3, 4, 5]
    assert journal.path.exists() is not let_go


def test_a_journal_that_no_disk_has_taken_is_put_on_one_later(tmp_path: Path) -> None:
    """Begun in memory, it takes records, is no file, and is whole in the first folder that takes it."""
    journal = Journal.in_memory(tmp_path / "none" / NAME, header(), "no room")
    journal.append("note", "{}")
    journal.sync()
    assert journal.failure == "no room"
    moved = journal.continue_in(tmp_path / "later")
    moved.append("end", "{}")
    moved.close()
    assert numbers(moved.path) == [0, 1, 2]
    assert not (tmp_path / "none").exists()
    Journal.in_memory(tmp_path / "none" / NAME, header(), "no room").discard()


def test_new_folders_are_on_the_disk_before_anything_is_let_go(
    journal: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every folder that was made has its name synced in the one above before the old journal is removed."""
    synced: list[Path] = []
    monkeypatch.setattr(disk, "sync_folder", synced.append)
    monkeypatch.setattr(module, "remove", lambda path: synced.append(path))
    journal.continue_in(tmp_path / "a" / "b").close()
    assert set(synced[:2]) == {tmp_path, tmp_path / "a"}
    assert synced[-1] == journal.path
    disk.make_folder(tmp_path / "a" / "b")
    assert len(synced) == 3


def test_a_journal_is_not_discarded_while_a_file_of_it_is_left(journal: Journal, tmp_path: Path) -> None:
    """Where a file that it has moved away from cannot be removed, discarding says so instead of pretending."""
    (tmp_path / "in the way" / "inside").mkdir(parents=True)
    journal.left = (tmp_path / "in the way",)
    with pytest.raises(JournalError, match="in the way"):
        journal.discard()

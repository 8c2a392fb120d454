"""The journal as it is written: one writer, nothing lost, failures survived, segments in a row."""

from __future__ import annotations

import errno
import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from chargebench.errors import JournalError
from chargebench.recording import journal as module
from chargebench.recording.ids import segment_name
from chargebench.recording.journal import Journal
from chargebench.recording.segments import HeldJournal, is_locked, joined, read_journal
from chargebench.runs import disk
from chargebench.runs.disk import Place
from tests.instruments.far_end import wait_for
from tests.recording.byte_bench import RUN_ID, begun_journal, header, path_of, written_journal

FIRST = segment_name(RUN_ID, 1)
posix = pytest.mark.skipif(os.name == "nt", reason="there an open file can be neither moved nor removed")


@pytest.fixture
def journal(tmp_path: Path):
    """A journal being written, in a folder of its own."""
    made = begun_journal(tmp_path / "archive")
    yield made
    made.close()


def other(tmp_path: Path) -> list[Place]:
    """Where it can go on."""
    return [Place(tmp_path / "other", remade=True)]


def numbers(*paths: Path) -> list[int]:
    """Numbers of the records that segments hold together."""
    return [record.number for record in joined([read_journal(path) for path in paths]).records]


def no_room(*_: object) -> int:
    """A disk that takes nothing more."""
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_a_record_stands_in_the_file_when_append_returns(journal: Journal) -> None:
    """Another process reads a record as soon as it was appended."""
    for number in range(1, 20):
        assert journal.append("note", f'{{"n":{number}}}').number == number
        assert numbers(path_of(journal)) == list(range(number + 1))


def test_header_is_there_before_anything_is_said(tmp_path: Path) -> None:
    """When a segment has begun its file holds its whole header: the run's, which segment it is, and what it holds."""
    made = begun_journal(tmp_path, header(coffee="Hollow Hill"))
    content = read_journal(path_of(made))
    made.close()
    assert path_of(made).name == FIRST
    assert content.header["tags"] == {"coffee": "Hollow Hill"}
    assert [content.header[key] for key in ("segment", "first", "from")] == [1, 1, 1]
    assert not content.complete


def test_no_two_recorders_share_a_segment(journal: Journal) -> None:
    """A segment's name is taken once: a second one is refused and the first not touched."""
    before = path_of(journal).read_bytes()
    with pytest.raises(JournalError, match="cannot be created"):
        begun_journal(path_of(journal).parent)
    assert path_of(journal).read_bytes() == before


def test_locks_are_held_until_the_journal_is_closed(journal: Journal, tmp_path: Path) -> None:
    """Other processes find every segment locked while the journal is written, and free afterwards."""
    ask = (
        "import sys; from pathlib import Path; from chargebench.recording.segments import is_locked;"
        "print([is_locked(Path(name)) for name in sys.argv[1:]])"
    )
    journal.go_on(other(tmp_path))
    look = [sys.executable, "-c", ask, *map(str, journal.paths)]
    assert subprocess.run(look, capture_output=True, text=True, check=True).stdout.strip() == "[True, True]"
    with pytest.raises(JournalError, match="left alone"), HeldJournal(journal.paths[0]):
        pass
    journal.close()
    assert subprocess.run(look, capture_output=True, text=True, check=True).stdout.strip() == "[False, False]"
    assert not is_locked(journal.paths[0].with_name("absent.journal"))


def test_closing_twice_does_no_harm(journal: Journal) -> None:
    """A second close does nothing."""
    journal.close()
    journal.close()
    assert not journal.failure


def test_data_is_synced_without_being_asked(journal: Journal, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was appended is synced by the side thread, soon and not for every record; memory then lets it go."""
    calls: list[int] = []
    monkeypatch.setattr(module, "sync_data", calls.append)
    for _ in range(1000):
        journal.append("note", "{}")
    wait_for(lambda: calls and not journal.held_bytes)
    assert len(calls) < 100


def test_the_side_thread_never_waits_for_half_of_what_is_promised(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half a second is promised; two syncs and the wait between them must fit, on a disk that takes its time."""
    waits: list[float | None] = []

    class Watched(threading.Event):
        def wait(self, timeout: float | None = None) -> bool:
            waits.append(timeout)
            return super().wait(timeout)

    monkeypatch.setattr(module.threading, "Event", Watched)
    made = begun_journal(tmp_path)
    made.append("note", "{}")
    wait_for(lambda: not made.held_bytes)
    made.close()
    waited = [seconds for seconds in waits if seconds is not None]
    assert waited
    assert max(waited) <= 0.1


def test_failed_write_goes_on_elsewhere_with_what_is_not_safe(
    journal: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a write that failed half way the next segment begins with what was not synced, and no record is missing."""
    journal.append("note", "{}")
    journal.sync()

    def half(descriptor: int, data: bytes) -> None:
        os.write(descriptor, data[: len(data) // 2])
        no_room()

    with monkeypatch.context() as patched:
        patched.setattr(module, "write_all", half)
        journal.append("note", '{"half":1}')
    assert "No space" in journal.failure
    journal.append("note", '{"memory":1}')
    journal.go_on(other(tmp_path))
    journal.append("end", "{}")
    journal.close()
    old, new = journal.paths
    assert new.name == segment_name(RUN_ID, 2)
    assert numbers(old) == [0, 1]
    assert read_journal(new).header["first"] == 2
    assert numbers(new) == [0, 2, 3, 4]
    assert numbers(old, new) == [0, 1, 2, 3, 4]
    assert joined([read_journal(old), read_journal(new)]).complete


def test_failed_sync_is_never_trusted_again(journal: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """After a failed sync nothing more goes to that file, and what it may have lost is in the next one."""
    journal.append("note", "{}")
    journal.sync()
    with monkeypatch.context() as patched:
        patched.setattr(module, "sync_data", no_room)
        journal.append("note", '{"unsynced":1}')
        journal.sync()
    assert "could not be synced" in journal.failure
    size = path_of(journal).stat().st_size
    journal.append("note", "{}")
    assert path_of(journal).stat().st_size == size
    journal.go_on(other(tmp_path))
    assert numbers(path_of(journal)) == [0, 2, 3]
    assert numbers(*journal.paths) == [0, 1, 2, 3]


def test_a_fallback_that_fails_too_leaves_everything_in_memory(
    journal: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where no folder takes the journal it stays as it was and a later try gets all of it."""
    with monkeypatch.context() as patched:
        patched.setattr(module, "write_all", no_room)
        for n in range(1, 6):
            journal.append("note", f'{{"n":{n}}}')
        with pytest.raises(JournalError, match="cannot be written"):
            journal.go_on(other(tmp_path))
    assert journal.held_bytes
    journal.go_on(other(tmp_path))
    assert numbers(path_of(journal)) == list(range(6))


def test_memory_holds_only_what_is_not_synced(journal: Journal) -> None:
    """However long a journal gets, memory holds what no disk has."""
    for _ in range(100):
        for _ in range(20):
            journal.append("note", "{}")
        journal.sync()
        assert journal.held_bytes == 0


def test_what_comes_during_a_sync_is_not_taken_for_synced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A record that was appended while the disk worked stays in memory, and is in the next segment."""
    monkeypatch.setattr(module, "SYNC_EVERY_S", 600.0)
    journal = begun_journal(tmp_path / "archive")
    journal.append("note", "{}")
    real = module.sync_data

    def slow(descriptor: int) -> None:
        real(descriptor)
        journal.append("note", '{"during":1}')

    with monkeypatch.context() as patched:
        patched.setattr(module, "sync_data", slow)
        journal.sync()
    journal.go_on(other(tmp_path))
    journal.close()
    assert numbers(path_of(journal)) == [0, 2]


def test_real_write_errors_are_failures_not_exceptions(tmp_path: Path) -> None:
    """Against a real limit of the system (largest file size) the journal keeps its whole records and says so."""
    resource = pytest.importorskip("resource")
    code = (
        "import resource, signal, sys; from pathlib import Path\n"
        "from chargebench.recording.journal import Journal\n"
        "from chargebench.recording.segments import joined, read_journal\n"
        "from chargebench.runs.disk import Place\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        f"journal = Journal('{RUN_ID}', lambda: {{'run': 'x'}})\n"
        "journal.go_on([Place(Path(sys.argv[1]))])\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (3000, resource.RLIM_INFINITY))\n"
        "for n in range(200): journal.append('note', '{\"n\":%d}' % n)\n"
        "failure = journal.failure\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))\n"
        "journal.go_on([Place(Path(sys.argv[2]))]); journal.close()\n"
        "print(len(joined([read_journal(path) for path in journal.paths]).records), bool(failure))\n"
    )
    assert resource is not None
    words = [sys.executable, "-c", code, str(tmp_path / "one"), str(tmp_path / "other")]
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
    assert content.tail == data[:-cut].rpartition(b"\n")[2]


def test_unreadable_is_an_error_in_words(tmp_path: Path) -> None:
    """A journal that is not there is a JournalError naming it."""
    with pytest.raises(JournalError, match=r"gone\.journal"):
        read_journal(tmp_path / "gone.journal")


def test_the_same_folder_may_take_the_next_segment(journal: Journal, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where no other folder is it goes on in a new file beside, each time that one fails."""
    place = Place(path_of(journal).parent)
    for number in (2, 3):
        with monkeypatch.context() as patched:
            patched.setattr(module, "write_all", no_room)
            journal.append("note", "{}")
        journal.go_on([place])
        assert path_of(journal).name == segment_name(RUN_ID, number)
        journal.append("note", "{}")
    journal.close()
    place.close()
    assert numbers(*journal.paths) == list(range(5))


def test_a_journal_that_no_disk_has_taken_is_put_on_one_later(tmp_path: Path) -> None:
    """Begun in memory, it takes records, is no file, and is whole in the first folder that takes it."""
    journal = Journal(RUN_ID, header)
    journal.append("note", "{}")
    journal.sync()
    assert journal.failure
    assert journal.path is None
    journal.go_on([Place(tmp_path / "later", remade=True)])
    journal.append("end", "{}")
    journal.close()
    assert numbers(path_of(journal)) == [0, 1, 2]
    never = Journal(RUN_ID, header)
    never.discard()
    assert [path.name for path in tmp_path.iterdir()] == ["later"]


def test_new_folders_are_on_the_disk_before_anything_is_let_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every folder that was made has its name synced in the one above."""
    synced: list[Path] = []
    monkeypatch.setattr(disk, "sync_folder", synced.append)
    begun_journal(tmp_path / "a" / "b").close()
    assert set(synced) == {tmp_path, tmp_path / "a"}
    disk.make_folder(tmp_path / "a" / "b")
    assert len(synced) == 2


def test_what_is_removed_is_gone_for_good(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The absence of a file is synced after it was removed, also where it was gone already."""
    path, synced = tmp_path / "file", []
    path.touch()
    monkeypatch.setattr(disk, "sync_folder", lambda folder: synced.append((folder, path.exists())))
    disk.remove(path)
    disk.remove(path)
    assert synced == [(tmp_path, False)] * 2


def waited(journal: Journal, rolls: int, places: list[Place]) -> None:
    """Have it wait so long that it lets go of its beginning so many times, five records each time."""
    for _ in range(rolls):
        for _ in range(5):
            journal.append("note", "{}")
        journal.roll(places)


def test_a_long_wait_begins_the_next_segment_and_old_ones_go(journal: Journal) -> None:
    """The stretch before the last roll stays, whatever came before that is let go; numbers go on."""
    place = Place(path_of(journal).parent)
    waited(journal, 4, [place])
    journal.append("end", "{}")
    journal.close()
    place.close()
    assert sorted(path.name for path in place.folder.iterdir()) == [segment_name(RUN_ID, n) for n in (4, 5)]
    assert numbers(*journal.paths) == [0, *range(16, 22)]
    header = joined([read_journal(path) for path in journal.paths]).header
    assert (header["first"], header["from"]) == (16, 16)


def test_segments_that_cannot_be_removed_change_nothing(journal: Journal, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is no longer wanted is in no run, though its file stays, and is tried again."""
    place = Place(path_of(journal).parent)
    with monkeypatch.context() as patched:
        patched.setattr(module, "remove", no_room)
        waited(journal, 3, [place])
        assert len(journal.paths) == 4
        assert numbers(*journal.paths) == [0, *range(11, 16)]
        with pytest.raises(JournalError, match="cannot be removed"):
            journal.discard()
    journal.discard()
    place.close()
    assert list(place.folder.iterdir()) == []


def test_while_no_disk_takes_it_a_long_wait_relieves_memory(
    journal: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Memory then holds two stretches of waiting at most, and what is put on a disk later begins with them."""
    with monkeypatch.context() as patched:
        patched.setattr(module, "write_all", no_room)
        waited(journal, 10, other(tmp_path))
        assert journal.held_bytes < 6 * 30
    journal.go_on(other(tmp_path))
    assert numbers(*journal.paths) == [0, *range(46, 51)]


def test_a_roll_that_no_folder_takes_changes_nothing(
    journal: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The journal goes on in the segment it has, and nothing is let go."""
    place = Place(tmp_path / "file")
    place.folder.touch()
    for _ in range(3):
        with pytest.raises(JournalError, match="cannot be made"):
            waited(journal, 1, [place])
    journal.append("note", "{}")
    assert numbers(*journal.paths) == list(range(17))


def moved(folder: Path) -> None:
    folder.rename(folder.with_name("elsewhere"))


def replaced(folder: Path) -> None:
    moved(folder)
    folder.mkdir()


def file_removed(folder: Path) -> None:
    next(folder.iterdir()).unlink()


@posix
@pytest.mark.parametrize("vanish", [shutil.rmtree, moved, replaced, file_removed])
def test_a_folder_that_vanishes_loses_nothing(
    journal: Journal, tmp_path: Path, vanish: Callable[[Path], object]
) -> None:
    """It is noticed at the next sync; the next segment begins with all that the old file held, synced or not."""
    for _ in range(5):
        journal.append("note", "{}")
    journal.sync()
    assert not journal.failure
    vanish(path_of(journal).parent)
    journal.append("note", "{}")
    journal.sync()
    assert "no longer there" in journal.failure
    journal.append("note", '{"memory":1}')
    journal.go_on(other(tmp_path))
    journal.append("end", "{}")
    journal.close()
    assert [path.parent.name for path in journal.paths] == ["other"]
    assert numbers(*journal.paths) == list(range(9))
    assert read_journal(path_of(journal)).complete
    assert journal.out_of_reach == ()


@posix
def test_a_disk_that_is_gone_keeps_what_it_has(
    journal: Journal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the old file cannot be read any more, it remains part of the journal, which waits until it is back."""
    for _ in range(5):
        journal.append("note", "{}")
    journal.sync()
    moved(path_of(journal).parent)
    journal.append("note", "{}")
    journal.sync()
    with monkeypatch.context() as patched:
        patched.setattr(module.os, "lseek", no_room)
        journal.go_on(other(tmp_path))
    journal.append("end", "{}")
    journal.close()
    first, _ = journal.paths
    assert journal.out_of_reach == (first,)
    assert not journal.failure
    (tmp_path / "elsewhere").rename(tmp_path / "archive")
    assert journal.out_of_reach == ()
    assert numbers(*journal.paths) == list(range(8))


@posix
def test_an_old_segment_that_vanishes_is_noticed_too(journal: Journal, tmp_path: Path) -> None:
    """Every segment is looked after, not only the one that is written."""
    journal.append("note", "{}")
    journal.go_on(other(tmp_path))
    shutil.rmtree(tmp_path / "archive")
    journal.append("note", "{}")
    journal.sync()
    assert "archive" in journal.failure
    journal.go_on(other(tmp_path))
    assert numbers(*journal.paths) == [0, 1, 2]


def test_a_place_is_one_folder_only(tmp_path: Path) -> None:
    """Nothing goes into another folder that has taken the name of the one it was, nor is that made anew."""
    place = Place(tmp_path / "archive")
    assert place.ready() == place.ready() == tmp_path / "archive"
    place.folder.rename(tmp_path / "elsewhere")
    with pytest.raises(JournalError, match="moved, removed or unmounted"):
        place.ready()
    assert not place.folder.exists()
    place.folder.mkdir()
    with pytest.raises(JournalError, match="another folder now has this name"):
        place.ready()
    place.folder.rmdir()
    (tmp_path / "elsewhere").rename(place.folder)
    assert place.ready() == place.folder
    place.close()

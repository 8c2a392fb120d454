"""What a start does about journals left behind."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Any

import pytest

from chargebench.errors import RunFileError, StorageError, UnreadRunError, UnsealableError
from chargebench.recording import disk
from chargebench.recording import recover as recover_module
from chargebench.recording.journal import Journal, journal_content, read_journal
from chargebench.recording.records import Record, json_payload, line_of, raw_payload
from chargebench.recording.recover import QUARANTINE, abandoned, journals_in, recover
from chargebench.recording.seal import seal
from chargebench.runs import load
from chargebench.runs.load import load_run
from tests.recording.bench_model import Grind
from tests.recording.byte_bench import RUN_ID, header, written_journal
from tests.recording.sealing import OTHER_ID, Heard, finish, names


def test_start_seals_what_was_left(tmp_path: Path) -> None:
    """Every abandoned journal becomes a run: cut short ones are announced as recovered, whole ones as sealed."""
    written_journal(tmp_path, ended=False)
    written_journal(tmp_path, run_id=OTHER_ID)
    heard = Heard()
    assert recover([tmp_path], finish, heard.append) == 0
    assert heard.kinds() == ["recovered", "outcome", "sealed", "outcome"]
    assert names(tmp_path) == sorted([f"{RUN_ID}.h5", f"{OTHER_ID}.h5"])
    assert recover([tmp_path], finish, heard.append) == 0
    assert len(heard) == 4


def test_a_journal_that_gives_no_run_is_put_into_quarantine(tmp_path: Path) -> None:
    """A journal of which no run can be made is moved, whole, with a sentence, at once; it is never deleted."""
    journal = written_journal(tmp_path)
    data = journal.read_bytes()

    def fail(journal: Path) -> dict[str, Any]:
        raise UnsealableError("the sealing process ended with code -11")

    heard = Heard()
    assert [recover([tmp_path], fail, heard.append) for _ in range(2)] == [1, 0]
    assert (tmp_path / QUARANTINE / journal.name).read_bytes() == data
    assert names(tmp_path) == [QUARANTINE]
    assert [event["code"] for event in heard] == ["not-sealed", "quarantined"]
    assert "code -11" in heard[0]["text"]


@pytest.mark.parametrize("error", [StorageError("not now"), RunFileError("the disk is full"), OSError(5, "I/O error")])
def test_a_journal_that_its_disk_keeps_from_being_sealed_waits(tmp_path: Path, error: Exception) -> None:
    """However often a disk refuses, the journal stays where it is, nothing is written beside it, and it is sealed once
    the disk takes it."""
    journal = written_journal(tmp_path)

    def fail(journal: Path) -> dict[str, Any]:
        raise error

    for _ in range(5):
        assert recover([tmp_path], fail, Heard().append) == 1
        assert names(tmp_path) == [journal.name]
    assert recover([tmp_path], finish, Heard().append) == 0
    assert names(tmp_path) == [f"{RUN_ID}.h5"]


@pytest.mark.skipif(os.name == "nt", reason="links need rights")
@pytest.mark.parametrize("kind", ["link", "dangling link", "file"])
def test_quarantine_is_a_folder_of_our_own(tmp_path: Path, kind: str) -> None:
    """Where a link or file bears the name of the quarantine, nothing is moved, and that is said."""
    archive, decoy = tmp_path / "archive", tmp_path / "decoy"
    archive.mkdir()
    decoy.mkdir()
    if kind == "file":
        (archive / QUARANTINE).write_bytes(b"")
    else:
        (archive / QUARANTINE).symlink_to(decoy if kind == "link" else tmp_path / "nowhere")
    journal = archive / f"{RUN_ID}.journal"
    journal.write_bytes(b"no record")
    heard = Heard()
    assert recover([archive], finish, heard.append) == 1
    assert journal.exists()
    assert names(decoy) == []
    assert not (tmp_path / "nowhere").exists()
    assert "should be; move it away" in heard[-1]["text"]


@pytest.mark.skipif(os.name == "nt", reason="no named pipes, and links need rights")
def test_what_is_no_file_is_told_of_and_left_alone(tmp_path: Path) -> None:
    """A pipe, link, folder or file with another name holds up no start, which names it and seals the others."""
    os.mkfifo(tmp_path / "a.journal")
    (tmp_path / "b.journal").symlink_to(os.devnull)
    (tmp_path / "c.journal").symlink_to(tmp_path / "nowhere")
    (tmp_path / "d.journal").mkdir()
    (tmp_path / "e.journal").write_bytes(b"a stranger's")
    others = names(tmp_path)
    journal = written_journal(tmp_path)
    assert journals_in(tmp_path) == abandoned(tmp_path) == [journal]
    heard = Heard()
    assert recover([tmp_path, tmp_path / "no folder"], finish, heard.append) == 0
    assert [event["text"].split()[0] for event in heard if event.get("code") == "no-journal"] == others
    assert heard.kinds() == ["notice"] * 5 + ["sealed", "outcome"]
    assert names(tmp_path) == sorted([*others, f"{RUN_ID}.h5"])


@pytest.mark.parametrize("content", [b"", b"header 0 {", b"\x00" * 4096])
def test_a_journal_without_a_record_is_kept_out_of_the_way(tmp_path: Path, content: bytes) -> None:
    """A file in which nothing had been recorded yet is no run and no failure."""
    journal = tmp_path / f"{RUN_ID}.journal"
    journal.write_bytes(content)
    assert recover([tmp_path], finish, Heard().append) == 0
    assert (tmp_path / QUARANTINE / journal.name).read_bytes() == content


@pytest.mark.parametrize("before", [b"", b"another"])
def test_quarantine_takes_what_is_there_already(tmp_path: Path, before: bytes) -> None:
    """A file that a power cut left under both names is moved again; another of that name is not replaced."""
    journal = tmp_path / f"{RUN_ID}.journal"
    kept = tmp_path / QUARANTINE / journal.name
    kept.parent.mkdir()
    kept.write_bytes(before)
    journal.write_bytes(b"")
    assert recover([tmp_path], finish, Heard().append) == 0
    assert not journal.exists()
    assert {path.read_bytes() for path in kept.parent.iterdir()} == {before, b""}
    assert kept.read_bytes() == before


def test_a_journal_into_which_nothing_came_is_let_go(tmp_path: Path) -> None:
    """Cut short before the first byte of an instrument: no run, no file, said in words."""
    journal = Journal.create(tmp_path / f"{RUN_ID}.journal", header())
    journal.close()
    heard = Heard()
    assert recover([tmp_path], finish, heard.append) == 0
    assert heard.kinds() == ["discarded"]
    assert names(tmp_path) == []


def begun_copy(folder: Path) -> Journal:
    """A journal that has begun to copy another."""
    raw = [record for record in read_journal(written_journal(folder, ended=False)).records if record.kind == "raw"][-1]
    (folder / "new").mkdir()
    new = Journal.create(folder / "new" / f"{OTHER_ID}.journal", {**header(OTHER_ID), "carries": RUN_ID})
    new.append(raw.kind, raw.payload)
    return new


@pytest.mark.parametrize(("copied", "torn"), [(False, False), (True, False), (True, True)])
def test_of_a_journal_and_its_copy_only_one_becomes_a_run(tmp_path: Path, copied: bool, torn: bool) -> None:
    """Cut short while a journal copied the end of another: it goes unless it was through, then the other one does.

    Not through is also one whose last record is on the disk and an earlier one is not. The two may be in two folders.
    """
    new = begun_copy(tmp_path)
    if copied:
        new.append("clock", json_payload({"ns": 0}))
    new.close()
    if torn:
        lines = new.path.read_bytes().splitlines(keepends=True)
        new.path.write_bytes(lines[0] + b"\x00" * (len(lines[1]) - 1) + b"\n" + b"".join(lines[2:]))
    heard = Heard()
    assert recover([tmp_path, tmp_path / "new"], finish, heard.append) == 0
    assert sorted(heard.kinds()) == ["discarded", "outcome", "recovered"]
    assert [path.stem for path in tmp_path.rglob("*.h5")] == [OTHER_ID if copied and not torn else RUN_ID]
    assert not list(tmp_path.rglob("*.journal"))


def test_copies_go_before_anything_is_sealed(tmp_path: Path) -> None:
    """A start that ends after its first sealing leaves no copies behind that the next would take for a run."""
    begun_copy(tmp_path).close()
    folders = [tmp_path, tmp_path / "new"]

    def finish_and_die(journal: Path) -> dict[str, Any]:
        finish(journal)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        recover(folders, finish_and_die, Heard().append)
    assert recover(folders, finish, Heard().append) == 0
    assert [path.stem for path in tmp_path.rglob("*.h5")] == [RUN_ID]


def shortened(journal: Path, folder: Path, lines: int) -> Path:
    """The first lines of a journal, and half of the next, under the same name in another folder."""
    folder.mkdir(exist_ok=True)
    kept = journal.read_bytes().splitlines(keepends=True)[: lines + 1]
    copy = folder / journal.name
    copy.write_bytes(b"".join(kept)[: -len(kept[-1]) // 2])
    return copy


@pytest.mark.parametrize("longer", ["journal", "first", "sealed"])
def test_one_run_in_two_folders_is_sealed_once(tmp_path: Path, longer: str) -> None:
    """Of a journal that moved only the longer becomes a run, in whichever folder it is, sealed already or not."""
    whole = written_journal(tmp_path, ended=False)
    data = whole.read_bytes()
    copy = shortened(whole, tmp_path / "other", 100)
    folders = [tmp_path, tmp_path / "other"]
    if longer == "sealed":
        seal(whole)
    heard = Heard()
    assert recover(folders[::-1] if longer == "first" else folders, finish, heard.append) == 0
    assert heard.kinds()[0] == "discarded"
    [path] = tmp_path.rglob("*.h5")
    assert load_run(path).journal == data
    assert not copy.exists()
    assert not list(tmp_path.rglob("*.journal"))


def test_a_run_under_two_names_in_one_folder_is_sealed_once(tmp_path: Path) -> None:
    """A journal that went on in another file of its own folder leaves one run as well."""
    whole = written_journal(tmp_path, ended=False)
    shortened(whole, tmp_path / "aside", 100).rename(tmp_path / f"{RUN_ID}-r1.journal")
    assert recover([tmp_path], finish, Heard().append) == 0
    assert [path.stem for path in tmp_path.rglob("*.h5")] == [RUN_ID]


def test_two_journals_of_one_name_that_differ_are_both_kept(tmp_path: Path) -> None:
    """Where neither journal begins as the other goes on, each becomes a run."""
    written_journal(tmp_path, ended=False)
    (tmp_path / "other").mkdir()
    written_journal(tmp_path / "other", Grind(end_s=20.0, dose_g=7.0), ended=False)
    assert recover([tmp_path, tmp_path / "other"], finish, Heard().append) == 0
    assert len(list(tmp_path.rglob("*.h5"))) == 2


def raws(folder: Path) -> list[str]:
    """What came from instruments in all runs of a folder."""
    journals = (journal_content(load_run(path).journal) for path in folder.rglob("*.h5"))
    return sorted(record.payload for journal in journals for record in journal.records if record.kind == "raw")


@pytest.mark.parametrize("kept", ["journal", "sealed", "torn"])
def test_readings_in_two_files_of_one_run_are_in_one_run(tmp_path: Path, kept: str) -> None:
    """Where neither file holds all of the other, what both hold is in one run, the rest of the shorter in another."""
    old = written_journal(tmp_path, ended=False)
    lines = old.read_bytes().splitlines(keepends=True)
    everything = sorted(r.payload for r in read_journal(old).records if r.kind == "raw")
    (tmp_path / "other").mkdir()
    new = tmp_path / "other" / old.name
    if kept == "torn":  # a page of it is gone
        new.write_bytes(b"".join([*lines[:50], b"\x00" * 300, b"\n", *lines[60:90]]))
    else:  # it begins where memory began, the old file ends where the disk failed
        new.write_bytes(b"".join([lines[0], *lines[40:]]))
        old.write_bytes(b"".join(lines[:60]))
    if kept == "sealed":
        seal(new)
    folders = [tmp_path, tmp_path / "other"]
    assert recover(folders, finish, Heard().append) == 0
    assert raws(tmp_path) == everything
    assert not list(tmp_path.rglob("*.journal"))
    before = {path: path.read_bytes() for path in tmp_path.rglob("*.h5")}
    assert recover(folders, finish, Heard().append) == 0
    assert {path: path.read_bytes() for path in tmp_path.rglob("*.h5")} == before


def test_a_file_of_a_run_waits_until_the_others_can_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While a sealed run cannot be read, nobody knows what a left file of it adds: it is sealed or let go later."""
    whole = written_journal(tmp_path)
    copy = shortened(whole, tmp_path / "other", 100)
    everything = sorted(r.payload for r in read_journal(whole).records if r.kind == "raw")
    path = seal(whole)

    def unread(image: bytes) -> Any:
        raise UnreadRunError(f"{path}: reading it took too long")

    folders, heard = [tmp_path, tmp_path / "other"], Heard()
    with monkeypatch.context() as patched:
        patched.setattr(load, "read_apart", unread)
        assert recover(folders, finish, heard.append) == 1
    assert copy.exists()
    assert [event["code"] for event in heard] == ["not-sealed"]
    assert recover(folders, finish, heard.append) == 0
    assert raws(tmp_path) == everything
    assert not copy.exists()


def test_the_kept_journal_has_its_name_on_the_disk_before_a_copy_goes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A recorder killed while its journal moved may not have synced the new name: the start does, before all else."""
    whole = written_journal(tmp_path)
    copy = shortened(whole, tmp_path / "other", 100)
    calls: list[Path] = []
    sync, remove = disk.sync_folder, recover_module.remove
    monkeypatch.setattr(disk, "sync_folder", lambda folder: (calls.append(folder), sync(folder)))
    monkeypatch.setattr(recover_module, "remove", lambda path: (calls.append(path), remove(path)))
    assert recover([tmp_path, tmp_path / "other"], finish, Heard().append) == 0
    assert calls.index(tmp_path) < calls.index(copy)


def test_a_folder_named_twice_holds_each_journal_once(tmp_path: Path) -> None:
    """A journal is no copy of itself, whatever its folder is called."""
    (tmp_path / "runs").mkdir()
    written_journal(tmp_path / "runs", ended=False)
    try:
        (tmp_path / "alias").symlink_to(tmp_path / "runs", target_is_directory=True)
    except OSError:
        pytest.skip("no right to make links here")
    folders = [tmp_path / "runs", tmp_path / "alias", tmp_path / "runs"]
    assert recover(folders, finish, Heard().append) == 0
    assert names(tmp_path / "runs") == [f"{RUN_ID}.h5"]


def test_a_run_waits_for_the_copy_that_cannot_be_removed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While a journal that is found in another stays, the other is not sealed; later there is one run."""
    new = begun_copy(tmp_path)
    new.append("clock", json_payload({"ns": 0}))
    new.close()
    folders = [tmp_path, tmp_path / "new"]
    heard = Heard()
    with monkeypatch.context() as patched:
        patched.setattr(recover_module, "remove", refused)
        assert recover(folders, finish, heard.append) == 1
    assert [event["code"] for event in heard] == ["not-sealed", "not-sealed"]
    assert not list(tmp_path.rglob("*.h5"))
    assert recover(folders, finish, heard.append) == 0
    assert [path.stem for path in tmp_path.rglob("*.h5")] == [OTHER_ID]


def refused(path: Path) -> None:
    """A disk that removes nothing."""
    raise OSError(errno.EROFS, os.strerror(errno.EROFS), str(path))


@pytest.mark.parametrize("claim", ["nothing", "no copies", "the first", "all after a grind", "all of it"])
def test_a_journal_is_let_go_only_for_what_holds_its_end(tmp_path: Path, claim: str) -> None:
    """A journal laid beside another and named its follower gets it deleted by no mere word: not a reading is lost."""
    old = written_journal(tmp_path, ended=False)
    raws = [record.payload for record in read_journal(old).records if record.kind == "raw"]
    if claim == "all after a grind":
        mark = json_payload({"kind": "state", "text": "grinding", "time_s": 1.0})
        number = len(read_journal(old).records)
        old.write_bytes(old.read_bytes() + line_of(Record("mark", number, mark)))
    new = Journal.create(tmp_path / f"{OTHER_ID}.journal", {**header(OTHER_ID), "carries": RUN_ID})
    copies = {"nothing": [], "no copies": [], "the first": raws[:1], "all of it": raws}
    for payload in copies.get(claim, raws[-3:]):
        new.append("raw", payload)
    new.append("clock", json_payload({"ns": 0}))
    if claim == "no copies":
        new.append("raw", raw_payload(1, "cup", b"x"))
    new.close()
    assert recover([tmp_path], finish, Heard().append) == 0
    kept = [
        record.payload
        for path in tmp_path.glob("*.h5")
        for record in journal_content(load_run(path).journal).records
        if record.kind == "raw"
    ]
    assert sorted(kept) == sorted(raws + ([raw_payload(1, "cup", b"x")] if claim == "no copies" else []))

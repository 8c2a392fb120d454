"""Sealing, the manifest, and what a start does about journals left behind."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from chargebench.errors import JournalError, RunFileError, StorageError, UnreadRunError
from chargebench.recording import manifest as manifest_file
from chargebench.recording import recover as recover_module
from chargebench.recording.follow import JournalFollower
from chargebench.recording.journal import HeldJournal, Journal, journal_content, read_journal
from chargebench.recording.manifest import MANIFEST, check_manifest
from chargebench.recording.records import Record, json_payload, line_of, raw_payload
from chargebench.recording.recover import QUARANTINE, abandoned, journals_in, recover
from chargebench.recording.seal import seal
from chargebench.runs import load
from chargebench.runs.check import check_run
from chargebench.runs.load import load_run
from chargebench.runs.write import run_bytes
from tests.recording.bench_model import Grind
from tests.recording.byte_bench import RUN_ID, header, written_journal
from tests.runs.made_runs import made_run

OTHER_ID = "20260314T093000Z-00ff11"


def names(folder: Path) -> list[str]:
    """What is in a folder."""
    return sorted(path.name for path in folder.iterdir())


def finish(journal: Path) -> dict[str, Any]:
    """A finisher that only seals."""
    path = seal(journal)
    return {"path": str(path), "outcome": {"run": path.stem, "recovered": load_run(path).recovered, "result": {}}}


class Heard(list[Mapping[str, Any]]):
    """Events in order."""

    def kinds(self) -> list[str]:
        return [str(event.get("event", "outcome")) for event in self]


def test_a_sealed_run_holds_its_journal_and_the_journal_goes(tmp_path: Path) -> None:
    """The run file is sound, carries the journal's very bytes, stands in the manifest, and is alone."""
    journal = written_journal(tmp_path)
    data = journal.read_bytes()
    path = seal(journal)
    run = load_run(path)
    assert names(tmp_path) == [path.name, MANIFEST]
    assert check_run(path) == ()
    assert (run.journal, run.recovered, run.run_id) == (data, False, RUN_ID)
    assert check_manifest(tmp_path) == ()


def test_sealing_again_changes_nothing(tmp_path: Path) -> None:
    """A journal that is still there beside its run file (a kill before it was removed) goes; the file stays."""
    journal = written_journal(tmp_path)
    data = journal.read_bytes()
    path = seal(journal)
    before, manifest = path.read_bytes(), (tmp_path / MANIFEST).read_bytes()
    journal.write_bytes(data)
    assert seal(journal) == path
    assert seal(journal) == path
    assert path.read_bytes() == before
    assert (tmp_path / MANIFEST).read_bytes() == manifest
    assert names(tmp_path) == [path.name, MANIFEST]


def test_another_journal_of_the_same_name_is_published_beside(tmp_path: Path) -> None:
    """A sealed run is never replaced: a journal that differs from it becomes a run of its own, once."""
    first = seal(written_journal(tmp_path))
    before = first.read_bytes()
    for _ in range(2):
        journal = written_journal(tmp_path, Grind(end_s=20.0, seed=5), ended=False)
        second = seal(journal)
        assert second.name == f"{RUN_ID}-r1.h5"
    assert first.read_bytes() == before
    assert load_run(second).recovered
    assert names(tmp_path) == sorted([first.name, second.name, MANIFEST])


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
    path = seal(journal)
    journal.write_bytes(data)

    where, call = (Path, "open") if isinstance(error, OSError) else (load, "read_apart")
    real = getattr(where, call)
    with monkeypatch.context() as patched:

        def failing(given: Any, *how: Any, **more: Any) -> Any:
            if isinstance(given, Path) and given != path:
                return real(given, *how, **more)
            raise error

        patched.setattr(where, call, failing)
        assert recover([tmp_path], finish, Heard().append) == 1
    assert names(tmp_path) == sorted([path.name, journal.name, f"{journal.name}-failures", MANIFEST])
    assert recover([tmp_path], finish, Heard().append) == 0
    assert names(tmp_path) == [path.name, MANIFEST]


@pytest.mark.parametrize("cut", [0, 1, 777])
def test_a_run_cut_short_says_so(tmp_path: Path, cut: int) -> None:
    """A journal without its end becomes a recovered run whose gap is stated, torn record or not."""
    journal = written_journal(tmp_path, ended=False)
    if cut:
        journal.write_bytes(journal.read_bytes()[:-cut])
    run = load_run(seal(journal))
    assert run.recovered
    assert {gap.instrument for gap in run.gaps if "cut short" in gap.reason} == {"cup", "scale"}
    assert len(run.traces["charge"]) > 500


@pytest.mark.parametrize("payload", ['{"ns":1' + "0" * 400 + "}", '{"ns":0,"tags":{"dose_g":NaN}}', "[]"])
def test_a_damaged_header_is_said_to_be_one(tmp_path: Path, payload: str) -> None:
    """A header that no recorder writes is refused in the program's own words; the journal stays."""
    journal = tmp_path / f"{RUN_ID}.journal"
    journal.write_bytes(line_of(Record("header", 0, payload)) + line_of(Record("raw", 1, "1 cup x")))
    with pytest.raises(JournalError, match="header is damaged"):
        seal(journal)
    assert names(tmp_path) == [journal.name]


def test_a_held_journal_is_left_alone(tmp_path: Path) -> None:
    """While another process has the journal nothing is sealed and nothing removed."""
    journal = Journal.create(tmp_path / f"{RUN_ID}.journal", header())
    with pytest.raises(JournalError, match="left alone"):
        seal(journal.path)
    assert abandoned(tmp_path) == []
    assert recover([tmp_path], finish, Heard().append) == 0
    assert names(tmp_path) == [journal.path.name]
    journal.close()


def test_the_command_seals_in_a_process_of_its_own(tmp_path: Path) -> None:
    """``python -m chargebench.recording.seal`` prints the run's path; what it cannot do is one line and exit code 1."""
    journal = written_journal(tmp_path)
    words = [sys.executable, "-m", "chargebench.recording.seal", str(journal)]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == str(tmp_path / f"{RUN_ID}.h5")
    again = subprocess.run([*words[:-1], str(tmp_path / "no.journal")], capture_output=True, text=True, check=False)
    assert (again.returncode, again.stderr.count("\n")) == (1, 1)


def test_start_seals_what_was_left(tmp_path: Path) -> None:
    """Every abandoned journal becomes a run: cut short ones are announced as recovered, whole ones as sealed."""
    written_journal(tmp_path, ended=False)
    written_journal(tmp_path, run_id=OTHER_ID)
    heard = Heard()
    assert recover([tmp_path], finish, heard.append) == 0
    assert heard.kinds() == ["recovered", "outcome", "sealed", "outcome"]
    assert names(tmp_path) == sorted([f"{RUN_ID}.h5", f"{OTHER_ID}.h5", MANIFEST])
    assert recover([tmp_path], finish, heard.append) == 0
    assert len(heard) == 4


def test_three_failures_put_a_journal_into_quarantine(tmp_path: Path) -> None:
    """A journal that cannot be sealed three times is moved, whole, with the reasons; it is never deleted."""
    journal = written_journal(tmp_path)
    data = journal.read_bytes()

    def fail(journal: Path) -> dict[str, Any]:
        raise StorageError("the sealing process ended with code -11")

    heard = Heard()
    assert [recover([tmp_path], fail, heard.append) for _ in range(4)] == [1, 1, 1, 0]
    kept = tmp_path / QUARANTINE / journal.name
    assert kept.read_bytes() == data
    assert len((tmp_path / QUARANTINE / f"{journal.name}-failures").read_text().splitlines()) == 3
    assert [event["code"] for event in heard] == ["not-sealed"] * 3 + ["quarantined"]


def test_a_success_forgets_earlier_failures(tmp_path: Path) -> None:
    """Failures count for one journal only until it is sealed."""
    written_journal(tmp_path)

    def fail(journal: Path) -> dict[str, Any]:
        raise StorageError("not now")

    assert recover([tmp_path], fail, Heard().append) == 1
    assert recover([tmp_path], finish, Heard().append) == 0
    assert names(tmp_path) == sorted([f"{RUN_ID}.h5", MANIFEST])


@pytest.mark.skipif(os.name == "nt", reason="no named pipes, and links need rights")
def test_what_is_no_file_is_told_of_and_left_alone(tmp_path: Path) -> None:
    """A pipe, a link or a folder named like a journal holds up no start, which names it and seals the others."""
    os.mkfifo(tmp_path / "a.journal")
    (tmp_path / "b.journal").symlink_to(os.devnull)
    (tmp_path / "c.journal").symlink_to(tmp_path / "nowhere")
    (tmp_path / "d.journal").mkdir()
    others = names(tmp_path)
    journal = written_journal(tmp_path)
    assert journals_in(tmp_path) == abandoned(tmp_path) == [journal]
    heard = Heard()
    assert recover([tmp_path, tmp_path / "no folder"], finish, heard.append) == 0
    assert [event["text"].split()[0] for event in heard if event.get("code") == "no-journal"] == others
    assert heard.kinds() == ["notice"] * 4 + ["sealed", "outcome"]
    assert names(tmp_path) == sorted([*others, f"{RUN_ID}.h5", MANIFEST])


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
    assert names(tmp_path / "runs") == [f"{RUN_ID}.h5", MANIFEST]


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


def test_leftovers_of_a_killed_sealing_go(tmp_path: Path) -> None:
    """Half a file that a killed sealing left aside is removed by the next one."""
    journal = written_journal(tmp_path)
    (tmp_path / f".{RUN_ID}.h5.0badf00d.part").write_bytes(b"half")
    seal(journal)
    assert names(tmp_path) == sorted([f"{RUN_ID}.h5", MANIFEST])


def test_manifest_tells_changed_missing_and_cut_out(tmp_path: Path) -> None:
    """A changed file, a missing file and a line taken out of the manifest are each found; a torn line is no finding."""
    first = seal(written_journal(tmp_path))
    second = seal(written_journal(tmp_path, run_id=OTHER_ID))
    third = seal(written_journal(tmp_path, run_id="20260314T094500Z-abcdef"))
    manifest = tmp_path / MANIFEST
    lines = manifest.read_bytes().splitlines(keepends=True)
    assert [json.loads(line)["file"] for line in lines] == [first.name, second.name, third.name]
    manifest.write_bytes(b"".join(lines) + b'{"file": "torn')
    assert check_manifest(tmp_path) == ()
    fourth = seal(written_journal(tmp_path, run_id="20260314T095500Z-abcdef"))
    assert check_manifest(tmp_path) == ()
    manifest.write_bytes(lines[0] + lines[2])
    assert check_manifest(tmp_path) == (
        f"{MANIFEST}: the line of {third.name} does not follow the one before it",
        f"{second.name}: not named in {MANIFEST}",
        f"{fourth.name}: not named in {MANIFEST}",
    )
    os.remove(fourth)
    manifest.write_bytes(b"".join(lines))
    data = bytearray(second.read_bytes())
    data[len(data) // 2] ^= 1
    second.write_bytes(data)
    os.remove(third)
    assert check_manifest(tmp_path) == (
        f"{second.name}: changed since it was sealed",
        f"{third.name}: named in {MANIFEST} and not there",
    )


def test_only_sealed_runs_need_a_line(tmp_path: Path) -> None:
    """A run without a line is a finding, damaged or not; imported, foreign and half done files are none.

    In a folder without a manifest nothing is.
    """
    sealed = seal(written_journal(tmp_path))
    (tmp_path / f"{OTHER_ID}.h5").write_bytes(run_bytes(made_run(run_id=OTHER_ID, origin="imported", journal=b"")))
    (tmp_path / "stranger.h5").write_bytes(b"another program's")
    assert check_manifest(tmp_path) == ()
    missing = f"{sealed.name}: not named in {MANIFEST}"
    (tmp_path / MANIFEST).write_bytes(b"")
    assert check_manifest(tmp_path) == (missing,)
    written_journal(tmp_path)
    assert check_manifest(tmp_path) == ()
    (tmp_path / f"{RUN_ID}.journal").unlink()
    sealed.write_bytes(sealed.read_bytes()[:-1] + b"x")
    assert check_manifest(tmp_path) == (missing,)
    (tmp_path / MANIFEST).unlink()
    assert check_manifest(tmp_path) == ()


@pytest.mark.parametrize("line", [b"[" * 100_000, b'{"a":' * 100_000, b'{"file":[],"sha256":{},"previous":0}', b"\xff"])
def test_a_line_that_is_no_entry_is_passed_over(tmp_path: Path, line: bytes) -> None:
    """Whatever stands in a line of the manifest, journals are sealed and the chain goes on."""
    (tmp_path / MANIFEST).write_bytes(line + b"\n")
    seal(written_journal(tmp_path))
    seal(written_journal(tmp_path, run_id=OTHER_ID))
    assert names(tmp_path) == sorted([f"{RUN_ID}.h5", f"{OTHER_ID}.h5", MANIFEST])
    assert check_manifest(tmp_path) == ()


def test_the_manifest_is_written_whole_and_synced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A system that takes a few bytes a call gets all of the line, and a line that is there already is synced again."""
    written, synced = os.write, []
    with monkeypatch.context() as patched:
        patched.setattr(manifest_file.os, "write", lambda descriptor, data: written(descriptor, bytes(data[:7])))
        journal = written_journal(tmp_path)
        data = journal.read_bytes()
        path = seal(journal)
    assert check_manifest(tmp_path) == ()
    line = (tmp_path / MANIFEST).read_bytes()
    assert json.loads(line)["file"] == path.name
    journal.write_bytes(data)
    monkeypatch.setattr(manifest_file, "sync_descriptor", lambda descriptor: synced.append(os.fstat(descriptor).st_ino))
    seal(journal)
    assert synced == [(tmp_path / MANIFEST).stat().st_ino]
    assert (tmp_path / MANIFEST).read_bytes() == line


def test_two_sealers_of_one_journal_agree(tmp_path: Path) -> None:
    """Two processes sealing the same journal at the same time leave one sound run and no journal."""
    journal = written_journal(tmp_path)
    words = [sys.executable, "-m", "chargebench.recording.seal", str(journal)]
    pair = [subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) for _ in range(2)]
    assert 0 in [child.wait() for child in pair]
    assert names(tmp_path) == [f"{RUN_ID}.h5", MANIFEST]
    assert check_manifest(tmp_path) == ()


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
    run = load_run(seal(whole))
    charge = [reading for reading in found if reading.channel == "charge"]
    assert [reading.value for reading in charge] == run.traces["charge"].value.tolist()
    assert [reading.time_s for reading in charge] == run.traces["charge"].time_s.tolist()
    assert sum(reading.channel == "mass" for reading in found) == len(run.traces["mass"])


def test_holding_needs_a_file(tmp_path: Path) -> None:
    """A journal that is not there cannot be held, and says so."""
    with pytest.raises(JournalError, match="cannot be opened"), HeldJournal(tmp_path / "no.journal"):
        pass

"""What a start does about journals left behind."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Any

import pytest

from chargebench.errors import RunFileError, StorageError, UnreadRunError, UnsealableError
from chargebench.files import JOURNAL, Kind
from chargebench.recording import recover as recover_module
from chargebench.recording import segments as segments_module
from chargebench.recording.ids import segment_name
from chargebench.recording.quarantine import QUARANTINE
from chargebench.recording.records import Record, json_payload, line_of, raw_payload
from chargebench.recording.recover import recover
from chargebench.recording.segments import Row, journal_content, journals_in, read_journal
from chargebench.runs import load
from chargebench.runs.load import load_run
from tests.recording.bench_model import Grind
from tests.recording.byte_bench import RUN_ID, begun_journal, header, path_of, written_journal
from tests.recording.sealing import OTHER_ID, Heard, finish, names, seal_at

FIRST = segment_name(RUN_ID, 1)


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

    def fail(row: Row) -> dict[str, Any]:
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

    def fail(row: Row) -> dict[str, Any]:
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
    journal = archive / FIRST
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
    assert journals_in(tmp_path) == [journal]
    heard = Heard()
    assert recover([tmp_path, tmp_path / "no folder"], finish, heard.append) == 0
    assert [event["text"].split()[0] for event in heard if event.get("code") == "no-journal"] == others
    assert heard.kinds() == ["notice"] * 5 + ["sealed", "outcome"]
    assert names(tmp_path) == sorted([*others, f"{RUN_ID}.h5"])


@pytest.mark.parametrize("content", [b"", b"header 0 {", b"\x00" * 4096])
def test_a_journal_without_a_record_is_kept_out_of_the_way(tmp_path: Path, content: bytes) -> None:
    """A file in which nothing had been recorded yet is no run and no failure."""
    journal = tmp_path / FIRST
    journal.write_bytes(content)
    assert recover([tmp_path], finish, Heard().append) == 0
    assert (tmp_path / QUARANTINE / journal.name).read_bytes() == content


@pytest.mark.parametrize("before", [b"", b"another"])
def test_quarantine_takes_what_is_there_already(tmp_path: Path, before: bytes) -> None:
    """A file that a power cut left under both names is moved again; another of that name is not replaced."""
    journal = tmp_path / FIRST
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
    begun_journal(tmp_path).close()
    heard = Heard()
    assert recover([tmp_path], finish, heard.append) == 0
    assert heard.kinds() == ["discarded"]
    assert names(tmp_path) == []


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


def refused(path: Path) -> None:
    """A disk that removes nothing."""
    raise OSError(errno.EROFS, os.strerror(errno.EROFS), str(path))


def raws(folder: Path) -> list[str]:
    """What came from instruments in all runs of a folder."""
    journals = (journal_content(load_run(path).journal) for path in folder.rglob("*.h5"))
    return sorted(record.payload for journal in journals for record in journal.records if record.kind == "raw")


def split(journal: Path, first: int, other: Path, *, twice: int = 0, home: Path | None = None) -> tuple[Path, Path]:
    """Two segments made of one: the second begins at a record, or so many earlier, in another folder."""
    records = read_journal(journal).records
    owner = {"home": [str(home), home.stat().st_ino]} if home else {}
    about = {**read_journal(journal).header, **owner}
    other.mkdir(exist_ok=True)
    second = other / segment_name(RUN_ID, 2)
    heads = [Record("header", 0, json_payload({**about, "segment": n, "first": at})) for n, at in ((1, 1), (2, first))]
    second.write_bytes(b"".join(map(line_of, [heads[1], *records[first - twice :]])))
    journal.write_bytes(b"".join(map(line_of, [heads[0], *records[1:first]])))
    return journal, second


@pytest.mark.parametrize("twice", [0, 1, 30])
@pytest.mark.parametrize("torn", [0, 20])
@pytest.mark.parametrize("elsewhere", [False, True])
def test_segments_become_one_run(tmp_path: Path, twice: int, torn: int, elsewhere: bool) -> None:
    """Records are joined by number, in whichever folders their segments are, once where two segments hold them."""
    whole = written_journal(tmp_path)
    everything = sorted(r.payload for r in read_journal(whole).records if r.kind == "raw")
    first, _ = split(whole, 100, tmp_path / "other" if elsewhere else tmp_path, twice=twice)
    if torn and twice:
        first.write_bytes(first.read_bytes()[:-torn])
    heard = Heard()
    assert recover([tmp_path, tmp_path / "other"], finish, heard.append) == 0
    (path,) = tmp_path.rglob("*.h5")
    run = load_run(path)
    assert (path.stem, run.recovered, run.gaps) == (RUN_ID, False, ())
    assert raws(tmp_path) == everything
    assert not list(tmp_path.rglob("*.journal"))


def test_segments_that_contradict_each_other_are_put_into_quarantine(tmp_path: Path) -> None:
    """Two files of one run that no recorder can have written are both kept, whole, and none is believed."""
    written_journal(tmp_path, ended=False)
    odd = written_journal(tmp_path / "other", Grind(end_s=20.0, dose_g=7.0), ended=False)
    odd = odd.rename(odd.with_name(segment_name(RUN_ID, 2)))
    heard = Heard()
    assert recover([tmp_path, tmp_path / "other"], finish, heard.append) == 1
    assert [event["code"] for event in heard] == ["not-sealed", "quarantined", "quarantined"]
    assert "is not the same in two segments" in heard[0]["text"]
    kept = {path.name for path in tmp_path.rglob(f"{QUARANTINE}/*")}
    assert kept == {FIRST, odd.name}


def test_a_journal_larger_than_any_is_put_into_quarantine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What no start will ever read goes out of the way at once, with a sentence."""
    journal = written_journal(tmp_path)
    monkeypatch.setattr(segments_module, "JOURNAL", Kind(JOURNAL.noun, 1000))
    heard = Heard()
    assert recover([tmp_path], finish, heard.append) == 1
    assert "larger than 1000 bytes" in heard[0]["text"]
    assert names(tmp_path / QUARANTINE) == [journal.name]


@pytest.mark.parametrize("left", [0, 1])
def test_a_segment_left_beside_its_sealed_run_goes(tmp_path: Path, left: int) -> None:
    """A kill between two removals leaves a segment all of which is in the sealed run, in another folder perhaps."""
    segments = split(written_journal(tmp_path), 100, tmp_path / "other", twice=5)
    data = segments[left].read_bytes()
    path = seal_at(*segments)
    before = path.read_bytes()
    segments[left].write_bytes(data)
    assert recover([tmp_path, tmp_path / "other"], finish, Heard().append) == 0
    assert [found.read_bytes() for found in tmp_path.rglob("*.h5")] == [before]
    assert not list(tmp_path.rglob("*.journal"))


def test_a_beginning_that_is_found_late_is_a_run_of_its_own(tmp_path: Path) -> None:
    """Where a run had to be sealed without its beginning, what is found of that later is in no run twice, and not lost.

    The first run says that records are missing.
    """
    whole = written_journal(tmp_path)
    everything = sorted(r.payload for r in read_journal(whole).records if r.kind == "raw")
    first, second = split(whole, 100, tmp_path / "other", twice=5)
    aside = first.rename(tmp_path / "aside")
    seal_at(second)
    (gap, *_) = load_run(tmp_path / "other" / f"{RUN_ID}.h5").gaps
    assert "94 records are missing" in gap.reason
    aside.rename(first)
    assert recover([tmp_path, tmp_path / "other"], finish, Heard().append) == 0
    assert raws(tmp_path) == everything
    assert sorted(path.stem for path in tmp_path.rglob("*.h5")) == [RUN_ID, f"{RUN_ID}-r1"]


@pytest.mark.parametrize("start", ["elsewhere", "home", "moved", "moved and replaced"])
def test_a_run_whose_beginning_is_in_another_archive_waits_for_it(tmp_path: Path, start: str) -> None:
    """A start in another archive leaves it; one at its home seals it, whole where the beginning is there.

    A folder that was moved is still its home, also where another has taken its name.
    """
    home, fallback = tmp_path / "home", tmp_path / "fallback"
    first, second = split(written_journal(home), 100, fallback, twice=5, home=home)
    folder = {"home": home, "elsewhere": tmp_path / "another"}.get(start, tmp_path / "moved")
    if start.startswith("moved"):
        home.rename(folder)
    else:
        first.rename(tmp_path / "out of reach")
    if start.endswith("replaced"):
        home.mkdir()
    folder.mkdir(exist_ok=True)
    heard = Heard()
    assert recover([folder, fallback], finish, heard.append) == 0
    assert second.exists() is (start == "elsewhere")
    if start == "elsewhere":
        assert [event["code"] for event in heard] == ["elsewhere"]
        assert str(home) in heard[0]["text"]
    else:
        (path,) = tmp_path.rglob("*.h5")
        assert path.parent == folder
        assert bool(load_run(path).gaps) is (start == "home")


def test_a_segment_laid_into_an_archive_brings_no_run_there(tmp_path: Path) -> None:
    """Whoever knows the name of a run in the fallback gets nothing of it by a file of that name."""
    path, _ = in_the_fallback(tmp_path)
    laid = begun_journal(tmp_path / "stranger", {**header(), "home": ["", 0]})
    laid.append("mark", json_payload({"ns": 1, "kind": "user", "text": "x"}))
    laid.close()
    assert recover([tmp_path / "stranger", path.parent], finish, Heard().append) == 0
    assert path.exists()
    assert names(tmp_path / "stranger") == []


def in_the_fallback(tmp_path: Path) -> tuple[Path, Path]:
    """A run that was recorded in the fallback folder, and its archive."""
    home, fallback = tmp_path / "archive", tmp_path / "fallback"
    home.mkdir()
    fields = {**header(), "home": [str(home), home.stat().st_ino]}
    journal = begun_journal(fallback, fields)
    journal.append("raw", raw_payload(1, "cup", b"Q,1,1,0.1,nC,0*0000\n"))
    journal.append("end", json_payload({"ns": 2, "text": ""}))
    journal.close()
    return seal_at(path_of(journal)), home


def test_runs_in_the_fallback_come_home(tmp_path: Path) -> None:
    """The next start of the archive that a run belongs to moves it there, says so, and once is enough."""
    path, home = in_the_fallback(tmp_path)
    data = path.read_bytes()
    heard = Heard()
    for _ in range(2):
        assert recover([home, path.parent], finish, heard.append) == 0
    assert (home / path.name).read_bytes() == data
    assert names(path.parent) == []
    assert [event["code"] for event in heard] == ["came-home"]
    assert str(home) in heard[0]["text"]


def test_runs_come_home_to_an_archive_that_was_moved(tmp_path: Path) -> None:
    """The folder itself is the archive, whatever it is called by now; a copy of it is another."""
    path, home = in_the_fallback(tmp_path)
    moved = home.rename(tmp_path / "moved")
    (tmp_path / "copy").mkdir()
    for folder in (tmp_path / "copy", moved):
        assert recover([folder, path.parent], finish, Heard().append) == 0
        assert (folder / path.name).exists() is (folder == moved)


def test_runs_of_others_stay_in_the_fallback(tmp_path: Path) -> None:
    """A start of another archive, and one of nobody's, takes no run."""
    path, _ = in_the_fallback(tmp_path)
    (tmp_path / "another").mkdir()
    heard = Heard()
    assert recover([tmp_path / "another", path.parent], finish, heard.append) == 0
    assert path.exists()
    assert heard == []


@pytest.mark.parametrize("same", [True, False])
def test_coming_home_replaces_nothing(tmp_path: Path, same: bool) -> None:
    """Where the name is taken the run stays, which is told; of the same file in both places one goes, after a kill."""
    path, home = in_the_fallback(tmp_path)
    data = path.read_bytes()
    (home / path.name).write_bytes(data if same else b"another")
    (home / f".{path.name}.0badf00d.part").write_bytes(data)
    heard = Heard()
    recover([home, path.parent], finish, heard.append)
    assert names(home) == [path.name]
    assert (home / path.name).read_bytes() == (data if same else b"another")
    assert path.exists() is not same
    assert [event["code"] for event in heard] == ["came-home" if same else "not-home"]


def test_a_file_of_a_run_waits_until_the_others_can_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While a sealed run cannot be read, nobody knows what a left file of it adds: it is sealed or let go later."""
    whole = written_journal(tmp_path)
    data = whole.read_bytes()
    everything = sorted(r.payload for r in read_journal(whole).records if r.kind == "raw")
    path = seal_at(whole)
    whole.write_bytes(data[:5000])

    def unread(image: bytes) -> Any:
        raise UnreadRunError(f"{path}: reading it took too long")

    heard = Heard()
    with monkeypatch.context() as patched:
        patched.setattr(load, "read_apart", unread)
        assert recover([tmp_path], finish, heard.append) == 1
    assert whole.exists()
    assert [event["code"] for event in heard] == ["not-sealed"]
    assert recover([tmp_path], finish, heard.append) == 0
    assert raws(tmp_path) == everything
    assert not whole.exists()


def old_journal(folder: Path, run_id: str, carries: str, payloads: list[str], *, through: bool = True) -> Path:
    """A journal of the version before, which begins with copies from another and a clock record."""
    records = [Record("header", 0, json_payload({**header(run_id), "carries": carries}))]
    records += [Record("raw", number, payload) for number, payload in enumerate(payloads, 1)]
    if through:
        records.append(Record("clock", len(records), json_payload({"ns": 0})))
    folder.mkdir(exist_ok=True)
    path = folder / f"{run_id}.journal"
    path.write_bytes(b"".join(map(line_of, records)))
    return path


def test_a_run_waits_for_the_copy_that_cannot_be_removed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While an old journal that is found in another stays, the other is not sealed; later there is one run."""
    payloads = [raw_payload(number, "cup", b"x") for number in range(20)]
    old_journal(tmp_path, RUN_ID, "", payloads, through=False)
    old_journal(tmp_path / "new", OTHER_ID, RUN_ID, payloads[-5:])
    folders = [tmp_path, tmp_path / "new"]
    heard = Heard()
    with monkeypatch.context() as patched:
        patched.setattr(recover_module, "remove", refused)
        assert recover(folders, finish, heard.append) == 1
    assert [event["code"] for event in heard] == ["not-sealed"]
    assert not list(tmp_path.rglob("*.h5"))
    assert recover(folders, finish, heard.append) == 0
    assert [path.stem for path in tmp_path.rglob("*.h5")] == [OTHER_ID]


@pytest.mark.parametrize("claim", ["nothing", "the first", "all after a grind", "all of it"])
def test_an_old_journal_is_let_go_only_for_what_holds_its_end(tmp_path: Path, claim: str) -> None:
    """A journal laid beside another and named its follower gets it deleted by no mere word: not a reading is lost."""
    payloads = [raw_payload(number, "cup", b"x") for number in range(20)]
    old = old_journal(tmp_path, RUN_ID, "", payloads, through=False)
    if claim == "all after a grind":
        mark = Record("mark", 21, json_payload({"kind": "state", "text": "grinding", "time_s": 1.0}))
        old.write_bytes(old.read_bytes() + line_of(mark))
    copies = {"nothing": [], "the first": payloads[:1], "all of it": payloads}.get(claim, payloads[-3:])
    old_journal(tmp_path, OTHER_ID, RUN_ID, copies)
    assert recover([tmp_path], finish, Heard().append) == 0
    assert raws(tmp_path) == sorted(payloads)

"""Rules of the folder of runs: finding, reading, keeping outcomes, and surviving its bad files."""

from __future__ import annotations

import os
import sqlite3
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from chargebench.archive import cache
from chargebench.archive.archive import Archive, Wanted
from chargebench.errors import ArchiveError, RunFileError
from chargebench.processing.recipe import DEFAULT, Recipe
from chargebench.runs.load import load_run
from chargebench.runs.write import run_bytes
from tests.archive.conftest import make_run

Put = Callable[..., Path]

FIRST, SECOND, THIRD = "20260314T091500Z-7f3a2c", "20260315T093000Z-00aa11", "20260401T080000Z-ffee00"
FOURTH = "20260501T000000Z-123456"


@pytest.fixture
def archive(put: Put) -> Archive:
    """Four runs, written out of order."""
    put(FOURTH)
    put(THIRD, treatment="dry")
    put(FIRST, treatment="misted", water_uL_per_g=20.0)
    return Archive(put(SECOND, treatment="misted", water_uL_per_g=40.0).parent)


def test_runs_come_in_order_of_time(put: Put) -> None:
    """Run files are listed by time of start, whatever the order in which they were written."""
    for name in (THIRD, FIRST, SECOND):
        put(name)
    assert [p.stem for p in Archive(put(SECOND).parent).run_paths()] == [FIRST, SECOND, THIRD]


@pytest.mark.parametrize("missing", ["nothing", "file.txt"])
def test_an_archive_is_a_folder(tmp_path: Path, missing: str) -> None:
    """A path that is no folder is refused in one line that names it."""
    (tmp_path / "file.txt").write_text("x")
    with pytest.raises(ArchiveError, match=missing) as caught:
        Archive(tmp_path / missing)
    assert "\n" not in str(caught.value)


def test_an_archive_can_be_made(tmp_path: Path) -> None:
    """With create, folders that are missing are made."""
    assert Archive(tmp_path / "a" / "b", create=True).run_paths() == []


@pytest.mark.parametrize("name", [FIRST, f"{FIRST}.h5", Path(f"{FIRST}.h5")])
def test_a_run_is_found_by_id_file_name_or_path(archive: Archive, name: str | Path) -> None:
    """A run can be asked for by its id, its file name or its path."""
    assert archive.run(name).run_id == FIRST


def test_a_renamed_run_is_still_found_by_its_id(archive: Archive) -> None:
    """What a run is called inside its file counts, where no file bears that name."""
    (archive.folder / f"{FIRST}.h5").rename(archive.folder / "the good one.h5")
    assert archive.run(FIRST).run_id == FIRST


@pytest.mark.parametrize("name", ["20260314T091500Z-000000", "../secret", "no such run"])
def test_a_run_that_is_not_there_is_named(archive: Archive, name: str) -> None:
    """Asking for what the archive does not hold names the archive and what was asked for."""
    with pytest.raises(ArchiveError, match="no run") as caught:
        archive.run(name)
    assert str(archive.folder) in str(caught.value)


@pytest.mark.parametrize(
    ("where", "found"),
    [
        ({}, [FIRST, SECOND, THIRD, FOURTH]),
        ({"treatment": "misted"}, [FIRST, SECOND]),
        ({"treatment": "misted", "water_uL_per_g": (30.0, 50.0)}, [SECOND]),
        ({"water_uL_per_g": 20.0}, [FIRST]),
        ({"grinder": "none of them"}, []),
    ],
)
def test_runs_are_found_by_tags(archive: Archive, where: dict[str, Wanted], found: list[str]) -> None:
    """Equal values and ranges of tags choose runs, in order of time."""
    assert [e.run_id for e in archive.find(where)] == found


def _bad_files(folder: Path) -> None:
    (folder / "20260101T000000Z-000001.h5").write_bytes(b"not HDF5 at all")
    (folder / "20260101T000000Z-000002.h5").write_bytes(b"")
    whole = (folder / f"{SECOND}.h5").read_bytes()
    (folder / "20260101T000000Z-000003.h5").write_bytes(whole[: len(whole) // 2])


def test_a_bad_file_is_named_and_hides_no_other(archive: Archive) -> None:
    """Files that are no runs stand in the listing with their problem, and every sound run is found."""
    _bad_files(archive.folder)
    problems = [e for e in archive.entries() if e.problem]
    assert [e.path.stem[-1] for e in problems] == ["1", "2", "3"]
    assert all(str(e.path.name) in e.problem for e in problems)
    assert len(archive.find()) == 4


@pytest.mark.skipif(sys.platform != "linux", reason="only there may a file name be any bytes")
def test_a_name_or_origin_that_is_no_text_hides_no_other(archive: Archive) -> None:
    """A file name of bytes that are no UTF-8, and an origin with a lone surrogate, are listed among the others."""
    odd = replace(make_run("20260101T000000Z-0000ff"), origin="\ud800")
    named = archive.folder / os.fsdecode(b"\xff.h5")
    named.write_bytes(run_bytes(odd))
    for _ in range(2):
        found = archive.find()
        assert len(found) == 5
        assert (found[0].path, found[0].origin) == (named, "\ud800")


@pytest.mark.parametrize("damage", ["gone", "rubbish", "truncated", "of another layout", "folder"])
def test_the_list_is_made_again_from_the_files(archive: Archive, damage: str) -> None:
    """Losing or damaging the list in the cache loses nothing."""
    before = archive.entries()
    database = cache.database_path(archive.folder)
    data = database.read_bytes()
    if damage == "of another layout":
        with closing(sqlite3.connect(database)) as connection, connection:
            connection.execute("DROP TABLE files")
            connection.execute("CREATE TABLE files (something TEXT)")
            connection.execute("PRAGMA user_version = 99")
    else:
        database.unlink()
    if damage == "rubbish":
        database.write_bytes(b"\x00rubbish" * 2000)
    if damage == "truncated":
        database.write_bytes(data[: len(data) // 2 + 100])
    if damage == "folder":
        database.mkdir()
    assert archive.entries() == before
    assert archive.entries() == before


def test_the_index_follows_the_folder(archive: Archive, put: Put) -> None:
    """Runs added, removed or replaced since the index was made are seen at the next use."""
    archive.entries()
    (archive.folder / f"{FIRST}.h5").unlink()
    replaced = archive.folder / f"{SECOND}.h5"
    replaced.unlink()
    put(SECOND, treatment="ionised")
    put("20260601T000000Z-0000aa", coffee="Another")
    assert [e.run_id for e in archive.find({"coffee": "Another"})] == ["20260601T000000Z-0000aa"]
    assert [e.run_id for e in archive.find({"treatment": "ionised"})] == [SECOND]
    assert FIRST not in {e.run_id for e in archive.entries()}


def test_many_may_use_the_index_at_once(archive: Archive) -> None:
    """Listings made at the same time, the index not yet there, all see the same runs."""
    with ThreadPoolExecutor(6) as pool:
        listings = list(pool.map(lambda _: Archive(archive.folder).entries(), range(12)))
    assert all(listing == listings[0] for listing in listings)
    assert len(listings[0]) == 4


def _contents(folder: Path) -> dict[str, tuple[int, bytes]]:
    return {p.name: (p.stat().st_mtime_ns, p.read_bytes()) for p in sorted(folder.iterdir())}


def test_nothing_is_computed_into_the_archive(archive: Archive) -> None:
    """Listing an archive and answering its runs, twice, changes no byte and no name in its folder."""
    before = _contents(archive.folder)
    for _ in range(2):
        assert len(archive.entries()) == 4
        assert archive.outcome(FIRST).run_id == FIRST
    assert _contents(archive.folder) == before


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="needs permissions that bind this user")
def test_a_folder_that_cannot_be_written_is_read_like_any_other(archive: Archive) -> None:
    """A read-only archive is listed and answered, and its answers are kept."""
    archive.folder.chmod(0o555)
    try:
        assert len(archive.entries()) == 4
        assert archive.outcome(FIRST) == archive.outcome(FIRST)
    finally:
        archive.folder.chmod(0o755)


@pytest.mark.parametrize("where", ["a file in the way", "no cache"])
def test_without_a_cache_an_archive_is_read_all_the_same(
    archive: Archive, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    """Where the cache cannot be written, runs are listed and answered; nothing is kept."""
    blocked = tmp_path / "blocked"
    blocked.write_bytes(b"")
    monkeypatch.setattr("platformdirs.user_cache_path", lambda *words, **more: blocked / where)
    assert [e.run_id for e in archive.find()] == [FIRST, SECOND, THIRD, FOURTH]
    assert archive.outcome(FIRST) == archive.outcome(FIRST)


LEFTOVERS = (".index.sqlite3", ".index.sqlite3-journal", f"{FIRST}.outcome.json", "manifest.jsonl")


@pytest.mark.parametrize("kind", ["file", "link", "dangling link", "folder", "pipe"])
@pytest.mark.parametrize("name", LEFTOVERS)
def test_leftovers_of_older_versions_are_left_alone(archive: Archive, tmp_path: Path, name: str, kind: str) -> None:
    """A database, outcome or manifest in the folder, or what bears its name, is neither read, followed nor changed."""
    decoy, left = tmp_path / "decoy", archive.folder / name
    decoy.write_bytes(b"mine")
    if kind == "file":
        left.write_bytes(b'{"outcome": {"run": "forged"}}')
    elif kind == "folder":
        left.mkdir()
    elif kind == "pipe":
        os.mkfifo(left)
    else:
        left.symlink_to(decoy if kind == "link" else tmp_path / "not there")
    before = left.lstat()
    assert len(archive.entries()) == 4
    assert archive.outcome(FIRST).run_id == FIRST
    assert (left.lstat().st_ino, left.lstat().st_mtime_ns) == (before.st_ino, before.st_mtime_ns)
    assert decoy.read_bytes() == b"mine"
    assert not (tmp_path / "not there").exists()


def _mark_kept(archive: Archive) -> None:
    """Make kept outcomes recognisable."""
    with cache.opened(archive.folder) as connection:
        connection.execute("UPDATE outcomes SET outcome = json_set(outcome, '$.run', 'from the cache')")


def test_an_outcome_is_kept_in_the_cache(archive: Archive) -> None:
    """The second asking is answered with the very same object, from the cache."""
    made = archive.outcome(FIRST)
    assert made == archive.outcome(FIRST)
    assert made.result["net_charge_nC"].value == pytest.approx(-900.0, abs=2.0)
    _mark_kept(archive)
    assert archive.outcome(FIRST).run_id == "from the cache"


def test_the_cache_is_read_by_nobody_else(archive: Archive) -> None:
    """The folder of the databases is this user's alone, and the name of one tells nobody which archive it is of."""
    archive.entries()
    database = cache.database_path(archive.folder)
    assert os.name == "nt" or database.parent.stat().st_mode & 0o077 == 0
    assert database != cache.database_path(archive.folder.parent)


def test_another_folder_in_the_same_place_has_a_list_of_its_own(archive: Archive, put: Put) -> None:
    """A folder that takes the place of another is not answered from what was known of that one."""
    archive.entries()
    archive.folder.rename(archive.folder.with_name("older"))
    archive.folder.mkdir()
    assert archive.entries() == []
    assert len(Archive(archive.folder.with_name("older")).entries()) == 4


@pytest.mark.parametrize("change", ["nothing", "run file", "recipe", "software"])
def test_a_kept_outcome_counts_only_while_its_grounds_hold(
    archive: Archive, put: Put, monkeypatch: pytest.MonkeyPatch, change: str
) -> None:
    """Another run file, recipe or software version makes a kept outcome void."""
    archive.outcome(FIRST)
    _mark_kept(archive)
    recipe = DEFAULT
    if change == "run file":
        (archive.folder / f"{FIRST}.h5").unlink()
        put(FIRST, operator="someone else")
    if change == "recipe":
        recipe = Recipe(DEFAULT.name, f"{DEFAULT.version}.other", DEFAULT.parameters)
    if change == "software":
        monkeypatch.setattr("chargebench.archive.archive.__version__", "0.0.0")
    assert (archive.outcome(FIRST, recipe).run_id == "from the cache") is (change == "nothing")


@pytest.mark.parametrize("text", ["", "{", "[]", "3", "\x00\x01", "[" * 100_000])
def test_a_damaged_kept_outcome_is_no_outcome(archive: Archive, text: str) -> None:
    """What the cache cannot give back whole is made again, without a word."""
    made = archive.outcome(FIRST)
    with cache.opened(archive.folder) as connection:
        connection.execute("UPDATE outcomes SET outcome = ?", (text,))
    assert archive.outcome(FIRST) == made


@pytest.mark.skipif(os.name == "nt", reason="links need a privilege there")
@pytest.mark.parametrize("kind", ["link", "dangling link", "pipe", "folder"])
def test_what_is_no_file_is_no_run(archive: Archive, tmp_path: Path, kind: str) -> None:
    """A link, pipe or folder that is named like a run is not listed, and refused in words where it is asked for."""
    real, odd = tmp_path / "elsewhere.h5", archive.folder / "20260101T000000Z-00aaaa.h5"
    real.write_bytes((archive.folder / f"{FIRST}.h5").read_bytes())
    if kind == "folder":
        odd.mkdir()
    elif kind == "pipe":
        os.mkfifo(odd)
    else:
        odd.symlink_to(real if kind == "link" else tmp_path / "nowhere")
    assert [e.run_id for e in archive.entries()] == [FIRST, SECOND, THIRD, FOURTH]
    with pytest.raises(RunFileError, match=r"symbolic link|folder, pipe or device"):
        load_run(odd)


def test_the_secret_is_made_once_and_read_by_nobody_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another process of the same user has the same secret; a damaged one is made anew; nobody else may read it."""
    monkeypatch.setattr("platformdirs.user_data_path", lambda *words, **more: tmp_path / "data")
    make = cache._secret.__wrapped__
    assert make() == make()
    (path,) = (tmp_path / "data").iterdir()
    assert os.name == "nt" or path.stat().st_mode & 0o077 == 0
    path.write_bytes(b"short")
    assert make() == make() != b"short"


def test_a_tag_that_no_file_system_knows_is_kept(archive: Archive, put: Put) -> None:
    """Text that is no UTF-8, and a number that is none, hide neither their run nor the others."""
    put(SECOND, operator="\ud800", free=float("inf"))
    assert archive.outcome(SECOND) == archive.outcome(SECOND)
    assert archive.outcome(SECOND).tags["operator"] == "\ud800"
    assert len(archive.find()) == 4


def test_a_damaged_run_has_no_outcome(archive: Archive) -> None:
    """A run file damaged after its outcome was kept is refused, not answered from what was kept."""
    archive.outcome(FIRST)
    path = archive.folder / f"{FIRST}.h5"
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0xFF
    path.write_bytes(bytes(data))
    with pytest.raises(RunFileError):
        archive.outcome(FIRST)

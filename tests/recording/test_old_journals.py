"""Journals that the version before segments left behind, in every state that a stop could leave them in.

``old_journals.tar.xz`` holds them, a folder a kind, each with what was in ``archive`` and ``fallback``. A script wrote
them with that version's own writer: one grind of 14 s from the paper bench, cut off, torn, moved or followed at the
place that the name says (where two files are left, the removal of the old one was made to fail as if the process had
died before it). ``expected.json`` holds what that version's own start made of each: the runs, and a digest of the bytes
of instruments in them, each exactly once.
"""

from __future__ import annotations

import hashlib
import json
import tarfile
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from chargebench.recording.ids import first_name
from chargebench.recording.quarantine import QUARANTINE
from chargebench.recording.recover import recover
from chargebench.recording.segments import journal_content
from chargebench.recording.verify import contradiction
from chargebench.runs.check import check_run
from chargebench.runs.load import load_run
from tests.recording.sealing import Heard, finish

STORED = Path(__file__).with_name("old_journals.tar.xz")
JOINED_NOW = "moved_without_its_beginning"
"""Sealed as two runs by the version that wrote it; its two files are segments of one run."""


@cache
def _stored() -> dict[str, bytes]:
    with tarfile.open(STORED) as tar:
        found = ((member.name, tar.extractfile(member)) for member in tar.getmembers())
        return {name: file.read() for name, file in found if file is not None}


@cache
def expected() -> dict[str, dict[str, Any]]:
    """What the version that wrote the journals made of each kind."""
    kinds: dict[str, dict[str, Any]] = json.loads(_stored()["expected.json"])
    return kinds


def lay_out(kind: str, folder: Path) -> None:
    """Put the files of a kind where they lay."""
    for name, data in _stored().items():
        if name.startswith(f"{kind}/"):
            path = folder / name.partition("/")[2]
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
    (folder / "archive").mkdir(parents=True, exist_ok=True)


def received(folder: Path) -> list[str]:
    """What came from instruments in all runs of a folder."""
    journals = (journal_content(load_run(path).journal) for path in folder.rglob("*.h5"))
    return sorted(record.payload for journal in journals for record in journal.records if record.kind == "raw")


def wrong_with(kind: str, folder: Path) -> list[str]:
    """What a start, and a second one, make wrong of a kind; nothing where all is as it was before."""
    lay_out(kind, folder)
    told, heard = expected()[kind], Heard()
    folders = [folder / "archive", folder / "fallback"]
    recover(folders, finish, heard.append)
    raws, runs = received(folder), sorted(folder.rglob("*.h5"))
    wrong = []
    if hashlib.sha256("\n".join(raws).encode()).hexdigest() != told["sha256"] or len(raws) != told["raws"]:
        wrong.append(f"{len(raws)} chunks where {told['raws']} were")
    made = {(path.stem, load_run(path).recovered) for path in runs}
    if {first_name(name) for name, _ in made} != {first_name(name) for name, *_ in told["runs"]}:
        wrong.append(f"runs {made} where {told['runs']} were")
    if {recovered for _, recovered in made} != {recovered for _, recovered, _ in told["runs"]}:
        wrong.append(f"recovered as {made}")
    wrong += [words for path in runs for words in (*check_run(path), contradiction(load_run(path))) if words]
    if sorted(path.name for path in folder.glob(f"*/{QUARANTINE}/*")) != sorted(told["quarantine"]):
        wrong.append("another quarantine")
    wrong += [f"left: {path.name}" for path in folder.glob("*/*.journal")]
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    recover(folders, finish, heard.append)
    if {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} != before:
        wrong.append("a second start changed something")
    return wrong


@pytest.mark.parametrize("kind", sorted(expected()))
def test_journals_of_the_version_before_are_recovered(tmp_path: Path, kind: str) -> None:
    """Every byte that was in a run of that version is in one of this, once, by the same name and as complete."""
    assert wrong_with(kind, tmp_path) == []


def test_files_of_one_run_make_one_run(tmp_path: Path) -> None:
    """A journal that had moved without its beginning is whole again once both files are found."""
    lay_out(JOINED_NOW, tmp_path)
    recover([tmp_path / "archive", tmp_path / "fallback"], finish, Heard().append)
    assert len(list(tmp_path.rglob("*.h5"))) == 1


def test_there_are_twenty_kinds() -> None:
    """The kinds cover what a stop could leave."""
    assert len(expected()) >= 20

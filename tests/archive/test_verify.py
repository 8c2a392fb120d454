"""Rules of looking a whole archive over."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from chargebench.archive.archive import Archive
from chargebench.archive.verify import verify
from chargebench.cli.main import main
from chargebench.runs.load import load_run
from chargebench.runs.write import run_bytes
from tests.recording.byte_bench import RUN_ID, written_journal
from tests.recording.sealing import seal_at

Put = Callable[..., Path]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """An archive with one run that was sealed from its journal, and what people keep beside runs."""
    seal_at(written_journal(tmp_path))
    (tmp_path / "study.toml").write_text("[study]\n")
    (tmp_path / "qualifications").mkdir()
    return tmp_path


@pytest.mark.parametrize("deep", [False, True])
def test_a_sound_archive_has_no_finding(folder: Path, deep: bool) -> None:
    """Runs as they were sealed, with studies and checks beside them, are nothing to speak of."""
    assert list(verify(Archive(folder), deep)) == []


def _double(folder: Path) -> None:
    run = load_run(folder / f"{RUN_ID}.h5")
    trace = run.traces["charge"]
    changed = replace(run, traces={**run.traces, "charge": replace(trace, value=2.0 * trace.value)})
    (folder / f"{RUN_ID}.h5").write_bytes(run_bytes(changed))


def test_a_charge_that_was_doubled_is_found_by_the_deep_check_only(folder: Path) -> None:
    """A run whose checksums were made anew contradicts its own journal, and nothing else."""
    _double(folder)
    assert list(verify(Archive(folder))) == []
    (finding,) = verify(Archive(folder), deep=True)
    assert finding.path.name == f"{RUN_ID}.h5"
    assert "not what its own journal gives" in finding.text


def _damage(folder: Path) -> None:
    path = folder / f"{RUN_ID}.h5"
    path.write_bytes(path.read_bytes()[:-100])


ODD: dict[str, tuple[Callable[[Path], object], str, str]] = {
    "damaged": (_damage, f"{RUN_ID}.h5", ""),
    "renamed": (lambda f: (f / f"{RUN_ID}.h5").rename(f / "good.h5"), "good.h5", "were files swapped"),
    "doubled": (lambda f: (f / "zz.h5").write_bytes((f / f"{RUN_ID}.h5").read_bytes()), "zz.h5", "the same readings"),
    "index": (lambda f: (f / ".index.sqlite3").write_bytes(b"x"), ".index.sqlite3", "older version"),
    "outcome": (lambda f: (f / f"{RUN_ID}.outcome.json").write_bytes(b"x"), f"{RUN_ID}.outcome.json", "older version"),
    "manifest": (lambda f: (f / "manifest.jsonl").write_bytes(b"x"), "manifest.jsonl", "older version"),
    "count": (lambda f: (f / f"{RUN_ID}.journal-failures").touch(), f"{RUN_ID}.journal-failures", "older version"),
    "journal": (lambda f: (f / f"{RUN_ID}.journal").touch(), f"{RUN_ID}.journal", "waits to be sealed"),
    "segment": (lambda f: (f / f"{RUN_ID}-s012.journal").touch(), f"{RUN_ID}-s012.journal", "waits to be sealed"),
    "odd journal": (lambda f: (f / "$(touch a).journal").touch(), "$(touch a).journal", "no journal of a recorder"),
    "subfolder": (lambda f: (f / "more").mkdir(), "more", "not part of the archive"),
    "program": (lambda f: (f / "setup.sh").touch(), "setup.sh", "no file of this program"),
    "odd check": (
        lambda f: (f / "qualifications" / "mine.leakage.json").touch(), "mine.leakage.json", "no file of a check",
    ),
    "program among checks": (lambda f: (f / "qualifications" / "a.sh").touch(), "a.sh", "no file of a check"),
    "bad check": (
        lambda f: (f / "qualifications" / f"{RUN_ID}.leakage.json").write_text("[" * 9999), "qualifications", "nested",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("make", "name", "words"), ODD.values(), ids=ODD)
def test_whatever_is_odd_is_named(
    folder: Path, make: Callable[[Path], object], name: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each odd thing in the folder is one finding that names it and says why; the command then returns 1."""
    make(folder)
    found = list(verify(Archive(folder), deep=True))
    assert {finding.path.name for finding in found} == {name}
    assert words in " ".join(finding.text for finding in found)
    assert len(found) == 1 + (name == "zz.h5")  # a copy is also swapped by its name
    assert main(["archive", "verify", "--archive", str(folder)]) == 1
    assert name in capsys.readouterr().out


@pytest.mark.skipif(os.name == "nt", reason="links need a privilege there, and there are no pipes")
@pytest.mark.parametrize("name", ["a.h5", f"{RUN_ID}.journal", "manifest.jsonl", "study.toml"])
@pytest.mark.parametrize("kind", ["link", "pipe"])
def test_links_and_pipes_are_named_and_left_alone(tmp_path: Path, name: str, kind: str) -> None:
    """A link or pipe is never opened, whatever it is called."""
    path, decoy = tmp_path / "archive" / name, tmp_path / "decoy"
    path.parent.mkdir()
    decoy.write_bytes(b"mine")
    if kind == "link":
        path.symlink_to(decoy)
    else:
        os.mkfifo(path)
    (finding,) = verify(Archive(path.parent), deep=True)
    assert finding.path == path
    assert decoy.read_bytes() == b"mine"


def test_a_sound_archive_ends_well(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing found is said, with how many files were looked at, and the command returns 0."""
    assert main(["archive", "verify", "--archive", str(folder), "--deep"]) == 0
    assert capsys.readouterr().out == "1 run file assembled from their journals again: nothing found\n"


def test_a_file_is_named_once(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A finding names its file in front and not again in the sentence; one finding is one."""
    (folder / "20260315T091500Z-0a0b0c.h5").write_bytes(b"no run")
    assert main(["archive", "verify", "--archive", str(folder)]) == 1
    first, last = capsys.readouterr().out.splitlines()
    assert first.count("20260315T091500Z-0a0b0c.h5") == 1
    assert last == "2 run files checked: 1 finding"

"""How every command ends: help, exit codes, one line on standard error, pipes that close."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from chargebench.cli.main import COMMANDS, main
from tests.cli.conftest import Command


@pytest.mark.parametrize("words", [["--help"], ["--version"], *([name, "--help"] for name in COMMANDS)])
def test_help_answers_without_loading_the_heavy_libraries(words: list[str]) -> None:
    """Help and version exit with 0 and load neither numpy nor h5py nor Qt."""
    code = (
        "import sys\n"
        "from chargebench.cli.main import main\n"
        "try:\n    main(sys.argv[1:])\nexcept SystemExit as end:\n    assert end.code == 0\n"
        "heavy = {'numpy', 'h5py', 'PySide6', 'scipy', 'pydantic', 'matplotlib'} & set(sys.modules)\n"
        "sys.exit(f'loaded {heavy}' if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code, *words], capture_output=True, encoding="utf-8", check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert "chargebench" in done.stdout


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["brew"],
        ["show"],
        ["show", ".", "--jason"],
        ["record", "--bench", "b.toml"],
        ["record", "--bench", "b", "--archive", "a", "--runs", "-1"],
        ["record", "--bench", "b", "--archive", "a", "--give-up", "nan"],
        ["record", "--bench", "b.toml", "--archive", "a", "--tag", "dose_g=heavy"],
        ["import", "--archive", "a", "--charge", "q.csv", "--tag", "dose_g=heavy"],
        ["import", "--archive", "a", "--charge", "q.csv", "--started", "yesterday"],
        ["study"],
        ["study", "--archive", ".", "--where", "dose_g"],
        ["plan", "study.toml", "--skip", "99", "--reason", "no beans"],
        ["report", "--archive", ".", "--out", "x.docx"],
        ["plan", "study.toml", "--skip", "3"],
    ],
)
def test_wrong_usage_exits_with_2(words: list[str], tmp_path: Path, chargebench: Command) -> None:
    """Words that do not fit together give exit code 2 and say why on standard error."""
    if words[:1] == ["plan"]:
        (tmp_path / "study.toml").write_text(
            '[study]\nname = "a"\nquestion = "b"\n[[arm]]\ncoffee = "c"\ngrinder = "g"\ndoses_uL_per_g = [5]\n'
        )
    done = chargebench(*words, cwd=tmp_path)
    assert done.returncode == 2
    assert done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["show", "nowhere.h5"], "no such file or folder"),
        (["show", "."], "no run file"),
        (["study", "--archive", "nowhere"], "no such folder"),
        (["record", "--bench", "nowhere.toml", "--archive", "a"], "nowhere.toml"),
        (["volunteers", "nowhere.csv"], "nowhere.csv"),
        (["plan", "nowhere.toml"], "nowhere.toml"),
        (["study", "--archive", ".", "--where", "coffee=x"], "no grinds"),
    ],
)
def test_what_cannot_be_done_is_one_line(words: list[str], says: str, tmp_path: Path, chargebench: Command) -> None:
    """Exit code 1, nothing on standard output, one line on standard error that names the thing."""
    done = chargebench(*words, cwd=tmp_path)
    assert done.returncode == 1
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith("chargebench: ")
    assert says in done.stderr


def test_a_journal_that_waits_is_said(tmp_path: Path, chargebench: Command) -> None:
    """A folder with a journal and no run yet is not called empty: what seals it is named."""
    (tmp_path / "20260314T091500Z-7f3a2c.journal").write_bytes(b"")
    done = chargebench("show", ".", cwd=tmp_path)
    assert done.returncode == 1
    assert "a journal waits to be sealed" in done.stderr


def test_a_closed_pipe_ends_quietly(archive: Path) -> None:
    """A reader that goes away is no error of ours: nothing on standard error."""
    with subprocess.Popen(
        [sys.executable, "-m", "chargebench", "show", archive, "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        json.loads(process.stdout.readline())
        process.stdout.close()
        assert process.stderr.read() == ""
        assert process.wait(60) == 0


def test_unknown_bytes_of_a_locale_do_not_matter(archive: Path, chargebench: Command) -> None:
    """Output is UTF-8 even where the locale knows only ASCII."""
    done = chargebench("show", archive, env={"LC_ALL": "C", "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"})
    assert done.returncode == 0
    assert "µL/g" in done.stdout


def test_main_can_be_called_from_python(capsys: pytest.CaptureFixture[str]) -> None:
    """`main` returns the exit code and does not end the interpreter for our own errors."""
    assert main(["show", "nowhere.h5"]) == 1
    assert "nowhere.h5" in capsys.readouterr().err

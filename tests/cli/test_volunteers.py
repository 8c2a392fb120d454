"""Rules of ``chargebench volunteers``."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.conftest import Command

HEADER = "grinder,bottleneck,dry_s,misted_s"
PAIRS = "mill one,yes,30,33\nmill two,no,28,29\nmill three,unknown,31,31.5\n"


def test_a_contributor_is_never_dropped(tmp_path: Path, chargebench: Command) -> None:
    """A name that the file has no column for is refused, naming the column, and the file stays as it was."""
    (tmp_path / "good.csv").write_text(f"{HEADER}\n{PAIRS}")
    words = ("volunteers", "good.csv", "--add", "mill four", "no", "30", "31")
    done = chargebench(*words, "--contributor", "anyone", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (1, "")
    assert "no column 'contributor'" in done.stderr
    assert (tmp_path / "good.csv").read_text() == f"{HEADER}\n{PAIRS}"
    assert chargebench(*words, cwd=tmp_path).returncode == 0
    done = chargebench(*words[:1], "new.csv", *words[2:], "--contributor", "anyone", cwd=tmp_path)
    assert done.returncode == 0
    assert "anyone" in (tmp_path / "new.csv").read_text()
    assert chargebench("volunteers", "good.csv", "--contributor", "anyone", cwd=tmp_path).returncode == 2


@pytest.mark.parametrize("bad", ["mill four,no,30", "mill four,no,30,31,32", "mill four,no,30,fast"])
def test_a_bad_row_is_named_and_the_rest_is_pooled(bad: str, tmp_path: Path, chargebench: Command) -> None:
    """A row that is too short, too long or not a number costs the exit code, not the file."""
    (tmp_path / "pairs.csv").write_text(f"{HEADER}\n{PAIRS}{bad}\n")
    done = chargebench("volunteers", "pairs.csv", cwd=tmp_path)
    assert done.returncode == 1
    assert "line 5: " in done.stderr
    assert done.stderr.count("\n") == 1
    assert done.stdout.startswith("3 brew pairs\n")
    assert "3 contributors: 1." in done.stdout
    assert "95 % interval" in done.stdout
    assert "1 contributor: " in done.stdout


def test_lines_fit_the_terminal(tmp_path: Path, chargebench: Command) -> None:
    """Where COLUMNS says how wide a terminal is, no line is longer."""
    (tmp_path / "pairs.csv").write_text(f"{HEADER}\n{PAIRS}")
    done = chargebench("volunteers", "pairs.csv", cwd=tmp_path, env={"COLUMNS": "60"})
    assert max(map(len, done.stdout.splitlines())) <= 60

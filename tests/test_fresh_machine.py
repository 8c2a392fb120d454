"""What a machine finds that has never seen this program: the README's test command in an empty environment.

The build script is run for real, on stand-ins of the commands it calls that note how they were called.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
CALLED = """#!/bin/sh
echo "$0 $*" >> {notes}/words
env | grep -v '^PWD=\\|^OLDPWD=\\|^SHLVL=\\|^_=\\|^__CF' | sort > "{notes}/environment of $(basename "$0")"
"""
"""A stand-in: notes its words and its environment, but for what any shell adds."""

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="a shell script")


def _second_command() -> str:
    """The test command as the README gives it: the second that stands alone on an indented line."""
    commands = re.findall(r"^    (python3 -m venv .*)$", (ROOT / "README.md").read_text(encoding="utf-8"), re.MULTILINE)
    return str(commands[1])


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """A checkout with the build script in it, and nothing to call but stand-ins."""
    for name in ("bin/apt-get", "bin/python3", ".venv-test/bin/pip", ".venv-test/bin/python"):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(CALLED.format(notes=tmp_path), encoding="utf-8")
        path.chmod(0o755)
    (tmp_path / ".ci").mkdir()
    shutil.copy(ROOT / ".ci/run", tmp_path / ".ci/run")
    return tmp_path


def _build(checkout: Path) -> None:
    """Run the build script with a busy environment."""
    path = f"{checkout / 'bin'}{os.pathsep}{os.environ['PATH']}"
    busy = {**os.environ, "PATH": path, "HOME": str(checkout), "PYTHONUNBUFFERED": "1", "CI": "true", "LANG": "C"}
    subprocess.run([checkout / ".ci/run"], env=busy, check=True, cwd="/", capture_output=True)


def test_the_build_runs_the_test_command_of_the_readme(checkout: Path) -> None:
    """What the build runs is what the README tells a newcomer to type, word for word."""
    assert _second_command() in (ROOT / ".ci/run").read_text(encoding="utf-8")
    _build(checkout)
    words = (checkout / "words").read_text(encoding="utf-8").replace(f"{checkout}/bin/", "").replace(f"{checkout}/", "")
    ran = [line for line in words.splitlines() if not line.startswith("apt-get")]
    assert ran[:3] == _second_command().replace("'", "").split(" && ")


@pytest.mark.parametrize("name", ["python3", "pip", "python"])
def test_the_build_gives_the_tests_a_home_and_a_path(checkout: Path, name: str) -> None:
    """Each part of the command sees HOME and PATH, and nothing else of the machine that builds."""
    _build(checkout)
    names = re.findall(r"^(\w+)=", (checkout / f"environment of {name}").read_text(encoding="utf-8"), re.MULTILINE)
    assert names == ["HOME", "PATH"]


def test_the_build_fails_where_the_window_was_left_out(checkout: Path) -> None:
    """Without what Qt needs the tests of the window are left out: a newcomer is told, a build fails."""
    python = checkout / ".venv-test/bin/python"
    python.write_text('#!/bin/sh\n[ "$1" = -m ]\n', encoding="utf-8")
    with pytest.raises(subprocess.CalledProcessError):
        _build(checkout)


def test_children_of_the_tests_have_buffered_output() -> None:
    """No test passes only because a child's output happens to be unbuffered on this machine."""
    words = [sys.executable, "-c", "import sys; sys.exit(sys.stdout.write_through)"]
    assert subprocess.run(words, stdout=subprocess.PIPE, check=False).returncode == 0

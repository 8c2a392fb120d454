"""An archive of simulated runs, made once, and the command line as another program would call it."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.study_archive import make_archive

Command = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture(scope="session")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of 12 simulated runs: six doses in two blocks."""
    folder = tmp_path_factory.mktemp("archive")
    make_archive(folder, blocks=2)
    return folder


@pytest.fixture
def chargebench() -> Command:
    """Run ``python -m chargebench`` with the given words."""

    anywhere = {name: value for name, value in os.environ.items() if name != "COLUMNS"}

    def call(*words: str | Path, **options: object) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "chargebench", *map(str, words)],
            capture_output=True,
            encoding="utf-8",
            check=False,
            timeout=120,
            **{"env": anywhere, **options},  # type: ignore[call-overload]
        )

    return call

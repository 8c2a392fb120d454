"""Real windows off screen; a widget that outlives its test fails it."""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from chargebench.desktop.archive_reader import ArchiveReader
from chargebench.desktop.plan_follower import PlanFollower
from chargebench.desktop.qt import QtCore, QtWidgets
from chargebench.desktop.session import BenchSession
from chargebench.desktop.window import MainWindow
from tests.desktop.fake_recorder import FakeFollower

FAKE = (sys.executable, str(Path(__file__).with_name("fake_recorder.py")))


@pytest.fixture(scope="session")
def qapp_args() -> list[str]:
    """Name of the application under test."""
    return ["chargebench-tests"]


@pytest.fixture(autouse=True)
def no_leaked_widgets(qapp: QtWidgets.QApplication) -> Iterator[None]:
    """Every top-level widget made in a test is gone after it."""
    qapp.setStyle("Fusion")
    before = len(qapp.topLevelWidgets())
    yield
    qapp.sendPostedEvents(None, QtCore.QEvent.Type.DeferredDelete)
    if len(qapp.topLevelWidgets()) > before:
        gc.collect()
        qapp.sendPostedEvents(None, QtCore.QEvent.Type.DeferredDelete)
    left = qapp.topLevelWidgets()
    assert len(left) <= before, f"leaked widgets: {left}"


@pytest.fixture
def session() -> BenchSession:
    """A session that would start the stand-in recorder."""
    return BenchSession(FAKE, FakeFollower)


@pytest.fixture
def make_window(qtbot: object, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., MainWindow]]:
    """Windows that are closed, their recorder ended, and deleted at the end of the test."""
    monkeypatch.setenv("CB_FAKE_SPEED", "60")
    made: list[MainWindow] = []

    def make(bench: Path | None = Path("bench.toml"), **more: object) -> MainWindow:
        clients = BenchSession(FAKE, FakeFollower), ArchiveReader(FAKE)
        window = MainWindow(*clients, bench, tmp_path / "archive", follower=PlanFollower(FAKE), **more)
        window.resize(1366, 768)
        window.show()
        window.activateWindow()
        qtbot.waitUntil(window.isActiveWindow, timeout=120_000)
        made.append(window)
        return window

    yield make
    monkeypatch.undo()
    for window in made:
        window.close()
        qtbot.waitUntil(lambda w=window: not w.isVisible(), timeout=120_000)
        window.deleteLater()

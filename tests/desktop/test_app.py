"""The application around the window: error hooks, signals, log, demonstration."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest

from chargebench.desktop.app import ErrorHooks
from chargebench.desktop.demo import DemoGuide
from tests.desktop.fake_recorder import outcome

PATIENCE_S = 120.0
"""What an end in good order may take on a busy machine."""
RunApp = Callable[..., subprocess.Popen[str]]
ROOT = Path(__file__).resolve().parents[2]


def test_errors_of_slots_and_threads_are_told(qtbot: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An error nobody caught, here or in a thread, arrives in the window's thread as one line that names the log."""
    monkeypatch.setattr("platformdirs.user_log_dir", lambda *words, **more: str(tmp_path))
    hooks, heard = ErrorHooks(), []
    hooks.happened.connect(lambda text: heard.append((text, threading.current_thread() is threading.main_thread())))
    hooks.install()
    try:
        error = ValueError("dose")
        sys.excepthook(type(error), error, None)
        thread = threading.Thread(target=lambda: 1 / 0)
        thread.start()
        thread.join()
        qtbot.waitUntil(lambda: len(heard) == 2, timeout=120_000)
    finally:
        hooks.remove()
    log = tmp_path / "chargebench.log"
    errors = ("ValueError: dose", "ZeroDivisionError: division by zero")
    assert heard == [(f"unforeseen error, {error}; the log says more: {log}", True) for error in errors]
    assert all(error in log.read_text(encoding="utf-8") for error in errors)


class FakeOperator:
    """Two runs, whose truth it knows."""

    truths: dict[str, dict[str, Any]]

    def __init__(self) -> None:
        self.truths = {"a": {"charge_to_mass_nC_per_g": -61.9}, "b": {}}
        self.heard: list[Mapping[str, Any]] = []

    @property
    def first_tags(self) -> dict[str, str | float]:
        return {"coffee": "Harbour", "dose_g": 18.0}

    @property
    def finished(self) -> bool:
        return sum("result" in m for m in self.heard) >= 2

    def on_event(self, event: Mapping[str, Any]) -> Sequence[Mapping[str, Any]]:
        self.heard.append(event)
        return [{"do": "stop"}] if self.finished else []


def test_a_demonstration_shows_what_was_measured_beside_the_truth(qtbot: Any) -> None:
    """The operator hears everything, its commands go out, each answer stands beside its truth, the end is summed up."""
    operator, captions, conclusions, commands = FakeOperator(), [], [], []
    guide = DemoGuide(operator, lambda outcomes: f"{len(outcomes)} runs")
    guide.caption.connect(captions.append)
    guide.concluded.connect(conclusions.append)
    guide.command.connect(commands.append)
    guide.hear({"event": "state", "state": "armed"})
    guide.hear(outcome("a", 0.0, "dry", -61.7))
    assert "−61.70 ± 0.62" in captions[0]
    assert "−61.90" in captions[0]
    guide.hear(outcome("b", 0.0, "dry", -61.7))
    qtbot.waitUntil(lambda: conclusions == ["2 runs"], timeout=120_000)
    assert len(captions) == 2
    assert commands == [{"do": "stop"}]
    assert len(operator.heard) == 3


SCRIPT = """
import os, sys
from pathlib import Path
from chargebench.desktop import session
from chargebench.desktop import archive_reader
session.program = archive_reader.program = lambda: (sys.executable, {fake!r})
from chargebench.desktop import app
from chargebench.desktop.qt import QtCore
from tests.desktop.fake_recorder import FakeFollower
session._journal_follower = FakeFollower
session.BenchSession.__init__.__defaults__ = (None, FakeFollower, None)
def speak():
    print("shown", flush=True)
{more}
from chargebench.desktop.qt import QtWidgets
application = QtWidgets.QApplication([])
QtCore.QTimer.singleShot(1500, speak)
sys.exit(app.run_window(Path("bench.toml"), Path({archive!r})))
"""


@pytest.fixture
def run_app(tmp_path: Path) -> Iterator[Callable[..., subprocess.Popen[str]]]:
    """Starts the application in a process of its own, with the stand-in recorder; ends it whatever happens."""
    started: list[subprocess.Popen[str]] = []

    def start(more: str = "") -> subprocess.Popen[str]:
        started.append(_start_app(tmp_path, more))
        return started[-1]

    yield start
    for app in started:
        app.kill()
        app.communicate()


def _start_app(tmp_path: Path, more: str) -> subprocess.Popen[str]:
    fake = str(Path(__file__).with_name("fake_recorder.py"))
    code = SCRIPT.format(fake=fake, archive=str(tmp_path / "archive"), more=more)
    environment = {
        **os.environ,
        "QT_QPA_PLATFORM": "offscreen",
        "CB_FAKE_SPEED": "10",
        "XDG_STATE_HOME": str(tmp_path),
        "XDG_CONFIG_HOME": str(tmp_path),
        "HOME": str(tmp_path),
        "PYTHONPATH": str(ROOT),
    }
    return subprocess.Popen(
        [sys.executable, "-c", code],
        cwd=ROOT,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
    )


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_signals_close_the_window_and_its_recorder(tmp_path: Path, run_app: RunApp, number: int) -> None:
    """Ctrl-C and a polite end close the window as a person would; the recorder is told to stop; the exit code is 0.

    What was named at the start is remembered, and a foreign settings file was no hindrance.
    """
    settings = tmp_path / "chargebench" / "window.json"
    if sys.platform.startswith("linux"):
        settings.parent.mkdir()
        settings.write_text('{"theme": "mauve"}', encoding="utf-8")
    app = run_app()
    assert app.stdout is not None
    assert app.stdout.readline() == "shown\n"
    app.send_signal(number)
    out, err = app.communicate(timeout=PATIENCE_S)
    assert app.returncode == 0, (out, err)
    assert "Traceback" not in err
    assert not list((tmp_path / "archive").glob("*.journal"))
    if sys.platform.startswith("linux"):
        assert json.loads(settings.read_text(encoding="utf-8"))["archive"] == str(tmp_path / "archive")


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="place of the log")
def test_an_error_in_a_slot_is_logged_and_the_window_lives(tmp_path: Path, run_app: RunApp) -> None:
    """An exception in a slot ends up in the log file, and the window goes on until it is closed."""
    more = "    QtCore.QTimer.singleShot(300, lambda: print('alive', flush=True))\n    raise KeyError('slot fault')\n"
    app = run_app(more)
    assert app.stdout is not None
    assert [app.stdout.readline(), app.stdout.readline()] == ["shown\n", "alive\n"]
    app.send_signal(signal.SIGTERM)
    app.communicate(timeout=PATIENCE_S)
    assert app.returncode == 0
    logs = "".join(p.read_text() for p in tmp_path.rglob("window.log"))
    assert "KeyError: 'slot fault'" in logs


_EARLY = """
import os, signal, sys
from pathlib import Path
from chargebench.desktop import app

read = app.MainWindow.read_archive
def interrupted(window):
    os.kill(os.getpid(), signal.SIGTERM)
    read(window)
app.MainWindow.read_archive = interrupted
sys.exit(app.run_window(None, Path(sys.argv[1])))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
def test_a_signal_before_the_loop_runs_ends_it(tmp_path: Path) -> None:
    """A polite end that comes while the window is still being opened ends the program as one that comes later does."""
    home = {name: str(tmp_path) for name in ("HOME", "XDG_CONFIG_HOME", "XDG_STATE_HOME", "XDG_CACHE_HOME")}
    done = subprocess.run(
        [sys.executable, "-c", _EARLY, str(tmp_path / "archive")],
        cwd=ROOT, env={**os.environ, "QT_QPA_PLATFORM": "offscreen", **home}, timeout=PATIENCE_S, check=False,
        capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr

"""Opens the window and stays until it is closed: the application, its error hooks, its signals and its log file.

Everything that goes wrong in a slot, a thread or a destructor reaches the person and the log; Ctrl-C and SIGTERM close
the window as a person would, so that the recorder finishes what it has.
"""

from __future__ import annotations

import logging
import signal
import sys
import threading
from collections.abc import Mapping
from pathlib import Path
from types import FrameType, TracebackType
from typing import Any, Final

from chargebench.desktop.archive_reader import ArchiveReader
from chargebench.desktop.demo import Conclude, DemoGuide, Operator
from chargebench.desktop.palette import THEMES
from chargebench.desktop.qt import QtCore, QtWidgets, Signal, check_screen
from chargebench.desktop.session import BenchSession
from chargebench.desktop.settings import SettingsFile, settings_path
from chargebench.desktop.window import MainWindow
from chargebench.unforeseen import start_log, stop_log, told

__all__ = ["ErrorHooks", "run_window"]

log = logging.getLogger(__name__)

SIGNAL_TICK_MS: Final = 200


class ErrorHooks(QtCore.QObject):
    """Hooks for errors nobody caught, in this thread or another.

    Signals
    -------
    happened(str)
        The error in one line; delivered in the thread of the window.
    """

    happened = Signal(str)

    def install(self) -> None:
        """Put the hooks in place, remembering those that were there."""
        self._before = sys.excepthook, threading.excepthook
        sys.excepthook = self._caught
        threading.excepthook = self._caught_in_thread

    def remove(self) -> None:
        """Put back the hooks that were there."""
        sys.excepthook, threading.excepthook = self._before

    def _caught(self, kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
        self.happened.emit(told((kind, error, trace)))

    def _caught_in_thread(self, args: threading.ExceptHookArgs) -> None:
        error = args.exc_value or args.exc_type()
        self._caught(args.exc_type, error, args.exc_traceback)


def _close_on_signals(window: MainWindow) -> Mapping[signal.Signals, Any]:
    """Let signals close the window; a timer wakes Qt's loop, since Python runs handlers only between its own steps."""

    def close(_number: int, _frame: FrameType | None) -> None:
        if window.close():  # Qt ends with its last window only where its loop runs already
            QtCore.QTimer.singleShot(0, QtWidgets.QApplication.quit)

    names = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
    wanted = [getattr(signal, name) for name in names if hasattr(signal, name)]
    before = {number: signal.signal(number, close) for number in wanted}
    timer = QtCore.QTimer(window)
    timer.setInterval(SIGNAL_TICK_MS)
    timer.timeout.connect(lambda: None)
    timer.start()
    return before


def _attach(window: MainWindow, guide: DemoGuide) -> None:
    """Let a demonstration hear all messages, command the recorder and show its words."""

    def commanded(command: Mapping[str, Any]) -> None:
        window.session.send(command)
        if command.get("do") == "tags":
            window.form.show_tags(dict(command.get("tags", {})))

    window.session.message.connect(guide.hear)
    guide.command.connect(commanded)
    guide.caption.connect(window.show_caption)
    guide.concluded.connect(window.show_conclusion)


def _connect_when_known(window: MainWindow, connect: bool) -> None:
    """Start the recorder, if it is to be started at once, when the plan has said that something is left to record."""

    def known(_found: object) -> None:
        window.plan.follower.found.disconnect(known)
        window.connect_bench()

    if connect:
        window.plan.follower.found.connect(known)


def _remember(window: MainWindow, file: SettingsFile, changes: Mapping[str, str]) -> None:
    """Keep choices for the next start; where that fails it is said once and the work goes on."""
    problem = file.remember(changes)
    if problem:
        log.warning("%s", problem)
        window.notices.add("note", "settings", f"Settings {problem}")


def _paths(bench: Path | None, archive: Path | None, file: SettingsFile) -> tuple[Path | None, Path]:
    """Bench and archive as they were named, else those of the last start that are still there."""
    last_bench, last_archive = (Path(p) if p else None for p in (file.settings.bench, file.settings.archive))
    if bench is None and last_bench is not None and last_bench.is_file():
        bench = last_bench
    if archive is None and last_archive is not None and last_archive.is_dir():
        archive = last_archive
    return bench, archive or Path("archive")


def _application() -> QtWidgets.QApplication:
    existing = QtWidgets.QApplication.instance()
    app = existing if isinstance(existing, QtWidgets.QApplication) else QtWidgets.QApplication(["chargebench"])
    app.setApplicationName("chargebench")
    app.setStyle("Fusion")
    return app


def _theme_of(app: QtWidgets.QApplication) -> str:
    """Light or dark as the desktop says it has, light where it does not say."""
    return "dark" if app.styleHints().colorScheme() is QtCore.Qt.ColorScheme.Dark else "light"


def _opening_size(app: QtWidgets.QApplication) -> QtCore.QSize:
    """Most of the screen, never more than it has."""
    room = app.primaryScreen().availableGeometry().size()
    return QtCore.QSize(min(room.width(), 1600), min(room.height(), 960))


def run_window(
    bench_path: Path | None,
    archive: Path | None,
    *,
    plan: Path | None = None,
    operator: Operator | None = None,
    conclude: Conclude | None = None,
    theme: str | None = None,
) -> int:
    """Open the window and return when it is closed.

    Parameters
    ----------
    bench_path : Path or None
        Bench file to connect to at once; without one the last one is shown, and the person connects or chooses.
    archive : Path or None
        Folder of runs, made by the recorder where it does not exist yet; without one the last one, or ``archive`` here.
    plan : Path, optional
        Study file whose plan is followed; its runs go where the study says.
    operator : Operator, optional
        Plays the tester in a demonstration; its first tags are filled in and it hears every line of the recorder.
    conclude : callable, optional
        Makes the closing words of a demonstration from its outcomes, in a thread of its own.
    theme : {'light', 'dark'}, optional
        Colours to begin with; where nothing is said, those of the last start, or as the desktop has it.

    Returns
    -------
    int
        Exit code.

    Raises
    ------
    WindowUnavailableError
        When this machine lacks what a window needs.
    """
    check_screen()
    app = _application()
    handler = start_log("window")
    file = SettingsFile(settings_path())
    colours = THEMES[theme or file.settings.theme or _theme_of(app)]
    demo = operator is not None
    bench, folder = (bench_path, archive or Path("archive")) if demo else _paths(bench_path, archive, file)
    window = MainWindow(BenchSession(), ArchiveReader(), bench, folder, colours, demo=demo)
    window.resize(_opening_size(app))
    window.settled.connect(lambda changes: _remember(window, file, changes))
    if not demo:
        named = {"bench": bench_path, "archive": archive}
        _remember(window, file, {key: str(path.absolute()) for key, path in named.items() if path is not None})
    if file.problem:
        window.notices.add("doubt", "settings", f"Settings {file.problem}")
    hooks = ErrorHooks(window)
    hooks.happened.connect(window.show_error)
    hooks.install()
    before = _close_on_signals(window)
    try:
        if operator is not None:
            window.form.show_tags(operator.first_tags)
            _attach(window, DemoGuide(operator, conclude, window))
        window.show()
        window.read_archive()
        if plan is not None:
            _connect_when_known(window, connect=bench_path is not None)
            window.plan.follow(plan)
        elif bench_path is not None:
            window.connect_bench()
        return int(app.exec())
    finally:
        for number, action in before.items():
            signal.signal(number, action)
        hooks.remove()
        QtCore.QThreadPool.globalInstance().waitForDone()
        stop_log(handler)

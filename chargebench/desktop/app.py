"""Opens the window and stays until it is closed: the application, its error hooks, its signals and its log file.

Everything that goes wrong in a slot, a thread or a destructor reaches the person and the log; Ctrl-C and SIGTERM close
the window as a person would, so that the recorder finishes what it has.
"""

from __future__ import annotations

import logging
import logging.handlers
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
from chargebench.desktop.window import MainWindow

__all__ = ["ErrorHooks", "run_window"]

log = logging.getLogger(__name__)

SIGNAL_TICK_MS: Final = 200
LOG_BYTES: Final = 1_000_000


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
        log.error("error nobody caught", exc_info=(kind, error, trace))
        self.happened.emit(f"{kind.__name__}: {error}")

    def _caught_in_thread(self, args: threading.ExceptHookArgs) -> None:
        error = args.exc_value or args.exc_type()
        self._caught(args.exc_type, error, args.exc_traceback)


def _log_file() -> Path | None:
    """Where the log goes; None where the folder cannot be made."""
    import platformdirs

    folder = Path(platformdirs.user_log_dir("chargebench", appauthor=False))
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        return None
    return folder / "window.log"


def _start_log() -> logging.Handler | None:
    """A log file of bounded size; None, and a warning on stderr, where it cannot be written."""
    path = _log_file()
    try:
        if path is None:
            raise PermissionError("no folder for it")
        handler = logging.handlers.RotatingFileHandler(path, maxBytes=LOG_BYTES, backupCount=2, encoding="utf-8")
    except OSError as error:
        print(f"chargebench: no log file is written ({error})", file=sys.stderr)
        return None
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    root = logging.getLogger("chargebench")
    root.addHandler(handler)
    root.setLevel(logging.INFO)
    return handler


def _stop_log(handler: logging.Handler | None) -> None:
    if handler is not None:
        logging.getLogger("chargebench").removeHandler(handler)
        handler.close()


def _close_on_signals(window: MainWindow) -> Mapping[signal.Signals, Any]:
    """Let signals close the window; a timer wakes Qt's loop, since Python runs handlers only between its own steps."""

    def close(_number: int, _frame: FrameType | None) -> None:
        window.close()

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
    archive: Path,
    *,
    operator: Operator | None = None,
    conclude: Conclude | None = None,
    theme: str | None = None,
) -> int:
    """Open the window and return when it is closed.

    Parameters
    ----------
    bench_path : Path or None
        Bench file to connect to at once; without one the person chooses.
    archive : Path
        Folder of runs, made by the recorder where it does not exist yet.
    operator : Operator, optional
        Plays the tester in a demonstration; its first tags are filled in and it hears every line of the recorder.
    conclude : callable, optional
        Makes the closing words of a demonstration from its outcomes, in a thread of its own.
    theme : {'light', 'dark'}, optional
        Colours to begin with; where nothing is said, as the desktop has it.

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
    handler = _start_log()
    colours = THEMES[theme or _theme_of(app)]
    window = MainWindow(BenchSession(), ArchiveReader(), bench_path, archive, colours, demo=operator is not None)
    window.resize(_opening_size(app))
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
        window.connect_bench()
        return int(app.exec())
    finally:
        for number, action in before.items():
            signal.signal(number, action)
        hooks.remove()
        QtCore.QThreadPool.globalInstance().waitForDone()
        _stop_log(handler)

"""What no one foresaw: an error that is none of ours becomes one line that says where the log is.

Owns the log file and that line. Command line, sealing process and window share it. Imports nothing heavy until then.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from logging.handlers import RotatingFileHandler

__all__ = ["ExcInfo", "log_file", "start_log", "stop_log", "threads_told", "told"]

ExcInfo = tuple[type[BaseException], BaseException, TracebackType | None]

LOG_BYTES: Final = 1_000_000
LONGEST_LINE: Final = 300


def log_file(name: str = "chargebench") -> Path:
    """Where a log goes: the platform's folder for logs, made where it is missing.

    Raises
    ------
    OSError
        When the folder cannot be made.
    """
    import platformdirs

    folder = Path(platformdirs.user_log_dir("chargebench", appauthor=False))
    folder.mkdir(parents=True, exist_ok=True)
    return folder / f"{name}.log"


def start_log(name: str = "chargebench") -> RotatingFileHandler | None:
    """A log file of bounded size; None, and a warning on stderr, where it cannot be written."""
    try:
        return _opened(log_file(name))
    except (OSError, RuntimeError) as error:
        print(f"chargebench: no log file is written ({error})", file=sys.stderr)
        return None


def _opened(path: Path) -> RotatingFileHandler:
    """A handler for everything that this program logs."""
    import logging
    import logging.handlers

    handler = logging.handlers.RotatingFileHandler(
        path, maxBytes=LOG_BYTES, backupCount=2, encoding="utf-8", errors="backslashreplace"
    )
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    root = logging.getLogger("chargebench")
    root.addHandler(handler)
    root.setLevel(logging.INFO)
    return handler


def stop_log(handler: RotatingFileHandler | None) -> None:
    """Close a log that was started."""
    if handler is not None:
        import logging

        logging.getLogger("chargebench").removeHandler(handler)
        handler.close()


def told(error: ExcInfo) -> str:
    """Put an error with its traceback in the log, and say it in one line with the place of the log.

    The log that is open is taken, else one is opened for this. A disk that is full at the same time costs the log and
    not the line.

    Parameters
    ----------
    error : tuple
        As ``sys.exc_info`` has it.
    """
    kind, value, _ = error
    said = " ".join(f"{kind.__name__}: {value}".split())
    said = said if len(said) <= LONGEST_LINE else f"{said[: LONGEST_LINE - 1]}…"
    try:
        return f"unforeseen error, {said}; the log says more: {_logged(error)}"
    except (OSError, RuntimeError) as refused:
        return f"unforeseen error, {said}; it could not be logged ({refused})"


def _logged(error: ExcInfo) -> str:
    """Log an error; the path of the log.

    Raises
    ------
    OSError, RuntimeError
        When the log cannot be opened or written.
    """
    import logging
    import logging.handlers

    logger = logging.getLogger("chargebench")
    running = next((h for h in logger.handlers if isinstance(h, logging.handlers.RotatingFileHandler)), None)
    handler = running or _opened(log_file())
    handler.handleError = _raise_again  # type: ignore[assignment, method-assign]
    try:
        logger.error("error nobody caught", exc_info=error)
    finally:
        del handler.handleError
        if running is None:
            stop_log(handler)
    return handler.baseFilename


def _raise_again(_record: object) -> None:
    """What a log does when it cannot be written: here, say so."""
    raise


@contextmanager
def threads_told(say: Callable[[str], object]) -> Iterator[None]:
    """Inside, an error that nobody caught in a thread is logged and said in one line."""
    import threading

    def caught(args: threading.ExceptHookArgs) -> None:
        if not issubclass(args.exc_type, SystemExit):
            say(told((args.exc_type, args.exc_value or args.exc_type(), args.exc_traceback)))

    before, threading.excepthook = threading.excepthook, caught
    try:
        yield
    finally:
        threading.excepthook = before

"""How the window starts other processes of this program, and what their last words were."""

from __future__ import annotations

import sys
from collections.abc import Sequence

from chargebench.desktop.qt import QtCore

__all__ = ["last_line", "make_process", "program"]


def program() -> tuple[str, ...]:
    """The command that starts this program in a process of its own."""
    return (sys.executable, "-m", "chargebench")


def make_process(parent: QtCore.QObject, command: Sequence[str]) -> QtCore.QProcess:
    """A process that speaks UTF-8 without buffering, not started yet."""
    process = QtCore.QProcess(parent)
    environment = QtCore.QProcessEnvironment.systemEnvironment()
    environment.insert("PYTHONUNBUFFERED", "1")
    environment.insert("PYTHONUTF8", "1")
    process.setProcessEnvironment(environment)
    process.setProgram(command[0])
    process.setArguments(list(command[1:]))
    return process


def last_line(text: str) -> str:
    """The last line that says something."""
    return next((line.strip() for line in reversed(text.splitlines()) if line.strip()), "")

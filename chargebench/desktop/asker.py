"""One question to this program in a process of its own, one JSON object as the answer; the window goes on meanwhile.

Owns that process. A new question takes the place of one that is still open.
"""

from __future__ import annotations

from collections.abc import Sequence

from chargebench.desktop.lines import JsonLines
from chargebench.desktop.processes import last_line, make_process, program
from chargebench.desktop.qt import QtCore, Signal

__all__ = ["Asker"]


class Asker(QtCore.QObject):
    """Asks and waits without holding up the window.

    Parameters
    ----------
    command : sequence of str, optional
        How to start the program; the words of the question are appended.

    Signals
    -------
    answered(object)
        The last JSON object that was printed, as a dict.
    failed(str)
        The last words on stderr of a question that was not answered.
    """

    answered = Signal(object)
    failed = Signal(str)

    def __init__(self, command: Sequence[str] | None = None, parent: QtCore.QObject | None = None) -> None:
        super().__init__(parent)
        self._command = tuple(command or program())
        self._process: QtCore.QProcess | None = None

    @property
    def busy(self) -> bool:
        """Whether an answer is still to come."""
        return self._process is not None

    def ask(self, words: Sequence[str]) -> None:
        """Start the program with these words."""
        self.drop()
        process = make_process(self, [*self._command, *words])
        process.finished.connect(self._done)
        process.errorOccurred.connect(self._not_started)
        self._process = process
        process.start()

    def drop(self) -> None:
        """Forget an open question and end its process."""
        process, self._process = self._process, None
        if process is not None:
            process.blockSignals(True)
            process.kill()
            process.waitForFinished(2000)
            process.deleteLater()

    def _not_started(self, error: QtCore.QProcess.ProcessError) -> None:
        if error is QtCore.QProcess.ProcessError.FailedToStart:
            self._done(-1)

    def _done(self, code: int) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        found = JsonLines().feed(bytes(process.readAllStandardOutput().data()))
        words = last_line(bytes(process.readAllStandardError().data()).decode("utf-8", "replace"))
        process.deleteLater()
        if found:
            self.answered.emit(found[-1])
        else:
            self.failed.emit(words or f"{self._command[0]} ended with code {code} and without an answer")

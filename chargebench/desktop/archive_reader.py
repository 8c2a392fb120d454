"""Lists an archive by a process of its own, so that a large one never stalls the window.

Owns that process. Every run arrives as ``show --json`` prints it: the window itself opens no run file.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from chargebench.desktop.lines import JsonLines, outcomes_in
from chargebench.desktop.processes import last_line, make_process, program
from chargebench.desktop.qt import QtCore, Signal
from chargebench.processing.outcome import Outcome

__all__ = ["ArchiveReader"]

TOGETHER_MS: Final = 300


class ArchiveReader(QtCore.QObject):
    """Reads what an archive holds in a process of its own, so that a large one never stalls the window.

    Signals
    -------
    rows(object)
        A list of outcomes, in pieces.
    finished(str)
        Empty, or why the folder could not be read whole.
    """

    rows = Signal(object)
    finished = Signal(str)

    def __init__(self, command: Sequence[str] | None = None, parent: QtCore.QObject | None = None) -> None:
        super().__init__(parent)
        self._command = tuple(command or program())
        self._process: QtCore.QProcess | None = None
        self._lines = JsonLines()
        self._waiting: list[Outcome] = []
        self._pause = QtCore.QTimer(self)
        self._pause.setSingleShot(True)
        self._pause.setInterval(TOGETHER_MS)
        self._pause.timeout.connect(self._pass_on)

    def read(self, folder: Path) -> None:
        """Read a folder, dropping a reading still under way; a folder without runs is finished at once."""
        self.drop()
        try:
            empty = next(folder.glob("*.h5"), None) is None
        except OSError as error:
            self.finished.emit(f"{folder}: {error.strerror or error}")
            return
        if empty:
            self.finished.emit("")
            return
        self._lines = JsonLines()
        process = make_process(self, [*self._command, "show", str(folder), "--json"])
        process.readyReadStandardOutput.connect(self._read)
        process.finished.connect(self._done)
        process.errorOccurred.connect(self._failed)
        self._process = process
        process.start()

    def drop(self) -> None:
        """End a reading under way; it holds nothing open for writing."""
        process, self._process = self._process, None
        self._waiting = []
        if process is not None:
            process.blockSignals(True)
            process.kill()
            process.waitForFinished(2000)
            process.deleteLater()

    def _read(self) -> None:
        if self._process is not None:
            self._waiting += outcomes_in(self._lines.feed(bytes(self._process.readAllStandardOutput().data())))
            if self._waiting and not self._pause.isActive():
                self._pause.start()

    def _pass_on(self) -> None:
        """Rows leave in handfuls: each costs its listeners a pass over all they have."""
        self._pause.stop()
        found, self._waiting = self._waiting, []
        if found:
            self.rows.emit(found)

    def _failed(self, error: QtCore.QProcess.ProcessError) -> None:
        if error is QtCore.QProcess.ProcessError.FailedToStart:
            self._done(-1)

    def _done(self, code: int) -> None:
        self._read()
        process, self._process = self._process, None
        if process is None:
            return
        self._pass_on()
        text = bytes(process.readAllStandardError().data()).decode("utf-8", "replace")
        process.deleteLater()
        self.finished.emit("" if code == 0 else last_line(text) or f"reading the archive ended with code {code}")

"""The one client of the recorder process: starts it, talks to it in lines of JSON, follows its journal.

Owns the process, the timer that follows the journal, and the reading of an archive by a second process. Draws nothing;
everything it learns leaves as a signal. The recorder alone owns ports and journal: if this process stalls or dies, no
reading is lost.
"""

from __future__ import annotations

import json
import logging
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final, Protocol

from chargebench.desktop.lines import JsonLines
from chargebench.desktop.qt import QtCore, Signal
from chargebench.errors import ChargebenchError

__all__ = ["ArchiveReader", "BenchSession", "Follower", "program"]

log = logging.getLogger(__name__)

FOLLOW_MS: Final = 33
STOP_GRACE_MS: Final = 20_000
STDERR_KEPT: Final = 4_000


class Follower(Protocol):
    """Reads a journal that is still growing."""

    def poll(self) -> Sequence[Any]:
        """What came since the last call: objects with channel, time_s, value."""
        ...


def program() -> tuple[str, ...]:
    """The command that starts this program in a process of its own."""
    return (sys.executable, "-m", "chargebench")


def _journal_follower(path: Path) -> Follower:
    from chargebench.recording.follow import JournalFollower

    return JournalFollower(path)


def _process(parent: QtCore.QObject, command: Sequence[str]) -> QtCore.QProcess:
    """A process that speaks UTF-8 without buffering, not started yet."""
    process = QtCore.QProcess(parent)
    environment = QtCore.QProcessEnvironment.systemEnvironment()
    environment.insert("PYTHONUNBUFFERED", "1")
    environment.insert("PYTHONUTF8", "1")
    process.setProcessEnvironment(environment)
    process.setProgram(command[0])
    process.setArguments(list(command[1:]))
    return process


def _last_line(text: str) -> str:
    """The last line that says something."""
    return next((line.strip() for line in reversed(text.splitlines()) if line.strip()), "")


class BenchSession(QtCore.QObject):
    """Client of one recorder process.

    Parameters
    ----------
    command : sequence of str
        How to start the program; ``record`` and its options are appended.
    follow : callable
        Makes a follower of a journal from its path.

    Signals
    -------
    message(object)
        Every object the recorder printed, as a dict, before the finer signals.
    state(object), port(object), notice(object), opened(object), outcome(object)
        The same by kind: state events, port events, notices, a journal begun, the answer of a sealed run.
    readings(object)
        List of what the journal gained since the last tick.
    running(bool)
        The recorder started or ended.
    ended(int, str)
        Exit code and the last words of a recorder that ended unasked.
    """

    message = Signal(object)
    state = Signal(object)
    port = Signal(object)
    notice = Signal(object)
    opened = Signal(object)
    outcome = Signal(object)
    readings = Signal(object)
    running = Signal(bool)
    ended = Signal(int, str)

    def __init__(
        self,
        command: Sequence[str] | None = None,
        follow: Callable[[Path], Follower] = _journal_follower,
        parent: QtCore.QObject | None = None,
    ) -> None:
        super().__init__(parent)
        self._command = tuple(command or program())
        self._follow = follow
        self._follower: Follower | None = None
        self._run = ""
        self._process: QtCore.QProcess | None = None
        self._lines = JsonLines()
        self._stderr = ""
        self._asked_to_stop = False
        self._timer = QtCore.QTimer(self)
        self._timer.setInterval(FOLLOW_MS)
        self._timer.timeout.connect(self.poll)

    @property
    def alive(self) -> bool:
        """Whether a recorder process exists."""
        return self._process is not None

    def start(self, bench: Path, archive: Path, tags: Mapping[str, str | float]) -> None:
        """Start the recorder; does nothing where one is alive."""
        if self._process is not None:
            return
        options = ["record", "--bench", str(bench), "--archive", str(archive), "--json", "--control"]
        for key, value in tags.items():
            options += ["--tag", f"{key}={value}"]
        self._lines, self._stderr, self._asked_to_stop = JsonLines(), "", False
        process = _process(self, [*self._command, *options])
        process.readyReadStandardOutput.connect(self._read_output)
        process.readyReadStandardError.connect(self._read_errors)
        process.finished.connect(self._finished)
        process.errorOccurred.connect(self._failed)
        self._process = process
        process.start()
        self._timer.start()
        self.running.emit(True)

    def send(self, command: Mapping[str, Any]) -> None:
        """Send one command; dropped, with a line in the log, where no recorder is alive."""
        if self._process is None:
            log.warning("no recorder to hear %s", command)
            return
        self._process.write(json.dumps(dict(command)).encode() + b"\n")

    def stop(self) -> None:
        """Ask the recorder to finish; `running(False)` follows. After the grace it is ended, its journal kept."""
        if self._process is None or self._asked_to_stop:
            return
        self._asked_to_stop = True
        self.send({"do": "stop"})
        self._process.closeWriteChannel()
        QtCore.QTimer.singleShot(STOP_GRACE_MS, self._process, self._process.kill)

    def poll(self) -> None:
        """Take what the journal gained; called by the timer."""
        if self._follower is None:
            return
        try:
            found = self._follower.poll()
        except (OSError, ChargebenchError) as error:
            log.warning("journal no longer followed: %s", error)
            self._follower = None
            return
        if found:
            self.readings.emit(found)

    def _read_output(self) -> None:
        if self._process is None:
            return
        for found in self._lines.feed(bytes(self._process.readAllStandardOutput().data())):
            self._sort(found)
        for stray in self._lines.strays:
            log.warning("recorder printed something else than JSON: %s", stray)
        self._lines.strays = []

    def _read_errors(self) -> None:
        if self._process is not None:
            text = bytes(self._process.readAllStandardError().data()).decode("utf-8", "replace")
            self._stderr = (self._stderr + text)[-STDERR_KEPT:]
            log.info("recorder: %s", text.rstrip())

    def _sort(self, found: dict[str, Any]) -> None:
        """Send one object on, by kind."""
        self.message.emit(found)
        event = found.get("event")
        if event is None and "result" in found:
            self.outcome.emit(found)
        elif event == "journal":
            self._begin(found)
        elif event in ("sealed", "discarded"):
            if found.get("run") == self._run:
                self.poll()
                self._follower = None
            self.notice.emit(_as_notice(found))
        elif event == "recovered":
            self.notice.emit(_as_notice(found))
        elif event in ("state", "port", "notice"):
            getattr(self, event).emit(found)
        else:
            log.warning("recorder said something unknown: %s", str(found)[:500])

    def _begin(self, event: dict[str, Any]) -> None:
        self._run = str(event.get("run", ""))
        try:
            self._follower = self._follow(Path(str(event["path"])))
        except (OSError, KeyError, ChargebenchError) as error:
            log.warning("journal cannot be followed: %s", error)
            self._follower = None
        self.opened.emit(event)

    def _failed(self, error: QtCore.QProcess.ProcessError) -> None:
        if error is QtCore.QProcess.ProcessError.FailedToStart:
            self._stderr += "\nthe recorder process could not be started"
            self._finished(-1)

    def _finished(self, code: int) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        self.poll()
        self._timer.stop()
        self._follower = None
        process.deleteLater()
        self.running.emit(False)
        if not self._asked_to_stop:
            self.ended.emit(code, _last_line(self._stderr) or f"the recorder ended with code {code}")


def _as_notice(event: Mapping[str, Any]) -> dict[str, Any]:
    """A sealed, discarded or recovered event as a notice."""
    run, kind = str(event.get("run", "")), str(event["event"])
    words = {
        "sealed": f"Run {run} is sealed and will not change again",
        "discarded": f"Run {run} was discarded; nothing was saved. {event.get('text', '')}",
        "recovered": f"Run {run} had been cut short and was saved from its journal",
    }
    severity = "doubt" if kind == "recovered" else "note"
    return {"event": "notice", "severity": severity, "code": kind, "text": words[kind].strip()}


class ArchiveReader(QtCore.QObject):
    """Reads what an archive holds in a process of its own, so that a large one never stalls the window.

    Signals
    -------
    rows(object)
        A list of outcomes as ``show --json`` prints them, in pieces.
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
        process = _process(self, [*self._command, "show", str(folder), "--json"])
        process.readyReadStandardOutput.connect(self._read)
        process.finished.connect(self._done)
        process.errorOccurred.connect(self._failed)
        self._process = process
        process.start()

    def drop(self) -> None:
        """End a reading under way; it holds nothing open for writing."""
        process, self._process = self._process, None
        if process is not None:
            process.blockSignals(True)
            process.kill()
            process.waitForFinished(2000)
            process.deleteLater()

    def _read(self) -> None:
        if self._process is not None:
            found = self._lines.feed(bytes(self._process.readAllStandardOutput().data()))
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
        text = bytes(process.readAllStandardError().data()).decode("utf-8", "replace")
        process.deleteLater()
        self.finished.emit("" if code == 0 else _last_line(text) or f"reading the archive ended with code {code}")

"""The one client of the recorder process: starts it, talks to it in lines of JSON, follows its journal.

Owns the process and the timer that follows the journal. Draws nothing; everything it learns leaves as a signal. The
recorder alone owns ports and journal: if this process stalls or dies, no reading is lost.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final, Protocol

from chargebench.desktop.lines import JsonLines, outcomes_in
from chargebench.desktop.processes import last_line, make_process, program
from chargebench.desktop.qt import QtCore, Signal
from chargebench.errors import ChargebenchError
from chargebench.plain import JsonObject

__all__ = ["BenchSession", "Follower"]

log = logging.getLogger(__name__)

FOLLOW_MS: Final = 33
STOP_GRACE_MS: Final = 20_000
STDERR_KEPT: Final = 4_000
RECOVERED: Final = "Run {} had been cut short and was saved from its journal"


class Follower(Protocol):
    """Reads a journal that is still growing."""

    def poll(self) -> Sequence[Any]:
        """What came since the last call: objects with channel, time_s, value."""
        ...

    def go_on(self, path: Path) -> None:
        """The journal goes on in that file."""
        ...


def _journal_follower(path: Path) -> Follower:
    from chargebench.recording.follow import JournalFollower

    return JournalFollower(path)


class BenchSession(QtCore.QObject):
    """Client of one recorder process.

    Parameters
    ----------
    command : sequence of str
        How to start the program; ``record`` and its options are appended.
    follow : callable
        Makes a follower of a journal from its path.

    Attributes
    ----------
    rest_s : tuple of float or None
        Seconds of rest the bench in use asks for before and after a grind.

    Signals
    -------
    message(object)
        Every object the recorder printed, as a dict, before the finer signals.
    state(object), port(object), notice(object), opened(object), outcome(object)
        The same by kind: state events, port events, notices, a journal begun; the `Outcome` of a sealed run.
    readings(object)
        List of what the journal gained since the last tick.
    plan(object)
        What comes next in the plan that is followed.
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
    plan = Signal(object)
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
        self._asked_to_stop = self._asked_to_discard = False
        self.rest_s: tuple[float, float] | None = None
        self._timer = QtCore.QTimer(self)
        self._timer.setInterval(FOLLOW_MS)
        self._timer.timeout.connect(self.poll)

    @property
    def alive(self) -> bool:
        """Whether a recorder process exists."""
        return self._process is not None

    def start(self, bench: Path, archive: Path, tags: Mapping[str, str | float], plan: Path | None = None) -> None:
        """Start the recorder, with the study whose plan it is to follow if any; does nothing where one is alive."""
        if self._process is not None:
            return
        options = ["record", "--bench", str(bench), "--archive", str(archive), "--json", "--control"]
        if plan is not None:
            options += ["--plan", str(plan)]
        for key, value in tags.items():
            options += ["--tag", f"{key}={value}"]
        self._lines, self._stderr = JsonLines(), ""
        self._asked_to_stop = self._asked_to_discard = False
        self.rest_s = _rest_of(bench)
        process = make_process(self, [*self._command, *options])
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
        self._asked_to_discard = command.get("do") == "discard" or self._asked_to_discard
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

    def _sort(self, found: JsonObject) -> None:
        """Send one object on, by kind."""
        self.message.emit(found)
        event = found.get("event")
        if event is None and "result" in found:
            for outcome in outcomes_in((found,)):
                self.outcome.emit(outcome)
        elif event == "journal":
            self._begin(found)
        elif event in ("sealed", "discarded"):
            self._end(found)
        elif event == "recovered":
            self.notice.emit(_notice("doubt", "recovered", RECOVERED.format(found.get("run", ""))))
        elif event in ("state", "port", "notice", "plan"):
            getattr(self, event).emit(found)
        else:
            log.warning("recorder said something unknown: %s", str(found)[:500])

    def _begin(self, event: JsonObject) -> None:
        """Follow a journal, or the next segment of the one that is followed; what goes on is not begun anew."""
        same, self._run = event.get("run") == self._run, str(event.get("run", ""))
        try:
            path = Path(str(event["path"]))
            if same and self._follower is not None:
                self._follower.go_on(path)
            else:
                self._follower = self._follow(path)
        except (OSError, KeyError, ChargebenchError) as error:
            log.warning("journal cannot be followed: %s", error)
            self._follower = None
        if not (same and event.get("goes_on")):
            self.opened.emit(event)

    def _end(self, event: Mapping[str, Any]) -> None:
        """A run is over; a discarding that nobody asked for (a journal that only waited) is not worth a notice."""
        if event.get("run") == self._run:
            self.poll()
            self._follower = None
        if event["event"] == "discarded" and self._asked_to_discard:
            self._asked_to_discard = False
            self.notice.emit(_notice("note", "discarded", "The run was discarded as asked; nothing of it was saved"))

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
            self.ended.emit(code, last_line(self._stderr) or f"the recorder ended with code {code}")


def _notice(severity: str, code: str, text: str) -> JsonObject:
    """A notice as the recorder would send it."""
    return {"event": "notice", "severity": severity, "code": code, "text": text}


def _rest_of(bench: Path) -> tuple[float, float] | None:
    """Seconds of rest that a bench asks for before and after a grind; None where its file is not acceptable.

    The recorder, which reads the file too, then says what is wrong with it.
    """
    from chargebench.instruments.benchfile import read_bench

    try:
        recording = read_bench(bench).recording
    except ChargebenchError:
        return None
    return recording.quiet_before_s, recording.quiet_after_s

"""What is said to a polled electrometer, and when: identity, set-up, polls, and whether it was switched off meanwhile.

Owns the order of questions. Decodes no reading: bytes go on as they come, each question before its answer, so that
whoever reads them, now or from a journal, knows what answers what. A reply that did not come in time may still come:
after one, nothing is polled before the instrument has told its name, which no reading looks like.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from typing import Final, Literal, Protocol

from chargebench.instruments.benchfile import Instrument
from chargebench.instruments.ports import Port
from chargebench.wire.scpi import ERRORS, EVENTS, IDENTITY, POWER_ON, error_of, events_of, is_query, looks_numeric

__all__ = ["Conversation"]

REPLY_S: Final = 2.0  # time-out of a reply; readings with long integration take above a second
COMMAND_S: Final = 10.0  # of one to a query in a start list, which may wait for the commands before it
WAIT_S: Final = 0.1  # longest wait for bytes that are stamped as they come
CHECK_S: Final = 1.0  # from one question whether it was switched off to the next
ERRORS_READ: Final = 5  # entries of an error queue read at once
SET_UPS: Final = 3  # times that a start list is sent to an instrument that is switched off while it gets it
UNANSWERED: Final = 2  # times that a question may go unanswered before it is no longer asked
MOST_BYTES: Final = 65536
_LINE = re.compile(rb"[\r\n]*([^\r\n]+)[\r\n]")

Say = Callable[[Literal["asked", "note", "refused"], str], None]


class Take(Protocol):
    """Reads a port once, handing on what came."""

    def __call__(self, port: Port, timeout_s: float) -> bytes: ...


class Stopping(Protocol):
    """Whether the bench stops; an event of the thread that holds the conversation."""

    def is_set(self) -> bool: ...
    def wait(self, timeout: float, /) -> bool: ...


class _SilentError(Exception):
    """Raised when an instrument that has told its name does not any more."""


class Conversation:
    """With one instrument, over all the connections of a recording.

    Parameters
    ----------
    instrument : Instrument
    say : callable
        Is told each question before it is sent, notes, and refusals.
    take : Take
    outbox : callable
        What else is to be sent by now.
    stopping : Stopping

    Attributes
    ----------
    timeouts : int
        Replies that did not come in time.
    """

    def __init__(
        self,
        instrument: Instrument,
        say: Say,
        take: Take,
        outbox: Callable[[], list[bytes]],
        stopping: Stopping,
    ) -> None:
        self.timeouts = 0
        self._instrument = instrument
        self._say = say
        self._take = take
        self._outbox = outbox
        self._stopping = stopping
        self._unanswered = dict.fromkeys((EVENTS, ERRORS), 0)
        self._told_name = False
        self._is_set_up = False
        self._question = ""

    def hold(self, port: Port) -> None:
        """Over an open port, until it is lost or the bench stops."""
        self._port = port
        self._question = ""
        first = True
        while not self._stopping.is_set():
            try:
                if self._answers():
                    self._look(first)
                    first = False
                    self._poll()
            except _SilentError:
                continue

    def _answers(self) -> bool:
        """Whether the instrument tells its name or, as long as it never did, answers the poll."""
        if self._ask(IDENTITY):
            self._told_name = True
            return True
        return not self._told_name and bool(self._ask(self._instrument.query))

    def _poll(self) -> None:
        """Ask for readings, and now and then what became of the instrument, until it is silent."""
        due = check_s = time.monotonic()
        while not self._stopping.is_set():
            for data in self._outbox():
                self._command(data.decode("ascii", "replace").strip())
            reply = self._ask(self._instrument.query)
            if not reply:
                return
            if not looks_numeric(reply) or time.monotonic() - check_s >= CHECK_S:
                self._look()
                check_s = time.monotonic()
            due = max(due + self._instrument.poll_s, time.monotonic())
            self._stopping.wait(due - time.monotonic())

    def _look(self, first: bool = False) -> None:
        """Ask whether it was switched on since, and for its errors; where it was, or is new here, set it up."""
        bits = self._events()
        self._errors()
        anew = bits is not None and bool(bits & POWER_ON)
        if anew or (first and (bits is None or not self._is_set_up)):
            if anew and self._is_set_up:
                self._note("was switched off and on; what it had integrated is lost, and its start list is sent again")
            self._set_up()

    def _set_up(self) -> None:
        """Send the start list, and say at once what of it is refused."""
        for _ in range(SET_UPS):
            if all(self._set_up_line(line) for line in self._instrument.start):
                self._is_set_up = True
                return
        self._note(f"was switched off and on {SET_UPS} times while it got its start list")

    def _set_up_line(self, line: str) -> bool:
        """Send one line of the start list; False where the instrument was switched off and on meanwhile."""
        self._command(line)
        bits = self._events()
        for error in self._errors():
            self._say("refused", f"{self._instrument.name}: {line} of its start list was refused: {error}")
        return bits is None or not bits & POWER_ON

    def _command(self, line: str) -> None:
        """Send a command; where it is a query, wait for its answer."""
        if not is_query(line):
            self._question = ""
            self._say("asked", line)
            self._port.write(line.encode("ascii", "replace") + b"\n")
        elif not self._ask(line, COMMAND_S):
            self._past_late_answers()

    def _events(self) -> int | None:
        """What happened since this was last asked, as bits; None where it does not tell."""
        return events_of(self._ask_if_known(EVENTS))

    def _errors(self) -> list[str]:
        """What stands in the error queue, in the instrument's words."""
        found: list[str] = []
        while len(found) < ERRORS_READ and error_of(reply := self._ask_if_known(ERRORS)):
            found.append(reply)
        return found

    def _ask_if_known(self, query: str) -> str:
        """Ask what not every instrument answers; a few times in vain, and never again."""
        if self._unanswered[query] >= UNANSWERED:
            return ""
        reply = self._ask(query)
        if reply or self._stopping.is_set():
            self._unanswered[query] = 0
            return reply
        self._past_late_answers()
        self._unanswered[query] += 1
        if self._unanswered[query] >= UNANSWERED:
            lost = "; that it was switched off and on cannot be seen" if query == EVENTS else ""
            self._note(f"does not answer {query}, which is no longer asked{lost}")
        return ""

    def _past_late_answers(self) -> None:
        """Let an answer that is late not pass for that to the next question.

        Raises
        ------
        _SilentError
            When the instrument, which has told its name before, does not now.
        """
        if not self._ask(IDENTITY) and self._told_name:
            raise _SilentError

    def _ask(self, query: str, limit_s: float | None = None) -> str:
        """Send a query and wait for its answer, a whole line; empty when it does not come in time."""
        if query != self._question or query != self._instrument.query:
            self._question = query
            self._say("asked", query)
        self._port.write(query.encode("ascii", "replace") + b"\n")
        limit_s = REPLY_S if limit_s is None else limit_s
        deadline = time.monotonic() + limit_s
        heard = b""
        while not self._stopping.is_set():
            heard = (heard + self._take(self._port, WAIT_S))[-MOST_BYTES:]
            while (match := _LINE.match(heard)) is not None:
                reply = match[1].decode("ascii", "replace").strip()
                if reply and not (query == IDENTITY and looks_numeric(reply)):  # that answers an earlier question
                    return reply
                heard = heard[match.end() :]
            if time.monotonic() >= deadline:
                self._count_timeout(query, limit_s)
                return ""
        return ""

    def _count_timeout(self, query: str, limit_s: float) -> None:
        """Count a reply that did not come; say the first and then each tenth."""
        self.timeouts += 1
        if self.timeouts % 10 == 1:
            self._note(f"no reply to {query} within {limit_s:g} s ({self.timeouts} so far); asked again")

    def _note(self, text: str) -> None:
        self._say("note", f"{self._instrument.name}: {text}")

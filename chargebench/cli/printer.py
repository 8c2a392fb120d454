"""Events printed in a thread of their own, so that whoever records never waits for whoever reads.

Owns the queue between the two and what becomes of it when the reader hangs or goes away. Words nothing.
"""

from __future__ import annotations

import errno
import os
import sys
import threading
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any, Final

from chargebench.cli.options import silence_stdout

__all__ = ["Printer"]

MOST_REPEATS: Final = 20
"""Events that may wait before one that only repeats the last state is left out."""
MOST_WAITING: Final = 20_000
"""Events that may wait at all, days of them; then the oldest go."""
END_S: Final = 3.0
"""Seconds without progress after which a reader is taken to hang."""

READER_GONE: Final = (errno.EINVAL,) if os.name == "nt" else ()
"""What else than a broken pipe writing gives where nobody reads any more."""

Event = Mapping[str, Any]


class Printer:
    """Takes events from any thread without waiting, and prints them in order.

    Parameters
    ----------
    write : callable
        Prints one event; may wait for as long as its reader likes.
    gone : callable
        Called once, in the printing thread, when the reader has gone away or an event could not be printed; from then
        on events are dropped.
    rest : callable
        Called in the printing thread whenever nothing more waits to be printed; may print too.
    """

    def __init__(
        self, write: Callable[[Event], None], gone: Callable[[], None], rest: Callable[[], None] = lambda: None
    ) -> None:
        self._write, self._gone, self._rest = write, gone, rest
        self._waiting: deque[Event] = deque(maxlen=MOST_WAITING)
        self._turn = threading.Condition()
        self._closed = False
        self._error: Exception | None = None
        self._thread = threading.Thread(target=self._print, name="printer", daemon=True)
        self._thread.start()

    def __call__(self, event: Event) -> None:
        """Have an event printed; one that only counts on is left out where many wait already."""
        with self._turn:
            if self._thread.is_alive() and not ("quiet_s" in event and len(self._waiting) >= MOST_REPEATS):
                self._waiting.append(event)
                self._turn.notify()

    def close(self) -> None:
        """Wait until all is printed, or until the reader has taken nothing for a while. A second call does nothing.

        Raises
        ------
        Exception
            What ended the printing, other than a reader that went away.
        """
        if self._closed:
            return
        with self._turn:
            self._closed = True
            self._turn.notify()
        left = -1
        while self._thread.is_alive() and left != len(self._waiting):
            left = len(self._waiting)
            self._thread.join(END_S)
        if self._thread.is_alive():
            _leave_stdout()
        if self._error is not None:
            raise self._error

    def _print(self) -> None:
        try:
            while (event := self._next()) is not None:
                self._write(event)
                if not self._waiting:
                    self._rest()
        except OSError as error:
            silence_stdout()
            self._error = None if isinstance(error, BrokenPipeError) or error.errno in READER_GONE else error
            self._gone()
        except Exception as error:  # noqa: BLE001 - raised again by `close`
            self._error = error
            self._gone()

    def _next(self) -> Event | None:
        """The oldest event, once there is one; None when there will be no more."""
        with self._turn:
            self._turn.wait_for(lambda: self._waiting or self._closed)
            return self._waiting.popleft() if self._waiting else None


def _leave_stdout() -> None:
    """Let the interpreter end although a thread still waits to write: it must not flush, or say more, there."""
    nothing = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115 - stands in until the process ends
    stuck, other = os.fstat(sys.stdout.fileno()), os.fstat(sys.stderr.fileno())
    names = ["stdout"]
    if stuck.st_ino and os.path.samestat(stuck, other):  # Windows numbers no pipe: there none is the same as another
        names.append("stderr")
    for name in names:
        setattr(sys, name, nothing)
        setattr(sys, f"__{name}__", nothing)

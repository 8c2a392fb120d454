"""What is typed while runs are recorded: lines from a descriptor, and the commands they mean. Owns those words."""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from typing import Final

from chargebench.bounded import JsonObject
from chargebench.cli.todo import Todo

__all__ = ["HELP", "command", "lines", "listen", "somebody_types"]

HELP: Final = """\
  Enter            what the last line asks for: something before the run is done, a run begins, a run ends
  start, finish    begin and end a grind by hand, whatever the bench says
  discard          throw away the run under way
  without NAME     go on without an instrument that delivers nothing
  tare             the cup on the scale is empty as it stands
  mark TEXT        keep a word in the run
  stop             end (so does Ctrl-C); a run that has begun is kept
  help             these words"""

PLAIN: Final = ("start", "finish", "discard", "tare", "stop")
LONGEST_LINE: Final = 10_000
AGAIN_S: Final = 0.5


def somebody_types() -> bool:
    """Whether standard input is a terminal that this process may read, and not one it only stands behind."""
    if sys.stdin is None or not sys.stdin.isatty():
        return False
    return os.name == "nt" or os.tcgetpgrp(sys.stdin.fileno()) == os.getpgrp()


def lines(descriptor: int) -> Iterator[str]:
    """Lines as they come, until the input ends.

    Read past Python's buffer, whose lock a thread that waits in it would hold until the interpreter ends, which then
    aborts. A process that was sent into the background may not read: it tries again later.
    """
    rest = b""
    while True:
        try:
            data = os.read(descriptor, 4096)
        except OSError:
            if not os.isatty(descriptor):
                return
            time.sleep(AGAIN_S)
            continue
        if not data:
            break
        *whole, rest = (rest + data).split(b"\n")
        yield from (line.decode("utf-8", "replace") for line in whole)
        rest = rest[-LONGEST_LINE:]
    if rest:
        yield rest.decode("utf-8", "replace")


def command(line: str, todo: Todo) -> JsonObject | str:
    """The command that a typed line means, or words to answer where it means none."""
    words = line.split(maxsplit=1)
    match words:
        case []:
            return todo.enter or "Enter means nothing just now; 'help' lists the words"
        case [plain] if plain in PLAIN:
            return {"do": plain}
        case ["without", name]:
            return {"do": "without", "instrument": name.strip()}
        case ["mark", text]:
            return {"do": "mark", "text": text.strip()}
        case ["help"]:
            return HELP
    return f"{line.strip()[:80]!r}: not understood; 'help' lists the words"


def listen(todo: Todo, give: Callable[[JsonObject], object], say: Callable[[str], object]) -> None:
    """From now on pass on what is typed, in a thread of its own; the end of the input stops nothing."""
    if hasattr(signal, "SIGTTIN"):  # so that reading from the background is refused and does not stop the recorder
        signal.signal(signal.SIGTTIN, signal.SIG_IGN)

    def hear() -> None:
        for line in lines(sys.stdin.fileno()):
            found = command(line, todo)
            give(found) if isinstance(found, dict) else say(found)
            if isinstance(found, dict) and found["do"] == "mark":
                say(f"kept in the run: {found['text'][:80]}")
        say("nothing more can be typed here: recording goes on, Ctrl-C ends it")

    threading.Thread(target=hear, daemon=True, name="keyboard").start()

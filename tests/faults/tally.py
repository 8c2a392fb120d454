"""What a campaign of faults came to."""

from __future__ import annotations

import os
import pickle
import sys
import time
import traceback
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

__all__ = ["Tally", "apart", "header"]


@dataclass
class Tally:
    """Trials of one kind of fault.

    Attributes
    ----------
    what : str
        The fault.
    trials : int
        How often it was injected.
    seen : Counter
        What was found in the trials, by kind.
    losses : list of str
        Everything beyond what is promised, in words; empty is the aim.
    wrong : list of str
        Values that nobody sent, or that were read twice.
    notes : list of str
        What else is worth knowing.
    """

    what: str
    trials: int = 0
    seen: Counter[str] = field(default_factory=Counter)
    losses: list[str] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    begun_s: float = field(default_factory=time.monotonic)

    def judged(self, where: str, sentences: list[str]) -> None:
        """Sort what was found after one trial."""
        for sentence in sentences:
            values = "wrong value" in sentence or "twice" in sentence or "times differ" in sentence
            (self.wrong if values else self.losses).append(f"{where}: {sentence}")

    def row(self) -> str:
        """One line of the table."""
        seen = [f"{count} {kind}" for kind, count in sorted(self.seen.items())]
        took_s = time.monotonic() - self.begun_s
        about = "; ".join([*seen, *self.notes])
        return f"{self.what:<46} {self.trials:>9} {len(self.losses):>7} {len(self.wrong):>6} {took_s:>6.0f} s  {about}"


def header() -> str:
    """Titles of the columns of `Tally.row`."""
    return f"{'fault':<46} {'cases':>9} {'losses':>7} {'wrong':>6} {'took':>8}  seen"


def apart(work: Callable[[], Any]) -> Any:
    """Result of `work` in a forked process; its failure is raised here.

    A process that this one's library state does not reach: reading children and threads stay where they are.

    Raises
    ------
    RuntimeError
        When it failed or died.
    """
    source, sink = os.pipe()
    sys.stdout.flush()
    child = os.fork()
    if not child:
        code = 1
        try:
            os.close(source)
            try:
                answer = (True, work())
            except BaseException:  # noqa: BLE001 - handed on to the parent whatever it is
                answer = (False, traceback.format_exc())
            with os.fdopen(sink, "wb") as out:
                pickle.dump(answer, out)
            code = 0
        finally:
            os._exit(code)
    os.close(sink)
    with os.fdopen(source, "rb") as answers:
        data = answers.read()
    os.waitpid(child, 0)
    if not data:
        raise RuntimeError("the process died without an answer")
    well, result = pickle.loads(data)
    if not well:
        raise RuntimeError(str(result))
    return result

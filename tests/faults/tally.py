"""What a campaign of faults came to."""

from __future__ import annotations

import json
import os
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

__all__ = ["Tally", "apart"]


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
    """

    what: str
    trials: int = 0
    seen: Counter[str] = field(default_factory=Counter)
    losses: list[str] = field(default_factory=list)

    def row(self) -> str:
        """One line of the table."""
        seen = ", ".join(f"{count} {kind}" for kind, count in sorted(self.seen.items()))
        return f"{self.what:<44} {self.trials:>9} {len(self.losses):>8}   {seen}"


def apart(work: Callable[[], Any]) -> Any:
    """Result of `work` in a forked process, as JSON; its failure is raised here.

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
        os.close(source)
        try:
            answer = {"result": work()}
        except BaseException as error:  # noqa: BLE001 - handed on to the parent whatever it is
            answer = {"error": repr(error)}
        with os.fdopen(sink, "w") as out:
            out.write(json.dumps(answer))
        os._exit(0)
    os.close(sink)
    with os.fdopen(source) as lines:
        text = lines.read()
    os.waitpid(child, 0)
    answer = json.loads(text) if text else {"error": "died without an answer"}
    if "error" in answer:
        raise RuntimeError(str(answer["error"]))
    return answer["result"]

"""What a person at a terminal sees while runs are recorded: one event a line, and last of all what to do next."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from chargebench.cli.todo import Todo
from chargebench.cli.words import printable, run_card

__all__ = ["Screen", "event_words"]

Event = Mapping[str, Any]


class Screen:
    """Prints events for a person at a terminal, and whenever it comes to rest what is to be done next as the last line.

    Parameters
    ----------
    todo : Todo
    """

    def __init__(self, todo: Todo) -> None:
        self._todo, self._last = todo, ""

    def show(self, event: Event) -> None:
        """Print one event, if it is worth a line."""
        text = event_words(event)
        if text:
            print(text, flush=True)
            self._last = ""

    def rest(self) -> None:
        """Print what is to be done next, unless that is the last line already."""
        line = self._todo.line
        if line and line != self._last:
            print(line, flush=True)
            self._last = line


def event_words(event: Event) -> str:
    """One event in words; empty where what is to be done next says it all."""
    if "quiet_s" in event or "hold" in event or event.get("event") == "plan":
        return ""  # counts would only scroll
    if "result" in event:
        from chargebench.processing.outcome import Outcome

        return run_card(Outcome.from_json(event))
    if event["event"] == "state":
        return f"{event['state']:<9} {printable(event.get('text', ''))}".rstrip()
    if event["event"] in ("recovered", "sealed", "journal"):
        what = {"recovered": "recovered", "sealed": "sealed", "journal": "recording to"}[event["event"]]
        return f"{what} {printable(event['path'])}"
    words = [str(event[key]) for key in ("instrument", "severity", "text") if event.get(key)]
    told = len(words) > 1 and words[-1].startswith(f"{words[0]}: ")  # the text names the instrument itself
    return printable(": ".join(words[1:] if told else words))

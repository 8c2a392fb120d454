"""A demonstration in the window: an operator who hears the recorder, and the words on where the series stands.

The operator and its virtual bench live elsewhere; here is only what the window needs of them, and the joining.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

from chargebench.bounded import JsonObject
from chargebench.desktop.qt import QtCore, Signal
from chargebench.desktop.words import estimate_text, number_text
from chargebench.processing.outcome import Outcome

__all__ = ["Conclude", "DemoGuide", "Operator"]

Conclude = Callable[[Sequence[Outcome]], str]
"""Makes the closing words of a series from its outcomes; may take seconds."""


class Operator(Protocol):
    """Plays the tester: hears all the recorder says, starts the virtual grinder, answers with commands."""

    truths: dict[str, JsonObject]

    @property
    def first_tags(self) -> dict[str, str | float]:
        """Tags of the first run."""
        ...

    @property
    def finished(self) -> bool:
        """Whether every run of the series has its outcome."""
        ...

    def on_event(self, event: Mapping[str, Any]) -> Sequence[Mapping[str, Any]]:
        """Hear one object of the recorder and return the commands to send it. Must not block."""
        ...


class _Conclusion(QtCore.QRunnable):
    """The closing words, made away from the window's thread."""

    def __init__(self, conclude: Conclude, outcomes: Sequence[Outcome], tell: Callable[[str], None]) -> None:
        super().__init__()
        self._conclude, self._outcomes, self._tell = conclude, outcomes, tell

    def run(self) -> None:
        self._tell(self._conclude(self._outcomes))


class DemoGuide(QtCore.QObject):
    """Joins an operator to a session, and says in a sentence where the series stands.

    Signals
    -------
    command(object)
        A command for the recorder.
    caption(str)
        The sentence.
    concluded(str)
        The closing words, several lines.
    """

    command = Signal(object)
    caption = Signal(str)
    concluded = Signal(str)

    def __init__(self, operator: Operator, conclude: Conclude | None = None, parent: QtCore.QObject | None = None):
        super().__init__(parent)
        self._operator, self._conclude = operator, conclude
        self._outcomes: list[Outcome] = []

    def hear(self, message: Mapping[str, Any]) -> None:
        """Pass one object of the recorder to the operator, its answers to the recorder, and a word to the page."""
        for command in self._operator.on_event(message):
            self.command.emit(dict(command))
        if "result" in message and message.get("run") in self._operator.truths:
            self._outcomes.append(Outcome.from_json(message))
            self.caption.emit(self._run_words(self._outcomes[-1]))
            if self._operator.finished:
                self._close()

    def _run_words(self, outcome: Outcome) -> str:
        answer = estimate_text(outcome.result["charge_to_mass_nC_per_g"], "nC/g")
        truth = self._operator.truths[outcome.run_id].get("charge_to_mass_nC_per_g")
        beside = "" if truth is None else f"; the virtual bench really let {number_text(float(truth), 2)} nC/g fall"
        last = " That was the last run." if self._operator.finished else ""
        return f"Demonstration, run {len(self._outcomes)}: measured {answer} (95 %){beside}.{last}"

    def _close(self) -> None:
        if self._conclude is not None:
            QtCore.QThreadPool.globalInstance().start(
                _Conclusion(self._conclude, tuple(self._outcomes), self.concluded.emit)
            )

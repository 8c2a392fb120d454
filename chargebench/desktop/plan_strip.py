"""The line across the page that says what to do before the next run of a plan, and what that run is.

Owns a count of seconds for a wait between runs. Knows nothing of files or processes.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

from chargebench.desktop.qt import QtCore, QtWidgets
from chargebench.desktop.style import plain_label
from chargebench.runs.text import visible

__all__ = ["PlanStrip", "before_words", "next_words"]

LONGEST_NAME: Final = 60
LONGEST_TEXT: Final = 400
THROUGH: Final = "The plan is through: every run is done or skipped. Set a run aside to have it repeated."
BLANK_HINT: Final = " (press F5 to begin and F6 to end it)"


def next_words(step: Mapping[str, Any] | None) -> str:
    """What the next run is: coffee, grinder, water in all units and sprays; a blank needs its beginning by hand."""
    if step is None:
        return THROUGH
    where = f"{visible(str(step['coffee']), LONGEST_NAME)} on {visible(str(step['grinder']), LONGEST_NAME)}"
    hint = BLANK_HINT if step.get("kind") == "blank" else ""
    return f"Next run, step {step['step']}: {where}, {step['words']}{hint}"


def before_words(step: Mapping[str, Any], waited_s: float) -> str:
    """What to do before the next run; of a wait also how much is left of it."""
    words = f"First {step['words']}"
    wait_s = float(step.get("wait_s") or 0.0)
    if not wait_s:
        return words
    left_s = math.ceil(wait_s - waited_s)
    return f"{words}: {left_s} s left" if left_s > 0 else f"{words}: waited"


class PlanStrip(QtWidgets.QFrame):
    """The plan in words; takes no room while none is followed."""

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("panel")
        row = QtWidgets.QHBoxLayout(self)
        row.setContentsMargins(16, 4, 16, 4)
        row.setSpacing(20)
        self.name = plain_label("", "title")
        self.name.setAlignment(QtCore.Qt.AlignmentFlag.AlignTop)
        self.before, self.next = plain_label("", "todo", wrap=True), plain_label("", "todo", wrap=True)
        self.said = plain_label("", "soft", wrap=True)
        self.before.setProperty("severity", "doubt")
        words = QtWidgets.QVBoxLayout()
        words.setSpacing(1)
        for label in (self.before, self.next, self.said):
            words.addWidget(label)
        row.addWidget(self.name)
        row.addLayout(words, 1)
        self._before: tuple[Mapping[str, Any], ...] = ()
        self._step: Any = None
        self._since = QtCore.QElapsedTimer()
        self.say("")
        self.hide()

    def begin(self, name: str) -> None:
        """Show that the plan of this name is followed; what comes next is not known yet."""
        self.name.setText(f"Plan\n{visible(name, LONGEST_NAME)}")
        self._step, self._before = None, ()
        self.next.setText("Reading the plan…")
        self.say("")
        self._draw()
        self.show()

    def show_next(self, found: Mapping[str, Any]) -> None:
        """Show what comes next; the count of a wait begins when a step is new, and goes on when it is said again."""
        if "next" not in found:  # a recorder that says it in words only
            self._step, self._before = found.get("step"), ()
            self.next.setText(visible(str(found.get("text", "")), LONGEST_TEXT))
        else:
            step = found["next"]
            number = None if step is None else step["step"]
            if number != self._step or not self._since.isValid():
                self._since.start()
            self._step, self._before = number, tuple(found.get("before_next", ()))
            self.next.setText(next_words(step))
        self._draw()

    def say(self, sentence: str) -> None:
        """What the study says so far; empty takes it away."""
        self.said.setText(visible(sentence, LONGEST_TEXT))
        self.said.setVisible(bool(sentence))

    def tick(self) -> None:
        """Count on, where something is waited for."""
        if any(step.get("wait_s") for step in self._before):
            self._draw()

    def _draw(self) -> None:
        waited_s = self._since.elapsed() / 1000 if self._since.isValid() else 0.0
        lines = "\n".join(before_words(step, waited_s) for step in self._before)
        text = f"▲ {lines}" if lines else ""
        if self.before.text() != text:
            self.before.setText(text)
        self.before.setVisible(bool(text))
        spoken = ". ".join(part for part in (text, self.next.text()) if part)
        self.setAccessibleName(f"{' '.join(self.name.text().split())}: {spoken}")

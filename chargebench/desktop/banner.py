"""The state banner: what the bench is doing, what to do now, and the two live numbers in figures readable from afar."""

from __future__ import annotations

import math
from typing import Final

from chargebench.desktop.qt import QtCore, QtWidgets
from chargebench.desktop.style import plain_label, restyle
from chargebench.desktop.words import StateWords, number_text

__all__ = ["BigNumber", "StateBanner"]


WIDEST: Final = "−8888.88"


class BigNumber(QtWidgets.QWidget):
    """One live value in large figures with its name and unit."""

    def __init__(self, name: str, unit: str, decimals: int, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self._name, self._unit, self._decimals = name, unit, decimals
        layout = QtWidgets.QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        self.caption = plain_label(f"{name} ({unit})", "soft")
        self.figure = plain_label("–", "figure")
        right = QtCore.Qt.AlignmentFlag.AlignRight
        self.caption.setAlignment(right)
        self.figure.setAlignment(right)
        layout.addWidget(self.caption)
        layout.addWidget(self.figure)
        self.show_value(math.nan)

    def keep_room(self) -> None:
        """Hold the width of a long reading in the present font, so that nothing moves as digits come and go."""
        self.figure.ensurePolished()
        metrics = self.figure.fontMetrics()
        self.figure.setMinimumWidth(metrics.horizontalAdvance(WIDEST) + metrics.averageCharWidth() // 2)

    def show_value(self, value: float, since: float | None = None) -> None:
        """Show a value in the unit of this number; NaN shows a dash. `since` is what it was before the grind."""
        known = since is not None and math.isfinite(value - since)
        change = "" if since is None or not known else number_text(value - since, self._decimals)
        plus = "+" if change[:1].isdigit() else ""
        self.caption.setText(f"{self._name} ({self._unit})" + (f", {plus}{change} since quiet" if change else ""))
        text = number_text(value, self._decimals)
        if text == self.figure.text() and self.accessibleName():
            return
        self.figure.setText(text)
        spoken = "no reading yet" if text == "–" else f"{text} {self._unit}"
        self.figure.setAccessibleName(f"{self._name}: {spoken}")
        self.setAccessibleName(f"{self._name}: {spoken}")


class StateBanner(QtWidgets.QFrame):
    """Headline, instruction and the two numbers on a ground that tells the state."""

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.setObjectName("banner")
        row = QtWidgets.QHBoxLayout(self)
        row.setContentsMargins(16, 6, 16, 6)
        row.setSpacing(28)
        words = QtWidgets.QVBoxLayout()
        words.setSpacing(0)
        self.headline = plain_label("", "headline")
        self.instruction = plain_label("", "instruction", wrap=True)
        words.addWidget(self.headline)
        words.addWidget(self.instruction)
        row.addLayout(words, 1)
        self.charge = BigNumber("Charge", "nC", 2)
        self.mass = BigNumber("Mass", "g", 2)
        row.addWidget(self.charge)
        row.addWidget(self.mass)

    def show_state(self, words: StateWords) -> None:
        """Show a state in words; colours change only with the kind of state."""
        self.headline.setText(words.headline)
        self.instruction.setText(words.instruction)
        self.setAccessibleName(f"State: {words.headline}. {words.instruction}")
        if self.property("ground") != words.ground:
            self.setProperty("ground", words.ground)
            restyle(self)

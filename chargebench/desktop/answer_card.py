"""The answer of one run: charge-to-mass with its uncertainty, in words and large figures, and what speaks against it.

Its place shows the cautions at start-up and whenever they are asked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from chargebench.cautions import CAUTIONS, CLOSE
from chargebench.desktop.qt import QtCore, QtWidgets, Signal
from chargebench.desktop.row import Row
from chargebench.desktop.style import Panel, plain_label, restyle
from chargebench.desktop.words import (
    SEVERITY_SYMBOLS,
    answer_words,
    estimate_text,
)
from chargebench.processing.outcome import RESULT_UNITS, ResultKey
from chargebench.runs.text import visible

__all__ = ["AnswerCard", "CautionCard", "WordsCard"]

LONGEST_FLAG: Final = 500
_LINES: Final[tuple[tuple[ResultKey, str], ...]] = (
    ("net_charge_nC", "Net charge"),
    ("collected_mass_g", "Collected"),
    ("grind_time_s", "Grind time"),
    ("throughput_g_per_s", "Throughput"),
    ("recovery_percent", "Recovery"),
)


def _scrolling(inside: QtWidgets.QWidget, name: str) -> QtWidgets.QScrollArea:
    area = QtWidgets.QScrollArea()
    area.setWidgetResizable(True)
    area.setHorizontalScrollBarPolicy(QtCore.Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    area.setFrameShape(QtWidgets.QFrame.Shape.NoFrame)
    inside.setObjectName("inside")
    area.setWidget(inside)
    area.setAccessibleName(name)
    return area


class AnswerCard(Panel):
    """What one sealed run says."""

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__("Answer", parent)
        self.figure = plain_label("–", "answer")
        self.figure.setWordWrap(True)
        self.unit = plain_label("± is the expanded uncertainty, 95 %", "soft")
        self.sentence = plain_label("", wrap=True)
        self.verdict = plain_label("", "verdict", wrap=True)
        self.whose = plain_label("", "soft", wrap=True)
        for widget in (self.figure, self.verdict, self.sentence):
            self.body.addWidget(widget)
        inside = QtWidgets.QWidget()
        column = QtWidgets.QVBoxLayout(inside)
        column.setContentsMargins(0, 0, 0, 0)
        self._numbers = QtWidgets.QWidget()
        grid = QtWidgets.QGridLayout(self._numbers)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setVerticalSpacing(1)
        self._values = {}
        for row, (key, words) in enumerate(_LINES):
            self._values[key] = plain_label("–")
            grid.addWidget(plain_label(words, "soft"), row, 0)
            grid.addWidget(self._values[key], row, 1)
        grid.setColumnStretch(1, 1)
        self.flags = QtWidgets.QVBoxLayout()
        self.flags.setSpacing(3)
        column.addLayout(self.flags)
        column.addWidget(self._numbers)
        column.addWidget(self.unit)
        column.addWidget(self.whose)
        column.addStretch(1)
        self.body.addWidget(_scrolling(inside, "Details and flags of the run"), 1)
        self.show_nothing("The answer of a run appears here a moment after it ends.")

    def show_nothing(self, why: str) -> None:
        """No run to speak of, and why."""
        self.figure.hide()
        self.sentence.setText(why)
        self.verdict.hide()
        self.whose.setText("")
        self._numbers.hide()
        self.unit.hide()
        self._show_flags(())
        self.setAccessibleDescription(why)

    def show_run(self, row: Row) -> None:
        """Show what is known of a run."""
        outcome, words = row.outcome, answer_words(row)
        self.figure.show()
        self.verdict.show()
        self.figure.setText(words.figure)
        self.sentence.setText(words.sentence)
        self.verdict.setText(f"{SEVERITY_SYMBOLS.get(words.severity or '', '✔')} {words.verdict}")
        self.verdict.setProperty("severity", words.severity or "none")
        restyle(self.verdict)
        self._numbers.show()
        self.unit.show()
        for key, _ in _LINES:
            self._values[key].setText(estimate_text(outcome.result[key], RESULT_UNITS[key]))
        aside = [("set aside", row.set_aside)] if row.set_aside else []
        self._show_flags([*aside, *((flag.severity, flag.text) for flag in outcome.flags)])
        tags = outcome.tags
        cut = " · recovered after an interruption" if outcome.recovered else ""
        named = " · ".join(visible(str(tags[k]), 80) for k in ("coffee", "grinder", "setting") if k in tags)
        self.whose.setText(f"{named}\nRun {row.run_id}{cut}".strip())
        self.setAccessibleDescription(f"{words.figure} nC/g. {words.sentence} {words.verdict}.")

    def _show_flags(self, flags: Sequence[tuple[str, str]]) -> None:
        while (item := self.flags.takeAt(0)) is not None:
            if (old := item.widget()) is not None:
                old.hide()
                old.deleteLater()
        order = {"set aside": -1, "reject": 0, "doubt": 1, "note": 2}
        for severity, text in sorted(flags, key=lambda flag: order[flag[0]]):
            said = f"{severity.capitalize()}: {visible(text, LONGEST_FLAG)}"
            label = plain_label(f"{SEVERITY_SYMBOLS.get(severity, '○')} {said}", wrap=True)
            label.setProperty("severity", severity)
            self.flags.addWidget(label)


class WordsCard(Panel):
    """Several lines of plain text, such as the closing words of a demonstration.

    Signals
    -------
    read()
        The person has put them away.
    """

    read = Signal()

    def __init__(self, title: str, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(title, parent)
        self.words = plain_label("", wrap=True)
        self.words.setTextInteractionFlags(QtCore.Qt.TextInteractionFlag.TextSelectableByMouse)
        self.words.setAccessibleName(title)
        self.words.setAlignment(QtCore.Qt.AlignmentFlag.AlignTop)
        inside = QtWidgets.QWidget()
        column = QtWidgets.QVBoxLayout(inside)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.words)
        self.body.addWidget(_scrolling(inside, title), 1)
        self.button = QtWidgets.QPushButton("Back to the answers")
        self.button.clicked.connect(self.read)
        self.body.addWidget(self.button)


class CautionCard(Panel):
    """The usual cautions of such a bench.

    Signals
    -------
    read()
        The person has put them away.
    """

    read = Signal()

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__("Before you start: cautions", parent)
        inside = QtWidgets.QWidget()
        column = QtWidgets.QVBoxLayout(inside)
        column.setContentsMargins(0, 0, 0, 0)
        column.setSpacing(5)
        for head, words in CAUTIONS:
            column.addWidget(plain_label(f"▲ {head}. {words}", wrap=True))
        column.addWidget(plain_label(CLOSE, "soft", wrap=True))
        column.addStretch(1)
        self.body.addWidget(_scrolling(inside, "Cautions"), 1)
        self.button = QtWidgets.QPushButton("Understood")
        self.button.setProperty("part", "large")
        self.button.setAccessibleName("Understood: put the cautions away")
        self.button.clicked.connect(self.read)
        self.body.addWidget(self.button)

"""Notices across the page: what went wrong or deserves a word, newest first, until put away.

Owns at most three visible strips made once; a notice with the code of one shown takes its place, older ones give way.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from chargebench.desktop.qt import QtCore, QtWidgets
from chargebench.desktop.style import plain_label, restyle
from chargebench.desktop.words import NOTICE_WORDS, SEVERITY_SYMBOLS
from chargebench.runs.text import visible

__all__ = ["MAX_SHOWN", "Notices"]

MAX_SHOWN: Final = 3
LONGEST: Final = 400
NOTE_STAYS_MS: Final = 15_000


@dataclass(frozen=True, slots=True)
class _Notice:
    severity: str
    code: str
    text: str


class _Strip(QtWidgets.QFrame):
    """One line: symbol and word of the severity, the text, a button to put it away."""

    def __init__(self, parent: QtWidgets.QWidget) -> None:
        super().__init__(parent)
        self.setObjectName("notice")
        row = QtWidgets.QHBoxLayout(self)
        row.setContentsMargins(10, 2, 4, 2)
        self.kind = plain_label()
        self.words = plain_label(wrap=True)
        self.words.setTextInteractionFlags(QtCore.Qt.TextInteractionFlag.TextSelectableByMouse)
        self.words.setAccessibleName("Notice")
        self.away = QtWidgets.QPushButton("Put away")
        row.addWidget(self.kind)
        row.addWidget(self.words, 1)
        row.addWidget(self.away)

    def show_notice(self, notice: _Notice) -> None:
        """Show a notice as plain text."""
        word = NOTICE_WORDS.get(notice.severity, "Note")
        self.kind.setText(f"{SEVERITY_SYMBOLS.get(notice.severity, '○')} {word}")
        self.words.setText(notice.text)
        self.words.setAccessibleName(f"{word}: {notice.text}")
        self.away.setAccessibleName(f"Put away: {notice.text[:60]}")
        self.kind.setProperty("severity", notice.severity)
        restyle(self.kind)


class Notices(QtWidgets.QWidget):
    """The stack of notices; takes no room while there is none."""

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAccessibleName("Notices")
        self._grid = QtWidgets.QGridLayout(self)
        self._grid.setContentsMargins(0, 0, 0, 0)
        self._grid.setSpacing(4)
        self._shown: tuple[_Notice, ...] = ()
        self.strips = [_Strip(self) for _ in range(MAX_SHOWN)]
        for index, strip in enumerate(self.strips):
            strip.away.clicked.connect(lambda _=False, i=index: self._drop(i))
        self._fade = QtCore.QTimer(self)
        self._fade.setSingleShot(True)
        self._fade.setInterval(NOTE_STAYS_MS)
        self._fade.timeout.connect(self._drop_notes)
        self._draw()

    @property
    def texts(self) -> tuple[str, ...]:
        """What is shown, newest first."""
        return tuple(n.text for n in self._shown)

    def add(self, severity: str, code: str, text: str) -> None:
        """Show a notice. Mere notes leave by themselves; doubts and rejections stay until put away or resolved."""
        new = _Notice(severity, code, visible(text, LONGEST))
        kept = sorted(
            (n for n in self._shown if n.code != code), key=lambda n: n.severity == "note"
        )  # graver ones outlive notes
        self._shown = (new, *kept)[:MAX_SHOWN]
        if severity == "note":
            self._fade.start()
        self._draw()

    def resolve(self, code: str) -> None:
        """Take away the notice of a code, since what it told of is over."""
        self._shown = tuple(n for n in self._shown if n.code != code)
        self._draw()

    def _drop(self, index: int) -> None:
        self._shown = (*self._shown[:index], *self._shown[index + 1 :])
        self._draw()

    def _drop_notes(self) -> None:
        self._shown = tuple(n for n in self._shown if n.severity != "note")
        self._draw()

    def _draw(self) -> None:
        for index, strip in enumerate(self.strips):
            strip.setVisible(index < len(self._shown))
            if index < len(self._shown):
                strip.show_notice(self._shown[index])
        newest, older, oldest = self.strips  # in three rows they would take the room of what is measured
        self._grid.addWidget(newest, 0, 0, 1, 2)
        self._grid.addWidget(older, 1, 0, 1, 1 if len(self._shown) == MAX_SHOWN else 2)
        self._grid.addWidget(oldest, 1, 1)
        self.setVisible(bool(self._shown))

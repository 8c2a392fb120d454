"""Asks why a run is set aside. Owns the dialogue; what is done with the reason is the business of others."""

from __future__ import annotations

from typing import Final

from chargebench.desktop.qt import QtWidgets
from chargebench.desktop.row import Row
from chargebench.desktop.rows import cells
from chargebench.desktop.style import plain_label

__all__ = ["ReasonDialog", "ask_reason"]

LONGEST_REASON: Final = 200
WIDTH: Final = 34
"""In heights of text."""


class ReasonDialog(QtWidgets.QDialog):
    """Which run, and a line for the reason; without a reason nothing is set aside."""

    def __init__(self, row: Row, study: str, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle("Set a run aside")
        self.setAccessibleName("Set a run aside")
        self.setObjectName("page")
        column = QtWidgets.QVBoxLayout(self)
        column.setContentsMargins(16, 14, 16, 14)
        column.setSpacing(8)
        started, coffee, grinder, treatment, water, answer, *_ = cells(row)
        column.addWidget(plain_label("Set this run aside?", "verdict"))
        column.addWidget(plain_label(f"{started} · {coffee} · {grinder} · {treatment}, {water} µL/g", wrap=True))
        column.addWidget(plain_label(f"{answer} nC/g · run {row.run_id}", "soft", wrap=True))
        note = f"The study {study} leaves it out and its step is repeated; the run file itself stays as it is."
        column.addWidget(plain_label(note, wrap=True))
        self.reason = QtWidgets.QLineEdit()
        self.reason.setMaxLength(LONGEST_REASON)
        self.reason.setPlaceholderText("such as: the cable was touched during the grind")
        self.reason.setAccessibleName("Reason")
        label = plain_label("Reason, kept in the study file", "soft")
        label.setBuddy(self.reason)
        column.addWidget(label)
        column.addWidget(self.reason)
        line = QtWidgets.QHBoxLayout()
        line.addStretch(1)
        self.cancel, self.accepting = QtWidgets.QPushButton("Cancel"), QtWidgets.QPushButton("Set aside")
        self.cancel.setProperty("part", "large")
        self.accepting.setProperty("part", "main")
        self.accepting.setDefault(True)
        self.accepting.setEnabled(False)
        self.cancel.clicked.connect(self.reject)
        self.accepting.clicked.connect(self.accept)
        self.reason.textChanged.connect(lambda text: self.accepting.setEnabled(bool(text.strip())))
        for button in (self.cancel, self.accepting):
            line.addWidget(button)
        column.addLayout(line)
        self.ensurePolished()
        width = WIDTH * self.fontMetrics().height()
        self.setFixedSize(width, column.totalHeightForWidth(width))


def ask_reason(parent: QtWidgets.QWidget, row: Row, study: str) -> str | None:
    """Let the person say why a run is set aside; None where they changed their mind."""
    dialog = ReasonDialog(row, study, parent)
    accepted = dialog.exec() == QtWidgets.QDialog.DialogCode.Accepted
    reason = " ".join(dialog.reason.text().split())
    dialog.deleteLater()
    return reason if accepted and reason else None

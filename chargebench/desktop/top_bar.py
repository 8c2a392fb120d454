"""The line at the top: which bench, which archive, and the way to change them."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from chargebench.desktop.qt import QtCore, QtGui, QtWidgets, Signal
from chargebench.desktop.style import plain_label

__all__ = ["TopBar", "ask_archive", "ask_bench", "ask_study"]

LONGEST_PART: Final = 22


class TopBar(QtWidgets.QWidget):
    """Bench and archive in words, and five buttons.

    Signals
    -------
    bench_asked(), archive_asked(), plan_asked(), cautions_asked(), theme_asked()
    """

    bench_asked = Signal()
    archive_asked = Signal()
    plan_asked = Signal()
    cautions_asked = Signal()
    theme_asked = Signal()

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        row = QtWidgets.QHBoxLayout(self)
        row.setContentsMargins(2, 0, 2, 0)
        row.setSpacing(8)
        self.where = plain_label("", name="Bench and archive in use")
        self.where.setMinimumWidth(50)
        self.where.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.Preferred)
        self._whole = ""
        row.addWidget(self.where, 1)
        self.bench = self._button(row, "Bench file…", "Ctrl+B", self.bench_asked)
        self.archive = self._button(row, "Archive…", "Ctrl+O", self.archive_asked)
        self.plan = self._button(row, "", "Ctrl+P", self.plan_asked)
        self.show_plan(followed=False)
        self.cautions = self._button(row, "Cautions", "F1", self.cautions_asked)
        self.theme = self._button(row, "Light/dark", "Ctrl+D", self.theme_asked)

    def _button(self, row: QtWidgets.QHBoxLayout, words: str, key: str, signal: object) -> QtWidgets.QPushButton:
        button = QtWidgets.QPushButton(f"{words}  [{key}]")
        button.setAccessibleName(f"{words} ({key})")
        button.clicked.connect(lambda: signal.emit())  # type: ignore[attr-defined]
        shortcut = QtGui.QShortcut(QtGui.QKeySequence(key), self)
        shortcut.setContext(QtCore.Qt.ShortcutContext.WindowShortcut)
        shortcut.activated.connect(button.click)
        row.addWidget(button)
        return button

    def show_plan(self, followed: bool) -> None:
        """Offer to follow a plan, or to leave the one that is followed."""
        words = "Leave the plan" if followed else "Follow a plan…"
        self.plan.setText(f"{words}  [Ctrl+P]")
        self.plan.setAccessibleName(f"{words} (Ctrl+P)")

    def show_where(self, bench: Path | None, archive: Path, demo: bool) -> None:
        """Name bench and archive; a demonstration says so instead of its passing bench file."""
        shown = "none chosen" if bench is None else _short(bench)
        on = "DEMONSTRATION on a virtual bench" if demo else f"Bench: {shown}"
        self._whole = f"{on}   ·   Archive: {_short(archive)}"
        self.where.setAccessibleDescription(f"{bench or 'no bench'}; {archive}")
        self._fit()

    def _fit(self) -> None:
        """Cut the middle out of the line where it has no room."""
        elide = QtCore.Qt.TextElideMode.ElideMiddle
        self.where.setText(self.where.fontMetrics().elidedText(self._whole, elide, self.where.width()))

    def resizeEvent(self, event: QtGui.QResizeEvent) -> None:
        super().resizeEvent(event)
        self._fit()


def _short(path: Path) -> str:
    """The end of a path, enough to know it by; long names lose their middle."""
    parts = path.parts
    ends = parts if len(parts) <= 3 else ("…", *parts[-2:])
    return str(Path(*(f"{part[:9]}…{part[-9:]}" if len(part) > LONGEST_PART else part for part in ends)))


def ask_bench(parent: QtWidgets.QWidget) -> Path | None:
    """Let the person choose a bench file; None where they changed their mind."""
    name, _ = QtWidgets.QFileDialog.getOpenFileName(parent, "Choose a bench file", "", "Bench files (*.toml)")
    return Path(name) if name else None


def ask_archive(parent: QtWidgets.QWidget, now: Path) -> Path | None:
    """Let the person choose a folder of runs; None where they changed their mind."""
    name = QtWidgets.QFileDialog.getExistingDirectory(parent, "Choose a folder of runs", str(now))
    return Path(name) if name else None


def ask_study(parent: QtWidgets.QWidget) -> Path | None:
    """Let the person choose a study file; None where they changed their mind."""
    name, _ = QtWidgets.QFileDialog.getOpenFileName(parent, "Choose a study", "", "Study files (*.toml)")
    return Path(name) if name else None

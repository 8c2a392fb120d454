"""The runs of the archive as a table, newest first. All texts are shown plain, whatever a tag holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from chargebench.desktop.qt import QtCore, QtGui, QtWidgets, Signal
from chargebench.desktop.row import Row
from chargebench.desktop.rows import COLUMNS, cells
from chargebench.desktop.style import Panel, plain_label
from chargebench.processing.outcome import Outcome

__all__ = ["RunsModel", "RunsTable"]

_Index = QtCore.QModelIndex | QtCore.QPersistentModelIndex
ROWS_MEASURED: Final = 60
_NOWHERE = QtCore.QModelIndex()
_RIGHT_FROM = COLUMNS.index("Treatment") + 1


class RunsModel(QtCore.QAbstractTableModel):
    """Runs, newest first; the same run again takes the place of the old."""

    def __init__(self, parent: QtCore.QObject | None = None) -> None:
        super().__init__(parent)
        self.rows: list[Row] = []
        self._cells: list[tuple[str, ...]] = []
        self._known: dict[str, tuple[Row, tuple[str, ...]]] = {}
        self._aside: Mapping[str, str] = {}

    def set_aside(self, reasons: Mapping[str, str]) -> None:
        """Mark the runs that a study leaves out, each with its reason, and no others."""
        changed = {run for run in self._known if self._aside.get(run) != reasons.get(run)}
        self._aside = dict(reasons)
        self.add([self._known[run][0].outcome for run in changed])

    def add(self, outcomes: Sequence[Outcome]) -> None:
        """Take in outcomes."""
        for outcome in outcomes:
            row = Row(outcome, self._aside.get(outcome.run_id, ""))
            self._known[row.run_id] = (row.slim(), cells(row))
        order = sorted(self._known, reverse=True)
        self.beginResetModel()
        self.rows = [self._known[run][0] for run in order]
        self._cells = [self._known[run][1] for run in order]
        self.endResetModel()

    def clear(self) -> None:
        """Forget all."""
        self.beginResetModel()
        self.rows, self._cells, self._known = [], [], {}
        self.endResetModel()

    def rowCount(self, parent: _Index = _NOWHERE) -> int:
        return 0 if parent.isValid() else len(self._cells)

    def columnCount(self, parent: _Index = _NOWHERE) -> int:
        return 0 if parent.isValid() else len(COLUMNS)

    def data(self, index: _Index, role: int = QtCore.Qt.ItemDataRole.DisplayRole) -> Any:
        if role in (QtCore.Qt.ItemDataRole.DisplayRole, QtCore.Qt.ItemDataRole.AccessibleTextRole):
            return self._cells[index.row()][index.column()]
        if role == QtCore.Qt.ItemDataRole.TextAlignmentRole:
            return self._alignment(index.column())
        return None

    @staticmethod
    def _alignment(column: int) -> int:
        """Numbers to the right, words to the left."""
        right = _RIGHT_FROM <= column < len(COLUMNS) - 1
        side = QtCore.Qt.AlignmentFlag.AlignRight if right else QtCore.Qt.AlignmentFlag.AlignLeft
        return int(side | QtCore.Qt.AlignmentFlag.AlignVCenter)

    def headerData(
        self, section: int, orientation: QtCore.Qt.Orientation, role: int = QtCore.Qt.ItemDataRole.DisplayRole
    ) -> Any:
        if role == QtCore.Qt.ItemDataRole.DisplayRole and orientation is QtCore.Qt.Orientation.Horizontal:
            return COLUMNS[section]
        if role == QtCore.Qt.ItemDataRole.TextAlignmentRole and orientation is QtCore.Qt.Orientation.Horizontal:
            return self._alignment(section)
        return None


class RunsTable(Panel):
    """The table with a word on where it comes from.

    Signals
    -------
    chosen(object)
        The `Row` that the person went to.
    aside_asked(object)
        The `Row` of a run that is to be set aside.
    """

    chosen = Signal(object)
    aside_asked = Signal(object)

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__("Runs in the archive", parent)
        self.model = RunsModel(self)
        self.view = QtWidgets.QTableView()
        self.view.setModel(self.model)
        self.view.setAccessibleName("Runs in the archive, newest first, times in UTC")
        self.view.setSelectionBehavior(QtWidgets.QAbstractItemView.SelectionBehavior.SelectRows)
        self.view.setSelectionMode(QtWidgets.QAbstractItemView.SelectionMode.SingleSelection)
        self.view.setAlternatingRowColors(True)
        self.view.setShowGrid(False)
        self.view.setSizePolicy(QtWidgets.QSizePolicy.Policy.Expanding, QtWidgets.QSizePolicy.Policy.Ignored)
        self.view.setWordWrap(False)
        self.view.setTabKeyNavigation(False)
        self.view.verticalHeader().hide()
        self.view.verticalHeader().setAccessibleName("Rows")
        self._set_widths(self.view.horizontalHeader())
        self.view.horizontalHeader().setAccessibleName("Columns")
        self.view.selectionModel().currentRowChanged.connect(self._moved)
        self.empty = plain_label("", "soft", wrap=True)
        self.empty.setAlignment(QtCore.Qt.AlignmentFlag.AlignTop)
        self.aside = QtWidgets.QPushButton("Set aside…  [Ctrl+E]")
        self.aside.setAccessibleName("Set the chosen run aside (Ctrl+E)")
        self.aside.clicked.connect(self._ask_aside)
        key = QtGui.QShortcut(QtGui.QKeySequence("Ctrl+E"), self)
        key.setContext(QtCore.Qt.ShortcutContext.WindowShortcut)
        key.activated.connect(self.aside.click)
        head = QtWidgets.QHBoxLayout()
        self.body.removeWidget(self.title)
        head.addWidget(self.title, 1)
        head.addWidget(self.aside)
        self.body.addLayout(head)
        self.body.addWidget(self.empty, 1)
        self.body.addWidget(self.view, 1)
        self.let_set_aside(offered=False)
        self.say("No runs here yet. The first one appears when it is sealed.")

    @staticmethod
    def _set_widths(header: QtWidgets.QHeaderView) -> None:
        """Numbers and verdict get what they need; names share the rest and are cut with an ellipsis."""
        header.setHighlightSections(False)
        header.setResizeContentsPrecision(ROWS_MEASURED)
        header.setMinimumSectionSize(30)
        for column, name in enumerate(COLUMNS):
            stretched = name in ("Coffee", "Grinder, setting")
            mode = QtWidgets.QHeaderView.ResizeMode
            header.setSectionResizeMode(column, mode.Stretch if stretched else mode.ResizeToContents)

    def say(self, words: str) -> None:
        """A word in place of the rows while there are none."""
        self.empty.setText(words)
        self._draw()

    def add(self, outcomes: Sequence[Outcome]) -> None:
        """Take in outcomes."""
        self.model.add(outcomes)
        self._draw()

    def set_aside(self, reasons: Mapping[str, str]) -> None:
        """Mark the runs that a study leaves out; the row the person was at stays chosen."""
        run = self._chosen_run()
        self.model.set_aside(reasons)
        self._choose(run)
        self._draw()

    def let_set_aside(self, offered: bool) -> None:
        """Offer to set runs aside, or not: only a study can leave a run out."""
        self.aside.setVisible(offered)
        self._allow()

    def _chosen(self) -> Row | None:
        index = self.view.currentIndex()
        return self.model.rows[index.row()] if index.isValid() else None

    def _chosen_run(self) -> str:
        chosen = self._chosen()
        return "" if chosen is None else chosen.run_id

    def _choose(self, run: str) -> None:
        """Go to a run's row."""
        row = next((i for i, known in enumerate(self.model.rows) if known.run_id == run), None)
        if row is not None:
            self.view.selectRow(row)

    def _allow(self) -> None:
        """A run can be set aside once."""
        chosen = self._chosen()
        self.aside.setEnabled(chosen is not None and not chosen.set_aside)

    def _ask_aside(self) -> None:
        if (chosen := self._chosen()) is not None and self.aside.isVisible():
            self.aside_asked.emit(chosen)

    def clear(self) -> None:
        """Forget all rows."""
        self.model.clear()
        self._draw()

    def _draw(self) -> None:
        rows = self.model.rowCount()
        self.title.setText(f"Runs in the archive: {rows}, newest first (UTC)" if rows else "Runs in the archive")
        self.empty.setVisible(not rows)
        self.view.setVisible(bool(rows))
        height = self.view.fontMetrics().height() + 6
        self.view.verticalHeader().setDefaultSectionSize(height)
        self._allow()

    def _moved(self, index: QtCore.QModelIndex) -> None:
        self._allow()
        if index.isValid():
            self.chosen.emit(self.model.rows[index.row()])

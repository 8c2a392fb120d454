"""The runs of the archive as a table, newest first. All texts are shown plain, whatever a tag holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from chargebench.desktop.qt import QtCore, QtWidgets, Signal
from chargebench.desktop.rows import COLUMNS, cells, slim
from chargebench.desktop.style import Panel, plain_label

__all__ = ["RunsModel", "RunsTable"]

_Index = QtCore.QModelIndex | QtCore.QPersistentModelIndex
ROWS_MEASURED: Final = 60
_NOWHERE = QtCore.QModelIndex()
_RIGHT_FROM = COLUMNS.index("Treatment") + 1


class RunsModel(QtCore.QAbstractTableModel):
    """Outcomes by run, newest first; the same run again takes the place of the old."""

    def __init__(self, parent: QtCore.QObject | None = None) -> None:
        super().__init__(parent)
        self.outcomes: list[Mapping[str, Any]] = []
        self._cells: list[tuple[str, ...]] = []
        self._known: dict[str, tuple[Mapping[str, Any], tuple[str, ...]]] = {}

    def add(self, outcomes: Sequence[Mapping[str, Any]]) -> None:
        """Take in outcomes."""
        self._known.update({str(o.get("run")): (slim(o), cells(o)) for o in outcomes})
        order = sorted(self._known, reverse=True)
        self.beginResetModel()
        self.outcomes = [self._known[run][0] for run in order]
        self._cells = [self._known[run][1] for run in order]
        self.endResetModel()

    def clear(self) -> None:
        """Forget all."""
        self.beginResetModel()
        self.outcomes, self._cells, self._known = [], [], {}
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
        The outcome of the row the person went to.
    """

    chosen = Signal(object)

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
        self.body.addWidget(self.empty, 1)
        self.body.addWidget(self.view, 1)
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

    def add(self, outcomes: Sequence[Mapping[str, Any]]) -> None:
        """Take in outcomes."""
        self.model.add(outcomes)
        self._draw()

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

    def _moved(self, index: QtCore.QModelIndex) -> None:
        if index.isValid():
            self.chosen.emit(self.model.outcomes[index.row()])

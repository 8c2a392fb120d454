"""The tags of the next run: typed in, checked as they are typed, never lost between runs.

Owns the fields and their messages. What a tag may hold is the business of `chargebench.runs.tags`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Final

from chargebench.desktop.qt import QtCore, QtWidgets, Signal
from chargebench.desktop.style import Choice, Panel, plain_label, restyle
from chargebench.errors import TagError
from chargebench.runs.tags import check_tags
from chargebench.runs.water import number_of, water_mass_g

__all__ = ["FIELDS", "TagForm", "water_text"]

SETTLE_MS: Final = 400
TITLE: Final = "Tags of the next run"


@dataclass(frozen=True, slots=True)
class Field:
    """One field: tag, words above it, an example shown while empty, and choices where there are some."""

    key: str
    label: str
    example: str = ""
    choices: tuple[str, ...] = ()


FIELDS: Final[tuple[Field, ...]] = (
    Field("coffee", "Coffee", "name or lot"),
    Field("grinder", "Grinder", "which one"),
    Field("setting", "Setting", "as on the grinder"),
    Field("dose_g", "Dose (g)", "18"),
    Field("water_uL_per_g", "Water (µL per g)", "0"),
    Field("treatment", "Treatment", choices=("dry", "misted", "ionised", "misted+ionised")),
    Field("block", "Block", "session or order"),
    Field("purpose", "Purpose", choices=("grind", "blank", "purge")),
    Field("operator", "Operator", "initials"),
    Field("note", "Note", "anything worth keeping"),
)


def water_text(tags: Mapping[str, str | float]) -> str:
    """What the water dose comes to for the whole dose: ``= 0.36 mL in all, 0.36 g at 20 °C``; empty where unknown."""
    dose_g, per_g = number_of(tags, "dose_g"), number_of(tags, "water_uL_per_g")
    if dose_g is None or per_g is None:
        return ""
    return f"Water in all: {dose_g * per_g / 1000:.3g} mL = {water_mass_g(tags):.3g} g (at 20 °C)"


class TagForm(Panel):
    """Fields for the next run.

    Signals
    -------
    changed(object)
        Tags as a dict, a moment after the last edit, only while every field is acceptable.
    """

    changed = Signal(object)

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(TITLE, parent)
        self.fields: dict[str, QtWidgets.QLineEdit | QtWidgets.QComboBox] = {}
        grid = QtWidgets.QGridLayout()
        grid.setHorizontalSpacing(8)
        grid.setVerticalSpacing(2)
        for index, field in enumerate(FIELDS):
            self._add(grid, field, *divmod(index, 2))
        grid.setColumnStretch(0, 1)
        grid.setColumnStretch(1, 1)
        self.body.addLayout(grid, 10)
        self.water = plain_label("", "soft", wrap=True)
        self.problem = plain_label("", wrap=True)
        self.problem.setProperty("severity", "reject")
        self.body.addWidget(self.water)
        self.body.addWidget(self.problem)
        self.body.addStretch(1)
        self._settle = QtCore.QTimer(self)
        self._settle.setSingleShot(True)
        self._settle.setInterval(SETTLE_MS)
        self._settle.timeout.connect(self._announce)
        self._judge()

    def _add(self, grid: QtWidgets.QGridLayout, field: Field, row: int, column: int) -> None:
        """Label above field, in its place on the grid."""
        widget: QtWidgets.QLineEdit | QtWidgets.QComboBox
        if field.choices:
            widget = Choice()
            widget.addItems(list(field.choices))
            widget.currentTextChanged.connect(self._edited)
        else:
            widget = QtWidgets.QLineEdit()
            widget.setPlaceholderText(field.example)
            widget.setMaxLength(2000)
            widget.textChanged.connect(self._edited)
        widget.setAccessibleName(field.label)
        widget.setMinimumWidth(40)
        widget.setSizePolicy(QtWidgets.QSizePolicy.Policy.Expanding, QtWidgets.QSizePolicy.Policy.Preferred)
        label = plain_label(field.label, "soft")
        label.setBuddy(widget)
        label.setSizePolicy(QtWidgets.QSizePolicy.Policy.Preferred, QtWidgets.QSizePolicy.Policy.Fixed)
        grid.addWidget(label, row * 2, column)
        grid.addWidget(widget, row * 2 + 1, column)
        self.fields[field.key] = widget

    def texts(self) -> dict[str, str]:
        """What is typed, without empty fields."""
        found = {}
        for key, widget in self.fields.items():
            text = widget.currentText() if isinstance(widget, QtWidgets.QComboBox) else widget.text()
            if text.strip():
                found[key] = text.strip()
        return found

    def show_tags(self, tags: Mapping[str, str | float]) -> None:
        """Fill in tags; those without a field are left out."""
        for key, widget in self.fields.items():
            if key not in tags:
                continue
            value = tags[key]
            text = f"{value:g}" if isinstance(value, float) else str(value)
            if isinstance(widget, QtWidgets.QComboBox):
                widget.setCurrentText(text)
            else:
                widget.setText(text)

    def lock(self, keys: Collection[str]) -> None:
        """Let these fields be read only, and no others: a plan sets them."""
        for key, widget in self.fields.items():
            widget.setEnabled(key not in keys)
        self.title.setText(f"{TITLE} (plan: shaded)" if keys else TITLE)

    def announce_soon(self) -> None:
        """Say the tags again a moment later, changed or not."""
        self._settle.start()

    @property
    def acceptable(self) -> bool:
        """Whether every field may stand as it is."""
        return not self.problem.text()

    def _edited(self) -> None:
        self._judge()
        self._settle.start()

    def _judge(self) -> None:
        """Check every field by itself, mark those that fail, show the first message and what the water comes to."""
        tags: dict[str, str | float] = {}
        problems: list[str] = []
        texts = self.texts()
        for key, widget in self.fields.items():
            wrong = False
            if key in texts:
                try:
                    tags.update(check_tags({key: texts[key]}))
                except TagError as error:
                    problems.append(str(error))
                    wrong = True
            if bool(widget.property("wrong")) != wrong:
                widget.setProperty("wrong", wrong)
                restyle(widget)
            widget.setAccessibleDescription(problems[-1] if wrong else "")
        if not problems:
            try:
                check_tags(tags)
            except TagError as error:
                problems.append(str(error))
        self.problem.setText(f"✖ {problems[0]}" if problems else "")
        self.water.setText(water_text(tags))

    def _announce(self) -> None:
        if self.acceptable:
            self.changed.emit(self.texts())

"""A theme turned into Qt's palette and style sheet, and the few building blocks every panel is made of.

Owns sizes: all of them follow one number, the height of the text in pixels, so that a large screen is readable from
the far side of the bench.
"""

from __future__ import annotations

from typing import Final

from chargebench.desktop.palette import Theme
from chargebench.desktop.qt import QtCore, QtGui, QtWidgets

__all__ = ["Choice", "Panel", "base_height", "plain_label", "qt_palette", "style_sheet"]

_ROLES: Final = {
    "Window": "page",
    "WindowText": "ink",
    "Base": "field",
    "AlternateBase": "page",
    "Text": "ink",
    "Button": "panel",
    "ButtonText": "ink",
    "ToolTipBase": "panel",
    "ToolTipText": "ink",
    "Highlight": "accent",
    "HighlightedText": "on_accent",
    "PlaceholderText": "soft",
}


def base_height(window_height: int) -> int:
    """Text height in pixels for a window: 13 at 768, 21 at 1440, within 12 and 26."""
    return max(12, min(26, round(13 + (window_height - 768) * 8 / 672)))


def qt_palette(theme: Theme) -> QtGui.QPalette:
    """Qt's palette of a theme."""
    palette = QtGui.QPalette()
    for role, colour in _ROLES.items():
        palette.setColor(QtGui.QPalette.ColorRole[role], QtGui.QColor(getattr(theme, colour)))
    return palette


def style_sheet(theme: Theme, px: int) -> str:
    """Style sheet of the whole window; `px` is the height of the text."""
    t = theme
    return f"""
    * {{ font-size: {px}px; color: {t.ink}; }}
    QMainWindow, QWidget#page, QDialog#page {{ background: {t.page}; }}
    QFrame#panel, QFrame#notice {{ background: {t.panel}; border: 1px solid {t.line}; border-radius: {px // 3}px; }}
    QLabel {{ background: transparent; border: none; }}
    QLabel[part="title"] {{ font-weight: 600; color: {t.soft}; }}
    QLabel[part="soft"] {{ color: {t.soft}; }}
    QLabel[part="headline"] {{ font-size: {round(px * 2.0)}px; font-weight: 700; }}
    QLabel[part="instruction"] {{ font-size: {round(px * 1.4)}px; }}
    QLabel[part="figure"] {{ font-size: {round(px * 2.6)}px; font-weight: 700; }}
    QLabel[part="answer"] {{ font-size: {round(px * 1.9)}px; font-weight: 700; }}
    QLabel[part="verdict"] {{ font-size: {round(px * 1.2)}px; font-weight: 600; }}
    QLabel[part="todo"] {{ font-size: {round(px * 1.2)}px; font-weight: 600; }}
    QLabel[severity="note"] {{ color: {t.note}; }}
    QLabel[severity="doubt"] {{ color: {t.doubt}; font-weight: 600; }}
    QLabel[severity="reject"] {{ color: {t.reject}; font-weight: 600; }}
    QFrame#banner[ground="calm"] {{ background: {t.calm}; }}
    QFrame#banner[ground="ready"] {{ background: {t.ready}; }}
    QFrame#banner[ground="busy"] {{ background: {t.busy}; }}
    QFrame#banner[ground="wait"] {{ background: {t.wait}; }}
    QFrame#banner {{ border: 1px solid {t.line}; border-radius: {px // 3}px; }}
    QPushButton {{ background: {t.panel}; border: 1px solid {t.line}; border-radius: {px // 3}px;
                   padding: {px // 4}px {px // 2}px; }}
    QPushButton:hover {{ border-color: {t.accent}; }}
    QPushButton:focus {{ border: 2px solid {t.accent}; }}
    QPushButton:disabled {{ color: {t.soft}; background: {t.page}; }}
    QPushButton[part="large"] {{ font-size: {round(px * 1.2)}px; font-weight: 600; min-height: {round(px * 3.2)}px; }}
    QPushButton[part="main"] {{ font-size: {round(px * 1.2)}px; font-weight: 600; min-height: {round(px * 3.2)}px;
                                background: {t.accent}; color: {t.on_accent}; }}
    QPushButton[part="main"]:disabled {{ background: {t.page}; color: {t.soft}; }}
    QPushButton[part="sure"] {{ font-size: {round(px * 1.2)}px; font-weight: 600; min-height: {round(px * 3.2)}px;
                                color: {t.reject}; border: 2px solid {t.reject}; }}
    QLineEdit {{ background: {t.field}; border: 1px solid {t.line}; border-radius: {px // 4}px;
                 padding: {px // 5}px {px // 3}px; min-height: {round(px * 1.35)}px;
                 selection-background-color: {t.accent}; selection-color: {t.on_accent}; }}
    QLineEdit:focus {{ border: 2px solid {t.accent}; }}
    QComboBox {{ background: {t.field}; border: 1px solid {t.line}; border-radius: {px // 4}px;
                 padding: {px // 5}px {px // 3}px; min-height: {round(px * 1.35)}px; }}
    QComboBox:focus {{ border: 2px solid {t.accent}; }}
    QComboBox::drop-down {{ border: none; width: {round(px * 1.4)}px; }}
    QLineEdit, QComboBox {{ max-height: {round(px * 2.4)}px; }}
    QLineEdit:disabled, QComboBox:disabled {{ background: {t.calm}; }}
    QLineEdit[wrong="true"] {{ border: 2px solid {t.reject}; }}
    QComboBox QAbstractItemView {{ background: {t.field}; color: {t.ink}; selection-background-color: {t.accent};
                                   selection-color: {t.on_accent}; }}
    QTableView {{ background: {t.panel}; alternate-background-color: {t.page}; gridline-color: {t.line}; border: none;
                  selection-background-color: {t.accent}; selection-color: {t.on_accent}; }}
    QHeaderView::section {{ background: {t.panel}; color: {t.soft}; border: none; border-bottom: 1px solid {t.line};
                            padding: {px // 5}px; font-weight: 600; }}
    QHeaderView, QTableCornerButton::section {{ background: {t.panel}; border: none; }}
    QScrollBar {{ background: transparent; border: none; margin: 0; }}
    QScrollBar:vertical {{ width: {px}px; }}
    QScrollBar:horizontal {{ height: {px}px; }}
    QScrollBar::handle {{ background: {t.line}; border-radius: {px // 3}px; min-height: {px * 2}px;
                          min-width: {px * 2}px; margin: 2px; }}
    QScrollBar::add-line, QScrollBar::sub-line {{ width: 0; height: 0; }}
    QScrollArea, QScrollArea > QWidget > QWidget#inside {{ background: transparent; border: none; }}
    """


def plain_label(text: str = "", part: str = "", wrap: bool = False, name: str = "") -> QtWidgets.QLabel:
    """A label that shows any text as it is: markup in a tag stays visible markup."""
    label = QtWidgets.QLabel()
    label.setTextFormat(QtCore.Qt.TextFormat.PlainText)
    label.setText(text)
    label.setWordWrap(wrap)
    if part:
        label.setProperty("part", part)
    if name:
        label.setAccessibleName(name)
    return label


def restyle(widget: QtWidgets.QWidget) -> None:
    """Let a changed property take effect on the look."""
    widget.style().unpolish(widget)
    widget.style().polish(widget)


class Choice(QtWidgets.QComboBox):
    """A list to choose from, with an arrow in the colour of its text: a style sheet has none without a picture file."""

    def paintEvent(self, event: QtGui.QPaintEvent) -> None:
        super().paintEvent(event)
        size = self.fontMetrics().height() / 4
        x, y = self.width() - 2.6 * size, self.height() / 2
        painter = QtGui.QPainter(self)
        painter.setRenderHint(QtGui.QPainter.RenderHint.Antialiasing)
        painter.setPen(QtCore.Qt.PenStyle.NoPen)
        painter.setBrush(self.palette().color(QtGui.QPalette.ColorRole.Text))
        corners = [(x - size, y - size / 2), (x + size, y - size / 2), (x, y + size * 0.7)]
        painter.drawPolygon(QtGui.QPolygonF([QtCore.QPointF(*corner) for corner in corners]))
        painter.end()


class Panel(QtWidgets.QFrame):
    """A bordered part of the page with a title, shown or only spoken; `body` is its layout."""

    def __init__(self, title: str, parent: QtWidgets.QWidget | None = None, headed: bool = True) -> None:
        super().__init__(parent)
        self.setObjectName("panel")
        self.setAccessibleName(title)
        self.body = QtWidgets.QVBoxLayout(self)
        self.body.setContentsMargins(10, 6, 10, 8)
        self.body.setSpacing(4)
        self.title = plain_label(title, "title")
        self.title.setVisible(headed)
        self.body.addWidget(self.title)

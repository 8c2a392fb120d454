"""Plots that only show: no context menu, no export, no dragging by a wet finger; coloured by a theme."""

from __future__ import annotations

from typing import Any

from chargebench.desktop.palette import Theme
from chargebench.desktop.qt import QtCore, QtGui, QtWidgets, pg

__all__ = ["quiet_plot", "quiet_view", "restyle_plot"]


def quiet_view(description: str) -> Any:
    """A graphics view without any menu, described for screen readers."""
    view = pg.GraphicsLayoutWidget()
    view.setContextMenuPolicy(QtCore.Qt.ContextMenuPolicy.PreventContextMenu)
    view.scene().contextMenu = []
    view.setAccessibleName(description)
    view.viewport().setAccessibleName(description)
    view.setFrameShape(QtWidgets.QFrame.Shape.NoFrame)
    view.setSizePolicy(QtWidgets.QSizePolicy.Policy.Expanding, QtWidgets.QSizePolicy.Policy.Ignored)
    view.setFocusPolicy(QtCore.Qt.FocusPolicy.NoFocus)
    view.ci.setContentsMargins(0, 0, 4, 0)
    view.ci.setSpacing(2)
    return view


def quiet_plot(plot: Any, view: Any) -> None:
    """Take menus, buttons, dragging and automatic ranges from a plot of a view.

    The library makes its menu all the same and keeps settings in it; the view owns it, so that it ends with the view.
    """
    plot.ctrlMenu.setParent(view, plot.ctrlMenu.windowFlags())
    plot.setMenuEnabled(False)
    plot.hideButtons()
    plot.setMouseEnabled(x=False, y=False)
    plot.disableAutoRange()
    plot.getAxis("left").enableAutoSIPrefix(False)
    plot.getAxis("bottom").enableAutoSIPrefix(False)
    for side in ("left", "bottom"):
        plot.getAxis(side).setStyle(maxTickLevel=0)  # lines of minor ticks cost more than all the rest of a frame
    plot.showGrid(x=True, y=True, alpha=0.25)


def restyle_plot(plot: Any, theme: Theme, px: int = 13) -> None:
    """Colours and text size of axes and labels; `px` is the height of the text."""
    font = QtGui.QFont()
    font.setPixelSize(px)
    for side in ("left", "bottom"):
        axis = plot.getAxis(side)
        axis.setPen(theme.line)
        axis.setTextPen(theme.ink)
        axis.setStyle(tickFont=font, tickTextOffset=4)
        axis.setLabel(axis.labelText, color=theme.ink, **{"font-size": f"{px}px"})
    plot.getAxis("left").setWidth(round(px * 5))
    bottom = plot.getAxis("bottom")
    if bottom.labelText:
        bottom.setHeight(round(px * 3.3))

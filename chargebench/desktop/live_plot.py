"""Charge and mass as they come, one above the other on one time axis, with the phases shaded and named in place.

Owns two pyramids (fixed memory) and a fixed pool of shaded regions; nothing is added to the scene while it runs.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from chargebench.desktop.palette import Theme
from chargebench.desktop.phases import GROUNDS, MAX_PHASES, Phase, add_state, view_span
from chargebench.desktop.plots import quiet_plot, quiet_view, restyle_plot
from chargebench.desktop.pyramid import Pyramid
from chargebench.desktop.qt import QtGui, QtWidgets, pg

__all__ = ["LivePlot", "nice_range"]

Floats = npt.NDArray[np.float64]
_MINIMUM_SPAN: Final = {"charge": 1.0, "mass": 2.0}


def nice_range(values: Floats, minimum_span: float) -> tuple[float, float]:
    """Limits that hold all finite values, on whole steps, so that the axis moves seldom and not with every reading."""
    finite = values[np.isfinite(values)]
    if finite.size == 0:
        return -minimum_span / 2, minimum_span / 2
    low, high = float(finite.min()), float(finite.max())
    spare = max(minimum_span - (high - low), 0.12 * (high - low)) / 2
    low, high = low - spare, high + spare
    step = 10.0 ** math.floor(math.log10(high - low)) / 2
    return math.floor(low / step) * step, math.ceil(high / step) * step


class LivePlot(QtWidgets.QWidget):
    """The live traces.

    Notes
    -----
    `take` only stores; `refresh` draws, and is called once a tick whatever came in.
    """

    def __init__(self, theme: Theme, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        self.setAccessibleName("Live plot of charge and mass against time")
        layout = QtWidgets.QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        self.view = quiet_view("Charge in nC above, mass in g below, against seconds since the recording began")
        layout.addWidget(self.view)
        self.pyramids = {"charge": Pyramid(), "mass": Pyramid()}
        self.phases: tuple[Phase, ...] = ()
        self._stale = True
        self._plots = {"charge": self._panel(0, "Charge (nC)"), "mass": self._panel(1, "Mass (g)")}
        self._plots["mass"].setXLink(self._plots["charge"])
        self._plots["mass"].setLabel("bottom", "Time since recording began (s)")
        self._plots["charge"].getAxis("bottom").setStyle(showValues=False)
        self._curves = {name: plot.plot([], [], connect="finite") for name, plot in self._plots.items()}
        self._regions = {name: self._pool(plot) for name, plot in self._plots.items()}
        self._labels = [self._label() for _ in range(MAX_PHASES)]
        self.set_theme(theme)

    def _panel(self, row: int, label: str) -> Any:
        plot = self.view.addPlot(row=row, col=0, enableMenu=False)
        quiet_plot(plot, self.view)
        plot.setLabel("left", label)
        return plot

    @staticmethod
    def _pool(plot: Any) -> list[Any]:
        regions = [pg.LinearRegionItem(movable=False) for _ in range(MAX_PHASES)]
        for region in regions:
            region.setZValue(-10)
            region.hide()
            for line in region.lines:
                line.setPen(pg.mkPen(None))
            plot.addItem(region, ignoreBounds=True)
        return regions

    def _label(self) -> Any:
        label = pg.TextItem("", anchor=(0, 0))
        label.hide()
        self._plots["charge"].addItem(label, ignoreBounds=True)
        return label

    def set_theme(self, theme: Theme, px: int = 13) -> None:
        """Take on a theme's colours and a text height."""
        self._theme = theme
        self._stale = True
        self.view.setBackground(theme.panel)
        for name, plot in self._plots.items():
            restyle_plot(plot, theme, px)
            self._curves[name].setPen(pg.mkPen(getattr(theme, name), width=max(1, px // 9)))
        font = QtGui.QFont()
        font.setPixelSize(px)
        for label in self._labels:
            label.setColor(theme.ink)
            label.setFont(font)
        self._shade()

    def clear(self) -> None:
        """A new recording: forget traces and phases."""
        for pyramid in self.pyramids.values():
            pyramid.clear()
        self.phases = ()
        self._shade()
        self._stale = True

    def add_state(self, state: str, time_s: float) -> None:
        """Close the running phase at a time and open the next."""
        self.phases = add_state(self.phases, state, time_s)
        self._stale = True
        self._shade()

    def take(self, timed: Iterable[Any]) -> None:
        """Store readings: objects with `channel`, `time_s` and `value`."""
        self._stale = True
        columns: Mapping[str, tuple[list[float], list[float]]] = {"charge": ([], []), "mass": ([], [])}
        for one in timed:
            column = columns.get(one.channel)
            if column is not None:
                column[0].append(one.time_s)
                column[1].append(one.value)
        for name, (times, values) in columns.items():
            self.pyramids[name].extend(times, values)

    @property
    def now_s(self) -> float:
        """Time of the latest reading of either trace; 0 before the first."""
        times = [p.last_time_s for p in self.pyramids.values() if math.isfinite(p.last_time_s)]
        return max(times, default=0.0)

    def refresh(self) -> None:
        """Draw what is stored; costs nothing where nothing came in."""
        if not self._stale:
            return
        self._stale = False
        start, end = view_span(self.phases, self.now_s)
        self._plots["charge"].setXRange(start, end, padding=0)
        for name, plot in self._plots.items():
            time_s, value = self.pyramids[name].curve(start, end)
            self._curves[name].setData(time_s, value)
            low, high = nice_range(value[time_s >= start], _MINIMUM_SPAN[name])
            plot.setYRange(low, high + (self._label_room() * (high - low) if name == "charge" else 0.0), padding=0)
        self._place(end)

    def _label_room(self) -> float:
        """Height of a phase's word as a share of the charge panel, so that no trace runs through it."""
        height_px: float = self._plots["charge"].getViewBox().height()
        word_px: float = self._labels[0].boundingRect().height()
        return word_px / max(height_px, 2.0 * word_px)

    def _shade(self) -> None:
        """Colour the pool of regions for the phases there are."""
        for regions in self._regions.values():
            for region, phase in zip(regions, _padded(self.phases), strict=True):
                region.setVisible(phase is not None)
                if phase is not None:
                    colour = QtGui.QColor(getattr(self._theme, GROUNDS[phase.state]))
                    region.setBrush(colour)
                    region.setHoverBrush(colour)
        for label, phase in zip(self._labels, _padded(self.phases), strict=True):
            label.setText("" if phase is None else phase.label)
        self._place(self.now_s)

    def _place(self, end_s: float) -> None:
        """Put regions and their words where the time axis has them; a word that does not fit its phase is hidden."""
        (left, right), (_, top) = self._plots["charge"].getViewBox().viewRange()
        width_px = max(1.0, self._plots["charge"].getViewBox().width())
        for index, phase in enumerate(_padded(self.phases)):
            label = self._labels[index]
            if phase is None:
                label.hide()
                continue
            stop = min(phase.end_s, max(end_s, phase.start_s))
            for regions in self._regions.values():
                regions[index].setRegion((phase.start_s, stop))
            shown_from, shown_to = max(phase.start_s, left), min(stop, right)
            room = (shown_to - shown_from) / max(right - left, 1e-9) * width_px
            label.setVisible(room > label.boundingRect().width())
            label.setPos(shown_from, top)


def _padded(phases: tuple[Phase, ...]) -> tuple[Phase | None, ...]:
    """Phases and Nones, as many as the pool has."""
    return (*phases, *(None for _ in range(MAX_PHASES - len(phases))))

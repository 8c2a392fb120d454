"""Charge and mass as they come, one above the other on one time axis, with the phases shaded and named in place.

Owns two pyramids for the recording under way and two for the last run, which stays to be looked at until the next quiet
stretch has begun, and a fixed pool of shaded regions; nothing is added to the scene while it runs.
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
from chargebench.desktop.style import plain_label

__all__ = ["LivePlot", "nice_range"]

Floats = npt.NDArray[np.float64]
Pyramids = dict[str, Pyramid]
KEPT_S: Final = 90.0
"""A bench that is not quiet after so long is worth more to see than the run that is over."""
LIVE: Final = "Live"
LAST: Final = "Last run, until the bench is quiet again"
AXIS: Final = {LIVE: "Time since recording began (s)", LAST: "Last run: time since its recording began (s)"}
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
        layout.setSpacing(0)
        self.title = plain_label(LIVE, "title")
        layout.addWidget(self.title)
        self.view = quiet_view("Charge in nC above, mass in g below, against seconds since the recording began")
        layout.addWidget(self.view, 1)
        self.pyramids: Pyramids = {"charge": Pyramid(), "mass": Pyramid()}
        self.phases: tuple[Phase, ...] = ()
        self._spare: Pyramids = {"charge": Pyramid(), "mass": Pyramid()}
        self._last: tuple[Phase, ...] = ()
        self._stale = True
        self._plots = {"charge": self._panel(0, "Charge (nC)"), "mass": self._panel(1, "Mass (g)")}
        self._plots["mass"].setXLink(self._plots["charge"])
        self._plots["mass"].setLabel("bottom", AXIS[LIVE])
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

    def begin(self) -> None:
        """A new recording: its traces begin empty, while those of a run that came to its end stay to be looked at."""
        over = bool(self.phases) and math.isfinite(self.phases[-1].end_s)
        if over and any(phase.state == "grinding" for phase in self.phases):
            self.pyramids, self._spare, self._last = self._spare, self.pyramids, self.phases
        for pyramid in self.pyramids.values():
            pyramid.clear()
        self.phases = ()
        self._say_whose()

    @property
    def shows_last(self) -> bool:
        """Whether what is drawn is the last run and not the recording under way."""
        return bool(self._last)

    def _say_whose(self) -> None:
        words = LAST if self.shows_last else LIVE
        self.title.setText(words)
        self._plots["mass"].setLabel("bottom", AXIS[words])
        self._stale = True
        self._shade()

    def _leave_last(self) -> None:
        if self._last:
            self._last = ()
            self._say_whose()

    def add_state(self, state: str, time_s: float) -> None:
        """Close the running phase at a time and open the next."""
        self.phases = add_state(self.phases, state, time_s)
        if state in ("armed", "grinding"):
            self._leave_last()
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
        if self._last and self.now_s > KEPT_S:
            self._leave_last()

    @property
    def now_s(self) -> float:
        """Time of the latest reading of either trace of the recording under way; 0 before the first."""
        return _latest_s(self.pyramids)

    @property
    def _drawn(self) -> tuple[Pyramids, tuple[Phase, ...]]:
        """Traces and phases that are on the plot."""
        return (self._spare, self._last) if self._last else (self.pyramids, self.phases)

    def refresh(self) -> None:
        """Draw what is stored; costs nothing where nothing came in."""
        if not self._stale:
            return
        self._stale = False
        pyramids, phases = self._drawn
        start, end = view_span(phases, _latest_s(pyramids))
        self._plots["charge"].setXRange(start, end, padding=0)
        for name, plot in self._plots.items():
            time_s, value = pyramids[name].curve(start, end)
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
        pyramids, phases = self._drawn
        for regions in self._regions.values():
            for region, phase in zip(regions, _padded(phases), strict=True):
                region.setVisible(phase is not None)
                if phase is not None:
                    colour = QtGui.QColor(getattr(self._theme, GROUNDS[phase.state]))
                    region.setBrush(colour)
                    region.setHoverBrush(colour)
        for label, phase in zip(self._labels, _padded(phases), strict=True):
            label.setText("" if phase is None else phase.label)
        self._place(_latest_s(pyramids))

    def _place(self, end_s: float) -> None:
        """Put regions and their words where the time axis has them; a word that does not fit its phase is hidden."""
        (left, right), (_, top) = self._plots["charge"].getViewBox().viewRange()
        width_px = max(1.0, self._plots["charge"].getViewBox().width())
        for index, phase in enumerate(_padded(self._drawn[1])):
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


def _latest_s(pyramids: Pyramids) -> float:
    """Time of the latest reading; 0 before the first."""
    return max((p.last_time_s for p in pyramids.values() if math.isfinite(p.last_time_s)), default=0.0)


def _padded(phases: tuple[Phase, ...]) -> tuple[Phase | None, ...]:
    """Phases and Nones, as many as the pool has."""
    return (*phases, *(None for _ in range(MAX_PHASES - len(phases))))

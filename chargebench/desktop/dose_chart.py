"""Charge-to-mass against water dose for one series of runs, with 95 % bars and the band of zero."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from chargebench.desktop.palette import Theme
from chargebench.desktop.plots import quiet_plot, quiet_view, restyle_plot
from chargebench.desktop.qt import QtCore, QtGui, QtWidgets, pg
from chargebench.desktop.row import Row
from chargebench.desktop.rows import DosePoint, dose_points, series_of, zero_band
from chargebench.desktop.style import Choice, Panel, plain_label
from chargebench.study.band import Band

__all__ = ["DoseChart"]

#: Treatment -> symbol of the plot and the same shape as a character for the key.
_SHAPES: Final = {
    "dry": ("o", "●"),
    "misted": ("t1", "▲"),
    "ionised": ("s", "■"),
    "misted+ionised": ("d", "◆"),
}
_REJECTED: Final = ("x", "✖")


class DoseChart(Panel):
    """The chart, with a choice of series; the newest run decides until the person does."""

    def __init__(self, theme: Theme, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__("Charge-to-mass by water dose", parent)
        self.series = Choice()
        self.series.setAccessibleName("Series shown: coffee, grinder and setting")
        self.series.setSizeAdjustPolicy(QtWidgets.QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.series.currentIndexChanged.connect(self._draw)
        head = QtWidgets.QHBoxLayout()
        self.body.removeWidget(self.title)
        head.addWidget(self.title)
        head.addWidget(self.series, 1)
        self.body.addLayout(head)
        self.view = quiet_view("Charge-to-mass in nC per g against water dose in µL per g, with 95 % bars")
        self.body.addWidget(self.view, 1)
        self.key = plain_label("", "soft", wrap=True)
        self.empty = plain_label("Runs appear here by their water dose, dry ones at zero.", "soft", wrap=True)
        self.empty.setAlignment(QtCore.Qt.AlignmentFlag.AlignTop)
        self.body.addWidget(self.key)
        self.body.addWidget(self.empty, 1)
        self._rows: Sequence[Row] = ()
        self._names: list[tuple[str, str, str]] = []
        self._plot = self.view.addPlot(enableMenu=False)
        quiet_plot(self._plot, self.view)
        self._plot.setLabel("left", "nC/g")
        self._plot.setLabel("bottom", "Water dose (µL/g)")
        self._band = pg.LinearRegionItem(orientation="horizontal", movable=False)
        self._zero = pg.InfiniteLine(0, angle=0)
        self._bars = pg.ErrorBarItem(x=np.zeros(1), y=np.zeros(1), height=np.zeros(1))
        self._dots = pg.ScatterPlotItem(size=9)
        for item in (self._band, self._zero, self._bars, self._dots):
            self._plot.addItem(item, ignoreBounds=True)
        self.set_theme(theme)

    def set_theme(self, theme: Theme, px: int = 13) -> None:
        """Take on a theme's colours and a text height."""
        self._theme = theme
        self.view.setBackground(theme.panel)
        restyle_plot(self._plot, theme, px)
        band = QtGui.QColor(theme.ready)
        for line in self._band.lines:
            line.setPen(pg.mkPen(None))
        self._band.setBrush(band)
        self._band.setHoverBrush(band)
        self._zero.setPen(pg.mkPen(theme.soft, width=1))
        self._bars.setOpts(pen=pg.mkPen(theme.soft, width=1))
        self._dots.setSize(round(px * 0.75))
        self._draw()

    def show_runs(self, rows: Sequence[Row]) -> None:
        """Take in all runs, newest first; the series chosen stays chosen unless a newer run opens another."""
        names = list(dict.fromkeys(series_of(row) for row in rows))
        chosen = self._names[self.series.currentIndex()] if self._names else None
        newest_changed = bool(names) and bool(self._names) and names[0] != self._names[0]
        self._rows = rows
        if names != self._names:
            self._names = names
            self.series.blockSignals(True)
            self.series.clear()
            self.series.addItems([" · ".join(part for part in name if part != "–") or "–" for name in names])
            keep = chosen in names and not newest_changed
            self.series.setCurrentIndex(names.index(chosen) if keep and chosen else 0)
            self.series.blockSignals(False)
        self._draw()

    def _draw(self) -> None:
        index = self.series.currentIndex()
        points = dose_points(self._rows, self._names[index]) if 0 <= index < len(self._names) else ()
        band = zero_band(points)
        self.view.setVisible(bool(points))
        self.key.setVisible(bool(points))
        self.empty.setVisible(not points)
        self.series.setVisible(len(self._names) > 0)
        self._band.setVisible(band is not None)
        if band is not None:
            self._band.setRegion((-band.half_width_nC_per_g, band.half_width_nC_per_g))
        self._show_points(points)
        self.key.setText(_key_text(points, band))

    def _show_points(self, points: Sequence[DosePoint]) -> None:
        x = np.array([p.water_uL_per_g for p in points])
        y = np.array([p.charge_to_mass_nC_per_g for p in points])
        bar = np.nan_to_num(np.array([p.U95_nC_per_g for p in points]))
        self._bars.setData(x=x, y=y, height=2 * bar, beam=0.0)
        self._dots.setData(
            x=x,
            y=y,
            symbol=[_shape(p)[0] for p in points],
            pen=pg.mkPen(self._theme.charge),
            brush=pg.mkBrush(self._theme.charge),
        )
        if points:
            spare = max(float(x.max()), 1.0) * 0.08
            self._plot.setXRange(-spare, float(x.max()) + spare, padding=0)
            low, high = min(0.0, float((y - bar).min())), max(0.0, float((y + bar).max()))
            room = max(high - low, 1.0) * 0.08
            self._plot.setYRange(low - room, high + room, padding=0)


def _shape(point: DosePoint) -> tuple[str, str]:
    if not point.usable:
        return _REJECTED
    return _SHAPES.get(point.treatment, ("p", "⬟"))


def _key_text(points: Sequence[DosePoint], band: Band | None) -> str:
    """What the symbols and the band mean, in one line."""
    shapes = {(p.treatment if p.usable else "do not use"): _shape(p)[1] for p in points}
    words = [f"{shape} {name}" for name, shape in shapes.items()]
    if band is not None:
        words.append(f"band: ±{band.half_width_nC_per_g:.2g} ({band.origin})")
    return "  ".join([*words, "bars: 95 %"])

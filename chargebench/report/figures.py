"""Figures that leave the program, drawn by matplotlib from a study's answer. Readable when printed in grey.

Every figure is a function from a group and its runs to a `Figure`; shapes and line styles carry the meaning, grey
only helps. Opens nothing and computes no number that the answer does not hold.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from matplotlib.figure import Figure

from chargebench.study.nouns import CurveFound, Group, RunRow
from chargebench.study.volunteers import Pooled

__all__ = ["FIGURES", "dose_curve", "forest", "order_plot", "png", "residuals", "svg", "treatments"]

Runs = Sequence[RunRow]

MARKS: Final = {"dry": "o", "misted": "s", "ionised": "^", "misted+ionised": "D"}
SIZE_INCHES: Final = (6.4, 3.6)
DARK, MIDDLE, PALE = "#111111", "#666666", "#d9d9d9"


def _figure(height: float = SIZE_INCHES[1]) -> tuple[Figure, Any]:
    figure = Figure(figsize=(SIZE_INCHES[0], height), layout="constrained")
    axes = figure.subplots()
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(direction="out")
    return figure, axes


def _numbers(values: Sequence[float | None]) -> list[float]:
    """Values with NaN, which is not drawn, where one could not be had."""
    return [math.nan if value is None else value for value in values]


def _kept(runs: Runs, *treatments: str) -> list[RunRow]:
    """Runs that count, of these treatments."""
    return [r for r in runs if r.counts and r.treatment in treatments and r.charge_to_mass_nC_per_g is not None]


def dose_curve(group: Group, runs: Runs) -> Figure | None:
    """Every run against water dose, the curve with its 95 % band, the equivalence band, the neutralising doses."""
    shown = [run for run in _kept(runs, "dry", "misted") if run.water_uL_per_g is not None]
    if not shown:
        return None
    figure, axes = _figure()
    if group.band:
        half = group.band.half_width_nC_per_g
        axes.axhspan(-half, half, color=PALE, lw=0, label=f"equivalence band ±{half:.3g} nC/g")
    axes.axhline(0, color=MIDDLE, lw=0.8)
    if isinstance(group.curve, CurveFound):
        points = group.curve.points
        low, high = _numbers(points.low_nC_per_g), _numbers(points.high_nC_per_g)
        axes.fill_between(points.dose_uL_per_g, low, high, color=MIDDLE, alpha=0.25, lw=0)
        label = f"{group.curve.name}, 95 % band"
        axes.plot(points.dose_uL_per_g, points.mean_nC_per_g, color=DARK, lw=1.4, label=label)
    for treatment in ("dry", "misted"):
        own = [r for r in shown if r.treatment == treatment]
        if own:
            axes.errorbar(
                [r.water_uL_per_g for r in own],
                [r.charge_to_mass_nC_per_g for r in own],
                yerr=[r.U95_nC_per_g for r in own],
                fmt=MARKS[treatment],
                color=DARK,
                mfc="white" if treatment == "dry" else DARK,
                ms=5,
                lw=0.9,
                ls="none",
                label=f"{treatment} runs, U95",
            )
    _dose_marks(axes, group)
    axes.set(xlabel="water dose / (µL per g of coffee)", ylabel="charge to mass / (nC/g)")
    figure.legend(loc="outside upper left", ncols=2, frameon=False, fontsize=8)
    return figure


def _dose_marks(axes: Any, group: Group) -> None:
    """Vertical lines at the doses found, labelled on the line."""
    for name, style in (("fraction", "--"), ("limit", ":"), ("crossing", "-.")):
        dose = group.doses.get(name)
        if dose is not None and dose.value is not None:
            axes.axvline(dose.value, color=MIDDLE, ls=style, lw=1)
            axes.annotate(
                f" {name} {dose.value:.3g}",
                (dose.value, 0.02),
                xycoords=("data", "axes fraction"),
                rotation=90,
                fontsize=8,
                va="bottom",
            )


def treatments(group: Group, runs: Runs) -> Figure | None:
    """Runs and mean of each treatment and dose side by side; None where nothing was ionised."""
    if not _kept(runs, "ionised", "misted+ionised"):
        return None
    arms: dict[str, list[float]] = {}
    for run in sorted(_kept(runs, *MARKS), key=lambda r: (list(MARKS).index(r.treatment), r.water_uL_per_g or 0.0)):
        water = f"\n{run.water_uL_per_g:.3g} µL/g" if run.water_uL_per_g else ""
        values = arms.setdefault(run.treatment.replace("+", "\n+") + water, [])
        values += [] if run.charge_to_mass_nC_per_g is None else [run.charge_to_mass_nC_per_g]
    figure, axes = _figure()
    axes.axhline(0, color=MIDDLE, lw=0.8)
    for place, values in enumerate(arms.values()):
        offsets = [place + 0.06 * ((n % 5) - 2) for n in range(len(values))]
        axes.plot(offsets, values, "o", color=MIDDLE, mfc="white", ms=5)
        axes.plot([place - 0.3, place + 0.3], [sum(values) / len(values)] * 2, color=DARK, lw=2)
    axes.set_xticks(range(len(arms)), [f"{name}\n({len(values)})" for name, values in arms.items()], fontsize=8)
    axes.set(ylabel="charge to mass / (nC/g)")
    return figure


def order_plot(group: Group, runs: Runs) -> Figure | None:
    """Charge to mass in the order of the runs, so that a drift over the day shows."""
    shown = [r for r in runs if r.charge_to_mass_nC_per_g is not None and r.treatment in MARKS]
    if len(shown) < 2:
        return None
    figure, axes = _figure()
    axes.axhline(0, color=MIDDLE, lw=0.8)
    for treatment, mark in MARKS.items():
        own = [r for r in shown if r.treatment == treatment and r.counts]
        if own:
            x, y = [r.order + 1 for r in own], [r.charge_to_mass_nC_per_g for r in own]
            fill = DARK if treatment == "misted" else "white"
            axes.plot(x, y, mark, color=DARK, mfc=fill, ms=5, ls="none", label=treatment)
    aside = [r for r in shown if not r.counts]
    if aside:
        x, y = [r.order + 1 for r in aside], [r.charge_to_mass_nC_per_g for r in aside]
        axes.plot(x, y, "x", color=MIDDLE, ms=7, ls="none", label="set aside")
    axes.set(xlabel="run, in order of time", ylabel="charge to mass / (nC/g)")
    axes.xaxis.get_major_locator().set_params(integer=True)
    figure.legend(loc="outside upper right", ncols=5, frameon=False, fontsize=8)
    return figure


def residuals(group: Group, runs: Runs) -> Figure | None:
    """Run minus curve against dose; None without a curve."""
    if not isinstance(group.curve, CurveFound):
        return None
    found = group.curve.residuals
    figure, axes = _figure(2.6)
    axes.axhline(0, color=MIDDLE, lw=0.8)
    axes.plot(found.dose_uL_per_g, found.residual_nC_per_g, "o", color=DARK, mfc="white", ms=5)
    axes.set(xlabel="water dose / (µL per g of coffee)", ylabel="run − curve / (nC/g)")
    return figure


def forest(pooled: Pooled) -> Figure | None:
    """Misted over dry brew time of every contributor, and the pooled value with its interval."""
    rows = pooled.rows
    if not rows:
        return None
    figure, axes = _figure(1.2 + 0.28 * (len(rows) + 1))
    axes.axvline(1, color=MIDDLE, lw=0.8)
    for place, row in enumerate(rows, 1):
        half = 1.96 * row.u_log if row.u_log else 0.0
        low, high = row.ratio * math.exp(-half), row.ratio * math.exp(half)
        axes.plot([low, high], [place, place], color=DARK, lw=1)
        axes.plot(row.ratio, place, "s", color=DARK, ms=5)
    low, high = pooled.ci95
    axes.fill([low, pooled.ratio, high, pooled.ratio], [0, 0.3, 0, -0.3], color=DARK)
    axes.set_yticks(range(len(rows) + 1), ["pooled", *(_plain(row.name) for row in rows)])
    axes.set(xlabel="brew time, misted over dry")
    return figure


def _plain(text: str) -> str:
    """Text of unknown origin without mathtext."""
    return text.replace("$", r"\$")[:60]


FIGURES: Final[Mapping[str, Callable[[Group, Runs], Figure | None]]] = {
    "Dose curve": dose_curve,
    "Treatments": treatments,
    "Order of the runs": order_plot,
    "Residuals": residuals,
}
"""Figures of one coffee on one grinder, by caption."""


def svg(figure: Figure) -> str:
    """The figure as an SVG element, the same for the same figure every time."""
    import matplotlib as mpl

    out = io.StringIO()
    with mpl.rc_context({"svg.hashsalt": "chargebench", "svg.fonttype": "path"}):
        figure.savefig(out, format="svg", metadata={"Date": None})
    text = out.getvalue()
    return text[text.index("<svg") :]


def png(figure: Figure, dpi: int = 200) -> bytes:
    """The figure as PNG."""
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=dpi)
    return out.getvalue()

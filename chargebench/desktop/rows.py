"""Outcomes as rows of a table and points of a dose chart; no Qt here.

Owns what counts as one series: same coffee, grinder and setting. The band of zero is the default of the dose study:
five per cent of the mean dry charge-to-mass.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from chargebench.desktop.words import SEVERITY_SYMBOLS, estimate_text, verdict
from chargebench.runs.text import visible

__all__ = ["COLUMNS", "DosePoint", "cells", "dose_points", "series_of", "zero_band"]

Outcome = Mapping[str, Any]
COLUMNS: Final = (
    "Started",
    "Coffee",
    "Grinder, setting",
    "Treatment",
    "Water\n(µL/g)",
    "Charge/mass\n(nC/g, ± 95 %)",
    "Mass\n(g)",
    "Verdict",
)
ZERO_FRACTION: Final = 0.05
LONGEST_CELL: Final = 120


def cells(outcome: Outcome) -> tuple[str, ...]:
    """One row of the table, a text for each of `COLUMNS`."""
    tags, result = outcome.get("tags", {}), outcome.get("result", {})
    severity, words = verdict(outcome)
    coffee, grinder, setting = series_of(outcome)
    mass = result.get("collected_mass_g")
    return (
        str(outcome.get("started", ""))[5:16].replace("T", " "),
        coffee,
        grinder if setting == "–" else f"{grinder}, {setting}",
        _short(tags.get("treatment")),
        _short(tags.get("water_uL_per_g")),
        estimate_text(result.get("charge_to_mass_nC_per_g")),
        "–" if mass is None else f"{mass['value']:.2f}",
        f"{SEVERITY_SYMBOLS.get(severity or '', '✔')} {words}",
    )


def _short(value: Any) -> str:
    if value is None:
        return "–"
    return f"{value:g}" if isinstance(value, int | float) else visible(str(value), LONGEST_CELL)


def series_of(outcome: Outcome) -> tuple[str, str, str]:
    """Coffee, grinder and setting: what must be equal for runs to stand on one chart."""
    tags = outcome.get("tags", {})
    return _short(tags.get("coffee")), _short(tags.get("grinder")), _short(tags.get("setting"))


@dataclass(frozen=True, slots=True)
class DosePoint:
    """One run on the chart: water dose, charge-to-mass and its expanded uncertainty, treatment, fit for use or not."""

    water_uL_per_g: float
    charge_to_mass_nC_per_g: float
    U95_nC_per_g: float
    treatment: str
    usable: bool


def dose_points(outcomes: Iterable[Outcome], series: tuple[str, str, str]) -> tuple[DosePoint, ...]:
    """Points of the grinds of one series; blanks, purges and runs without a charge-to-mass are left out."""
    found = []
    for outcome in outcomes:
        tags = outcome.get("tags", {})
        estimate = outcome.get("result", {}).get("charge_to_mass_nC_per_g")
        if estimate is None or series_of(outcome) != series or tags.get("purpose", "grind") != "grind":
            continue
        dose = tags.get("water_uL_per_g", 0.0)
        if not isinstance(dose, int | float):
            continue
        spread = estimate.get("U95")
        found.append(
            DosePoint(
                float(dose),
                float(estimate["value"]),
                math.nan if spread is None else float(spread),
                str(tags.get("treatment", "dry")),
                verdict(outcome)[0] != "reject",
            )
        )
    return tuple(found)


def zero_band(points: Iterable[DosePoint]) -> float | None:
    """Half-width of the band of zero in nC/g: 5 % of the mean of usable dry runs; None without one."""
    dry = [p.charge_to_mass_nC_per_g for p in points if p.usable and p.treatment == "dry"]
    return abs(sum(dry) / len(dry)) * ZERO_FRACTION if dry else None

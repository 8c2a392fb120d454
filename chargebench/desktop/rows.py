"""Outcomes as rows of a table and points of a dose chart; no Qt here.

Owns what counts as one series (same coffee, grinder and setting); computes nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from chargebench.desktop.row import Row
from chargebench.desktop.words import SEVERITY_SYMBOLS, estimate_text, verdict
from chargebench.runs.text import visible
from chargebench.runs.water import tells_water, water_dose_uL_per_g
from chargebench.study.band import Band, neutral_band

__all__ = ["COLUMNS", "DosePoint", "cells", "dose_points", "series_of", "zero_band"]

COLUMNS: Final = (
    "Started",
    "Coffee",
    "Grinder, setting",
    "Treatment",
    "Water\n(µL/g)",
    "Charge/mass\n(nC/g, ± U95)",
    "Mass\n(g)",
    "Verdict",
)
LONGEST_CELL: Final = 120


def cells(row: Row) -> tuple[str, ...]:
    """One row of the table, a text for each of `COLUMNS`."""
    tags, result = row.outcome.tags, row.outcome.result
    severity, words = verdict(row)
    coffee, grinder, setting = series_of(row)
    mass = result["collected_mass_g"]
    return (
        row.outcome.started[5:16].replace("T", " "),
        coffee,
        grinder if setting == "–" else f"{grinder}, {setting}",
        _short(tags.get("treatment")),
        _short(_water_dose(tags)),
        estimate_text(result["charge_to_mass_nC_per_g"]),
        "–" if mass is None else f"{mass.value:.2f}",
        f"{SEVERITY_SYMBOLS.get(severity or '', '✔')} {words}",
    )


def _short(value: str | float | None) -> str:
    if value is None:
        return "–"
    return f"{value:g}" if isinstance(value, int | float) else visible(str(value), LONGEST_CELL)


def series_of(row: Row) -> tuple[str, str, str]:
    """Coffee, grinder and setting: what must be equal for runs to stand on one chart."""
    tags = row.outcome.tags
    return _short(tags.get("coffee")), _short(tags.get("grinder")), _short(tags.get("setting"))


@dataclass(frozen=True, slots=True)
class DosePoint:
    """One run on the chart.

    Attributes
    ----------
    water_uL_per_g, charge_to_mass_nC_per_g, U95_nC_per_g : float
        Dose, result and its expanded uncertainty (NaN where it could not be estimated).
    limit_nC_per_g : float
        The bench's detection limit at this run's mass; NaN where it is not known.
    treatment : str
    usable : bool
        False for a run with a flag that rejects it.
    """

    water_uL_per_g: float
    charge_to_mass_nC_per_g: float
    U95_nC_per_g: float
    limit_nC_per_g: float
    treatment: str
    usable: bool


def dose_points(rows: Iterable[Row], series: tuple[str, str, str]) -> tuple[DosePoint, ...]:
    """Points of the grinds of one series; blanks, purges and runs without a dose or an answer are left out."""
    found = []
    for row in rows:
        tags, estimate = row.outcome.tags, row.outcome.result["charge_to_mass_nC_per_g"]
        dose = water_dose_uL_per_g(tags)
        if estimate is None or math.isnan(dose) or series_of(row) != series or tags.get("purpose", "grind") != "grind":
            continue
        treatment, usable = str(tags.get("treatment", "dry")), verdict(row)[0] != "reject"
        found.append(DosePoint(dose, estimate.value, estimate.U95, _limit(row), treatment, usable))
    return tuple(found)


def _water_dose(tags: Mapping[str, str | float]) -> float | None:
    """Water dose in µL/g; None where it is not told."""
    dose = water_dose_uL_per_g(tags) if tells_water(tags) else math.nan
    return None if math.isnan(dose) else dose


def _limit(row: Row) -> float:
    """Detection limit in nC/g as it was known when the run was made; NaN where it was not."""
    known = row.outcome.provenance.knowledge.get("detection_limit_nC")
    mass = row.outcome.result["collected_mass_g"]
    if known is None or mass is None or not mass.value > 0:
        return math.nan
    return float(known.value) / mass.value


def zero_band(points: Sequence[DosePoint]) -> Band | None:
    """The band of zero for the usable dry runs, as a dose study takes it unless told otherwise."""
    dry = [p.charge_to_mass_nC_per_g for p in points if p.usable and p.treatment == "dry"]
    limits = [p.limit_nC_per_g for p in points if math.isfinite(p.limit_nC_per_g)]
    return neutral_band(sum(dry) / len(dry) if dry else None, max(limits, default=None))

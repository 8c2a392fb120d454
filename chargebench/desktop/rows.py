"""Outcomes as rows of a table and points of a dose chart; no Qt here.

Owns what counts as one series (same coffee, grinder and setting) and the default band of zero; computes nothing else.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from chargebench.desktop.words import SEVERITY_SYMBOLS, estimate_text, verdict
from chargebench.runs.tags import WATER_G_PER_UL
from chargebench.runs.text import visible

__all__ = ["COLUMNS", "DosePoint", "cells", "dose_points", "series_of", "slim", "zero_band"]

Outcome = Mapping[str, Any]
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
ZERO_FRACTION: Final = 0.05
KEPT: Final = ("run", "started", "tags", "recovered", "result", "flags", "set_aside")
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


def slim(outcome: Outcome) -> dict[str, Any]:
    """What table, chart and card need of an outcome: a tenth of its size, so that a long list stays small."""
    kept = {key: outcome[key] for key in KEPT if key in outcome}
    limit = outcome.get("provenance", {}).get("knowledge", {}).get("detection_limit_nC")
    return {**kept, "provenance": {"knowledge": {"detection_limit_nC": limit}}}


def series_of(outcome: Outcome) -> tuple[str, str, str]:
    """Coffee, grinder and setting: what must be equal for runs to stand on one chart."""
    tags = outcome.get("tags", {})
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


def dose_points(outcomes: Iterable[Outcome], series: tuple[str, str, str]) -> tuple[DosePoint, ...]:
    """Points of the grinds of one series; blanks, purges and runs without a dose or an answer are left out."""
    found = []
    for outcome in outcomes:
        tags = outcome.get("tags", {})
        estimate = outcome.get("result", {}).get("charge_to_mass_nC_per_g")
        dose = _water_dose(tags)
        if estimate is None or dose is None or series_of(outcome) != series or tags.get("purpose", "grind") != "grind":
            continue
        spread = estimate.get("U95")
        found.append(
            DosePoint(
                dose,
                float(estimate["value"]),
                math.nan if spread is None else float(spread),
                _limit(outcome),
                str(tags.get("treatment", "dry")),
                verdict(outcome)[0] != "reject",
            )
        )
    return tuple(found)


def _water_dose(tags: Mapping[str, Any]) -> float | None:
    """Water dose in µL/g as tagged, from the water's mass, or zero where none was sprayed; None where not told."""
    per_gram, water, dose = (tags.get(key) for key in ("water_uL_per_g", "water_g", "dose_g"))
    if isinstance(per_gram, int | float):
        return float(per_gram)
    if isinstance(water, int | float) and isinstance(dose, int | float) and dose > 0:
        return water / WATER_G_PER_UL / dose
    return None if "misted" in str(tags.get("treatment", "dry")) else 0.0


def _limit(outcome: Outcome) -> float:
    """Detection limit in nC/g as it was known when the run was made; NaN where it was not."""
    known = outcome.get("provenance", {}).get("knowledge", {}).get("detection_limit_nC")
    mass = outcome.get("result", {}).get("collected_mass_g")
    if not known or not mass or not mass["value"] > 0:
        return math.nan
    return float(known["value"]) / float(mass["value"])


def zero_band(points: Sequence[DosePoint]) -> tuple[float, str] | None:
    """Half-width of the band of zero in nC/g and where it comes from; None where nothing tells it.

    The larger of the detection limit and 5 % of the mean of the usable dry runs, as a dose study takes it unless told
    otherwise.
    """
    dry = [p.charge_to_mass_nC_per_g for p in points if p.usable and p.treatment == "dry"]
    limits = [p.limit_nC_per_g for p in points if math.isfinite(p.limit_nC_per_g)]
    found = [(abs(sum(dry) / len(dry)) * ZERO_FRACTION, "5 % of dry")] if dry else []
    found += [(max(limits), "detection limit")] if limits else []
    return max(found, default=None)

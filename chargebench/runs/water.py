"""How much water a run was given, by its tags: as a dose and as a mass. The one place that knows which tag wins."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

__all__ = ["WATER_G_PER_UL", "number_of", "tells_water", "water_dose_uL_per_g", "water_mass_g"]

WATER_G_PER_UL: Final = 0.000998
"""Mass of a microlitre of water at 20 °C to 22 °C: between 15 °C and 25 °C it is right to 0.1 %, far below what a
sprayer can repeat."""

_SAY_SO: Final = frozenset({"water_uL_per_g", "water_g", "treatment"})


def number_of(tags: Mapping[str, str | float], key: str) -> float | None:
    """A tag's number; None where there is none, or it is text or not finite."""
    value = tags.get(key)
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None


def tells_water(tags: Mapping[str, str | float]) -> bool:
    """Whether a tag says what was done with water, so that `water_dose_uL_per_g` need not guess."""
    return not _SAY_SO.isdisjoint(tags)


def water_dose_uL_per_g(tags: Mapping[str, str | float]) -> float:
    """Water dose: as tagged, or from the masses of water and coffee; 0 for a dry or ionised run, or where nobody said.

    NaN where a misted run does not say how much.
    """
    if "water_uL_per_g" in tags:
        told = number_of(tags, "water_uL_per_g")
        return math.nan if told is None else told
    water_g, dose_g = number_of(tags, "water_g"), number_of(tags, "dose_g")
    if water_g is not None and dose_g is not None and dose_g > 0:
        return water_g / WATER_G_PER_UL / dose_g
    return math.nan if "misted" in str(tags.get("treatment", "")) else 0.0


def water_mass_g(tags: Mapping[str, str | float]) -> float:
    """Water on the beans: as weighed, or from the dose; 0 where neither is told."""
    water_g = number_of(tags, "water_g")
    if water_g is not None:
        return water_g
    per_gram, dose_g = number_of(tags, "water_uL_per_g"), number_of(tags, "dose_g")
    return 0.0 if per_gram is None or dose_g is None or dose_g <= 0 else per_gram * dose_g * WATER_G_PER_UL

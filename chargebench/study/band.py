"""The band around zero inside which a charge counts as neutral. Owns the one rule of how wide it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = ["PART_OF_DRY", "Band", "neutral_band"]

PART_OF_DRY: Final = 0.05
"""Part of the dry charge to mass that counts as neutral unless the tester sets another band: a choice, no source."""


@dataclass(frozen=True)
class Band:
    """The equivalence band ±Δ.

    ``of_dry`` is the part of the dry mean it was taken as, or 0 when it was fixed before the runs or is the detection
    limit; a band taken from the runs carries their uncertainty into the test.
    """

    half_width_nC_per_g: float
    origin: str
    of_dry: float = 0.0


def neutral_band(
    dry_nC_per_g: float | None, limit_nC_per_g: float | None, fixed_nC_per_g: float | None = None
) -> Band | None:
    """The band fixed beforehand, or the larger of the detection limit and 5 % of the dry mean; None without either."""
    if fixed_nC_per_g is not None:
        return Band(fixed_nC_per_g, "fixed beforehand")
    dry = abs(dry_nC_per_g or 0.0)
    if limit_nC_per_g is not None and limit_nC_per_g >= PART_OF_DRY * dry:
        return Band(limit_nC_per_g, "detection limit")
    return Band(PART_OF_DRY * dry, f"{PART_OF_DRY:.0%} of the dry value", PART_OF_DRY) if dry > 0 else None

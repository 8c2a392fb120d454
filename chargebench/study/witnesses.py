"""What else speaks beside the net charge: charge of either sign, clumps, recovery, retention, brew time.

A cup reads net charge, so particles of opposite sign that clump cancel in it. Owns the witnesses of an arm and the
words that say which there are. Tests nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from chargebench.study.rows import StudyRun

if TYPE_CHECKING:
    from chargebench.study.treatments import Arm

__all__ = ["Witness", "bipolar_share", "witness_words", "witnesses"]

NAMES: Mapping[str, str] = {
    "bipolar_share": "charge of either sign",
    "clump_mass_g": "sieve clump mass",
    "recovery_percent": "recovery",
    "retention_g": "grinder retention",
    "brew_time_s": "brew time",
}


@dataclass(frozen=True)
class Witness:
    """Mean and standard uncertainty (None for a single run) of one witness, a key of `NAMES`, in one arm."""

    arm: str
    witness: str
    n: int
    mean: float
    u: float | None


def bipolar_share(positive_nC: float, negative_nC: float) -> float:
    """``2 min(|Q+|, |Q-|) / (|Q+| + |Q-|)``: 0 for one sign only, 1 for equal amounts; NaN without either."""
    a, b = abs(positive_nC), abs(negative_nC)
    return 2 * min(a, b) / (a + b) if a + b > 0 else math.nan


def _of(row: StudyRun, name: str) -> float:
    if name == "bipolar_share":
        return bipolar_share(row.positive_charge_nC, row.negative_charge_nC)
    if name == "recovery_percent":
        return row.recovery_percent
    if name == "retention_g":
        water = row.water_uL_per_g / 1000 if "misted" in row.treatment else 0.0
        return row.dose_g * (1 + water) - row.collected_mass_g
    value = row.tags.get(name)
    return float(value) if isinstance(value, int | float) else math.nan


def witnesses(arms: Sequence[Arm]) -> tuple[Witness, ...]:
    """Mean and standard uncertainty of every witness in every arm that has it."""
    found = []
    for arm in arms:
        for name in NAMES:
            values = np.array([_of(row, name) for row in arm.runs])
            values = values[np.isfinite(values)]
            n = len(values)
            if n:
                u = float(values.std(ddof=1) / math.sqrt(n)) if n > 1 else None
                found.append(Witness(arm.name, name, n, float(values.mean()), u))
    return tuple(found)


def witness_words(found: Sequence[Witness]) -> str:
    """Which witnesses there are, and what a net charge cannot say."""
    there = [words for name, words in NAMES.items() if any(item.witness == name for item in found)]
    said = "A net charge of zero does not show that the grounds carry no charge, nor that they are unclumped; "
    if not there:
        return said + "no other witness was recorded."
    return said + f"witnesses beside it here: {', '.join(there)}."

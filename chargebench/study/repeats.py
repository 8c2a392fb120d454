"""How many repeats a study needs, from the scatter its archive has shown or a stated one. Pure, on rows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from chargebench.errors import StudyError
from chargebench.study.intervals import runs_for_difference, runs_for_equivalence
from chargebench.study.rows import StudyRun, usable
from chargebench.study.worded import Worded

__all__ = ["Need", "for_difference", "for_equivalence", "scatter_seen"]

ALPHA, POWER = 0.05, 0.8


@dataclass(frozen=True)
class Need(Worded):
    """Runs needed for 80 % power at the 5 % level.

    Attributes
    ----------
    runs : int or None
        In each arm for a difference, at the dose for equivalence; None where a thousand would not do.
    scatter_nC_per_g : float
        Standard deviation of single runs that the count rests on.
    origin : str
        ``stated``, or in how many repeats it was seen.
    aim : str
        What the runs are to show.
    """

    runs: int | None
    scatter_nC_per_g: float
    origin: str
    aim: str

    @property
    def words(self) -> str:
        """The need in one line."""
        count = "not even 1000 runs would do" if self.runs is None else f"{self.runs} runs"
        return f"{self.aim}: {count}, at a scatter of {self.scatter_nC_per_g:.3g} nC/g between runs ({self.origin})"


def scatter_seen(rows: Sequence[StudyRun], *, near_zero: bool = False) -> tuple[float, str]:
    """Pooled standard deviation, nC/g, between repeats of equal treatment and dose, and what it was seen in.

    Scatter grows with the charge: `near_zero` takes only the half of the levels whose mean is nearest zero, where
    equivalence is tested.

    Raises
    ------
    StudyError
        When no treatment and dose was repeated.
    """
    levels: dict[tuple[str, str, str, float], list[float]] = {}
    for row in usable(rows):
        if row.charge_to_mass is not None:
            key = (row.coffee, row.grinder, row.treatment, row.water_uL_per_g)
            levels.setdefault(key, []).append(row.charge_to_mass.value)
    repeated = sorted((v for v in levels.values() if len(v) > 1), key=lambda v: abs(float(np.mean(v))))
    if near_zero:
        repeated = repeated[: math.ceil(len(repeated) / 2)]
    freedom = sum(len(v) - 1 for v in repeated)
    if not freedom:
        raise StudyError("scatter: no treatment and dose was repeated in this archive; state one in nC/g")
    scatter = math.sqrt(sum(float(np.var(v)) * len(v) for v in repeated) / freedom)
    return scatter, f"seen with {freedom} degrees of freedom"


def for_difference(difference_nC_per_g: float, scatter_nC_per_g: float, origin: str) -> Need:
    """Runs in each of two arms that show a difference of their means by a two-sided t test."""
    runs = runs_for_difference(difference_nC_per_g / scatter_nC_per_g, power=POWER, alpha=ALPHA)
    aim = f"to show a difference of {difference_nC_per_g:g} nC/g between two arms, in each"
    return Need(runs, scatter_nC_per_g, origin, aim)


def for_equivalence(band_nC_per_g: float, scatter_nC_per_g: float, origin: str) -> Need:
    """Runs at a dose with a true mean of zero that show it to be inside the band by two one-sided t tests."""
    runs = runs_for_equivalence(scatter_nC_per_g, band_nC_per_g, power=POWER, alpha=ALPHA)
    return Need(runs, scatter_nC_per_g, origin, f"to show a neutral dose to be inside ±{band_nC_per_g:g} nC/g")

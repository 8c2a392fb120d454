"""Grinders whose burrs are the bottleneck: espresso over filter grind time, and what goes with it across grinders.

Pure, on rows; owns no claim about charge.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from chargebench.plain import Number
from chargebench.study.brew import brew_kind, compared
from chargebench.study.rows import StudyRun, usable
from chargebench.study.worded import Worded

__all__ = ["FEW_GRINDERS", "Association", "Bottleneck", "association", "bottleneck_ratio"]

FEW_GRINDERS: Final = 6
"""Below this many grinders a rank correlation cannot reach p < 0.05 with any honesty."""


@dataclass(frozen=True)
class Bottleneck(Worded):
    """Espresso over filter grind time of a grinder at equal dose; well above 1: its burrs are the bottleneck.

    The ratio is NaN with fewer than two dry runs of either kind, its interval unbounded without any scatter.
    """

    grinder: str
    ratio: Number
    ci95: tuple[Number, Number]
    n_espresso: int
    n_filter: int

    @property
    def words(self) -> str:
        """The finding in plain words."""
        said = "grind time per gram, espresso over filter (dry runs)"
        counts = f"{self.n_espresso} espresso, {self.n_filter} filter runs"
        if math.isnan(self.ratio):
            return f"{said}: {counts} found, two of each are needed"
        low, high = self.ci95
        if not (low > 0 and math.isfinite(high)):
            return f"{said}: {self.ratio:.3g}, but without any scatter no interval can be given ({counts})"
        span = f"{said}: {self.ratio:.3g}, 95 % interval {low:.3g} to {high:.3g} ({counts})"
        if low > 1:
            return f"{span}; slower at espresso: the burrs are the bottleneck there"
        return f"{span}; {'faster at espresso' if high < 1 else 'no bottleneck at the burrs shown'}"


@dataclass(frozen=True)
class Association:
    """Rank correlation, across grinders, of two numbers of each.

    Attributes
    ----------
    grinders : int
    rho, p : float or None
        None below three grinders.
    warning : str
        Empty from `FEW_GRINDERS` grinders on.
    """

    grinders: int
    rho: float | None
    p: float | None
    warning: str


def bottleneck_ratio(rows: Sequence[StudyRun], grinder: str) -> Bottleneck | None:
    """Ratio of grind times per gram of dose between espresso and filter runs of a grinder.

    Welch's comparison of logarithms. Misted runs are left out, since water itself may slow a grinder. None where one
    kind was not ground at all.
    """
    times: dict[str, list[float]] = {"espresso": [], "filter": []}
    for row in usable(rows):
        kind = brew_kind(row)
        if row.grinder == grinder and row.treatment == "dry" and kind and row.grind_time_s > 0 and row.dose_g > 0:
            times[kind].append(math.log(row.grind_time_s / row.dose_g))
    slow, fast = (np.array(times[kind]) for kind in ("espresso", "filter"))
    if not min(len(slow), len(fast)):
        return None
    if min(len(slow), len(fast)) < 2:
        return Bottleneck(grinder, math.nan, (math.nan, math.nan), len(slow), len(fast))
    found = compared([(fast, slow)], paired=False)
    low, high = (math.exp(min(end, 700.0)) for end in found.ci95)
    ci95 = (low, high if found.ci95[1] < 700 else math.inf)
    return Bottleneck(grinder, math.exp(found.difference), ci95, len(slow), len(fast))


def association(bottleneck: Mapping[str, float], effect: Mapping[str, float]) -> Association:
    """Rank correlation, across grinders, of the bottleneck ratio with the effect of misting.

    ``p`` is exact, over all orders, where there are at most 9 grinders, else over 100,000 drawn ones.
    """
    from scipy import stats

    names = sorted(set(bottleneck) & set(effect))
    warning = ""
    if len(names) < FEW_GRINDERS:
        warning = f"{len(names)} grinders: far too few to show an association; take this as a picture, not as a finding"
    if len(names) < 3:
        return Association(len(names), None, None, warning)
    x, y = np.array([bottleneck[n] for n in names]), np.array([effect[n] for n in names])
    if np.ptp(x) == 0 or np.ptp(y) == 0:
        return Association(len(names), None, None, warning or "all grinders are alike")
    count = math.factorial(len(names)) if len(names) <= 9 else 100_000
    test = stats.permutation_test(
        (x,),
        lambda order: stats.spearmanr(order, y).statistic,
        permutation_type="pairings",
        n_resamples=count if len(names) > 9 else np.inf,
        rng=np.random.default_rng(1),
    )
    return Association(len(names), float(test.statistic), float(test.pvalue), warning)

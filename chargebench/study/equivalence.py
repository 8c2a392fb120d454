"""Is the mean near zero? Two one-sided tests at each dose, and what single runs do around that mean.

Owns the primary definition of the neutralising dose, the scatter of runs beside each mean, and the test of both signs
that a crossing needs. Fits no curve.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np

from chargebench.processing.ratio import effective_dof
from chargebench.study.band import Band, neutral_band
from chargebench.study.dose import DoseAnswer
from chargebench.study.intervals import half_width, p_beyond
from chargebench.study.rows import Points
from chargebench.study.scatter import Scatter, mean_of_runs

__all__ = [
    "Level",
    "Sides",
    "Tested",
    "band_of",
    "equivalence",
    "interval90",
    "levels_of",
    "one_sided",
    "one_sided_p",
    "own_part",
    "put_to_test",
    "sign_changes",
    "signs_on_both_sides",
    "tolerance_factor",
]


@dataclass(frozen=True)
class Level:
    """All runs at one dose.

    Attributes
    ----------
    dose_uL_per_g : float
    n : int
    mean_nC_per_g, sd_nC_per_g, rms_nC_per_g : float
        sd is NaN for a single run.
    u_nC_per_g, dof : float
        Standard uncertainty of the mean, shared errors included, and its effective degrees of freedom.
    shared_u_nC_per_g : float
        The part of u that more runs do not reduce.
    blocks : int
        Blocks whose means the mean and its u rest on; 0 where runs are taken as independent.
    parts : tuple of (u, degrees of freedom)
        Independent parts of u, that of the runs' own scatter first.
    tolerance_nC_per_g : pair of float or None
        95/90: holds 90 % of single runs with 95 % confidence (normal runs).
    signs : pair of int
        Runs below and above zero.
    """

    dose_uL_per_g: float
    n: int
    mean_nC_per_g: float
    sd_nC_per_g: float
    rms_nC_per_g: float
    u_nC_per_g: float
    dof: float
    shared_u_nC_per_g: float
    tolerance_nC_per_g: tuple[float, float] | None
    signs: tuple[int, int]
    blocks: int = 0
    parts: tuple[tuple[float, float], ...] = ()

    @property
    def known(self) -> bool:
        """Whether anything tells how sure the mean is."""
        return math.isfinite(self.u_nC_per_g) and self.dof > 0

    def interval(self, alpha: float = 0.05, *more: tuple[float, float]) -> tuple[float, float]:
        """1 - `alpha` interval of the mean, nC/g, further parts of its u added; without ends where nothing tells."""
        if not self.known:
            return -math.inf, math.inf
        half = half_width((*self.parts, *more), alpha)
        return self.mean_nC_per_g - half, self.mean_nC_per_g + half


def _shared(points: Points, at: np.ndarray[Any, np.dtype[np.bool_]]) -> tuple[tuple[float, float], ...]:
    """Mean shift at these runs and degrees of freedom of every shared cause."""
    shifts = {cause: abs(float(shift[at].mean())) for cause, shift in points.shared.items()}
    return tuple((u, points.shared_dof.get(cause, math.inf)) for cause, u in shifts.items() if u > 0)


@lru_cache(maxsize=256)
def tolerance_factor(n: int, share: float = 0.90, confidence: float = 0.95) -> float:
    """Exact two-sided tolerance factor of a normal sample of `n` (the integral tabulated in ISO 16269-6).

    The share covered by mean ± r depends on how far the sample mean is off; r² is a quantile of the noncentral
    chi-square, averaged over the error of the mean by Gauss-Hermite quadrature.
    """
    from scipy.optimize import brentq
    from scipy.special import chdtrc, chndtrix

    node, weight = np.polynomial.hermite_e.hermegauss(64)
    r2 = chndtrix(share, 1, node**2 / n)

    def short_of(k: float) -> float:
        return float(weight @ chdtrc(n - 1, (n - 1) * r2 / k**2) / np.sqrt(2 * np.pi)) - confidence

    return float(brentq(short_of, 0.5, 1e5, xtol=1e-9))


def level_of(points: Points, number: int, scatter: Scatter) -> Level:
    """Runs at one dose level, summarised; a single run borrows its scatter from the repeats at other doses."""
    at, dose = points.level == number, float(points.doses[number])
    q, shared = points.q_nC_per_g[at], _shared(points, at)
    n, found = len(q), mean_of_runs(q, points.block[at].tolist())
    signs = (int((q < 0).sum()), int((q > 0).sum()))
    sd = float(q.std(ddof=1)) if n > 1 else np.nan
    u, own_dof = (found.u, found.dof) if n > 1 else (float(scatter.sd(q[0])), float(scatter.dof))
    own = max(u, float(np.sqrt((points.u_nC_per_g[at] ** 2).mean() / n))) if own_dof > 0 else np.nan
    parts = ((own, own_dof), *shared)
    half = tolerance_factor(n) * sd if n > 1 else np.nan
    tolerance = (float(q.mean()) - half, float(q.mean()) + half) if n > 1 else None
    return Level(
        dose, n, found.value, sd, float(np.sqrt((q**2).mean())), math.hypot(*(u for u, _ in parts)),
        effective_dof(parts) if own > 0 else own_dof, math.hypot(*(u for u, _ in shared)), tolerance, signs,
        found.blocks, parts,
    )  # fmt: skip


def levels_of(points: Points, scatter: Scatter) -> tuple[Level, ...]:
    """One `Level` for each tested dose, ascending."""
    return tuple(level_of(points, number, scatter) for number in range(len(points.doses)))


def band_of(levels: Sequence[Level], fixed_nC_per_g: float | None, limit_nC_per_g: float | None) -> Band | None:
    """The band for these levels, as `chargebench.study.band.neutral_band` has it."""
    dry = next((level.mean_nC_per_g for level in levels if level.dose_uL_per_g == 0), None)
    return neutral_band(dry, limit_nC_per_g, fixed_nC_per_g)


def interval90(level: Level, band: Band, dry: Level | None) -> tuple[float, float]:
    """90 % interval of the mean, widened where the band itself was taken from the dry runs."""
    if dry is None or not band.of_dry:
        return level.interval(0.10)
    if not dry.known:
        return -math.inf, math.inf
    return level.interval(0.10, (band.of_dry * dry.u_nC_per_g, dry.dof))


def sign_changes(level: Level, half_width_nC_per_g: float) -> bool:
    """Whether single runs of both signs are shown to lie beyond the band though their mean is near zero.

    Holds when there are runs of either sign and the lower 95 % bound of their RMS (normal runs) exceeds the band.
    """
    from scipy.special import chdtri

    if min(level.signs) < 1 or level.n < 2 or abs(level.mean_nC_per_g) > level.sd_nC_per_g:
        return False
    lowest2 = level.n * level.rms_nC_per_g**2 / float(chdtri(level.n, 0.05))
    return bool(lowest2 > half_width_nC_per_g**2)


@dataclass(frozen=True)
class Tested:
    """One dose put to the two one-sided tests."""

    dose_uL_per_g: float
    interval90_nC_per_g: tuple[float, float]
    inside: bool
    sign_changes: bool

    @property
    def side(self) -> int:
        """Sign of the mean where the interval leaves out zero, else 0."""
        low, high = self.interval90_nC_per_g
        return int(low > 0) - int(high < 0)

    @property
    def neutral(self) -> bool:
        """Mean shown inside the band, and no runs of both signs beyond it."""
        return self.inside and not self.sign_changes


def put_to_test(levels: Sequence[Level], band: Band) -> tuple[Tested, ...]:
    """Every dose against the band."""
    dry = next((level for level in levels if level.dose_uL_per_g == 0), None)
    found = []
    for level in levels:
        low, high = interval90(level, band, dry)
        inside = -band.half_width_nC_per_g < low and high < band.half_width_nC_per_g
        found.append(Tested(level.dose_uL_per_g, (low, high), inside, sign_changes(level, band.half_width_nC_per_g)))
    return tuple(found)


def equivalence(tested: Sequence[Tested]) -> DoseAnswer:
    """Lowest tested dose that is neutral, as every higher one is.

    Tested from the highest dose down, stopping at the first that fails: a fixed sequence, so the chance of calling any
    dose neutral that is not stays at 5 %.
    """
    method = "two one-sided tests at 5 %, from the highest dose down"
    passing: float | None = None
    failing: float | None = None
    for item in reversed(tested):
        if not item.neutral:
            failing = item.dose_uL_per_g
            break
        passing = item.dose_uL_per_g
    if passing is None:
        return _none_neutral(tested, method)
    text = f"{passing:g} µL/g is the lowest tested dose shown neutral, as every higher one is"
    text += "." if failing is None else f"; {failing:g} µL/g is not shown so."
    return DoseAnswer("found", passing, None, (failing, passing), text, method)


def _none_neutral(tested: Sequence[Tested], method: str) -> DoseAnswer:
    """Why the highest tested dose is not neutral, and what would help."""
    top, first = tested[-1], tested[0]
    said = f"At the highest tested dose, {top.dose_uL_per_g:g} µL/g,"
    if top.sign_changes:
        text = f"{said} the runs are not neutral: sign changes from run to run."
        return DoseAnswer("not identifiable", None, None, (top.dose_uL_per_g, None), text, method)
    if top.side * first.side < 0:
        text = f"{said} the charge has changed sign and lies outside the band or close to its edge; test less water."
        return DoseAnswer("not identifiable", None, None, (top.dose_uL_per_g, None), text, method)
    text = f"{said} the mean is not shown inside the band; test more water, or more repeats."
    return DoseAnswer("above highest dose", None, None, (top.dose_uL_per_g, None), text, method)


class Sides(NamedTuple):
    """Highest dose shown on the dry side of zero, lowest shown on the other, and how surely.

    ``p`` is that of the surest dose on the other side: adjusted, or by its own runs alone where that is larger. Those
    know how far blocks differ, which moves all doses of a block together and the law of repeats hardly sees.
    """

    same: float
    other: float
    p: float


def signs_on_both_sides(levels: Sequence[Level], scatter: Scatter, alpha: float = 0.05) -> Sides | None:
    """Tested doses that lie significantly on both sides of zero, or None.

    One-sided t tests with the scatter law of all repeats; the doses that might lie on the other side share `alpha`
    (Holm), so that a curve that only comes down to zero is not said to cross it.
    """
    dry = next((level for level in levels if level.dose_uL_per_g == 0), None)
    wet = [level for level in levels if level.dose_uL_per_g > 0]
    if dry is None or not wet or scatter.dof < 1 or dry.mean_nC_per_g == 0:
        return None
    sign = float(np.sign(dry.mean_nC_per_g))
    same = [level.dose_uL_per_g for level in levels if one_sided(level, scatter, sign) < alpha]
    if dry.dose_uL_per_g not in same:
        return None
    p = np.array([one_sided(level, scatter, -sign) for level in wet])
    order = np.argsort(p)
    adjusted = p[order] * (len(p) - np.arange(len(p)))
    passed = adjusted < alpha
    count = len(p) if passed.all() else int(np.argmin(passed))
    other = [wet[i].dose_uL_per_g for i in order[:count]]
    if not other:
        return None
    first = min(other)
    surest = wet[int(order[0])]
    alone = one_sided_p(surest.mean_nC_per_g, surest.parts, -sign)
    return Sides(max(dose for dose in same if dose < first), first, max(float(adjusted[0]), alone))


def own_part(level: Level, scatter: Scatter) -> tuple[float, float]:
    """``(u, degrees of freedom)`` of a level's mean from the scatter of runs.

    Few runs say little of their own scatter, so it is taken from the law of all repeats; where runs of a block stand
    together at the level, from their blocks, which that law does not know.
    """
    sd = float(scatter.sd(np.array(level.mean_nC_per_g)))
    return level.parts[0] if level.blocks else (sd / math.sqrt(level.n), float(scatter.dof))


def one_sided_p(distance: float, parts: Sequence[tuple[float, float]], sign: float) -> float:
    """p of a distance as far on the side of `sign`, were it truly zero."""
    p = p_beyond(distance, parts) / 2
    return p if sign * distance > 0 else 1 - p


def one_sided(level: Level, scatter: Scatter, sign: float) -> float:
    """p of a mean as far on the side of `sign`, were the true mean zero."""
    return one_sided_p(level.mean_nC_per_g, (own_part(level, scatter), *level.parts[1:]), sign)

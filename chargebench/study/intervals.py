"""What no library at hand has: the interval of a ratio (Fieller), of sums whose parts each have degrees of freedom of
their own, of several differences at once; and how many runs show something.

Pure functions of numbers; know nothing of runs.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

__all__ = [
    "RatioInterval",
    "difference_power",
    "equivalence_power",
    "fieller",
    "half_width",
    "holm",
    "p_beyond",
    "runs_for_difference",
    "runs_for_equivalence",
    "simultaneous_alpha",
    "smallest_of",
]


@dataclass(frozen=True)
class RatioInterval:
    """Values of a ratio that the data do not rule out.

    Attributes
    ----------
    kind : str
        ``inside``: from low to high. ``outside``: everything but the stretch between low and high. ``all``: any value.
    low, high : float
        NaN for ``all``.
    g : float
        Squared relative half-width of the denominator; from 1 on the denominator may be zero.
    """

    kind: Literal["inside", "outside", "all"]
    low: float
    high: float
    g: float


def fieller(a: float, b: float, var_a: float, var_b: float, cov_ab: float = 0.0, t: float = 1.96) -> RatioInterval:
    """Confidence set of ``a / b`` (Fieller 1954): all r with ``(a - r b)² <= t² var(a - r b)``.

    Parameters
    ----------
    a, b : float
        Estimates, taken as jointly normal.
    var_a, var_b, cov_ab : float
    t : float
        Quantile: of the normal or of Student's t.

    Raises
    ------
    ValueError
        When a variance is negative, or the covariance larger than the variances allow.
    """
    if var_a < 0 or var_b < 0 or cov_ab**2 > var_a * var_b * (1 + 1e-12):
        raise ValueError(f"variances {var_a!r}, {var_b!r} and covariance {cov_ab!r}: not a covariance matrix")
    square, linear, constant = b * b - t * t * var_b, a * b - t * t * cov_ab, a * a - t * t * var_a
    g = t * t * var_b / (b * b) if b * b > 0 else math.inf
    root2 = linear * linear - square * constant
    if square == 0 or (square < 0 and root2 <= 0):
        return RatioInterval("all", math.nan, math.nan, g)
    root = math.sqrt(max(root2, 0.0))
    ends = sorted(((linear - root) / square, (linear + root) / square))
    return RatioInterval("inside" if square > 0 else "outside", ends[0], ends[1], g)


def holm(p: Sequence[float]) -> list[float]:
    """p values adjusted for their number (Holm 1979): running maximum of each, in order, times how many are left."""
    order = sorted(range(len(p)), key=lambda i: p[i])
    found, largest = [0.0] * len(p), 0.0
    for place, i in enumerate(order):
        largest = max(largest, min(1.0, p[i] * (len(p) - place)))
        found[i] = largest
    return found


def equivalence_power(
    n: int, sd: float, band: float, mean: float = 0.0, alpha: float = 0.05, dof: int | None = None
) -> float:
    """Chance that `n` runs show their mean inside ±band by two one-sided t tests.

    `dof` of the standard deviation is n - 1 unless another design gives others.

    Exact for normal runs: the joint distribution of mean and standard deviation, integrated over the latter (Owen
    1965).
    """
    from scipy.special import ndtr, stdtrit

    nu = n - 1 if dof is None else dof
    if nu < 1:
        return 0.0
    t = float(stdtrit(nu, 1 - alpha))
    edge = band * math.sqrt(n) / (t * sd)  # ratio of the standard deviation found to the true one: beyond, none passes

    def passing(ratio: float) -> float:
        room = band * math.sqrt(n) / sd - t * ratio
        shift = mean * math.sqrt(n) / sd
        return float(ndtr(room - shift) - ndtr(-room - shift))

    return _over_spreads(passing, nu, edge, edge)


def _over_spreads(chance: Callable[[float], float], nu: int, top: float, bend: float) -> float:
    """Mean of a chance that depends on the standard deviation found over the true one, up to `top`; it bends there."""
    from scipy.integrate import quad
    from scipy.special import gammaln

    logscale = math.log(2) + nu / 2 * math.log(nu / 2) - float(gammaln(nu / 2))

    def weighed(ratio: float) -> float:
        density = math.exp(logscale + nu * math.log(ratio) - nu * ratio * ratio / 2) / ratio if ratio > 0 else 0.0
        return density * chance(ratio)

    start, end = max(0.0, 1 - 12 / math.sqrt(nu)), min(top, 1 + 12 / math.sqrt(nu))
    bends = [point for point in (1.0, bend, (start + end) / 2) if start < point < end]
    return float(quad(weighed, start, end, limit=200, points=bends)[0]) if start < end else 0.0


def difference_power(n: int, effect: float, *, paired: bool = False, alpha: float = 0.05) -> float:
    """Chance that `n` runs in each of two arms (or pairs) show a difference by a two-sided t test.

    `effect` is the true difference over the standard deviation of single runs (of differences within a pair). Exact for
    normal runs, by the same integral as `equivalence_power`: the noncentral t distribution of scipy is NaN far out.
    """
    from scipy.special import ndtr, stdtrit

    nu, shift = (n - 1, effect * math.sqrt(n)) if paired else (2 * n - 2, effect * math.sqrt(n / 2))
    if nu < 1:
        return 0.0
    t = float(stdtrit(nu, 1 - alpha / 2))

    def showing(ratio: float) -> float:
        return float(ndtr(shift - t * ratio) + ndtr(-shift - t * ratio))

    return _over_spreads(showing, nu, math.inf, shift / t)


def runs_for_difference(
    effect: float, *, paired: bool = False, power: float = 0.8, alpha: float = 0.05, most: int = 1_000_000
) -> int | None:
    """Fewest runs in each of two arms (or pairs), from two on, that show an effect with that power; None over `most`.

    Whatever its size: solvers that rest on the noncentral t distribution give no number for many effects of 4 and more.
    """

    def enough(n: int) -> bool:
        return difference_power(n, effect, paired=paired, alpha=alpha) >= power

    return _fewest(enough, most)


def runs_for_equivalence(
    sd: float, band: float, mean: float = 0.0, power: float = 0.8, alpha: float = 0.05, most: int = 1000
) -> int | None:
    """Fewest runs with that power, or None when not even `most` have it (as when the mean lies outside the band)."""
    if abs(mean) >= band:
        return None
    return _fewest(lambda n: equivalence_power(n, sd, band, mean, alpha) >= power, most)


def _fewest(enough: Callable[[int], bool], most: int) -> int | None:
    """Lowest whole number from 2 to `most` from which on there is enough, by halving; None where there never is."""
    if not enough(most):
        return None
    low, high = 1, most
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def half_width(parts: Sequence[tuple[float, float]], alpha: float = 0.05) -> float:
    """Half the 1 - `alpha` interval of a sum whose independent parts each have a ``(u, degrees of freedom)``.

    The root sum of squares of each part's own t interval, which covers at least 1 - `alpha` however few degrees of
    freedom a part has (K. S. Banerjee, Sankhya 22 (1960) 153); for a single part it is Student's.
    """
    from scipy.special import stdtrit

    total = 0.0
    for u, dof in parts:
        if u > 0.0:
            total += (float(stdtrit(min(max(dof, 1e-3), 1e12), 1.0 - alpha / 2.0)) * u) ** 2
    return math.sqrt(total)


def p_beyond(distance: float, parts: Sequence[tuple[float, float]]) -> float:
    """Two-sided p of a distance from zero: the largest `alpha` whose interval (`half_width`) still holds zero."""
    from scipy.optimize import brentq
    from scipy.special import stdtr

    known = [part for part in parts if part[0] > 0.0]
    if not known or not all(math.isfinite(u) for u, _ in known):
        return 1.0 if known else float(distance == 0.0)
    if len(known) == 1:
        return float(2.0 * stdtr(min(known[0][1], 1e12), -abs(distance) / known[0][0]))
    least = 1e-12

    def short(alpha: float) -> float:
        return half_width(known, alpha) - abs(distance)

    if short(least) <= 0.0:
        return least
    return 1.0 if distance == 0.0 else float(brentq(short, least, 1.0, xtol=1e-13))


def smallest_of(p: float, shares: Sequence[tuple[float, float]]) -> float:
    """Chance that one of several p values is `p` or below, were all true differences zero.

    Parameters
    ----------
    p : float
        Two-sided, of one difference alone.
    shares : sequence of (float, float)
        For each difference the share of its variance that comes from the one arm all are taken from, and the degrees
        of freedom of its own standard deviation.

    Notes
    -----
    After Dunnett (J. Am. Stat. Assoc. 50 (1955) 1096), whose differences share one estimate of the standard deviation.
    Here each has its own, so that they err apart and the chance is larger: given the error of the common arm the
    differences are independent, each is integrated over its own standard deviation, and their product over that error.
    """
    from scipy.special import chdtri, ndtr, stdtrit

    node, weight = np.polynomial.hermite_e.hermegauss(32)
    place, part_of = np.polynomial.legendre.leggauss(48)
    within = np.ones(len(node))
    for share, dof in shares:
        nu, part = min(dof, 1e6), min(max(share, 0.0), 0.999)
        edge = float(stdtrit(nu, 1.0 - p / 2.0)) * np.sqrt(chdtri(nu, (place + 1.0) / 2.0) / nu)[:, None]
        shift, left = math.sqrt(part) * node, math.sqrt(1.0 - part)
        within *= part_of @ (ndtr((edge - shift) / left) - ndtr((-edge - shift) / left)) / 2.0
    return float(1.0 - within @ weight / math.sqrt(2.0 * math.pi))


def simultaneous_alpha(shares: Sequence[tuple[float, float]], alpha: float = 0.05) -> float:
    """Level at which each of several differences from one arm is to be judged so that all together keep `alpha`."""
    from scipy.optimize import brentq

    if len(shares) < 2:
        return alpha
    return float(brentq(lambda p: smallest_of(p, shares) - alpha, 0.9 * alpha / len(shares), alpha, xtol=1e-9))

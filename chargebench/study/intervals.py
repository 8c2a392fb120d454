"""Intervals that no library at hand has: of a ratio (Fieller), of sums whose parts each have degrees of freedom of
their own, of several differences at once; and the power of a one-sample equivalence test.

Pure functions of numbers; know nothing of runs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

__all__ = [
    "RatioInterval",
    "equivalence_power",
    "fieller",
    "half_width",
    "largest_of",
    "p_beyond",
    "runs_for_equivalence",
    "simultaneous_alpha",
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


def equivalence_power(
    n: int, sd: float, band: float, mean: float = 0.0, alpha: float = 0.05, dof: int | None = None
) -> float:
    """Chance that `n` runs show their mean inside ±band by two one-sided t tests.

    `dof` of the standard deviation is n - 1 unless another design gives others.

    Exact for normal runs: the joint distribution of mean and standard deviation, integrated over the latter (Owen
    1965).
    """
    from scipy.integrate import quad
    from scipy.special import gammaln, ndtr, stdtrit

    nu = n - 1 if dof is None else dof
    if nu < 1:
        return 0.0
    t = float(stdtrit(nu, 1 - alpha))
    edge = band * math.sqrt(n) / (t * sd)  # ratio of the standard deviation found to the true one: beyond, none passes
    logscale = math.log(2) + nu / 2 * math.log(nu / 2) - float(gammaln(nu / 2))

    def passing(ratio: float) -> float:
        room = band * math.sqrt(n) / sd - t * ratio
        shift = mean * math.sqrt(n) / sd
        density = math.exp(logscale + nu * math.log(ratio) - nu * ratio * ratio / 2) / ratio if ratio > 0 else 0.0
        return density * float(ndtr(room - shift) - ndtr(-room - shift))

    top = min(edge, 1 + 12 / math.sqrt(nu))
    return float(quad(passing, 0.0, top, limit=200, points=[min(1.0, top / 2)])[0])


def runs_for_equivalence(
    sd: float, band: float, mean: float = 0.0, power: float = 0.8, alpha: float = 0.05, most: int = 1000
) -> int | None:
    """Fewest runs with that power, or None when not even `most` have it (as when the mean lies outside the band)."""
    if abs(mean) >= band or equivalence_power(most, sd, band, mean, alpha) < power:
        return None
    low, high = 1, most
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if equivalence_power(middle, sd, band, mean, alpha) >= power else (middle, high)
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


def largest_of(t: float, common: Sequence[float], dof: float) -> float:
    """Chance that one of several t values is larger than `t` in size, were all true differences zero.

    Parameters
    ----------
    t : float
    common : sequence of float
        For each difference the share of its variance that comes from the one arm all are taken from.
    dof : float
        Of the standard deviation.

    Notes
    -----
    Dunnett's distribution (J. Am. Stat. Assoc. 50 (1955) 1096) for arms of unequal variance: given the error of the
    common arm and the standard deviation the differences are independent, and both are integrated over.
    """
    from scipy.special import chdtri, ndtr

    if len(common) == 0 or not math.isfinite(t):
        return 0.0
    node, weight = np.polynomial.hermite_e.hermegauss(32)
    share = (np.arange(100) + 0.5) / 100
    scale = np.sqrt(chdtri(dof, share) / dof) if math.isfinite(dof) and dof < 1e6 else np.ones(1)
    part = np.clip(np.asarray(common, dtype=np.float64), 0.0, 0.999)
    shift, left = np.sqrt(part)[:, None, None] * node[None, None, :], np.sqrt(1.0 - part)[:, None, None]
    edge = abs(t) * scale[None, :, None]
    within = np.prod(ndtr((edge - shift) / left) - ndtr((-edge - shift) / left), axis=0)
    return float(1.0 - (within @ weight).mean() / math.sqrt(2.0 * math.pi))


def simultaneous_alpha(common: Sequence[float], dof: float, alpha: float = 0.05) -> float:
    """Level at which each of several differences from one arm is to be judged so that all together keep `alpha`."""
    from scipy.optimize import brentq
    from scipy.special import stdtr, stdtrit

    if len(common) < 2:
        return alpha
    nu = min(dof, 1e12)
    low, high = (float(stdtrit(nu, 1.0 - a / 2.0)) for a in (alpha, alpha / len(common)))
    if largest_of(low, common, dof) <= alpha:
        return alpha
    t = float(brentq(lambda t: largest_of(t, common, dof) - alpha, low, 1.05 * high, xtol=1e-6))
    return float(2.0 * stdtr(nu, -t))

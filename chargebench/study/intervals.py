"""Intervals that no library at hand has: of a ratio (Fieller), and the power of a one-sample equivalence test.

Pure functions of numbers; know nothing of runs.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

__all__ = ["RatioInterval", "equivalence_power", "fieller", "runs_for_equivalence"]


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

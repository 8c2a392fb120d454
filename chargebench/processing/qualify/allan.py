"""Allan deviation of evenly spaced averages: noise as a function of averaging time. Pure statistics."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["AllanPoint", "allan_deviation", "block_means", "noise_of_means", "random_walk"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class AllanPoint:
    """Deviation of neighbouring averages over one averaging time.

    Attributes
    ----------
    averaging_s : float
    deviation, u : float
        In the unit of the readings; u from the equivalent degrees of freedom for white noise, so too small where
        wander rules.
    dof : float
        Equivalent degrees of freedom.
    """

    averaging_s: float
    deviation: float
    u: float
    dof: float


def block_means(time_s: Floats, value: Floats, width_s: float) -> Floats:
    """Means of consecutive stretches of equal length, the last incomplete one left out.

    Parameters
    ----------
    time_s, value : float64 arrays (n,)
        Times rising.
    width_s : float
        Length of a stretch.

    Raises
    ------
    ValueError
        When a stretch holds no reading: then there is a gap, or the width is below the step between readings.
    """
    step_s = (time_s[-1] - time_s[0]) / (len(time_s) - 1) if len(time_s) > 1 else 0.0
    count = math.floor((time_s[-1] - time_s[0] + step_s) / width_s + 1e-9) if step_s else 0
    if not count:
        return np.empty(0)
    edges = np.searchsorted(time_s, time_s[0] + width_s * np.arange(count + 1))
    sizes = np.diff(edges)
    if np.any(sizes == 0):
        at = float(time_s[0] + width_s * int(np.argmin(sizes)))
        raise ValueError(f"no reading within {width_s:g} s at {at:.3f} s; allowed are readings without a gap")
    means: Floats = np.add.reduceat(value[: edges[-1]], edges[:-1]) / sizes
    return means


def allan_deviation(means: npt.ArrayLike, spacing_s: float, factors: list[int] | None = None) -> list[AllanPoint]:
    """Overlapping Allan deviation.

    Parameters
    ----------
    means : float array (n,)
        Averages over consecutive stretches of `spacing_s`.
    spacing_s : float
        Length of one stretch.
    factors : list of int or None
        Averaging times as multiples of it; None: 1, 2, 5, 10, 20 … as long as two whole averages fit four times.

    Returns
    -------
    list of AllanPoint

    Raises
    ------
    ValueError
        When a factor leaves no pair of averages.

    Notes
    -----
    W. J. Riley, Handbook of Frequency Stability Analysis, NIST SP 1065 (2008): equation 11 for the deviation, table 5
    (white noise of the averaged quantity) for the degrees of freedom. White noise falls as the inverse root of the
    averaging time; the time at which it stops falling is the longest worth averaging over.
    """
    y = np.asarray(means, np.float64)
    n = len(y)
    if factors is None:
        series = [m * 10**k for k in range(7) for m in (1, 2, 5)]
        factors = [m for m in series if m <= n // 4]
    total = np.concatenate(([0.0], np.cumsum(y - np.mean(y)))) if n else np.zeros(1)
    points = []
    for m in factors:
        if m < 1 or n < 2 * m:
            raise ValueError(f"averaging over {m} of {n} stretches: allowed 1 to {n // 2}")
        steps = (total[2 * m :] - 2 * total[m:-m] + total[: -2 * m]) / m
        deviation = math.sqrt(float(np.mean(steps**2)) / 2)
        dof = _white_dof(n, m)
        points.append(AllanPoint(m * spacing_s, deviation, deviation / math.sqrt(2 * dof), dof))
    return points


def _white_dof(n: int, m: int) -> float:
    """Equivalent degrees of freedom for n averages, m at a time, at least one (n + 1 phases in the source's words)."""
    phases = n + 1
    return max(1.0, (1.5 * (phases - 1) / m - 2 * (phases - 2) / phases) * 4 * m**2 / (4 * m**2 + 5))


def _second_differences(means: Floats, width: int = 1) -> Floats:
    """Second differences of means over `width` neighbours each, overlapping; a steady drift has none."""
    sums = np.concatenate(([0.0], np.cumsum(means)))
    level = (sums[width:] - sums[:-width]) / width
    return np.asarray(level[2 * width :] - 2.0 * level[width:-width] + level[: -2 * width])


def noise_of_means(stretches: Iterable[Floats]) -> float | None:
    """Standard deviation of one mean about its neighbours, over several stretches; None with fewer than six in all.

    By second differences, so that neither drift nor a decay counts. White noise of s gives s.
    """
    apart = np.concatenate([_second_differences(means) for means in stretches if len(means) > 2] or [np.empty(0)])
    return math.sqrt(float(np.mean(apart**2)) / 6.0) if len(apart) >= 6 else None


def random_walk(means: Floats) -> tuple[float, float, float] | None:
    """Random walk per root of the step between means: value, u and degrees of freedom; None with fewer than 24 means.

    Notes
    -----
    Means over L steps have second differences of variance 6 a/L + w² L, with a the variance of white noise and w the
    walk; from those at 1 and at a twelfth of all both follow. Whatever wanders over such times counts as walk. The
    degrees of freedom are those of half as many independent differences as L goes into all.
    """
    if len(means) < 24:
        return None
    width = len(means) // 12
    short, long = (float(np.mean(_second_differences(means, n) ** 2)) for n in (1, width))
    per = width - 1.0 / width
    dof = len(means) / width / 2.0
    square, u_square = (long - short / width) / per, long * math.sqrt(2.0 / dof) / per
    if square <= 0.0:
        return 0.0, math.sqrt(u_square), dof
    return math.sqrt(square), u_square / (2.0 * math.sqrt(square)), dof

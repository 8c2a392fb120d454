"""Reads a dose off a fitted curve, with the interval of doses that the runs do not rule out.

Owns targets, the profile over dose and the status of an answer. Extrapolates nothing beyond the highest tested dose.

For a given shape the condition "the curve meets the target at dose d" is one linear condition on the levels, so the
least sum of squares under it has a closed form; the least over shapes is the profile deviance at d. An interval may
then be one-sided or unbounded, which a search that walks away from the best fit cannot tell. Where the interval is
finite it is the one MINOS gives.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from chargebench.study.curves import Curve
from chargebench.study.fit import Fit, Separated, derivatives
from chargebench.study.rows import Floats
from chargebench.study.scatter import Whitened, block_dof, effective_dof

__all__ = [
    "CLEARLY",
    "DoseAnswer",
    "Target",
    "crossing",
    "dof_of",
    "fall_to",
    "levels_off",
    "profile",
    "reach",
    "short_of",
]


CLEARLY = 2.0
"""Standard uncertainties by which a curve must level off away from a level before that is said."""


STILL_FALLING = 0.2
"""Part of a curve's fall that may lie beyond the highest dose where it is said to level off."""


@dataclass(frozen=True)
class Target:
    """Where on the curve: ``mean(d) - fraction * mean(0) = level``.

    Attributes
    ----------
    fraction : float
        Part of the dry value.
    level_nC_per_g : float
        A fixed level, signed.
    """

    fraction: float = 0.0
    level_nC_per_g: float = 0.0


def fall_to(fraction: float) -> Target:
    """The curve has fallen to a fraction of the dry value."""
    return Target(fraction=fraction)


def reach(level_nC_per_g: float) -> Target:
    """The curve has come to a level."""
    return Target(level_nC_per_g=level_nC_per_g)


def crossing() -> Target:
    """The curve is zero."""
    return Target()


@dataclass(frozen=True)
class DoseAnswer:
    """A neutralising dose by one definition.

    Attributes
    ----------
    status : str
        ``found``, ``above highest dose``, ``bracket`` or ``not identifiable``.
    value : float or None
        µL of water per g of coffee.
    ci95 : pair of (float or None), or None
        95 % interval; an end that the runs leave open is None.
    bracket : pair of (float or None), or None
        Last tested dose that fails and first that passes.
    text : str
        One plain sentence.
    method : str
        How the interval was had.
    doubt : str
        Why it should be doubted; empty where nothing speaks against it.
    """

    status: str
    value: float | None
    ci95: tuple[float | None, float | None] | None
    bracket: tuple[float | None, float | None] | None
    text: str
    method: str = ""
    doubt: str = ""


def _condition(curve: Curve, theta: Floats, dose: Floats, target: Target) -> Floats:
    """Coefficients (G, n, q) of the condition on the levels at each dose."""
    at_dose = curve.columns(dose, theta)
    if target.fraction == 0:
        return at_dose
    return at_dose - target.fraction * curve.columns(np.zeros(1), theta)


def _shared_variance(c: Floats, grid: Separated, white: Whitened, shared: Mapping[str, Floats]) -> Floats:
    """Variance of the condition (G, n) from errors common to all runs, which no number of runs averages down."""
    total = np.zeros(c.shape[:2])
    for shift in shared.values():
        moved = grid.inverse @ (grid.columns.transpose(0, 2, 1) @ (white.transform @ shift))[:, :, None]
        total += (c @ moved)[:, :, 0] ** 2
    return total


def profile(fit: Fit, white: Whitened, target: Target, dose: Floats) -> Floats:
    """Least sum of squares (n,) under the condition that the target is met at each dose (n,).

    Shared errors widen it: a condition that a shared shift can meet costs that much less.
    """
    grid, curve = fit.grid, fit.curve
    if len(curve.levels) == 1 and target.level_nC_per_g == 0:
        return _profile_of_shape(fit, target, dose)
    c = _condition(curve, grid.theta, dose, target)
    miss = (c @ grid.level[:, :, None])[:, :, 0] - target.level_nC_per_g
    own = np.einsum("gnq,gqr,gnr->gn", c, grid.inverse, c)
    shared = _shared_variance(c, grid, white, white.points.shared) / fit.scale
    found: Floats = (grid.rss[:, None] + miss**2 / np.maximum(own + shared, 1e-300)).min(axis=0)
    return found


def _profile_of_shape(fit: Fit, target: Target, dose: Floats) -> Floats:
    """Profile where the shape alone decides the dose (a curve to zero): no level to adjust."""
    if target.fraction == 0:
        return np.full(len(dose), np.inf)
    reached = fit.curve.inverse(np.full(len(fit.grid.theta), target.fraction), fit.grid.theta)
    return np.interp(dose, reached, fit.grid.rss, left=np.inf, right=float(fit.grid.rss[-1]))


def dose_of(curve: Curve, parameters: Floats, target: Target, highest: float) -> float | None:
    """First dose up to `highest` at which the curve meets the target, or None."""
    from scipy.optimize import brentq

    dry = float(curve.mean(np.zeros(1), parameters)[0])
    level = target.fraction * dry + target.level_nC_per_g

    def miss(dose: float) -> float:
        return float(curve.mean(np.array([dose]), parameters)[0]) - level

    dose = np.linspace(0, highest, 201)
    values = curve.mean(dose, parameters) - level
    change = np.flatnonzero(values[:-1] * values[1:] <= 0)
    if not len(change):
        return None
    i = int(change[0])
    if values[i] == 0:
        return float(dose[i])
    return float(brentq(miss, dose[i], dose[i + 1], xtol=1e-10, rtol=1e-12))


def levels_off(fit: Fit, highest: float) -> tuple[float, float] | None:
    """Where a fitted curve levels off up to the highest dose, nC/g, and u of that.

    None for curves that do not, that go to zero by assumption, or that have more than `STILL_FALLING` of their fall
    before them at the highest dose: a level that lies beyond what was tested is none.
    """
    q = len(fit.curve.levels)
    if "plateau" not in fit.curve.levels or "slope" in fit.curve.levels:
        return None
    if fit.curve.shape(np.array([highest]), fit.parameters[None, q:])[0, 0] > STILL_FALLING:
        return None
    at = fit.curve.levels.index("plateau")
    return float(fit.parameters[at]), float(fit.u[at])


def short_of(fit: Fit, target: Target, highest: float) -> float | None:
    """Level at which a curve levels off before it comes to the target, by two standard uncertainties; else None."""
    found, dry = levels_off(fit, highest), float(fit.parameters[0])
    if found is None or not np.isfinite(found[1]):
        return None
    short = np.sign(dry) * (found[0] - target.fraction * dry - target.level_nC_per_g)
    return found[0] if short > CLEARLY * found[1] else None


def dof_of(fit: Fit, white: Whitened, target: Target) -> float:
    """Degrees of freedom for the interval: of the residuals, or fewer where the scatter of its runs, or that
    of their blocks, is less well known.
    """
    dose = dose_of(fit.curve, fit.parameters, target, float(white.points.doses[-1]))
    if dose is None or not np.isfinite(fit.covariance).all():
        return fit.dof
    gradient = derivatives(fit.curve, np.array([dose, 0.0]), fit.parameters)
    jacobian = white.transform @ derivatives(fit.curve, white.points.dose_uL_per_g, fit.parameters)
    influence = jacobian @ fit.covariance @ (gradient[0] - target.fraction * gradient[1])
    return min(float(fit.dof), effective_dof(white, influence), block_dof(white, influence, fit.dof))


def interval_of(fit: Fit, white: Whitened, target: Target, level: float = 0.95) -> tuple[float, float]:
    """Doses not ruled out, as lowest and highest; 0 and infinity where the runs leave an end open.

    A dose is ruled out when the condition raises the sum of squares by more than t² residual variances: the profile
    likelihood with its scale estimated. The ends are sought from 1/20 of the lowest to the highest tested dose;
    (nan, nan) when every dose there is ruled out.
    """
    from scipy.special import stdtrit

    positive = white.points.doses[white.points.doses > 0]
    threshold = float(fit.rss + stdtrit(dof_of(fit, white, target), 0.5 + level / 2) ** 2 * fit.scale)
    dose = np.geomspace(positive[0] / 20, positive[-1], 240)
    inside = profile(fit, white, target, dose) <= threshold
    if not inside.any():
        return float("nan"), float("nan")
    first, last = int(np.argmax(inside)), len(dose) - 1 - int(np.argmax(inside[::-1]))
    low = 0.0 if first == 0 else _edge(fit, white, target, threshold, *dose[first - 1 : first + 1])
    high = np.inf if last == len(dose) - 1 else _edge(fit, white, target, threshold, *dose[last : last + 2])
    return low, high


def _edge(fit: Fit, white: Whitened, target: Target, threshold: float, low: float, high: float) -> float:
    """Where the profile passes the threshold between two doses."""
    dose = np.linspace(low, high, 9)
    miss = profile(fit, white, target, dose) - threshold
    i = int(np.flatnonzero(np.diff(np.sign(miss)) != 0)[0])
    if not np.isfinite(miss[i] + miss[i + 1]):
        return float(dose[i] if np.isfinite(miss[i]) else dose[i + 1])
    return float(dose[i] - miss[i] * (dose[i + 1] - dose[i]) / (miss[i + 1] - miss[i]))

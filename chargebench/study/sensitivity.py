"""Would the answer change: with outlying runs held down, or if charge does not fall steadily with water?

Owns the robust refit and the isotonic check. Both are looked at beside the answer and never replace it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from chargebench.study.dose import Target, dose_of
from chargebench.study.equivalence import Level
from chargebench.study.fit import Fit
from chargebench.study.rows import Floats
from chargebench.study.scatter import Scatter, Whitened

__all__ = ["Isotonic", "Robust", "isotonic_check", "robust_refit"]


@dataclass(frozen=True)
class Robust:
    """A curve under Huber's loss.

    Attributes
    ----------
    parameters : mapping of str to float
        By name.
    dose_uL_per_g : float or None
        None when the target is not reached.
    held_down : tuple of str
        Runs whose residuals lie beyond three standard deviations, the deviation taken from the median absolute
        residual.
    """

    parameters: Mapping[str, float]
    dose_uL_per_g: float | None
    held_down: tuple[str, ...]


@dataclass(frozen=True)
class Isotonic:
    """How far the means are from the nearest steady curve.

    Attributes
    ----------
    misfit : float
        Weighted squared distance.
    p : float
        By drawing studies from that steady curve.
    steady_nC_per_g : tuple of float
        Its means.
    """

    misfit: float
    p: float
    steady_nC_per_g: tuple[float, ...]


def robust_refit(fit: Fit, white: Whitened, target: Target) -> Robust:
    """The same curve under Huber's loss, bending at 1.345 residual standard deviations."""
    from scipy.optimize import least_squares

    dose = white.points.dose_uL_per_g

    def residual(parameters: Floats) -> Floats:
        found: Floats = white.y - white.transform @ fit.curve.mean(dose, parameters)
        return found

    size = np.median(np.abs(residual(fit.parameters))) / 0.6745 or 1.0
    q = len(fit.curve.levels)
    low = np.concatenate([np.full(q, -np.inf), fit.parameters[q:] / 50])
    found = least_squares(
        residual, fit.parameters, loss="huber", f_scale=1.345 * size, x_scale=np.abs(fit.parameters) + 1e-6,
        bounds=(low, np.inf),
    )  # fmt: skip
    far = np.abs(residual(found.x)) > 3 * size
    return Robust(
        parameters=dict(zip(fit.curve.parameter_names, found.x.tolist(), strict=True)),
        dose_uL_per_g=dose_of(fit.curve, found.x, target, float(white.points.doses[-1])),
        held_down=tuple(run for run, is_far in zip(white.points.run_id, far, strict=True) if is_far),
    )


def isotonic_check(levels: tuple[Level, ...], scatter: Scatter, seed: int, draws: int = 500) -> Isotonic | None:
    """Whether the means go steadily one way from the dry value, as they should before water clumps grounds again.

    None with fewer than three doses or without repeats.
    """
    if len(levels) < 3 or scatter.dof < 1:
        return None
    mean = np.array([level.mean_nC_per_g for level in levels])
    u = scatter.sd(mean) / np.sqrt([level.n for level in levels])
    falling = bool(mean[0] > 0)
    steady, misfit = _steady(mean, u, falling)
    rng = np.random.default_rng(seed)
    spread = np.sqrt(scatter.dof / rng.chisquare(scatter.dof, draws))
    drawn = [
        _steady(steady + u * e, u, falling)[1] * s * s
        for e, s in zip(rng.normal(size=(draws, len(u))), spread, strict=True)
    ]
    p = (1 + sum(value >= misfit for value in drawn)) / (draws + 1)
    return Isotonic(misfit, p, tuple(steady.tolist()))


def _steady(mean: Floats, u: Floats, falling: bool) -> tuple[Floats, float]:
    """Nearest monotone sequence and the weighted squared distance to it."""
    from scipy.optimize import isotonic_regression

    found: Floats = isotonic_regression(mean, weights=1 / u**2, increasing=not falling).x
    return found, float((((mean - found) / u) ** 2).sum())

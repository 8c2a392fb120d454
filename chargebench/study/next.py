"""After each run: the dose that would narrow the answer most, how narrow it would get, and whether to stop.

c-optimal design for one more run: of all reachable doses, dry among them, the one that leaves the smallest variance of
the neutralising dose under the current fit (Atkinson, Donev and Tobias, Optimum Experimental Designs, 2007, ch. 10).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from chargebench.study.dose import Target, dose_of
from chargebench.study.fit import Fit
from chargebench.study.rows import Floats
from chargebench.study.scatter import Whitened

__all__ = ["Rule", "ahead", "next_dose", "reachable_doses"]


MOST_DOSES = 1000
"""Finer steps than that many up to the highest dose are no steps."""


@dataclass(frozen=True)
class Rule:
    """When to stop, set before the first run; None leaves a limit out."""

    width_uL_per_g: float | None = None
    most_runs: int | None = None


def reachable_doses(tested_uL_per_g: Floats, step_uL_per_g: float | None = None) -> Floats:
    """Doses to choose from, 0 included.

    Whole sprays of `step_uL_per_g` up to the highest tested dose where the step is known; else the tested doses and the
    middles between them.
    """
    highest = float(tested_uL_per_g.max())
    if step_uL_per_g is not None and highest / MOST_DOSES < step_uL_per_g <= highest:
        return np.arange(0.0, highest * (1 + 1e-9), step_uL_per_g)
    doses = np.unique(np.r_[0.0, tested_uL_per_g])
    return np.unique(np.r_[doses, (doses[1:] + doses[:-1]) / 2])


def next_dose(
    fit: Fit,
    white: Whitened,
    target: Target,
    reachable_uL_per_g: Floats | None = None,
    rule: Rule | None = None,
) -> dict[str, Any]:
    """The next run's dose.

    Parameters
    ----------
    fit, white : Fit, Whitened
        The current fit and its runs.
    target : Target
        Which neutralising dose is asked for.
    reachable_uL_per_g : array, optional
        Doses to choose from; as `reachable_doses` unless given.
    rule : Rule, optional
        The stopping rule.

    Returns
    -------
    dict
        ``dose_uL_per_g``, ``width_now_uL_per_g`` and ``width_after_uL_per_g`` (full widths of the 95 % interval, by the
        delta method, so comparable with each other), ``stop``, ``text``. Widths are None where they cannot be had.
    """
    rule = rule or Rule()
    reachable = reachable_doses(white.points.doses) if reachable_uL_per_g is None else reachable_uL_per_g
    runs = len(white.points.run_id)
    slope = _gradient(fit, target, float(white.points.doses[-1]))
    if slope is None:
        beyond = 1.5 * float(white.points.doses[-1])
        text = f"the answer lies beyond the highest tested dose: test about {beyond:.3g} µL/g next"
        return ahead(beyond, None, None, _stop(None, runs, rule), text)
    if not np.isfinite(fit.covariance).all():
        dose = float(reachable[reachable > 0].min())
        return ahead(
            dose, None, None, _stop(None, runs, rule), f"the curve is not determined yet: test {dose:.3g} µL/g"
        )
    now, after = _width(fit, slope, fit.dof), _widths_after(fit, white, slope, reachable)
    best = int(np.argmin(after))
    stop = _stop(now, runs, rule)
    text = f"{reachable[best]:.3g} µL/g would narrow the interval most, from {now:.3g} to about {after[best]:.3g} µL/g"
    return ahead(float(reachable[best]), now, float(after[best]), stop, text)


def ahead(dose: float | None, now: float | None, after: float | None, stop: str, text: str) -> dict[str, Any]:
    """The answer's shape; `stop` is the reason to stop, or empty."""
    return {
        "dose_uL_per_g": dose,
        "width_now_uL_per_g": now,
        "width_after_uL_per_g": after,
        "stop": bool(stop),
        "text": f"stop: {stop}" if stop else text + ".",
    }


def _stop(width: float | None, runs: int, rule: Rule) -> str:
    """Why the rule says stop, or an empty text."""
    if rule.width_uL_per_g is not None and width is not None and width <= rule.width_uL_per_g:
        return f"the interval is {width:.3g} µL/g wide, {rule.width_uL_per_g:g} was asked for beforehand."
    if rule.most_runs is not None and runs >= rule.most_runs:
        return f"{runs} runs are done, {rule.most_runs} were set as the most beforehand."
    return ""


def _gradient(fit: Fit, target: Target, highest: float) -> Floats | None:
    """Derivatives of the dose by the curve's parameters, central differences; None where the target is not met."""
    if dose_of(fit.curve, fit.parameters, target, highest) is None:
        return None
    slope = np.zeros(len(fit.parameters))
    for i, value in enumerate(fit.parameters):
        step = np.zeros(len(slope))
        step[i] = 1e-4 * max(abs(value), 1e-3)
        ends = [dose_of(fit.curve, fit.parameters + side * step, target, 2 * highest) for side in (1, -1)]
        if ends[0] is None or ends[1] is None:
            return None
        slope[i] = (ends[0] - ends[1]) / (2 * step[i])
    return slope


def _quantile(dof: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(dof, 0.975))


def _width(fit: Fit, slope: Floats, dof: float) -> float:
    return 2 * _quantile(dof) * math.sqrt(float(slope @ fit.covariance @ slope))


def _widths_after(fit: Fit, white: Whitened, slope: Floats, doses: Floats) -> Floats:
    """Width after one more run at each dose (n,): a rank-one update of the covariance (Sherman and Morrison)."""
    rows = _derivatives(fit, doses)
    sd2 = fit.scale * white.scatter.sd(fit.mean(doses)) ** 2
    moved = rows @ fit.covariance
    gain = (moved @ slope) ** 2 / (sd2 + np.einsum("np,np->n", moved, rows))
    left = np.maximum(float(slope @ fit.covariance @ slope) - gain, 0.0)
    found: Floats = 2 * _quantile(fit.dof + 1) * np.sqrt(left)
    return found


def _derivatives(fit: Fit, doses: Floats) -> Floats:
    """Derivatives (n, p) of the curve by its parameters."""
    columns = []
    for i, value in enumerate(fit.parameters):
        step = np.zeros(len(fit.parameters))
        step[i] = 1e-5 * max(abs(value), 1e-3)
        ends = [fit.curve.mean(doses, fit.parameters + side * step) for side in (1, -1)]
        columns.append((ends[0] - ends[1]) / (2 * step[i]))
    return np.column_stack(columns)

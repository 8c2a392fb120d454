"""Collected mass: settled levels, the scale's own lag, and the uncertainty of a difference of two weighings.

Owns everything read off the mass trace. A cup weighed by hand needs no trace and is an equal citizen: it goes through
the same `collected`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from chargebench.processing.series import Series, median, smallest_step

__all__ = [
    "Level",
    "MassError",
    "ScaleDrift",
    "at_rest_since",
    "collected",
    "corrected",
    "crossing",
    "drift_between",
    "lag",
    "loaded_slope",
    "minimal_drift",
    "resolution",
    "settled",
]

Floats = npt.NDArray[np.float64]

NOT_LINEAR = 3.0
"""Standard uncertainties between slopes, or of one from none, that chance does not make."""
SEEN = 1.6
"""Standard uncertainties from none from which on a slope of the scale counts: one in ten of a sound scale does, which
costs little, and what a smaller one hides is less than the scale's steps."""
FASTEST_DRIFT_G_PER_S = 0.02
"""Slope from which on a scale does not drift but something moves on it (judgement): a gram in 50 s."""
LAGS_S = (0.2, 0.3, 0.45, 0.7, 1.0, 1.5, 2.2)
"""Lags of a scale that are tried where its slope after a load is sought."""
LAG_APART = 0.2
"""Part by which the scale's lag may differ from the one of them that fits best."""


@dataclass(frozen=True)
class Level:
    """A settled reading of the scale.

    Attributes
    ----------
    mass_g, u_g : float
        Mean and its type A standard uncertainty, correlation of the readings allowed for.
    noise_g : float
        Standard deviation of single readings.
    slope_g_per_s, u_slope_g_per_s : float
        Straight-line drift within the stretch.
    dof : float
    middle_s : float
        Mean time of the readings.
    """

    mass_g: float
    u_g: float
    noise_g: float = 0.0
    slope_g_per_s: float = 0.0
    u_slope_g_per_s: float = math.inf
    dof: float = math.inf
    middle_s: float = 0.0


@dataclass(frozen=True)
class MassError:
    """One source of error of the collected mass; ``shared`` as in `chargebench.processing.outcome.BudgetTerm`.

    `value_g` is what was weighed, and `factor` how it enters the mass; 0 and 1 for what has no value of its own.
    """

    name: str
    u_g: float
    kind: Literal["A", "B"]
    dof: float = math.inf
    shared: str = ""
    value_g: float = 0.0
    factor: float = 1.0


def resolution(mass: Floats) -> float:
    """Smallest step between readings in g, 0 where they never change."""
    return smallest_step(mass[:2000])


def at_rest_since(series: Series, start_s: float, end_s: float) -> float:
    """Since when, between two times, every reading has stayed near their median.

    Near is five robust standard deviations, at least two of the scale's steps. `start_s` where less than half of the
    stretch would be left: then the scale was not at rest, and that is for others to say.
    """
    part = series.within(start_s, end_s)
    t, m = series.time_s[part], series.value[part]
    if len(m) < 6:
        return start_s
    away = np.abs(m - median(m))
    near = max(5.0 * 1.4826 * median(away), 2.0 * resolution(m), 1e-9)
    off = np.flatnonzero(away > near)
    if not off.size or off[-1] + 1 > len(m) // 2:
        return start_s
    return float(t[off[-1] + 1])


def settled(series: Series, start_s: float, end_s: float, *, drifts: bool = False) -> Level | None:
    """Level between two times; None with fewer than three readings. Where it `drifts`, a straight line is no scatter.

    Notes
    -----
    The variance of the mean is inflated by the first autocorrelation, (1 + r) / (1 - r), as for a first-order process.
    """
    part = series.within(start_s, end_s)
    t, m = series.time_s[part], series.value[part]
    n = len(m)
    if n < 3:
        return None
    mean = float(np.mean(m))
    x = t - float(np.mean(t))
    sxx = float(x @ x)
    slope = float(x @ (m - mean)) / sxx
    about_mean, about_line = m - mean, m - mean - slope * x
    about = about_line if drifts else about_mean
    effective = max(n / _inflation(about), 2.0)
    u_slope = math.sqrt(float(about_line @ about_line) / max(n - 2, 1) * _inflation(about_line) / sxx)
    return Level(
        mean,
        math.sqrt(float(about @ about) / (n - 1) / effective),
        math.sqrt(float(about_mean @ about_mean) / (n - 1)),
        slope,
        u_slope,
        effective - 1.0,
        float(np.mean(t)),
    )


@dataclass(frozen=True)
class ScaleDrift:
    """What the scale drifts between two weighings.

    Attributes
    ----------
    g, u_g : float
        By how much the second weighing shows more than the first for the drift alone, and its standard uncertainty.
    distance : float
        Standard uncertainties between the slopes before and after: beyond a few the drift is not linear.
    dof : float
    moving : bool
        Whether something moves on the scale while it is read: that is no drift, and none is told.
    """

    g: float
    u_g: float
    distance: float
    dof: float
    moving: bool = False


def drift_between(before: Level, after: Level) -> ScaleDrift:
    """Drift from the middle of one quiet stretch of the scale to that of the other.

    Notes
    -----
    A slope, or a difference of slopes, within `SEEN` standard uncertainties of none counts as none: what it may hide is
    small beside the scale's steps. Slopes that agree average to one. Where they differ, what is between them adds as
    the half width of a uniform distribution.
    """
    apart_s = after.middle_s - before.middle_s
    weights = [1.0 / max(level.u_slope_g_per_s, 1e-12) ** 2 for level in (before, after)]
    slopes = [before.slope_g_per_s, after.slope_g_per_s]
    slope, u = float(np.dot(weights, slopes)) / sum(weights), 1.0 / math.sqrt(sum(weights))
    apart = abs(slopes[1] - slopes[0])
    distance = apart / math.hypot(before.u_slope_g_per_s, after.u_slope_g_per_s, 1e-12)
    if max(map(abs, slopes)) > FASTEST_DRIFT_G_PER_S:
        return ScaleDrift(0.0, 0.0, distance, math.inf, moving=True)
    if distance > SEEN:
        return ScaleDrift(0.5 * sum(slopes) * apart_s, 0.5 * apart * apart_s / math.sqrt(3.0), distance, math.inf)
    if abs(slope) <= SEEN * u:
        return ScaleDrift(0.0, 0.0, distance, math.inf)
    return ScaleDrift(slope * apart_s, u * apart_s, distance, before.dof + after.dof)


def loaded_slope(series: Series, start_s: float, end_s: float) -> tuple[float, float] | None:
    """Slope in g/s after the last grounds have fallen and its standard uncertainty; None with too few readings.

    Beside the slope stands what the scale's own lag still lacks, at the lag that fits best or near it, so that the
    readings count from the beginning: a scale that creeps under its load does so most then.
    """
    part = series.within(start_s, end_s)
    if part.stop - part.start < 12:
        return None
    x, y = series.time_s[part] - start_s, series.value[part] - float(np.mean(series.value[part]))
    lags_s = np.array(LAGS_S)
    lacking = np.exp(-x / lags_s[:, None])
    line = np.linalg.qr(np.column_stack((x, np.ones_like(x))))[0]
    off_line, about = lacking - (lacking @ line) @ line.T, y - line @ (line.T @ y)
    power = np.sum(off_line * off_line, axis=1)
    height = off_line @ about / np.where(power > 1e-24 * len(x), power, np.inf)  # what is gone when it begins is not
    residuals = about - height[:, None] * off_line
    best = int(np.argmin(np.sum(residuals * residuals, axis=1)))
    residual, lag_s = residuals[best], float(lags_s[best])
    X = np.column_stack((x, np.ones_like(x), lacking[best], x * lacking[best]))
    other_lag = max(LAG_APART * abs(float(height[best])) / lag_s, 1e-9)
    variance = float(residual @ residual) / (len(x) - 4) * _inflation(residual)
    for _ in range(2):
        precision = X.T @ X + np.diag((0.0, 0.0, 0.0, variance / other_lag**2))
        found = np.linalg.solve(precision, X.T @ y)
        residual = y - X @ found
        variance = max(float(residual @ residual) / (len(x) - 4) * _inflation(residual), 1e-18)
    return float(found[0]), math.sqrt(variance * float(np.linalg.inv(precision)[0, 0]))


def minimal_drift(series: Series, edge_s: float) -> float:
    """Slope in g/s that both ends of a trace share: the flatter one, 0 where they differ in sign or one is not sure."""
    t = series.time_s
    ends = [settled(series, float(t[0]), float(t[0]) + edge_s), settled(series, float(t[-1]) - edge_s, float(t[-1]))]
    sure = [e.slope_g_per_s for e in ends if e is not None and abs(e.slope_g_per_s) > NOT_LINEAR * e.u_slope_g_per_s]
    if len(sure) < 2 or sure[0] * sure[1] < 0.0:
        return 0.0
    return min(sure, key=abs)


def _inflation(residual: Floats) -> float:
    """Factor by which correlation of neighbours inflates the variance of a mean."""
    power = float(residual @ residual)
    r = min(max(float(residual[1:] @ residual[:-1]) / power, 0.0), 0.95) if power > 0.0 else 0.0
    return (1.0 + r) / (1.0 - r)


def collected(
    before: Level,
    after: Level,
    resolution_g: float,
    repeatability_g: float,
    linearity_g: float,
    u_scale_gain: float,
    drift: ScaleDrift | None = None,
) -> tuple[float, tuple[MassError, ...]]:
    """Collected mass in g and its sources of error.

    Resolution counts as d/sqrt(12) for each weighing, stated linearity as the half width of a uniform distribution of
    the difference. A drift of the scale between the two is taken off.
    """
    drifted = () if drift is None else (MassError("scale drift", drift.u_g, "A", drift.dof, "", drift.g, -1.0),)
    mass = after.mass_g - before.mass_g - (0.0 if drift is None else drift.g)
    return mass, (
        *drifted,
        MassError("tare reading", before.u_g, "A", before.dof, value_g=before.mass_g, factor=-1.0),
        MassError("full reading", after.u_g, "A", after.dof, value_g=after.mass_g),
        MassError("scale resolution", math.sqrt(2.0) * resolution_g / math.sqrt(12.0), "B"),
        MassError("scale repeatability", math.sqrt(2.0) * repeatability_g, "B"),
        MassError("scale linearity", linearity_g / math.sqrt(3.0), "B", shared="scale"),
        MassError("scale gain", abs(mass) * u_scale_gain, "B", shared="scale"),
    )


def lag(
    time_s: Floats, mass: Floats, end_s: float | None, final_g: float, noise_g: float, most_s: float = 5.0
) -> float:
    """First-order lag of the scale in s, 0 where it cannot be seen.

    After the last grounds have fallen, what is still missing from the final mass dies away exponentially, so the area
    under it over its height is the lag, wherever one starts; of several starts, the higher count for more.
    Starts before the last grounds fell see more area than that: of several sets of late starts the least lag stands.

    Parameters
    ----------
    time_s, mass : array (n,)
        Block means.
    end_s : float or None
        When the last grounds fell; where that is not known, the latest readings that still lack something are used.
    final_g : float
    noise_g : float
        Of a block mean.
    most_s : float
        Largest lag believed.
    """
    missing = final_g - mass
    area = np.concatenate((np.cumsum((0.5 * (missing[1:] + missing[:-1]) * np.diff(time_s))[::-1])[::-1], [0.0]))
    lacking = missing > max(8.0 * noise_g, 1e-6)
    if end_s is None:
        late = np.flatnonzero(lacking)[-6:]
        choices = [late[-k:] for k in range(3, 7)]
    else:
        choices = [np.flatnonzero(lacking & (time_s >= end_s))[:4]]
    if not len(choices[0]):
        return 0.0
    found = [float(area[i] @ missing[i]) / float(missing[i] @ missing[i]) for i in choices]
    return min(max(min(found), 0.0), most_s)


def corrected(time_s: Floats, mass: Floats, lag_s: float) -> Floats:
    """Mass with a first-order lag taken out: m + lag · dm/dt."""
    if lag_s <= 0.0 or len(mass) < 3:
        return mass
    step_s = np.diff(time_s)
    rate = np.diff(mass) / step_s
    inner = (step_s[1:] * rate[:-1] + step_s[:-1] * rate[1:]) / (step_s[1:] + step_s[:-1])
    return np.asarray(mass + lag_s * np.concatenate((rate[:1], inner, rate[-1:])))


def crossing(time_s: Floats, mass: Floats, level_g: float) -> float:
    """Time at which the mass passes a level, halfway between first and last passing; NaN where it never does."""
    above = mass >= level_g
    up = np.flatnonzero(above[1:] & ~above[:-1])
    if not len(up):
        return math.nan

    def at(i: int) -> float:
        part = (level_g - mass[i]) / (mass[i + 1] - mass[i])
        return float(time_s[i] + part * (time_s[i + 1] - time_s[i]))

    return 0.5 * (at(int(up[0])) + at(int(up[-1])))

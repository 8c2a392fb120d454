"""How far runs scatter at each level, and the transform that makes them equal and independent.

Owns the scatter law, block effects and whitening. Knows no curve: everything comes from repeats at equal dose.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from chargebench.study.rows import Floats, Points

__all__ = [
    "LEAST_BLOCKS",
    "Mean",
    "Scatter",
    "Whitened",
    "block_dof",
    "block_means",
    "effective_dof",
    "mean_of_runs",
    "scatter_of",
    "whiten",
]

LEAST_BLOCKS = 3
"""Blocks from which on the spread of their means says how sure a mean is; two would leave one degree of freedom."""


MOST_BLOCK_SPREAD = 5.0
"""Standard deviation between blocks, in that of runs, beyond which blocks are no longer told apart."""


_USUAL = 0.03
"""Usual squared ratio of the constant to the proportional scatter at the highest level: (1/6)²."""


@dataclass(frozen=True)
class Scatter:
    """Variance of one run at mean level m: ``constant² + (proportional * m)²``, never below the run's own u².

    Attributes
    ----------
    constant_nC_per_g, proportional : float
    dof : float
        Degrees of freedom of the repeats it rests on; 0 when there were none and scatter is taken as even.
    """

    constant_nC_per_g: float
    proportional: float
    dof: float

    def sd(self, level_nC_per_g: Floats) -> Floats:
        """Standard deviation of a run at each level."""
        return np.hypot(self.constant_nC_per_g, self.proportional * level_nC_per_g)


@dataclass(frozen=True, eq=False)
class Whitened:
    """Runs transformed so that ordinary least squares applies.

    Attributes
    ----------
    points : Points
    transform : array (n, n)
        Applied to a vector of runs it gives equal, independent errors.
    y : array (n,)
        Transformed charge-to-mass.
    sd_nC_per_g : array (n,)
        Standard deviation taken for each run.
    lost : int
        Degrees of freedom spent on block effects.
    block_ratio : float
        Variance between blocks over variance within, in units of the runs' own scatter.
    scatter : Scatter
    """

    points: Points
    transform: Floats
    y: Floats
    sd_nC_per_g: Floats
    lost: int
    block_ratio: float
    scatter: Scatter

    @property
    def judged(self) -> Scatter:
        """The scatter law with the degrees of freedom that it has for the mean of a level.

        Of a mean's variance the part that blocks make is known no better than there are blocks (Satterthwaite).
        """
        blocks, ratio, dof = len(np.unique(self.points.block)), self.block_ratio, self.scatter.dof
        if ratio <= 0 or blocks < 2 or dof < 1:
            return self.scatter
        return replace(self.scatter, dof=(1 + ratio) ** 2 / (1 / dof + ratio**2 / (blocks - 1)))


@dataclass(frozen=True)
class Mean:
    """A mean of runs: value and standard uncertainty in nC/g, degrees of freedom (0: not known), blocks it rests on.

    ``blocks`` is 0 where runs are taken as independent.
    """

    value: float
    u: float
    dof: float
    blocks: int


def block_means(values: Floats, block: Sequence[Hashable]) -> dict[Hashable, float]:
    """Mean of the runs of each block, in order of first run."""
    return {
        one: float(np.mean([v for v, b in zip(values, block, strict=True) if b == one])) for one in dict.fromkeys(block)
    }


def mean_of_runs(values: Floats, block: Sequence[Hashable]) -> Mean:
    """Mean of runs treated alike.

    Runs of one block share its error. Where a block holds more than one of them, and there are three blocks, the mean
    is that of the blocks' means, as sure as they agree; else runs are taken as independent.
    """
    n, means = len(values), block_means(values, block)
    if LEAST_BLOCKS <= len(means) < n:
        of, blocks = np.array(list(means.values())), len(means)
    else:
        of, blocks = np.asarray(values, dtype=np.float64), 0
    if len(of) < 2:
        return Mean(float(of.mean()), math.nan, 0.0, blocks)
    return Mean(float(of.mean()), float(of.std(ddof=1)) / math.sqrt(len(of)), len(of) - 1.0, blocks)


def _dose_means(points: Points, values: Floats) -> tuple[Floats, Floats]:
    """Mean at the dose level of every run, and 1 - 1/(number of runs at that level)."""
    index, count = points.level, np.bincount(points.level)
    return (np.bincount(index, values) / count)[index], 1 - 1 / count[index]


def scatter_of(points: Points) -> Scatter:
    """Scatter law by maximum likelihood from the repeats at equal dose.

    The ratio of the two parts is searched on a grid; the scale then follows in closed form. Assumes normal runs. Four
    repeats at each of six doses say little about that ratio, and weights that follow every whim of it make intervals
    too narrow; so it is held, weakly, to what such runs usually show: a constant part of a sixth of the proportional
    part at the highest level, within a factor of e (one standard deviation).

    Without repeats the scatter is taken as even, with scale 1 nC/g: the fit then sets the scale.
    """
    level, freedom = _dose_means(points, points.q_nC_per_g)
    repeated = freedom > 0
    dof = round(freedom.sum())
    if dof < 2:
        return Scatter(1.0, 0.0, 0)
    r2 = (points.q_nC_per_g - level)[repeated] ** 2
    f, m2 = freedom[repeated], level[repeated] ** 2
    top = max(float(m2.max()), 1e-12)
    floor2 = np.concatenate([top * np.geomspace(1e-5, 10, 61), [1e6 * top]])
    w = floor2[:, None] + m2
    scale = (r2 / w).sum(axis=1) / dof
    if not scale.max() > 0:
        return Scatter(1.0, 0.0, 0)
    deviance = dof * np.log(scale) + (f * np.log(w)).sum(axis=1) + (np.log(floor2 / top / _USUAL) / 2) ** 2
    best = int(np.argmin(deviance))
    proportional = 0.0 if best == len(floor2) - 1 else float(np.sqrt(scale[best]))
    return Scatter(float(np.sqrt(scale[best] * floor2[best])), proportional, dof)


def _block_ratio(points: Points, e: Floats, dof_error: int) -> float:
    """Ratio of block variance to run variance from whitened residuals about the dose means (analysis of variance).

    Its mean over what three or four blocks leave possible, not its best value: that is often zero, and intervals that
    believe it are too narrow. Before the runs the ratio of the standard deviations is taken as half-Cauchy of scale 1
    (A. Gelman, Bayesian Analysis 1 (2006) 515).
    """
    count = np.bincount(points.block)
    between = float((count * (np.bincount(points.block, e) / count) ** 2).sum())
    df_block = len(count) - 1
    df_error = dof_error - df_block
    if df_error < 1:
        return 0.0
    within = max(float(e @ e) - between, 1e-300)
    ratio = np.linspace(0.0, MOST_BLOCK_SPREAD, 401) ** 2
    spread = 1 + ratio * float(count.mean())
    log_weight = -df_block / 2 * np.log(spread) - (df_block + df_error) / 2 * np.log1p(between / within / spread)
    weight = np.exp(log_weight - log_weight.max()) / (1 + ratio)
    return float(weight @ ratio / weight.sum())


def _block_transform(block: Floats, ratio: float) -> Floats:
    """Inverse square root of ``1 + ratio * Z Z'``, in closed form block by block."""
    z = block[:, None] == np.arange(int(block.max()) + 1)
    count = z.sum(axis=0)
    shrink = (1 - 1 / np.sqrt(1 + ratio * count)) / count
    found: Floats = np.eye(len(block)) - (z * shrink) @ z.T
    return found


def _block_contrasts(block: Floats) -> Floats:
    z = (block[:, None] == np.arange(int(block.max()) + 1)).astype(float)
    found: Floats = z[:, 1:] - z[:, :1]
    return found


def whiten(points: Points, blocks: str = "random", even: bool = False) -> Whitened:
    """Transform runs to equal, independent errors.

    A block moves each of its runs in proportion to that run's scatter. ``random`` estimates the variance between
    blocks from the repeats. Either way block effects cost a degree of freedom for each block but one.
    ``even`` takes one scatter for all levels.
    """
    scatter = Scatter(1.0, 0.0, 0) if even else scatter_of(points)
    level, freedom = _dose_means(points, points.q_nC_per_g)
    sd = np.maximum(scatter.sd(level), points.u_nC_per_g)
    n_blocks = len(np.unique(points.block))
    base = np.diag(1 / sd)
    transform, lost, ratio = base, 0, 0.0
    dof = round(freedom.sum())
    if n_blocks > 1 and blocks == "random" and dof > 0:
        ratio = _block_ratio(points, (points.q_nC_per_g - level) / sd, dof)
        if ratio > 0:
            transform, lost = _block_transform(points.block.astype(float), ratio) @ base, n_blocks - 1
    elif n_blocks > 1 and blocks == "fixed":
        c = _block_contrasts(points.block.astype(float))
        transform = (np.eye(len(sd)) - c @ np.linalg.pinv(c)) @ base
        lost = n_blocks - 1
    return Whitened(points, transform, transform @ points.q_nC_per_g, sd, lost, ratio, scatter)


def effective_dof(white: Whitened, influence: Floats) -> float:
    """Degrees of freedom of the variance of a result to which each run contributes a share (Satterthwaite).

    Parameters
    ----------
    white : Whitened
    influence : array (n,)
        Change of the result with each whitened run.

    Notes
    -----
    Two parts of the scatter are estimated from the same repeats; a result that hangs on few doses rests on the part
    that rules there, known with fewer degrees of freedom than all repeats together have. The variance of the logarithms
    of both parts is the inverse Fisher information of the repeats, with the weak hold on their ratio added.
    """
    scatter = white.scatter
    if scatter.dof == 0 or scatter.proportional == 0:
        return np.inf
    level, freedom = _dose_means(white.points, white.points.q_nC_per_g)
    constant = scatter.constant_nC_per_g**2 / scatter.sd(level) ** 2
    share = np.stack([constant, 1 - constant])
    hold = np.array([[1.0, -1.0], [-1.0, 1.0]]) / 4
    information = (share * freedom) @ share.T / 2 + hold
    part = share @ influence**2 / (influence @ influence)
    return float(2 / (part @ np.linalg.solve(information, part)))


def block_dof(white: Whitened, influence: Floats, dof: float) -> float:
    """Degrees of freedom of a result whose variance blocks make in part, known no better than there are blocks.

    Parameters
    ----------
    white : Whitened
    influence : array (n,)
        Change of the result with each whitened run.
    dof : float
        Of the scatter within blocks.
    """
    block, ratio = white.points.block, white.block_ratio
    if ratio <= 0:
        return np.inf
    pull = white.transform.T @ influence * white.sd_nC_per_g
    made = ratio * float((np.bincount(block, pull) ** 2).sum())
    share = made / (made + float(pull @ pull))
    return float(1 / ((1 - share) ** 2 / dof + share**2 / (len(np.unique(block)) - 1)))

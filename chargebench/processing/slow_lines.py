"""Slow lines: mains folded by sampling to less than the spectrum can resolve, and whatever else hums slowly.

Owns at which frequencies such a line is thought possible, how likely it is, and the few of them that are worth a
covariance shape for the readings at hand. Weighing the shapes is `drift`'s business.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from chargebench.processing.noise import MAINS_HZ, Grid, Shape, folded_Hz

__all__ = ["folds_slowly", "slow_lines"]

Floats = npt.NDArray[np.float64]

MAINS_STRAYS_Hz = 0.05
"""How far a folded line may lie from where nominal mains would fold to (one standard deviation): mains wanders by some
hundredths of a hertz, and a board's clock that is off by a thousandth moves it as much."""
SLOWEST_Hz = 0.004
FINENESS = 8.0
"""Frequencies tried within one over the whole time."""
FOLDED = 0.4
"""Prior probability of a slow line where sampling folds mains to one."""
UNFOLDED = 0.3
"""Prior probability of a slow line where it does not: rooms warm and cool, at no rate that could be named, so each
factor of frequency counts alike."""
ANYWHERE = 0.1
"""Part of a folded line's prior that is spread evenly over all slow frequencies."""
BY_PRIOR = 0.4
"""Part of the frequencies that is chosen by the prior alone; the rest goes to where the readings show a line."""
FOLDED_GRID = (12, (3.0, 30.0, 300.0, 3000.0), (0.0, 0.1, 3.0))
UNFOLDED_GRID = (4, (10.0, 300.0, 3000.0), (0.0, 1.0))
"""Most frequencies, variances of the line, growths of the walk under it, both relative to a typical block's variance.
"""


def slow_lines(y: Floats, X: Floats, grid: Grid, step_s: float, fastest_Hz: float) -> tuple[Shape, ...]:
    """Shapes with a slow line, alone or on a random walk.

    Parameters
    ----------
    y : array (n,)
        Block means.
    X : array (n, p)
        Regressors that a line is seen beside.
    grid : Grid
        Of the blocks.
    step_s : float
        Between readings. Where it folds mains to a slow line, that line is likely, and near that frequency.
    fastest_Hz : float
        From here on the spectrum finds lines.

    Notes
    -----
    The prior over frequencies is cut into cells, narrow where the readings show a line; each is stood for by its
    middle and carries its own prior probability.
    """
    t = grid.distance_s[0]
    line_Hz = np.arange(SLOWEST_Hz, max(fastest_Hz, 2.0 * SLOWEST_Hz), 1.0 / (FINENESS * float(t[-1])))
    at_Hz, folds = folds_slowly(step_s, float(line_Hz[-1]))
    prior = _frequencies(line_Hz, at_Hz) if folds else (1.0 / line_Hz) / np.sum(1.0 / line_Hz)
    most, lines, walks_per_s = FOLDED_GRID if folds else UNFOLDED_GRID
    likely = FOLDED if folds else UNFOLDED
    seen = prior * _shown(y, X, grid, line_Hz, lines)
    mass = BY_PRIOR * prior + (1.0 - BY_PRIOR) * seen / np.sum(seen)
    starts = np.flatnonzero(np.diff(_cells(mass, most), prepend=-1))
    weights = likely / (1.0 - likely) / (len(lines) * len(walks_per_s)) * np.add.reduceat(prior, starts)
    middles_Hz = np.add.reduceat(mass * line_Hz, starts) / np.add.reduceat(mass, starts)
    return tuple(
        Shape(0.0, 1.0, walk, weight, line, middle_Hz, smooth=not folds)
        for weight, middle_Hz in zip(weights.tolist(), middles_Hz.tolist(), strict=True)
        for line in lines
        for walk in walks_per_s
    )


def folds_slowly(step_s: float, fastest_Hz: float) -> tuple[float, bool]:
    """Where readings so far apart fold mains to, and whether to a line no faster than that."""
    at_Hz = min(folded_Hz(mains_Hz, 1.0 / step_s) for mains_Hz in MAINS_HZ)
    return at_Hz, at_Hz < fastest_Hz + 2.0 * MAINS_STRAYS_Hz


def _frequencies(line_Hz: Floats, at_Hz: float) -> Floats:
    """Prior over frequencies of mains folded to about `at_Hz`; folding loses the sign."""
    away = (line_Hz + np.array([[-at_Hz], [at_Hz]])) / MAINS_STRAYS_Hz
    near = np.sum(np.exp(-0.5 * away**2), axis=0) + 1e-300
    return np.asarray((1.0 - ANYWHERE) * near / np.sum(near) + ANYWHERE / len(line_Hz))


def _shown(y: Floats, X: Floats, grid: Grid, line_Hz: Floats, lines: Sequence[float]) -> Floats:
    """How strongly the readings speak for a line of each frequency, were the rest white; 1 for the strongest."""
    root = 1.0 / np.sqrt(grid.white)
    angle = 2.0 * np.pi * line_Hz[:, None] * grid.distance_s[0]
    waves = np.stack((np.cos(angle), np.sin(angle)), axis=1) * root
    Q = np.linalg.qr(X * root[:, None])[0]
    waves -= (waves @ Q) @ Q.T
    rest = y * root
    rest = rest - Q @ (Q.T @ rest)
    left = max(float(rest @ rest), 1e-300)
    size = np.array(lines)[:, None]
    A, (h_cos, h_sin) = waves @ waves.transpose(0, 2, 1), (waves @ rest).T
    cos2, sin2, both = A[:, 0, 0] + 1.0 / size, A[:, 1, 1] + 1.0 / size, A[:, 0, 1]
    det = cos2 * sin2 - both * both
    explained = (h_cos * h_cos * sin2 + h_sin * h_sin * cos2 - 2.0 * h_cos * h_sin * both) / det
    kept = np.maximum(left - explained, 1e-12 * left)
    log_odds = -0.5 * (np.log(size * size * det) + (len(y) - X.shape[1]) * np.log(kept))
    top = np.max(log_odds)
    return np.asarray(np.sum(np.exp(log_odds - top), axis=0))


def _cells(mass: Floats, most: int) -> npt.NDArray[np.int64]:
    """Number of the cell each frequency lies in: at most `most` of about equal mass."""
    before = np.cumsum(mass) - 0.5 * mass
    return np.minimum((before * most).astype(np.int64), most - 1)

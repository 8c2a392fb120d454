"""Resamples a study: the whole of selecting a curve, fitting it and reading a dose, ten thousand times at once.

Owns the blocked residual bootstrap and its BCa interval. Owns no curve and no rule of selection beyond that of `fit`.

Every shape of a curve's grid is one projection, fixed once; a resample is one row of errors, so all resamples meet all
shapes in one matrix product. The grid is so fine (a fraction of a standard error) that no polishing is needed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from chargebench.study.curves import EXPONENTIAL_PLATEAU, Curve
from chargebench.study.dose import Target
from chargebench.study.fit import DECISIVE, Fit, akaike, derivatives, select
from chargebench.study.rows import Floats
from chargebench.study.scatter import Whitened

__all__ = ["Resampled", "disagree", "resample"]

Singles = npt.NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Resampled:
    """Resamples of a study, each with the curve selected for it and that curve's parameters.

    Attributes
    ----------
    curves : tuple of Curve
    chosen : int array (B,)
        Index into `curves`.
    parameters : tuple of array (B, p)
        For each curve.
    deleted : int
        The last rows, this many, are the study with one run left out each.
    """

    curves: tuple[Curve, ...]
    chosen: npt.NDArray[np.intp]
    parameters: tuple[Floats, ...]
    deleted: int

    def doses(self, target: Target, highest: float) -> tuple[Floats, Floats]:
        """Dose of every resample and of every study with one run left out; infinite where above `highest`."""
        found = np.full(len(self.chosen), np.inf)
        for i, curve in enumerate(self.curves):
            rows = self.chosen == i
            if rows.any():
                found[rows] = first_doses(curve, self.parameters[i][rows], target, highest)
        return found[: -self.deleted], found[-self.deleted :]

    def interval(self, target: Target, highest: float, value: float, dof: float = np.inf) -> tuple[float, float]:
        """Bias-corrected and accelerated 95 % interval (Efron 1987); an end above `highest` is infinite.

        Resamples scatter as the residuals do, as if that scatter were known: the interval is expanded as Student's t
        is against the normal for the degrees of freedom it is known with (T. C. Hesterberg, Am. Stat. 69 (2015) 371).
        """
        from scipy.special import ndtr, ndtri, stdtrit

        doses, deleted = self.doses(target, highest)
        below = (np.sum(doses < value) + 0.5 * np.sum(doses == value)) / len(doses)
        bias = float(ndtri(np.clip(below, 1 / len(doses), 1 - 1 / len(doses))))
        finite = deleted[np.isfinite(deleted)]
        away = finite.mean() - finite if len(finite) else np.zeros(1)
        spread = float((away**2).sum())
        acceleration = float((away**3).sum()) / (6 * spread**1.5) if spread > 0 else 0.0
        z = bias + float(stdtrit(min(dof, 1e9), 0.975)) * np.array([-1.0, 1.0])
        level = ndtr(bias + z / (1 - acceleration * z))
        low, high = np.quantile(doses, level, method="inverted_cdf")
        return float(low), float(high)

    def shares(self) -> dict[str, float]:
        """How often each curve was selected."""
        count = np.bincount(self.chosen[: -self.deleted], minlength=len(self.curves))
        return {curve.name: float(c / count.sum()) for curve, c in zip(self.curves, count, strict=True)}


def first_doses(curve: Curve, parameters: Floats, target: Target, highest: float) -> Floats:
    """First dose at which each curve (B, p) meets the target; infinite where none up to `highest` does."""
    q = len(curve.levels)
    level, theta = parameters[:, :q], parameters[:, q:]
    column = dict(zip(curve.levels, level.T, strict=True))
    dry, plateau = column["dry"], column.get("plateau", np.zeros(len(level)))
    want = target.fraction * dry + target.level_nC_per_g
    if "slope" in column:
        return _first_by_search(curve, parameters, want, highest)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        left = (want - plateau) / (dry - plateau)
        dose = np.where((left > 0) & (left < 1), curve.inverse(left, theta), np.inf)
    return np.where(dose <= highest, dose, np.inf)


def _first_by_search(curve: Curve, parameters: Floats, want: Floats, highest: float) -> Floats:
    """The same by linear interpolation between 400 doses, for curves that may turn round."""
    dose = np.linspace(0, highest, 400)
    q = len(curve.levels)
    mean = np.matmul(curve.columns(dose, parameters[:, q:]), parameters[:, :q, None])[:, :, 0]
    miss = mean - want[:, None]
    crossed = miss[:, :-1] * miss[:, 1:] <= 0
    first = crossed.argmax(axis=1)
    row = np.arange(len(first))
    before, after = miss[row, first], miss[row, first + 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        found = dose[first] + before / (before - after) * (dose[1] - dose[0])
    return np.where(crossed.any(axis=1), found, np.inf)


def _errors(fit: Fit, white: Whitened, resamples: int, seed: int) -> Singles:
    """Errors of every resample (B, n): each run draws from the residuals of its own block; then each run left out once.

    Residuals are freed of the fit's pull (leverage) and of their block's mean. Leaving a run out is putting it where
    the other runs say it should be.
    """
    residual, leverage = residuals(fit, white)
    block = white.points.block
    if np.bincount(block).min() < 3:
        block = np.zeros(len(block), dtype=np.int64)
    order = np.argsort(block, kind="stable")
    count = np.bincount(block)
    pool = (residual / np.sqrt(1 - leverage))[order]
    pool -= (np.bincount(block, pool[np.argsort(order)]) / count)[block[order]]
    pool *= np.sqrt(count / (count - 1))[block[order]]
    start = np.concatenate([[0], np.cumsum(count)[:-1]])
    rng = np.random.default_rng(seed)
    pick = rng.random((resamples, len(block)), dtype=np.float32) * count[block].astype(np.float32)
    drawn = pool.astype(np.float32)[np.minimum(pick.astype(np.int32), count[block] - 1) + start[block]]
    deleted = residual[None, :] - np.diag(residual / (1 - leverage))
    return np.concatenate([drawn, deleted.astype(np.float32)])


def residuals(fit: Fit, white: Whitened) -> tuple[Floats, Floats]:
    """Whitened residuals and leverages (n,)."""
    dose = white.points.dose_uL_per_g
    jacobian = white.transform @ derivatives(fit.curve, dose, fit.parameters)
    basis = np.linalg.qr(jacobian)[0]
    return white.y - white.transform @ fit.mean(dose), np.clip((basis**2).sum(axis=1), 0, 0.99)


def _thinned(fit: Fit, shapes: int) -> npt.NDArray[np.intp]:
    """Every so manieth shape of a fit's grid, its best among them, leaving out the hopeless."""
    good = np.flatnonzero(fit.grid.rss <= fit.grid.rss.min() + 16 * fit.scale)
    return np.unique(np.concatenate([good[:: max(1, len(good) // shapes)], [np.argmin(fit.grid.rss)]]))


def _fit_all(fit: Fit, mean: Floats, error: Singles, shapes: int) -> tuple[Floats, Floats]:
    """Residual sum of squares (B,) and parameters (B, p) of one curve for every resample ``mean + error``."""
    keep = _thinned(fit, shapes)
    basis, upper = np.linalg.qr(fit.grid.columns[keep])
    q, n = basis.shape[2], len(mean)
    on_mean = np.matmul(basis.transpose(0, 2, 1), mean[:, None])[:, :, 0]
    left = mean - np.matmul(basis, on_mean[:, :, None])[:, :, 0]
    # rss = |left|² + 2 left·e + |e|² - |basis' e|²: nothing large is subtracted, so single precision will do
    flat = np.concatenate([basis.transpose(2, 0, 1).reshape(-1, n), left]).astype(np.float32)
    product = error @ flat.T
    g = len(keep)
    gain = 2 * product[:, q * g :] + (left**2).sum(axis=1).astype(np.float32)
    for i in range(q):
        part = product[:, i * g : (i + 1) * g]
        gain -= part * part
    best = gain.argmin(axis=1)
    row = np.arange(len(error))
    rss = gain[row, best].astype(float) + np.einsum("bn,bn->b", error, error)
    projected = np.stack([product[row, i * g + best] for i in range(q)], axis=1) + on_mean[best]
    level = np.matmul(np.linalg.pinv(upper)[best], projected[:, :, None])[:, :, 0]
    return rss, np.concatenate([level, fit.grid.theta[keep][best]], axis=1)


def resample(fits: Sequence[Fit], white: Whitened, resamples: int, seed: int, shapes: int = 40) -> Resampled:
    """Resample a study and select and fit anew each time.

    Parameters
    ----------
    fits : sequence of Fit
        Every curve the runs allow; the one `select` prefers is taken as the truth to resample from.
    white : Whitened
        Scatter law and block effects are kept as found.
    resamples, seed : int
    shapes : int
        Shapes tried for each curve.
    """
    chosen = select(fits)[0]
    mean = white.transform @ chosen.mean(white.points.dose_uL_per_g)
    error = _errors(chosen, white, resamples, seed)
    found = [_fit_all(fit, mean, error, shapes * len(fit.curve.shape_names)) for fit in fits]
    n = len(white.y) - white.lost
    aicc = np.stack([akaike(n, fit.curve.parameters, rss) for fit, (rss, _) in zip(fits, found, strict=True)])
    return Resampled(tuple(fit.curve for fit in fits), _selected(fits, aicc), tuple(p for _, p in found), len(white.y))


def _selected(fits: Sequence[Fit], aicc: Floats) -> npt.NDArray[np.intp]:
    """The rule of `select` for many at once."""
    general = np.array(["plateau" in fit.curve.levels for fit in fits])
    if general.any():
        aicc = np.where(general[:, None], aicc, np.inf)
    best: npt.NDArray[np.intp] = aicc.argmin(axis=0)
    usual = next((i for i, fit in enumerate(fits) if fit.curve is EXPONENTIAL_PLATEAU), None)
    if usual is None:
        return best
    return np.where(aicc.min(axis=0) < aicc[usual] - DECISIVE, best, usual)


def disagree(first: tuple[float | None, float | None], second: tuple[float | None, float | None]) -> bool:
    """Whether two intervals differ in which ends are open, or at an end by more than a quarter of their width."""
    if [end is None for end in first] != [end is None for end in second]:
        return True
    ends = [(a, b) for a, b in zip(first, second, strict=True) if a is not None and b is not None]
    known = [end for end in (*first, *second) if end is not None]
    width = max(known) - min(known) if len(ends) == 2 else 2 * abs(known[0]) if known else 0.0
    return any(abs(a - b) > 0.25 * width for a, b in ends)

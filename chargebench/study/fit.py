"""Fits the curves of the family to runs: every shape on a grid at once, the best polished, all weighed by AICc.

Owns least squares for separable curves, lack of fit and selection. Decides no dose.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from chargebench.study.curves import CURVES, EXPONENTIAL_PLATEAU, Curve
from chargebench.study.rows import Floats
from chargebench.study.scatter import Whitened

__all__ = [
    "DECISIVE",
    "Fit",
    "LackOfFit",
    "Separated",
    "akaike",
    "derivatives",
    "fit_curve",
    "fit_family",
    "lack_of_fit",
    "missing_for",
    "polish",
    "select",
    "separate",
    "starts",
    "weights",
]

DECISIVE = 6.0
"""Difference of AICc (evidence 20 to 1) from which another curve displaces the exponential to a plateau."""

BEYOND_DOUBT = 14.0
"""Difference of AICc (evidence 1000 to 1) from which the displaced curve no longer widens the interval."""


@dataclass(frozen=True)
class LackOfFit:
    """F test of a curve against the means at each dose."""

    F: float
    df_lack: int
    df_pure: int
    p: float


@dataclass(frozen=True, eq=False)
class Separated:
    """Linear least squares solved for every shape of a grid.

    Attributes
    ----------
    theta : array (G, k)
    level : array (G, q)
        Best levels for each shape.
    inverse : array (G, q, q)
        Inverse normal matrix: covariance of the levels for unit variance.
    rss : array (G,)
        Residual sum of squares in whitened units.
    columns : array (G, n, q)
        Whitened columns.
    """

    theta: Floats
    level: Floats
    inverse: Floats
    rss: Floats
    columns: Floats


@dataclass(frozen=True, eq=False)
class Fit:
    """A fitted curve.

    Attributes
    ----------
    curve : Curve
    parameters, u : array (p,)
        In the order of ``curve.parameter_names``; u is NaN where the data do not determine a parameter.
    covariance : array (p, p)
    rss : float
        In whitened units.
    dof : int
        Runs minus parameters minus block effects.
    aicc : float
    grid : Separated
        Shapes tried, for profiles.
    """

    curve: Curve
    parameters: Floats
    u: Floats
    covariance: Floats
    rss: float
    dof: int
    aicc: float
    grid: Separated

    @property
    def scale(self) -> float:
        """Residual variance in whitened units: near 1 when the scatter law and the curve are right."""
        return max(self.rss / self.dof, 1e-30)

    def mean(self, dose_uL_per_g: Floats) -> Floats:
        """Fitted charge-to-mass, nC/g."""
        return self.curve.mean(dose_uL_per_g, self.parameters)


def _inverse(normal: Floats) -> Floats:
    """Inverse of normal matrices (G, q, q), with a ridge of 1e-12 of the trace so that flat directions stay huge."""
    q = normal.shape[-1]
    ridge = 1e-12 * np.trace(normal, axis1=-2, axis2=-1)[:, None, None] * np.eye(q) + 1e-300 * np.eye(q)
    found: Floats = np.linalg.inv(normal + ridge)
    return found


def separate(curve: Curve, white: Whitened, theta: Floats) -> Separated:
    """Best levels for every shape in `theta` (G, k)."""
    columns = np.matmul(white.transform, curve.columns(white.points.dose_uL_per_g, theta))
    right = columns.transpose(0, 2, 1) @ white.y
    inverse = _inverse(columns.transpose(0, 2, 1) @ columns)
    level = (inverse @ right[:, :, None])[:, :, 0]
    residual = white.y - (columns @ level[:, :, None])[:, :, 0]
    return Separated(theta, level, inverse, (residual**2).sum(axis=1), columns)


def _sizes(curve: Curve, fine: bool) -> tuple[int, ...]:
    if len(curve.shape_names) == 1:
        return (160,) if fine else (48,)
    return (28, 20) if fine else (24, 12)


def starts(curve: Curve, white: Whitened) -> Separated:
    """Shapes to start from: a wide grid set by the tested doses, then one over the part of it that fits at all.

    The second grid spans the shapes whose sum of squares lies within 30 residual variances of the best.
    """
    positive = white.points.doses[white.points.doses > 0]
    bounds = curve.ranges(positive)
    wide = separate(curve, white, curve.grid(bounds, _sizes(curve, fine=False)))
    dof = max(len(white.y) - curve.parameters - white.lost, 1)
    near = wide.theta[wide.rss <= wide.rss.min() * (1 + 30 / dof)]
    narrow = []
    for axis, size in enumerate(_sizes(curve, fine=False)):
        low, high = bounds[axis]
        step = (high / low) ** (1 / (size - 1))
        narrow.append((max(low, near[:, axis].min() / step), min(high, near[:, axis].max() * step)))
    return separate(curve, white, curve.grid(tuple(narrow), _sizes(curve, fine=True)))


def polish(curve: Curve, white: Whitened, start: Floats) -> Floats:
    """Parameters at the least sum of squares near `start`, by Minuit, which copes with a start far off."""
    from iminuit import Minuit

    dose, transform, y = white.points.dose_uL_per_g, white.transform, white.y

    def cost(parameters: Floats) -> float:
        r = y - transform @ curve.mean(dose, parameters)
        return float(r @ r)

    base = cost(start)
    minuit = Minuit(cost, start)
    minuit.errordef = max(base / len(y), 1e-300)
    minuit.tol = 1e-6
    minuit.errors = tuple(np.maximum(np.abs(start) * 0.01, 1e-8))
    q = len(curve.levels)
    for i in range(q, len(start)):
        minuit.limits[i] = (start[i] / 20, start[i] * 20)
    minuit.migrad()
    found = np.array(minuit.values)
    return _sharpened(curve, white, found if cost(found) <= base else start)[0]


def _sharpened(curve: Curve, white: Whitened, start: Floats) -> tuple[Floats, bool]:
    """Gauss-Newton steps as long as they go downhill, and whether the last asked for no move that matters."""

    def residual(at: Floats) -> Floats:
        found: Floats = white.y - white.transform @ curve.mean(white.points.dose_uL_per_g, at)
        return found

    parameters, r = start, residual(start)
    for _ in range(8):
        slope = white.transform @ derivatives(curve, white.points.dose_uL_per_g, parameters)
        step = np.linalg.lstsq(slope, r, rcond=1e-10)[0]
        move = slope @ step
        if move @ move <= 1e-16 * (r @ r):
            return parameters, True
        after = parameters + step
        if (after[len(curve.levels) :] <= 0).any() or not (left := residual(after)) @ left < r @ r:
            break
        parameters, r = after, left
    return parameters, False


def derivatives(curve: Curve, dose_uL_per_g: Floats, parameters: Floats) -> Floats:
    """Derivatives of the mean (n, p): exact in the levels, central differences in the shape."""
    q = len(curve.levels)
    linear = curve.columns(dose_uL_per_g, parameters[None, q:])[0]
    shape = []
    for i in range(q, len(parameters)):
        step = np.zeros(len(parameters))
        step[i] = 1e-5 * parameters[i]
        above, below = curve.mean(dose_uL_per_g, parameters + step), curve.mean(dose_uL_per_g, parameters - step)
        shape.append((above - below) / (2 * step[i]))
    found: Floats = np.column_stack([linear, *shape])
    return found


def _covariance(jacobian: Floats) -> Floats:
    """Inverse of J'J; NaN throughout where the runs do not determine every parameter."""
    size = np.maximum(np.linalg.norm(jacobian, axis=0), 1e-300)
    scaled = jacobian / size
    if np.linalg.matrix_rank(scaled, tol=1e-6) < scaled.shape[1]:
        return np.full((scaled.shape[1],) * 2, np.nan)
    found: Floats = np.linalg.inv(scaled.T @ scaled) / np.outer(size, size)
    return found


def akaike(n: int, parameters: int, rss: Floats | float) -> Floats:
    """Akaike's criterion corrected for few runs; infinite where it does not exist."""
    k = parameters + 1
    if n - k - 1 <= 0:
        return np.full(np.shape(rss), np.inf)
    return np.asarray(n * np.log(np.maximum(rss, 1e-300) / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1))


def fit_curve(curve: Curve, white: Whitened) -> Fit:
    """Least-squares fit of one curve, from the best shape of the grid."""
    grid = starts(curve, white)
    best = int(np.argmin(grid.rss))
    start = np.concatenate([grid.level[best], grid.theta[best]])
    parameters, settled = _sharpened(curve, white, start)
    if not settled:
        parameters = polish(curve, white, start)
    residual = white.y - white.transform @ curve.mean(white.points.dose_uL_per_g, parameters)
    rss = float(residual @ residual)
    n = len(white.y) - white.lost
    dof = max(n - curve.parameters, 1)
    jacobian = white.transform @ derivatives(curve, white.points.dose_uL_per_g, parameters)
    covariance = _covariance(jacobian) * rss / dof
    aicc = float(akaike(n, curve.parameters, rss))
    return Fit(curve, parameters, np.sqrt(np.diag(covariance)), covariance, rss, dof, aicc, grid)


def missing_for(curve: Curve, white: Whitened) -> str:
    """What is missing before this curve may be fitted, or an empty text."""
    doses, need = len(white.points.doses), curve.parameters + 1
    if doses < need:
        return f"{curve.name}: {doses} distinct doses found, at least {need} needed"
    runs, need = len(white.y) - white.lost, curve.parameters + 3
    return f"{curve.name}: {runs} runs found, at least {need} needed" if runs < need else ""


def fit_family(white: Whitened, curves: Sequence[Curve] = CURVES) -> tuple[Fit, ...]:
    """Fits of every curve that the runs allow, in the family's order; empty when they allow none."""
    return tuple(fit_curve(curve, white) for curve in curves if not missing_for(curve, white))


def lack_of_fit(fit: Fit, white: Whitened) -> LackOfFit | None:
    """F test of the curve against the means at each dose; None without repeats or spare doses."""
    from scipy.special import fdtrc

    doses = white.points.doses
    saturated = white.transform @ (white.points.level[:, None] == np.arange(len(doses))).astype(float)
    coefficients = np.linalg.lstsq(saturated, white.y, rcond=None)[0]
    pure = float(((white.y - saturated @ coefficients) ** 2).sum())
    df_lack = len(doses) - fit.curve.parameters
    df_pure = len(white.y) - white.lost - len(doses)
    if df_lack < 1 or df_pure < 1 or not pure > 0:
        return None
    f = max(fit.rss - pure, 0.0) / df_lack / (pure / df_pure)
    return LackOfFit(f, df_lack, df_pure, float(fdtrc(df_lack, df_pure, f)))


def weights(fits: Sequence[Fit]) -> Floats:
    """Akaike weights, summing to 1."""
    aicc = np.array([fit.aicc for fit in fits])
    raw = np.exp(-0.5 * (aicc - aicc.min()))
    found: Floats = raw / raw.sum()
    return found


def select(fits: Sequence[Fit]) -> tuple[Fit, ...]:
    """The curve to read doses from, followed by those that widen its interval.

    It is the exponential to a plateau, alone, unless another has an AICc lower by more than `DECISIVE`: the best then
    displaces it, which happens by chance in one study of fifty. So every curve not decisively worse than the best stays
    in the interval, and the exponential itself up to `BEYOND_DOUBT`. A curve nested in it (to zero) is never read:
    assuming the plateau to be exactly zero would make every interval too narrow whenever it is not.
    """
    general = sorted((fit for fit in fits if "plateau" in fit.curve.levels), key=lambda fit: fit.aicc) or list(fits)
    best = general[0]
    usual = next((fit for fit in general if fit.curve is EXPONENTIAL_PLATEAU), best)
    if best.aicc >= usual.aicc - DECISIVE:
        return (usual,)
    room = {EXPONENTIAL_PLATEAU: BEYOND_DOUBT}
    return tuple(fit for fit in general if fit.aicc <= best.aicc + room.get(fit.curve, DECISIVE))

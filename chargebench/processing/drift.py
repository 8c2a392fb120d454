"""Joint fit of the quiet stretches: levels, leakage rate and bias current, averaged over what the noise may be.

Owns equation q = c_piece - S/tau + I_b t (+ curvature) and its posterior. The covariance shapes of `noise` are each
weighed by their restricted likelihood; levels have flat priors, the leakage rate is never negative. Knows nothing of
masses, runs or flags.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.linalg.blas import dtrsm
from scipy.linalg.lapack import dpotrf
from scipy.special import log_ndtr

from chargebench.processing.noise import Grid, Shape, covariance, shapes

__all__ = ["Design", "Posterior", "Prior", "Whitened", "fit", "whiten", "whitened"]

Floats = npt.NDArray[np.float64]

UNLIKELY = 25.0
"""Shapes this far (in log weight) below the likeliest at their best scale are not followed up; the weight that is still
to come varies by far less between shapes."""
SCALE_NODES = np.array([-2.2, -1.1, 0.0, 1.1, 2.2])


@dataclass(frozen=True)
class Prior:
    """Gaussian knowledge of one column's coefficient; `positive` cuts it off below zero."""

    value: float
    u: float
    positive: bool = False


@dataclass(frozen=True, eq=False)
class Design:
    """What the fit is given.

    Attributes
    ----------
    grid : Grid
        Where the blocks lie in time.
    y : array (n,)
        Block means in nC.
    columns : mapping of str to array (n,)
        Named regressors, in order.
    priors : mapping of str to Prior
        Of those columns that have one.
    correlations : mapping of (str, str) to float
        Between what is known of two columns beforehand; 0 unless given.
    floor : float
        Smallest standard deviation a block may have (resolution).
    """

    grid: Grid
    y: Floats
    columns: dict[str, Floats]
    priors: dict[str, Prior] = field(default_factory=dict)
    floor: float = 1e-9
    correlations: Mapping[tuple[str, str], float] = field(default_factory=dict)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the columns in order."""
        return tuple(self.columns)

    def prior(self) -> tuple[Floats, Floats]:
        """What is known beforehand: precision (p, p) of the coefficients, 0 where nothing is, and mean (p,)."""
        known = [i for i, name in enumerate(self.names) if name in self.priors]
        u = np.array([max(self.priors[self.names[i]].u, 1e-15) for i in known])
        together = np.eye(len(known))
        for pair, correlation in self.correlations.items():
            i, j = (known.index(self.names.index(name)) for name in pair)
            together[i, j] = together[j, i] = correlation
        precision, mean = np.zeros((len(self.names), len(self.names))), np.zeros(len(self.names))
        precision[np.ix_(known, known)] = np.linalg.inv(together) / u[:, None] / u
        mean[known] = [self.priors[self.names[i]].value for i in known]
        return precision, mean


@dataclass(frozen=True, eq=False)
class Posterior:
    """Mixture of Gaussians over the column coefficients.

    Attributes
    ----------
    names : tuple of str
    weight : array (k,)
    mean : array (k, p)
    cov : array (k, p, p)
    scale2 : array (k,)
        White block variance of each component.
    shape : tuple of Shape (k,)
    own_precision : array (k, p, p)
        Information of the readings alone, in each component.
    log_evidence : float
        Log of the summed weights before they were normalised.
    """

    names: tuple[str, ...]
    weight: Floats
    mean: Floats
    cov: Floats
    scale2: Floats
    shape: tuple[Shape, ...]
    own_precision: Floats
    log_evidence: float

    @cached_property
    def centre(self) -> Floats:
        """Coefficients (p,) averaged over the mixture."""
        return np.asarray(self.weight @ self.mean)

    @cached_property
    def covariance(self) -> Floats:
        """Covariance (p, p) of the coefficients over the whole mixture."""
        away = self.mean - self.centre
        within = np.einsum("k,kij->ij", self.weight, self.cov)
        return np.asarray(within + (away.T * self.weight) @ away)

    def vector(self, **parts: float) -> Floats:
        """A linear combination of the columns by name."""
        out = np.zeros(len(self.names))
        for name, factor in parts.items():
            out[self.names.index(name)] = factor
        return out

    def moments(self, g: Floats) -> tuple[float, float]:
        """Mean and standard deviation of a linear combination."""
        means = self.mean @ g
        variances = self.cov @ g @ g
        mean = float(self.weight @ means)
        return mean, float(np.sqrt(max(float(self.weight @ (variances + (means - mean) ** 2)), 0.0)))

    def interval(self, g: Floats) -> tuple[float, float, float]:
        """Mean, standard uncertainty and degrees of freedom of a linear combination.

        The degrees of freedom match the spread of the component variances (an inverse chi-square has the same), the
        uncertainty is such that Student's t at them gives the half width that holds 95 % of the mixture.
        """
        from scipy.special import stdtrit

        means = self.mean @ g
        variances = self.cov @ g @ g
        mean = float(self.weight @ means)
        spread = variances + (means - mean) ** 2
        average = float(self.weight @ spread)
        if average <= 0.0:
            return mean, 0.0, np.inf
        scatter = float(self.weight @ (spread - average) ** 2)
        dof = 4.0 + 2.0 * average**2 / scatter if scatter > 0 else np.inf
        half = _half_width(self.weight, means - mean, np.sqrt(np.maximum(variances, 1e-300)))
        quantile = float(stdtrit(np.floor(min(dof, 1e6)), 0.975))
        return mean, half / quantile, dof

    @property
    def best(self) -> int:
        """Index of the heaviest component."""
        return int(np.argmax(self.weight))


def _half_width(weight: Floats, offset: Floats, sd: Floats, level: float = 0.95) -> float:
    """Half width of the symmetric interval about 0 that holds `level` of a Gaussian mixture.

    Newton's method between bounds that close in on it, a bisection wherever it would leave them.
    """
    from scipy.special import ndtr

    low, high = 0.0, float(np.max(np.abs(offset) + 6.0 * sd))
    half = min(1.96 * float(np.sqrt(weight @ (sd * sd + offset * offset))), high)
    for _ in range(60):
        right, left = (half - offset) / sd, (-half - offset) / sd
        over = float(weight @ (ndtr(right) - ndtr(left))) - level
        low, high = (low, half) if over > 0.0 else (half, high)
        slope = float(weight @ ((np.exp(-0.5 * right * right) + np.exp(-0.5 * left * left)) / sd)) / np.sqrt(2 * np.pi)
        newton = half - over / slope if slope > 0.0 else low
        if abs(newton - half) <= 1e-10 * half:
            break
        half = float(newton) if low < newton < high else 0.5 * (low + high)
    return half


@dataclass(frozen=True, eq=False)
class _Reduced:
    """Sufficient statistics of each shape.

    Columns' information (k, p, p), cross terms (k, p), squared data (k,), log determinant (k,), log prior (k,).
    """

    shapes: tuple[Shape, ...]
    A: Floats
    b: Floats
    yy: Floats
    log_det: Floats
    log_prior: Floats


def whitened(covariance_: Floats, right: Floats) -> tuple[Floats, Floats]:
    """Columns (n, q) whitened by a covariance matrix, and the pivots of its factor, which takes its place.

    Raises
    ------
    LinAlgError
        When the matrix is not positive definite.
    """
    L, failed = dpotrf(covariance_.T, lower=1, clean=0, overwrite_a=1)
    if failed:
        raise np.linalg.LinAlgError("covariance of the noise is not positive definite")
    return dtrsm(1.0, L, right, lower=1), L.diagonal()  # dtrtrs does the same, but wakes threads that cost more


def _reduce(design: Design, X: Floats, candidates: Sequence[Shape]) -> _Reduced:
    """Whiten columns and data by every shape; those whose covariance is not positive definite are left out."""
    right = np.asfortranarray(np.column_stack((X, design.y)))
    n, columns = right.shape
    white = np.empty((len(candidates), columns, n))
    diagonal = np.empty((len(candidates), n))
    matrix = np.empty((n, n))  # one for all, so that it stays in the processor's cache
    chosen: list[Shape] = []
    for shape in candidates:
        try:
            seen, pivots = whitened(covariance(shape, design.grid, matrix), right)
        except np.linalg.LinAlgError:
            continue
        white[len(chosen)], diagonal[len(chosen)] = seen.T, pivots
        chosen.append(shape)
    white, diagonal = white[: len(chosen)], diagonal[: len(chosen)]
    G = white @ white.transpose(0, 2, 1)
    log_prior = np.log([shape.prior for shape in chosen])
    log_det = 2.0 * np.sum(np.log(diagonal), axis=1)
    return _Reduced(tuple(chosen), G[:, :-1, :-1], G[:, :-1, -1], G[:, -1, -1], log_det, log_prior)


def fit(design: Design, candidates: Sequence[Shape] | None = None, keep: float = 1e-5) -> Posterior:
    """Posterior of the columns' coefficients.

    Parameters
    ----------
    design : Design
        At least one more block than columns without a prior.
    candidates : sequence of Shape, optional
        Covariance shapes; the whole grid unless given.
    keep : float
        Components lighter than this part of the heaviest are dropped.

    Raises
    ------
    ValueError
        When there are too few blocks to leave a residual.
    """
    return whiten(design, candidates).posterior(design, keep)


@dataclass(frozen=True, eq=False)
class Whitened:
    """Readings and columns of a design seen through every shape: what is left to do is cheap for any priors.

    The readings are what is left of them about `start`: sums of squares of what is seen of a large charge
    would leave no digits for the noise.
    """

    stats: _Reduced
    unit: Floats
    start: Floats

    def posterior(self, design: Design, keep: float = 1e-5) -> Posterior:
        """Posterior under the priors of a design with these readings and columns; `keep` as in `fit`."""
        names, n, unit = design.names, len(design.y), self.unit
        free = len(names) - len(design.priors)
        precision, known = design.prior()
        P0, m0 = precision / unit[:, None] / unit, known * unit
        cut = next((i for i, name in enumerate(names) if name in design.priors and design.priors[name].positive), None)
        post = _mixture(names, self.stats, n, free, P0, m0, self.start, cut, design.floor**2, keep)
        back = 1.0 / unit
        return Posterior(
            names, post.weight, post.mean * back, post.cov * back[:, None] * back, post.scale2, post.shape,
            post.own_precision * unit[:, None] * unit, post.log_evidence,
        )  # fmt: skip


def whiten(design: Design, candidates: Sequence[Shape] | None = None) -> Whitened:
    """What `fit` makes of readings and columns before it asks for priors; parameters and errors are those of `fit`."""
    n, free = len(design.y), len(design.names) - len(design.priors)
    if n < free + 2:
        raise ValueError(f"{n} blocks cannot carry {free} free coefficients: at least {free + 2} are needed")
    X = np.column_stack([design.columns[name] for name in design.names])
    unit = np.maximum(np.sqrt(np.mean(X * X, axis=0)), 1e-12)
    start = _about(design, X) * unit
    left = replace(design, y=design.y - X / unit @ start)
    return Whitened(_reduce(left, X / unit, shapes() if candidates is None else candidates), unit, start)


def _about(design: Design, X: Floats) -> Floats:
    """Coefficients (p,) near the posterior's, as if the noise were white."""
    root = 1.0 / np.sqrt(design.grid.white)
    X, y = X * root[:, None], design.y * root
    rest = y - X @ np.linalg.lstsq(X, y, rcond=None)[0]
    scale2 = max(float(rest @ rest) / len(y), design.floor**2)
    precision, mean = design.prior()
    return np.asarray(np.linalg.solve(X.T @ X / scale2 + precision, X.T @ y / scale2 + precision @ mean))


def _mixture(
    names: tuple[str, ...], stats: _Reduced, n: int, free: int, P0: Floats, m0: Floats, start: Floats,
    cut: int | None, floor2: float, keep: float,
) -> Posterior:  # fmt: skip
    """Every shape at five scales about its best one, weighed by the restricted likelihood."""
    A, b, yy, log_det = stats.A, stats.b, stats.yy, stats.log_det
    m0 = m0 - start
    told = P0 @ m0
    scale2 = np.maximum(yy / (n - free), floor2)
    for _ in range(6):
        old = scale2
        beta = np.linalg.solve(A / scale2[:, None, None] + P0, (b / scale2[:, None] + told)[:, :, None])
        rss = yy - np.sum((2.0 * b - (A @ beta)[:, :, 0]) * beta[:, :, 0], axis=1)
        scale2 = np.maximum(np.maximum(rss, 0.0) / (n - free), floor2)
        if np.all(np.abs(scale2 - old) <= 1e-4 * old):
            break  # nodes lie about it: where exactly does not matter
    rough = -0.5 * ((n - free) * np.log(scale2) + log_det + rss / scale2) + stats.log_prior
    likely = np.flatnonzero(rough > np.max(rough) - UNLIKELY)
    index = np.repeat(likely, len(SCALE_NODES))
    s2 = (scale2[likely, None] * np.exp(SCALE_NODES * np.sqrt(2.0 / (n - free)))).ravel()
    s2 = np.maximum(s2, floor2)
    precision = A[index] / s2[:, None, None] + P0
    cov = np.linalg.inv(precision)
    h = b[index] / s2[:, None] + told
    mean = (cov @ h[:, :, None])[:, :, 0]
    quad = yy[index] / s2 + float(m0 @ told) - np.sum(h * mean, axis=1)
    log_weight = -0.5 * (n * np.log(s2) + log_det[index] + quad + np.linalg.slogdet(precision)[1])
    log_weight += stats.log_prior[index]
    mean += start
    if cut is not None:
        mean, cov, log_mass = _cut_below_zero(mean, cov, cut)
        log_weight = log_weight + log_mass
    top = float(np.max(log_weight))
    weight = np.exp(log_weight - top)
    log_evidence = top + float(np.log(np.sum(weight)))
    chosen = np.flatnonzero(weight > keep)
    weight = weight[chosen] / np.sum(weight[chosen])
    return Posterior(
        names, weight, mean[chosen], cov[chosen], s2[chosen], tuple(stats.shapes[i] for i in index[chosen].tolist()),
        A[index[chosen]] / s2[chosen, None, None], log_evidence,
    )  # fmt: skip


def _cut_below_zero(mean: Floats, cov: Floats, i: int) -> tuple[Floats, Floats, Floats]:
    """Moments of Gaussians cut off below zero in coordinate `i`, and the log of the mass that remains."""
    sd = np.sqrt(cov[:, i, i])
    a = mean[:, i] / sd
    log_mass = log_ndtr(a)
    hazard = np.exp(-0.5 * a * a - 0.5 * np.log(2 * np.pi) - log_mass)
    shift = sd * hazard
    variance_ratio = np.clip(1.0 - hazard * (hazard + a), 1e-12, 1.0)
    direction = cov[:, :, i] / cov[:, i, i][:, None]
    mean = mean + direction * shift[:, None]
    change = cov[:, i, i] * (variance_ratio - 1.0)
    return mean, cov + direction[:, :, None] * direction[:, None, :] * change[:, None, None], log_mass

"""A straight line through calibration points, with errors in both coordinates. Owns the fit and what is read off it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

__all__ = ["Line", "fit_line"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Line:
    """``y = intercept + slope·x`` and how well it is known.

    Attributes
    ----------
    intercept, slope : float
    covariance : float64 array (2, 2)
        Of (intercept, slope). From the stated uncertainties where there are any, else from the scatter.
    dof : int
        Points less two.
    sum_of_squares : float
        Weighted, over both coordinates; chi-square where uncertainties were stated.
    stated : bool
        Whether uncertainties were stated.
    x_adjusted, x_residual, y_residual : float64 arrays (n,)
        Nearest point on the line, and fitted less observed in each coordinate.
    """

    intercept: float
    slope: float
    covariance: Floats
    dof: int
    sum_of_squares: float
    stated: bool
    x_adjusted: Floats
    x_residual: Floats
    y_residual: Floats

    @property
    def u_intercept(self) -> float:
        """Standard uncertainty of the intercept."""
        return math.sqrt(self.covariance[0, 0])

    @property
    def u_slope(self) -> float:
        """Standard uncertainty of the slope."""
        return math.sqrt(self.covariance[1, 1])

    @property
    def correlation(self) -> float:
        """Of intercept and slope."""
        return float(self.covariance[0, 1]) / (self.u_intercept * self.u_slope)

    @property
    def residual_sd(self) -> float:
        """Root of the residual variance; the Birge ratio where uncertainties were stated."""
        return math.sqrt(self.sum_of_squares / self.dof)

    @cached_property
    def chi_square_p(self) -> float:
        """Chance of a larger sum of squares if the stated uncertainties hold."""
        from scipy.special import chdtrc

        return float(chdtrc(self.dof, self.sum_of_squares))

    def at(self, x: float) -> tuple[float, float]:
        """Value on the line and its standard uncertainty (GUM equation 13, with the covariance of both parameters)."""
        row = np.array([1.0, x])
        return self.intercept + self.slope * x, math.sqrt(float(row @ self.covariance @ row))


def _model(x: Floats, beta: Floats) -> Floats:
    y: Floats = beta[0] + beta[1] * x
    return y


def fit_line(x: npt.ArrayLike, y: npt.ArrayLike, u_x: npt.ArrayLike = 0.0, u_y: npt.ArrayLike | None = None) -> Line:
    """Straight line by orthogonal distance regression (ODRPACK), or ordinary least squares where x has no errors.

    Parameters
    ----------
    x, y : float64 arrays (n,)
        At least three points at two different x.
    u_x : float or array (n,)
        Standard uncertainties of x; all zero: ordinary least squares in y.
    u_y : float or array (n,), or None
        Standard uncertainties of y, above zero. None: equal and unknown, taken from the scatter; then x must have none.

    Returns
    -------
    Line

    Raises
    ------
    ValueError
        When there are too few points, all x are equal, an uncertainty is negative or zero where it may not be, or the
        fit does not converge.

    Notes
    -----
    P. T. Boggs, R. H. Byrd, J. E. Rogers, R. B. Schnabel, ODRPACK 2.01 User's Reference Guide, NISTIR 4834 (1992).
    """
    from odrpack import odr_fit

    x, y = np.asarray(x, np.float64), np.asarray(y, np.float64)
    sx = np.broadcast_to(np.asarray(u_x, np.float64), x.shape)
    sy = None if u_y is None else np.broadcast_to(np.asarray(u_y, np.float64), y.shape)
    _check(x, y, sx, sy)
    both = bool(np.any(sx > 0))
    fit = odr_fit(
        _model,
        x,
        y,
        np.polynomial.polynomial.polyfit(x, y, 1),
        weight_x=1.0 / sx**2 if both else None,
        weight_y=None if sy is None else 1.0 / sy**2,
        diff_scheme="central",
        task="explicit-ODR" if both else "OLS",
        sstol=1e-15,
        partol=1e-14,
        maxit=500,
    )
    if not fit.success:
        raise ValueError(f"straight line: no convergence ({fit.stopreason}); look at the points for a wrong entry")
    scale = fit.res_var if sy is None else 1.0
    return Line(
        intercept=float(fit.beta[0]),
        slope=float(fit.beta[1]),
        covariance=fit.cov_beta * scale,
        dof=len(x) - 2,
        sum_of_squares=float(fit.sum_square),
        stated=sy is not None,
        x_adjusted=fit.xplusd,
        x_residual=fit.delta,
        y_residual=fit.eps,
    )


def _check(x: Floats, y: Floats, sx: Floats, sy: Floats | None) -> None:
    if x.shape != y.shape or x.ndim != 1 or len(x) < 3:
        raise ValueError(f"straight line: {x.shape} and {y.shape} points, allowed two equal lists of 3 and more")
    if np.ptp(x) == 0:
        raise ValueError(f"straight line: every x is {x[0]:g}, allowed at least two different")
    if np.any(sx < 0) or (np.any(sx > 0) and not np.all(sx > 0)):
        raise ValueError("straight line: uncertainties of x must be all zero or all above zero")
    if sy is None and np.any(sx > 0):
        raise ValueError("straight line: with uncertainties of x, those of y must be stated")
    if sy is not None and not np.all(sy > 0):
        raise ValueError("straight line: uncertainties of y must be above zero")

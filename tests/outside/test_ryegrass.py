"""A dose read off a log-logistic curve, with interval, and lack of fit: ryegrass (R package drc), LL.4.

Data of Inderjit, Streibig and Olofsdotter (2002). The published intervals are by the delta method with the curvature of
the sum of squares (observed information), which is taken here from the program's own residuals by HESSE.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from iminuit import Minuit

from chargebench.study.curves import LOG_LOGISTIC
from chargebench.study.fit import Fit, lack_of_fit
from chargebench.study.scatter import Whitened
from tests.outside.curve_data import plain_fit, unweighted

CONCENTRATION = (0.0,) * 6 + tuple(np.repeat([0.94, 1.88, 3.75, 7.5, 15.0, 30.0], 3))
LENGTH = (
    7.58, 8.0, 8.328571429, 7.25, 7.375, 7.9625, 8.355555556, 6.914285714, 7.75, 6.871428571, 6.45, 5.922222222, 1.925,
    2.885714286, 4.233333333, 1.1875, 0.857142857, 1.057142857, 0.6875, 0.525, 0.825, 0.25, 0.22, 0.44,
)  # fmt: skip
ED = {10: (1.46371, 1.07411, 1.85330), 50: (3.05795, 2.67053, 3.44538), 90: (6.38864, 4.62580, 8.15148)}
T20 = 2.0859634472658364


def observed_covariance(fit: Fit, white: Whitened) -> np.ndarray:
    """Covariance from the curvature of the fit's sum of squares."""

    def cost(parameters: np.ndarray) -> float:
        r = white.y - white.transform @ fit.curve.mean(white.points.dose_uL_per_g, parameters)
        return float(r @ r)

    minuit = Minuit(cost, fit.parameters)
    minuit.errordef, minuit.strategy = fit.scale, 2
    minuit.hesse()
    return np.array(minuit.covariance)


@pytest.mark.parametrize("percent", ED)
def test_effective_dose(percent: int) -> None:
    """ED10, ED50, ED90 with their delta-method 95 % intervals, to the digits published."""
    white, fit = unweighted(CONCENTRATION, LENGTH), plain_fit(LOG_LOGISTIC, CONCENTRATION, LENGTH)
    left = np.array([1 - percent / 100])

    def dose(parameters: np.ndarray) -> float:
        return float(LOG_LOGISTIC.inverse(left, parameters[None, 2:])[0])

    gradient = np.array([(dose(fit.parameters + e) - dose(fit.parameters - e)) / 2e-5 for e in 1e-5 * np.eye(4)])
    value, half = dose(fit.parameters), T20 * math.sqrt(gradient @ observed_covariance(fit, white) @ gradient)
    published, low, high = ED[percent]
    assert value == pytest.approx(published, abs=2e-5)
    assert (value - half, value + half) == pytest.approx((low, high), rel=5e-4)


def test_residual_error() -> None:
    """Residual standard error 0.5196256 on 20 degrees of freedom."""
    fit = plain_fit(LOG_LOGISTIC, CONCENTRATION, LENGTH)
    assert math.sqrt(fit.scale) == pytest.approx(0.5196256, rel=1e-5)
    assert fit.dof == 20


def test_lack_of_fit() -> None:
    """Lack of fit against the means: F 0.2411 on 3 and 17, p 0.8665 (drc's modelFit, from memory)."""
    white = unweighted(CONCENTRATION, LENGTH)
    found = lack_of_fit(plain_fit(LOG_LOGISTIC, CONCENTRATION, LENGTH), white)
    assert found is not None
    assert (found.df_lack, found.df_pure) == (3, 17)
    assert (found.F, found.p) == pytest.approx((0.2411, 0.8665), abs=6e-5)

"""Curve to a plateau of the other sign, and its zero crossing: R's Loblolly, seed 329 (SSasymp reference output)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from chargebench.study.curves import EXPONENTIAL_PLATEAU
from chargebench.study.dose import crossing, dose_of
from chargebench.study.fit import derivatives
from tests.outside.curve_data import plain_fit

AGE = (3.0, 5.0, 10.0, 15.0, 20.0, 25.0)
HEIGHT = (3.93, 9.34, 26.08, 37.79, 48.31, 56.43)


def test_parameters() -> None:
    """Asymptote 94.1282 (8.4030), start -8.2508 (1.2261), log rate -3.2176 (0.1386), residual error 0.7493 on 3."""
    fit = plain_fit(EXPONENTIAL_PLATEAU, AGE, HEIGHT)
    start, plateau, decay = fit.parameters
    assert (plateau, start, -math.log(decay)) == pytest.approx((94.1282, -8.2508, -3.2176), abs=6e-5)
    assert (fit.u[1], fit.u[0], fit.u[2] / decay) == pytest.approx((8.4030, 1.2261, 0.1386), abs=6e-5)
    assert math.sqrt(fit.scale) == pytest.approx(0.7493, abs=6e-5)
    assert fit.dof == 3


def test_zero_crossing() -> None:
    """Crossing at 2.09786, standard error by the delta method 0.20317 (both computed, not published)."""
    fit = plain_fit(EXPONENTIAL_PLATEAU, AGE, HEIGHT)
    value = dose_of(fit.curve, fit.parameters, crossing(), 25.0)
    assert value == pytest.approx(2.0978625, rel=1e-6)
    slope = fit.mean(np.array([value + 1e-4]))[0] / 1e-4
    gradient = derivatives(fit.curve, np.array([value]), fit.parameters)[0]
    assert math.sqrt(gradient @ fit.covariance @ gradient) / slope == pytest.approx(0.203175, rel=1e-4)

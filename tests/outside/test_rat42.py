"""The sigmoid shape against certified and published values: NIST StRD Rat42, and Puromycin (R)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from chargebench.study.curves import LOG_LOGISTIC
from tests.outside.curve_data import plain_fit

# NIST StRD, Rat42 (Ratkowsky 1983, pasture yield): y = b1 / (1 + exp(b2 - b3 x)), which is log-logistic in exp(x).
RAT_X = (9.0, 14.0, 21.0, 28.0, 42.0, 57.0, 63.0, 70.0, 79.0)
RAT_Y = (8.93, 10.80, 18.59, 22.33, 39.35, 56.11, 61.73, 64.62, 67.08)

# R datasets, Puromycin, treated cells (Bates and Watts 1988); nls output from memory.
CONCENTRATION = (0.02, 0.02, 0.06, 0.06, 0.11, 0.11, 0.22, 0.22, 0.56, 0.56, 1.10, 1.10)
RATE = (76.0, 47.0, 97.0, 107.0, 123.0, 139.0, 159.0, 152.0, 191.0, 201.0, 207.0, 200.0)


def test_rat42() -> None:
    """Certified b1, b2, b3 to six digits; standard errors of b1 and b3 to four; residual deviation."""
    x = np.exp(np.array(RAT_X) / 20)  # a twentieth, so that the range of doses is one a study could have
    curve = replace(LOG_LOGISTIC, levels=("plateau",))
    fit = plain_fit(curve, tuple(x), RAT_Y)
    b1, half, steep = fit.parameters
    assert (b1, np.log(half) * steep, steep / 20) == pytest.approx(
        (72.462237576, 2.6180768402, 0.067359200066), rel=1e-6
    )
    assert (fit.u[0], fit.u[2] / 20) == pytest.approx((1.7340283401, 3.4465663983e-3), rel=1e-4)
    assert np.sqrt(fit.scale) == pytest.approx(1.1587725499, rel=1e-6)


def test_puromycin() -> None:
    """Michaelis-Menten is the log-logistic of steepness 1: 212.7 (6.947), 0.06412 (0.008281), residual error 10.93."""

    def shape(dose: np.ndarray, theta: np.ndarray) -> np.ndarray:
        return LOG_LOGISTIC.shape(dose, np.column_stack([theta, np.ones(len(theta))]))

    def ranges(doses: np.ndarray) -> tuple[tuple[float, float], ...]:
        return LOG_LOGISTIC.ranges(doses)[:1]

    curve = replace(LOG_LOGISTIC, shape=shape, shape_names=("half_dose_uL_per_g",), levels=("plateau",), ranges=ranges)
    fit = plain_fit(curve, CONCENTRATION, RATE)
    assert fit.parameters == pytest.approx([212.7, 0.06412], rel=3e-4)
    assert fit.u == pytest.approx([6.947, 0.008281], rel=1e-3)
    assert np.sqrt(fit.scale) == pytest.approx(10.93, abs=0.006)

"""Exponential growth from zero against certified values: NIST StRD Misra1a.

The program's curve between two levels has its dry level held at zero here; everything else is the program's own fit,
its own starts included.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from chargebench.study.curves import EXPONENTIAL_PLATEAU
from tests.outside.curve_data import plain_fit

FROM_ZERO = replace(EXPONENTIAL_PLATEAU, name="growth from zero", levels=("plateau",))

# NIST StRD, Misra1a (D. Misra, dental research, monomolecular adsorption), lower difficulty.
MISRA_X = (77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0)
MISRA_Y = (10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.4, 75.47, 81.78)


def test_misra1a() -> None:
    """Certified parameters to six digits, standard errors to four."""
    wide = replace(FROM_ZERO, ranges=lambda doses: ((doses[0] / 100, doses[-1] * 30),))  # hardly half way at the end
    fit = plain_fit(wide, MISRA_X, MISRA_Y)
    plateau, decay = fit.parameters
    assert (plateau, 1 / decay) == pytest.approx((238.94212918, 5.5015643181e-4), rel=1e-6)
    assert (fit.u[0], fit.u[1] / decay**2) == pytest.approx((2.7070075241, 7.2668688436e-6), rel=1e-4)
    assert np.sqrt(fit.scale) == pytest.approx(0.1018787633, rel=1e-6)

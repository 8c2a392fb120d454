"""Exponential growth from zero on badly conditioned data: NIST StRD BoxBOD (higher difficulty) and R's BOD."""

from __future__ import annotations

import numpy as np
import pytest

from chargebench.study.fit import polish
from tests.outside.curve_data import plain_fit, unweighted
from tests.outside.test_misra1a import FROM_ZERO

# NIST StRD, BoxBOD (Box, Hunter and Hunter 1978, biochemical oxygen demand).
BOX_X = (1.0, 2.0, 3.0, 5.0, 7.0, 10.0)
BOX_Y = (109.0, 149.0, 149.0, 191.0, 213.0, 224.0)
CERTIFIED = (213.80940889, 0.54723748542)

# R datasets, BOD (Bates and Watts 1988, A1.4; Marske 1967); nls with SSasympOrig as on its help page, from memory.
BOD_X = (1.0, 2.0, 3.0, 4.0, 5.0, 7.0)
BOD_Y = (8.3, 10.3, 19.0, 16.0, 15.6, 19.8)


def test_from_own_starts() -> None:
    """The program's own starts reach the certified parameters (six digits) and standard errors (four)."""
    fit = plain_fit(FROM_ZERO, BOX_X, BOX_Y)
    plateau, decay = fit.parameters
    assert (plateau, 1 / decay) == pytest.approx(CERTIFIED, rel=1e-6)
    assert (fit.u[0], fit.u[1] / decay**2) == pytest.approx((12.354515176, 0.10455993237), rel=1e-4)
    assert np.sqrt(fit.scale) == pytest.approx(17.088072423, rel=1e-6)


@pytest.mark.parametrize("start", [(1.0, 1.0), (100.0, 0.75)], ids=["start 1", "start 2"])
def test_from_certified_starts(start: tuple[float, float]) -> None:
    """Both certified starts lead there too, the first of which stalls a plain Levenberg-Marquardt."""
    found = polish(FROM_ZERO, unweighted(BOX_X, BOX_Y), np.array([start[0], 1 / start[1]]))
    assert (found[0], 1 / found[1]) == pytest.approx(CERTIFIED, rel=1e-6)


def test_bod() -> None:
    """Asymptote 19.143 (2.496), log rate -0.6328 (0.3824), residual standard error 2.549."""
    fit = plain_fit(FROM_ZERO, BOD_X, BOD_Y)
    plateau, decay = fit.parameters
    assert (plateau, fit.u[0]) == pytest.approx((19.143, 2.496), abs=6e-4)
    assert (-np.log(decay), fit.u[1] / decay) == pytest.approx((-0.6328, 0.3824), abs=6e-5)
    assert np.sqrt(fit.scale) == pytest.approx(2.549, abs=6e-4)

"""Straight lines against certified data: NIST StRD Norris, and Pearson's data with York's weights."""

from __future__ import annotations

import numpy as np
import pytest

from chargebench.processing.qualify.line import fit_line

# NIST Statistical Reference Datasets, Norris (J. Norris, calibration of ozone monitors), lower difficulty.
NORRIS_X = (
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0, 447.5,
    11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1,
    448.9, 0.5,
)  # fmt: skip
NORRIS_Y = (
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9,
    10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4,
    449.2, 0.2,
)  # fmt: skip

# K. Pearson, Phil. Mag. 2 (1901) 559, with the weights of D. York, Can. J. Phys. 44 (1966) 1079.
PEARSON_X = (0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4)
PEARSON_Y = (5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5)
WEIGHT_X = (1000.0, 1000.0, 500.0, 800.0, 200.0, 80.0, 60.0, 20.0, 1.8, 1.0)
WEIGHT_Y = (1.0, 1.8, 4.0, 8.0, 20.0, 20.0, 70.0, 70.0, 100.0, 500.0)


def test_norris() -> None:
    """Certified parameters, standard errors and residual deviation to seven digits (NIST StRD)."""
    line = fit_line(NORRIS_X, NORRIS_Y)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-7)
    assert line.u_intercept == pytest.approx(0.232818234301152, rel=1e-7)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-7)
    assert line.u_slope == pytest.approx(0.429796848199937e-03, rel=1e-7)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-7)
    assert line.dof == 34


def test_pearson_data_with_york_weights() -> None:
    """Errors in both coordinates: slope -0.4805334, intercept 5.4799102, u 0.0580 and 0.2950, chi²/ν 1.483.

    Values as in D. York et al., Am. J. Phys. 72 (2004) 367, table II, quoted from memory; digits beyond those printed
    there are those on which published implementations agree.
    """
    line = fit_line(PEARSON_X, PEARSON_Y, np.array(WEIGHT_X) ** -0.5, np.array(WEIGHT_Y) ** -0.5)
    assert line.slope == pytest.approx(-0.480533407, abs=5e-9)
    assert line.intercept == pytest.approx(5.479910224, abs=2e-8)
    assert round(line.u_slope, 4) == 0.0580
    assert round(line.u_intercept, 4) == 0.2950
    assert round(line.sum_of_squares / line.dof, 3) == 1.483


def test_errors_in_x_are_not_ignored() -> None:
    """Ordinary least squares on the same data gives another line: the weights matter."""
    plain = fit_line(PEARSON_X, PEARSON_Y)
    assert plain.slope == pytest.approx(-0.5395773, abs=1e-6)  # by the textbook formula, computed apart

"""Straight-line calibration against JCGM 100:2008 (GUM), example H.3: a thermometer's correction."""

from __future__ import annotations

import pytest

from chargebench.processing.qualify.line import fit_line

# GUM table H.6: readings t_k in °C, corrections b_k in °C, reference temperature 20 °C.
T = (21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511)
B = (-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160)


def test_line_and_covariance_are_those_of_the_gum() -> None:
    """Intercept, slope, their uncertainties, correlation, residual s and degrees of freedom as printed in H.3.3."""
    line = fit_line([t - 20.0 for t in T], B)
    assert round(line.intercept, 4) == -0.1712
    assert round(line.u_intercept, 4) == 0.0029
    assert round(line.slope, 5) == 0.00218
    assert round(line.u_slope, 5) == 0.00067
    assert round(line.correlation, 3) == -0.930
    assert round(line.residual_sd, 4) == 0.0035
    assert line.dof == 9


def test_prediction_uses_the_covariance() -> None:
    """The predicted correction at 30 °C is -0.1494 with u 0.0041 (H.3.4); without the covariance u would be 0.0073."""
    value, u = fit_line([t - 20.0 for t in T], B).at(10.0)
    assert round(value, 4) == -0.1494
    assert round(u, 4) == 0.0041


def test_points_near_the_origin_or_far_from_it_give_one_line() -> None:
    """The reference temperature is a choice: with 0 °C the same prediction follows (H.3.5)."""
    near, far = fit_line([t - 20.0 for t in T], B).at(10.0), fit_line(T, B).at(30.0)
    assert far == pytest.approx(near, rel=1e-9)

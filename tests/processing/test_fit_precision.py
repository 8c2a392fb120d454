"""The fit has as many digits for a large charge as for none, and medians are medians."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from chargebench.processing.drift import Design, Prior, fit
from chargebench.processing.noise import grid_of
from chargebench.processing.series import median


def quiet_design(noise_nC: float) -> Design:
    """Two quiet stretches about a grind of 60 s, readings of small noise, leakage and bias hardly known."""
    rng = np.random.default_rng(3)
    time_s = np.concatenate((np.arange(0.0, 120.0, 4.0), np.arange(180.0, 300.0, 4.0)))
    before = time_s < 150.0
    y = noise_nC * rng.standard_normal(len(time_s))
    columns = {
        "level_before_0": before.astype(float), "level_after_0": (~before).astype(float),
        "bias": time_s - 150.0, "leakage": np.where(before, 0.0, -500.0 * (time_s - 180.0)),
    }  # fmt: skip
    priors = {"bias": Prior(0.0, 1.0), "leakage": Prior(0.0, 1.0 / 60.0, True)}
    return Design(grid_of(time_s, np.full(len(time_s), 4000.0), 0.001), y, columns, priors)


@pytest.mark.parametrize("charge_nC", [10.0, 540.0, 1e4])
def test_a_fit_is_as_exact_beside_a_large_charge_as_beside_none(charge_nC: float) -> None:
    """A charge that comes in moves its level by as much and leaves every uncertainty what it was."""
    none = quiet_design(1e-3)
    much = fit(replace(none, y=none.y + charge_nC * none.columns["level_after_0"]))
    still = fit(none)
    step = still.vector(level_after_0=1.0, level_before_0=-1.0)
    net, more = still.interval(step), much.interval(step)
    assert more[0] - net[0] == pytest.approx(charge_nC, rel=1e-9)
    assert more[1:] == pytest.approx(net[1:], rel=1e-7)
    assert much.covariance == pytest.approx(still.covariance, rel=1e-6, abs=1e-15)


@pytest.mark.parametrize("count", [1, 2, 3, 10, 11, 500])
def test_a_median_is_that_of_numpy(count: int) -> None:
    """The quick median of any count of numbers is numpy's, to the last digit."""
    values = np.random.default_rng(count).standard_normal(count)
    assert median(values) == float(np.median(values))


def test_there_is_no_median_of_nothing() -> None:
    """Without a number the median is refused as arithmetic of a run is: by ValueError."""
    with pytest.raises(ValueError, match="median"):
        median(np.empty(0))

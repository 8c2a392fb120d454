"""Means and spreads that must not cancel, and a straight line, against certified data.

Sources: NIST StRD NumAcc3 and NumAcc4 (B + 0.2, then 500 times B + 0.1, B + 0.3; mean B + 0.2, standard deviation
0.1). Random walk: the closed form of the variance of a block mean of a discrete walk, d (n^2 - 1) / (6 n) below that at
its middle.
"""

from __future__ import annotations

import numpy as np
import pytest

from chargebench.processing.integral import block_sums
from chargebench.processing.mass import settled
from chargebench.processing.noise import Shape, covariance, grid_of
from chargebench.processing.series import Series


@pytest.mark.parametrize(("base", "digits"), [(1e6, 9), (1e7, 8)])
def test_numacc(base: float, digits: int) -> None:
    """Level and noise of a settled scale reproduce the certified mean and standard deviation."""
    value = np.concatenate(([base + 0.2], np.tile([base + 0.1, base + 0.3], 500)))
    series = Series(np.arange(1001.0), value)
    level = settled(series, 0.0, 1000.0)
    assert level is not None
    assert level.mass_g == pytest.approx(base + 0.2, abs=10.0**-digits * base * 1e-6)
    assert level.noise_g == pytest.approx(0.1, rel=10.0 ** -(digits - 2))
    blocks = block_sums(Series(series.time_s, value, step_s=1.0), np.zeros(1001), 2000.0)
    assert blocks.spread == pytest.approx([0.1], rel=10.0 ** -(digits - 2))


def test_block_means_of_a_random_walk() -> None:
    """Sampled block means of many walks have the variances that the covariance says."""
    rng = np.random.default_rng(3)
    n, blocks = 10, 12
    walks = np.cumsum(0.1 * rng.standard_normal((20000, n * blocks)), axis=1)
    means = walks.reshape(20000, blocks, n).mean(axis=2)
    t = (np.arange(blocks) * n + 0.5 * (n - 1)) * 0.01
    said = covariance(Shape(0.0, 1.0, 1.0), grid_of(t, np.full(blocks, float(n)), 0.01)) - np.eye(blocks)
    steps = np.eye(blocks)[1:] - np.eye(blocks)[:-1]
    assert steps @ np.cov(means.T) @ steps.T == pytest.approx(steps @ said @ steps.T, abs=0.0025)


def test_block_means_of_correlated_noise() -> None:
    """The same for exponentially correlated noise, averaged over blocks as wide as its memory."""
    rng = np.random.default_rng(4)
    n, blocks, memory_s = 20, 6, 0.2
    a = np.exp(-0.01 / memory_s)
    x = np.empty((20000, n * blocks))
    x[:, 0] = rng.standard_normal(20000)
    for i in range(1, n * blocks):
        x[:, i] = a * x[:, i - 1] + np.sqrt(1 - a * a) * rng.standard_normal(20000)
    means = x.reshape(20000, blocks, n).mean(axis=2)
    t = (np.arange(blocks) * n + 0.5 * (n - 1)) * 0.01
    said = covariance(Shape(1.0, memory_s, 0.0), grid_of(t, np.full(blocks, float(n)), 0.01)) - np.eye(blocks)
    assert np.cov(means.T) == pytest.approx(said, abs=0.03)

"""A small version of the coverage study of tests/benchmarks/coverage.py, and the noise grid it rests on."""

from __future__ import annotations

import numpy as np
import pytest

from chargebench.processing.drift import Design, Prior, fit
from chargebench.processing.noise import Shape, covariance, find_aliases, folds_slowly, grid_of, shapes, slow_lines
from tests.benchmarks.coverage import study


def test_intervals_hold_the_truth() -> None:
    """Of 120 runs of every kind at least 90 % of the intervals of net charge and of Q/m hold; widths stay near best.

    With a true coverage of 95.5 %, fewer than 90 % of 120 happen less than once in a hundred draws; the draw is fixed.
    """
    rows = study(120, seed=2)
    assert np.mean([r.held_net for r in rows]) >= 0.90
    assert np.mean([r.held_ratio for r in rows]) >= 0.90
    assert float(np.median([r.width_net for r in rows])) <= 1.7
    assert float(np.median([r.width_ratio for r in rows])) <= 1.5


def test_priors_of_the_grid_add_up() -> None:
    """White, correlated and walking noise share the whole probability between them."""
    assert sum(s.prior for s in shapes()) == pytest.approx(1.0)
    assert all(s.prior > 0 for s in slow_lines(0.01))


@pytest.mark.parametrize(("rate_Hz", "slow"), [(10.0, True), (50.0, True), (60.0, True), (64.0, False), (8.0, False)])
def test_sampling_that_folds_mains_to_nothing_is_known(rate_Hz: float, slow: bool) -> None:
    """10, 50 and 60 readings a second turn 50 or 60 Hz into a line too slow to be seen as one; 8 and 64 do not."""
    assert folds_slowly(1.0 / rate_Hz) is slow


@pytest.mark.parametrize("frequency_Hz", [0.7, 5.3, 14.0, 27.1])
def test_a_folded_line_is_found_at_its_frequency(frequency_Hz: float) -> None:
    """A line of twice the noise is found to a fiftieth of a hertz with its amplitude to a fifth."""
    t = np.arange(0.0, 10.0, 1 / 64.0)
    value = 0.1 * np.sin(2 * np.pi * frequency_Hz * t + 1.0) + 0.05 * np.random.default_rng(1).standard_normal(len(t))
    line = find_aliases([(t, value)], 1 / 64.0, 40.0, 3.0)[0]
    assert line.frequency_Hz == pytest.approx(frequency_Hz, abs=0.02)
    assert line.amplitude == pytest.approx(0.1, rel=0.2)


def test_white_noise_holds_no_line() -> None:
    """Of 40 stretches of white noise at most one is said to hold a line."""
    rng = np.random.default_rng(2)
    t = np.arange(0.0, 10.0, 0.01)
    found = [bool(find_aliases([(t, rng.standard_normal(len(t)))], 0.01, 40.0, 3.0)) for _ in range(40)]
    assert sum(found) <= 1


@pytest.mark.parametrize("width_s", [0.05, 0.4, 4.0, 40.0])
def test_every_shape_is_a_covariance_however_the_blocks_are_cut(width_s: float) -> None:
    """Blocks of any width, a short one at the end of each stretch among them, leave every shape positive definite."""
    count = np.full(60, width_s / 0.01)
    count[[29, 59]] = 1.0
    ends = np.cumsum(count) * 0.01
    ends[30:] += 12.0
    grid = grid_of(ends - 0.005 * count, count, 0.01)
    for shape in (*shapes(), *slow_lines(0.01)):
        matrix = covariance(shape, grid)
        assert np.linalg.eigvalsh(matrix)[0] > 0.0
        assert np.all(np.isfinite(matrix))


@pytest.mark.parametrize("readings", [3, 40])
def test_averaged_noise_has_the_covariance_of_its_readings(readings: int) -> None:
    """Correlated noise and a walk, averaged over uneven blocks, vary as the sums over single readings say."""
    step_s, memory_s = 0.02, 0.5
    count = np.array([readings, readings, 2, readings, 1]) * 1.0
    first = np.concatenate(([0], np.cumsum(count)))[:-1].astype(int)
    t = step_s * np.arange(int(np.sum(count)))
    means = np.zeros((5, len(t)))
    for row, start, n in zip(means, first, count.astype(int), strict=True):
        row[start : start + n] = 1.0 / n
    grid = grid_of(means @ t, count, step_s)
    said = covariance(Shape(1.0, memory_s, 0.0), grid) - np.diag(grid.white)
    assert said == pytest.approx(means @ np.exp(-np.abs(t[:, None] - t) / memory_s) @ means.T, abs=0.02)
    walk = covariance(Shape(0.0, 1.0, 1.0), grid) - np.diag(grid.white)
    true = means @ np.minimum(t[:, None], t) @ means.T
    assert walk - walk[0, 1] == pytest.approx(true - true[0, 1], abs=1e-9)


def test_white_noise_alone_gives_the_textbook_covariance() -> None:
    """With white noise as the only shape, the fit is ordinary least squares, standard error and all."""
    rng = np.random.default_rng(5)
    t = np.arange(60.0)
    before = t < 30
    y = np.where(before, 1.0, 4.0) + rng.standard_normal(60)
    columns = {"level_before": before.astype(float), "level_after": (~before).astype(float), "bias": t - 29.5}
    posterior = fit(Design(grid_of(t, np.ones(60), 1.0), y, columns, {"bias": Prior(0.0, 1e6)}), [Shape(0, 1, 0)])
    X = np.column_stack(list(columns.values()))
    beta, rss = np.linalg.lstsq(X, y, rcond=None)[:2]
    net, u, dof = posterior.interval(posterior.vector(level_after=1.0, level_before=-1.0))
    g = np.array([-1.0, 1.0, 0.0])
    assert net == pytest.approx(float(g @ beta), rel=1e-6)
    assert u == pytest.approx(float(np.sqrt(rss[0] / 57 * g @ np.linalg.inv(X.T @ X) @ g)), rel=0.06)
    assert dof > 20


def test_leakage_is_never_negative() -> None:
    """Readings that seem to charge themselves up leave the leakage rate at or above zero."""
    t = np.arange(60.0)
    before = t < 30
    rng = np.random.default_rng(6)
    column = -np.cumsum(np.where(before, 0.0, -1.0))
    columns = {"level_before": before.astype(float), "level_after": (~before).astype(float), "leakage": column}
    y = -0.05 * column + 0.1 * rng.standard_normal(60)
    design = Design(grid_of(t, np.ones(60), 1.0), y, columns, {"leakage": Prior(0.0, 1 / 60, True)})
    posterior = fit(design)
    assert posterior.moments(posterior.vector(leakage=1.0))[0] >= 0.0


def test_too_few_blocks_are_refused() -> None:
    """Three blocks cannot carry two free levels and a residual."""
    columns = {"level_before": np.array([1.0, 0, 0]), "level_after": np.array([0.0, 1, 1])}
    with pytest.raises(ValueError, match="3 blocks cannot carry"):
        fit(Design(grid_of(np.arange(3.0), np.ones(3), 1.0), np.zeros(3), columns))

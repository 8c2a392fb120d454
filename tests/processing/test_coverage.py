"""A small version of the coverage study of tests/benchmarks/coverage.py, and the noise grid it rests on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from chargebench.processing.drift import Design, Prior, fit
from chargebench.processing.noise import (
    MAINS_HZ,
    Shape,
    covariance,
    find_aliases,
    folded_Hz,
    grid_of,
    integrated_shapes,
    shapes,
)
from chargebench.processing.qualify.leakage import leakage
from chargebench.processing.qualify.occasion import Occasion
from chargebench.processing.recipe import process
from chargebench.processing.series import clean
from chargebench.processing.slow_lines import FOLDED, UNFOLDED, slow_lines
from chargebench.runs.run import Known
from tests.benchmarks.coverage import oracle_widths, study
from tests.processing.simulate import Bench, simulate, simulate_current


def test_intervals_hold_the_truth() -> None:
    """Of 120 runs of every kind at least 90 % of the intervals of net charge and of Q/m hold; widths stay near best.

    With a true coverage of 95.5 %, fewer than 90 % of 120 happen less than once in a hundred draws; the draw is fixed.
    """
    rows = study(120, seed=2)
    assert np.mean([r.held_net for r in rows]) >= 0.90
    assert np.mean([r.held_ratio for r in rows]) >= 0.90
    assert float(np.median([r.width_net for r in rows])) <= 1.7
    assert float(np.median([r.width_ratio for r in rows])) <= 2.9  # the scale's steps are ours, not the oracle's


def test_the_oracle_knows_the_true_mass() -> None:
    """However coarse the scale, the width that ours is measured against is that of the charge over the true mass."""
    fine, coarse = (Bench(scale_step_g=step_g, rate_Hz=32.0) for step_g in (0.01, 0.5))
    (run, truth), (coarse_run, _) = simulate(fine), simulate(coarse)
    best_net, best_ratio = oracle_widths(fine, run, truth)
    assert best_ratio == pytest.approx(best_net / fine.mass_g, rel=1e-12)
    assert oracle_widths(coarse, coarse_run, truth) == (best_net, best_ratio)
    ours = [process(each).result["charge_to_mass_nC_per_g"] for each in (run, coarse_run)]
    assert ours[1].U95 > 3.0 * ours[0].U95 > 3.0 * best_ratio


@pytest.mark.parametrize("wander_nA", [0.0, 0.002, 0.02])
def test_intervals_of_an_integrated_current_hold_the_truth(wander_nA: float) -> None:
    """However the current wanders, at least 43 of 50 intervals of the net charge hold the truth."""
    rng = np.random.default_rng(6)
    held = 0
    for seed in range(50):
        ratio, grind_s = float(rng.choice([-50.0, 0.0, 5.0])), float(rng.choice([4.0, 12.0, 25.0]))
        bench = Bench(
            charge_per_gram=ratio, grind_s=grind_s, before_s=12.0, after_s=14.0, seed=seed,
            rate_Hz=float(rng.choice([16.0, 40.0])), bias_nA=float(rng.uniform(-0.05, 0.05)),
        )  # fmt: skip
        run, truth = simulate_current(bench, wander_nA=wander_nA)
        net = process(run).result["net_charge_nC"]
        assert net is not None
        held += abs(net.value - truth.net_charge) <= net.U95
    assert held >= 43


@pytest.mark.parametrize("kinds", [shapes, integrated_shapes])
def test_priors_of_the_grid_add_up(kinds: Callable[[], tuple[Shape, ...]]) -> None:
    """White, correlated and walking noise share the whole probability between them; so do those of a current."""
    assert sum(s.prior for s in kinds()) == pytest.approx(1.0)


def lined(rate_Hz: float, amplitude: float = 0.0, at_Hz: float = 0.07) -> tuple[Shape, ...]:
    """Slow lines thought possible for two stretches of 15 s, 20 s apart, that hold one of an amplitude."""
    t = np.concatenate((np.arange(0.25, 15.0, 0.5), np.arange(35.25, 50.0, 0.5)))
    y = amplitude * np.sin(2.0 * np.pi * at_Hz * t) + np.random.default_rng(4).standard_normal(len(t))
    count = np.full(len(t), 0.5 * rate_Hz)
    X = np.column_stack((t < 25.0, t > 25.0, t)).astype(float)
    return slow_lines(y, X, grid_of(t, count, 1.0 / rate_Hz), 1.0 / rate_Hz, 0.2)


@pytest.mark.parametrize(("rate_Hz", "likely"), [(10.0, FOLDED), (9.99, FOLDED), (64.0, UNFOLDED)])
@pytest.mark.parametrize("amplitude", [0.0, 10.0, 1e6])
def test_slow_lines_are_as_likely_as_the_prior_says(rate_Hz: float, likely: float, amplitude: float) -> None:
    """Whatever the readings show, the shapes share the odds that sampling at their rate gives a slow line."""
    found = lined(rate_Hz, amplitude)
    assert all(s.prior > 0 for s in found)
    assert sum(s.prior for s in found) == pytest.approx(likely / (1.0 - likely))


def test_rooms_wave_slowly_and_smoothly() -> None:
    """Where sampling folds no mains, slow waves are as likely as fast ones of each factor of frequency, and smooth."""
    prior: dict[float, float] = {}
    for shape in lined(64.0):
        assert shape.smooth
        prior[shape.line_Hz] = prior.get(shape.line_Hz, 0.0) + shape.prior
    slow = sum(p for f, p in prior.items() if f < 0.04)
    assert 0.4 < slow / sum(prior.values()) < 0.8
    assert not any(shape.smooth for shape in lined(10.0))


@pytest.mark.parametrize(
    ("rate_Hz", "at_Hz"), [(10.0, 0.0), (50.0, 0.0), (60.0, 0.0), (9.99, 0.05), (64.0, 4.0), (8.0, 2.0)]
)
def test_sampling_folds_mains_to_where_it_must(rate_Hz: float, at_Hz: float) -> None:
    """Readings see 50 or 60 Hz, the slower of the two, at its distance from the nearest multiple of their rate."""
    assert min(folded_Hz(mains_Hz, rate_Hz) for mains_Hz in MAINS_HZ) == pytest.approx(at_Hz, abs=1e-9)


@pytest.mark.parametrize("at_Hz", [0.05, 0.09, 0.17])
def test_a_slow_line_is_tried_at_its_own_frequency(at_Hz: float) -> None:
    """Where the readings show a line, a shape lies within a twentieth of what 50 s resolve; else they spread."""
    tried = np.array(sorted({s.line_Hz for s in lined(10.0, 10.0, at_Hz)}))
    assert np.min(np.abs(tried - at_Hz)) < 0.05 / 50.0
    blind = np.array(sorted({s.line_Hz for s in lined(10.0)}))
    assert len(blind) >= 8
    assert blind[0] < 0.01
    assert blind[-1] > 0.1


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
    lines = (Shape(0.0, 1.0, walk, 1.0, 300.0, at_Hz) for walk in (0.0, 3.0) for at_Hz in (0.004, 0.05, 0.3))
    for shape in (*shapes(), *integrated_shapes(), *lines):
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


def test_what_is_known_together_counts_together() -> None:
    """Correlated knowledge of two coefficients is least squares with it as further, correlated, observations."""
    rng = np.random.default_rng(7)
    t = np.arange(60.0)
    before = t < 30
    y = np.where(before, 1.0, 4.0) + rng.standard_normal(60)
    columns = {"level_before": before.astype(float), "level_after": (~before).astype(float)}
    columns |= {"bias": t - 29.5, "leakage": np.cos(t)}
    known = {"bias": Prior(0.02, 0.01), "leakage": Prior(0.3, 0.2)}
    design = Design(grid_of(t, np.ones(60), 1.0), y, columns, known, 1e-9, {("leakage", "bias"): 0.9})
    posterior = fit(design, [Shape(0, 1, 0)])
    X = np.column_stack(list(columns.values()))
    prior = np.linalg.inv(np.array([[0.01**2, 0.9 * 0.01 * 0.2], [0.9 * 0.01 * 0.2, 0.2**2]]))
    for mean, scale2 in zip(posterior.mean, posterior.scale2, strict=True):
        precision, told = X.T @ X / scale2, X.T @ y / scale2
        precision[2:, 2:] += prior
        told[2:] += prior @ np.array([0.02, 0.3])
        assert mean == pytest.approx(np.linalg.solve(precision, told), rel=1e-6)


@pytest.mark.parametrize(("injected_nC", "least", "most"), [(150.0, 1.1, 1.4), (-150.0, 0.4, 0.8)])
def test_a_leakage_check_serves_coffee_of_either_sign(injected_nC: float, least: float, most: float) -> None:
    """What a check tells of leakage and bias together narrows or widens u, as it must: 45 of 50 lie within U95."""
    held, narrower = 0, []
    for seed in range(50):
        check_bench = Bench(
            charge_per_gram=injected_nC, mass_g=1.0, grind_s=0.4, after_s=122.0, rate_Hz=32.0, scale_Hz=0.0, seed=seed
        )  # fmt: skip
        trace = simulate(check_bench)[0].traces["charge"]
        decay = clean(trace.time_s, trace.value, trace.status, trace.sequence)
        found = leakage(Occasion("Paper bench", "2026-03-13T09:00:00Z"), decay, 9.5, 12.4).values
        known = {key: Known(x.value, x.u, x.dof, "leakage check") for key, x in found.items()}
        bench = Bench(-15.0, grind_s=40.0, before_s=6.0, after_s=6.0, rate_Hz=32.0, seed=5000 + seed, knowledge=known)
        run, truth = simulate(bench)
        net = process(run).result["net_charge_nC"]
        apart = {key: known[key] for key in ("leakage_rate_per_s", "bias_current_nA")}
        separate = process(simulate(replace(bench, knowledge=apart))[0]).result["net_charge_nC"]
        assert net is not None
        assert separate is not None
        held += abs(net.value - truth.net_charge) <= net.U95
        narrower.append(net.u / separate.u)
    assert held >= 45
    assert least < np.median(narrower) < most


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

"""Runs needed and power: the standard two-sample table, and published powers of the equivalence test."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import stdtrit

from chargebench.study.intervals import (
    difference_power,
    equivalence_power,
    runs_for_difference,
    runs_for_equivalence,
)
from chargebench.study.repeats import for_difference


@pytest.mark.parametrize(("effect", "runs"), [(0.2, 394), (0.5, 64), (0.8, 26)])
def test_two_sample_table(effect: float, runs: int) -> None:
    """Two-sided t test, 5 %, power 80 %: 394, 64 and 26 in each group (standard tables, as in Cohen 1988)."""
    assert for_difference(effect, 1.0, "stated").runs == runs


# Two-period crossover, limits 0.8 to 1.25, true ratio 0.95: coefficient of variation, subjects, exact power by Owen's Q
# (R package PowerTOST, reference manual, from memory). Its standard error is sigma sqrt(2/n) on n - 2 dof.
CROSSOVER = [(0.20, 20, 0.834680), (0.25, 28, 0.807439), (0.30, 40, 0.815845)]


@pytest.mark.parametrize(("cv", "n", "power"), CROSSOVER)
def test_equivalence_power(cv: float, n: int, power: float) -> None:
    """Power of two one-sided tests, to the digits published."""
    sigma = math.sqrt(math.log1p(cv**2))
    found = equivalence_power(n, sigma * math.sqrt(2), math.log(1.25), math.log(0.95), dof=n - 2)
    assert found == pytest.approx(power, abs=1e-6)


def test_equivalence_power_by_drawing() -> None:
    """Four runs, scatter 1, band 2: as often as drawn studies pass (a check that shares no formula)."""
    x = np.random.default_rng(5).normal(0.3, 1.0, size=(200_000, 4))
    half = stdtrit(3, 0.95) * x.std(axis=1, ddof=1) / 2
    drawn = (np.abs(x.mean(axis=1)) + half < 2).mean()
    assert equivalence_power(4, 1.0, 2.0, 0.3) == pytest.approx(drawn, abs=0.005)


@pytest.mark.parametrize("mean", [0.0, 0.5])
def test_fewest_runs(mean: float) -> None:
    """The count found has the power asked for, and one run fewer has not."""
    n = runs_for_equivalence(1.0, 1.0, mean)
    assert n is not None
    assert equivalence_power(n - 1, 1.0, 1.0, mean) < 0.8 <= equivalence_power(n, 1.0, 1.0, mean)


def test_never_enough() -> None:
    """A mean at the band's edge is shown inside by no number of runs."""
    assert runs_for_equivalence(1.0, 1.0, 1.0) is None


@pytest.mark.parametrize("paired", [True, False])
@pytest.mark.parametrize("effect", [0.2, 0.5, 1.0, 2.0])
def test_difference_power(effect: float, paired: bool) -> None:
    """Power of the t tests agrees with the library's to nine decimals where that gives a number."""
    from statsmodels.stats.power import TTestIndPower, TTestPower

    library = TTestPower() if paired else TTestIndPower()
    for n in (2, 3, 4, 6):
        expected = float(library.power(effect, n, 0.05))
        assert difference_power(n, effect, paired=paired) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("paired", [True, False])
@pytest.mark.parametrize("effect", [5.0, 6.0, 8.0, 12.0, 16.0, 20.0, 25.0, 1e3, 1e9, math.inf])
def test_large_effects_need_few_runs(effect: float, paired: bool) -> None:
    """From an effect of 5 on two or three runs are enough: the fewest with the power, where solvers give no number."""
    runs = runs_for_difference(effect, paired=paired)
    assert runs in (2, 3)
    assert difference_power(runs, effect, paired=paired) >= 0.8
    assert runs == 2 or difference_power(2, effect, paired=paired) < 0.8

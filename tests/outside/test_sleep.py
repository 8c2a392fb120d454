"""Welch and within-block comparison against published samples."""

from __future__ import annotations

import pytest

from chargebench.study.treatments import compare
from tests.outside.arms import arm

# Student, Biometrika 6 (1908) 1: hours of sleep gained by ten patients under two drugs.
FIRST = (0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0)
SECOND = (1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4)

# R datasets, ToothGrowth (Crampton 1947): tooth length under two supplements, t.test(len ~ supp), from memory.
JUICE = (
    15.2, 21.5, 17.6, 9.7, 14.5, 10.0, 8.2, 9.4, 16.5, 9.7, 19.7, 23.3, 23.6, 26.4, 20.0, 25.2, 25.8, 21.2, 14.5, 27.3,
    25.5, 26.4, 22.4, 24.5, 24.8, 30.9, 26.4, 27.3, 29.4, 23.0,
)  # fmt: skip
ACID = (
    4.2, 11.5, 7.3, 5.8, 6.4, 10.0, 11.2, 11.2, 5.2, 7.0, 16.5, 16.5, 15.2, 17.3, 22.5, 17.3, 13.6, 14.5, 18.8, 15.5,
    23.6, 18.5, 33.9, 25.5, 26.4, 32.5, 26.7, 21.5, 23.3, 29.5,
)  # fmt: skip


def test_sleep_welch() -> None:
    """Welch: t -1.8608 on 17.776 degrees of freedom, p 0.07939."""
    found = compare(arm("first", FIRST), arm("second", SECOND), None, absolute=False, seed=1)
    assert (found.t, found.dof) == pytest.approx((-1.8608, 17.776), rel=5e-5)
    assert found.p_welch == pytest.approx(0.07939, abs=6e-6)


def test_sleep_within_patients() -> None:
    """Patients as blocks: the paired test, p 0.002833, mean difference -1.58 with 95 % interval -2.460 to -0.700."""
    patients = [str(i) for i in range(10)]
    found = compare(arm("first", FIRST, patients), arm("second", SECOND, patients), None, absolute=False, seed=1)
    paired = found.block_adjusted
    assert paired.p == pytest.approx(0.002833, abs=6e-7)
    assert paired.difference_nC_per_g == pytest.approx(-1.58)
    assert paired.ci95_nC_per_g == pytest.approx([-2.4598858, -0.7001142], abs=1e-6)


def test_tooth_growth_welch() -> None:
    """Welch: t 1.9153 on 55.309, p 0.06063, 95 % interval -0.1710156 to 7.5710156."""
    found = compare(arm("juice", JUICE), arm("acid", ACID), None, absolute=False, seed=1)
    assert (found.t, found.dof) == pytest.approx((1.9153, 55.309), rel=3e-5)
    assert found.p_welch == pytest.approx(0.06063, abs=6e-6)
    assert found.ci95_nC_per_g == pytest.approx([-0.1710156, 7.5710156], abs=1e-6)

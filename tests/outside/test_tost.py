"""Equivalence of two means from published summaries: Welch's two one-sided tests."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import stdtr

from chargebench.study.treatments import compare
from tests.outside.arms import arm


def sample(mean: float, sd: float, n: int) -> list[float]:
    """A sample with exactly this mean and standard deviation."""
    z = np.linspace(-1, 1, n)
    return list(mean + sd * (z - z.mean()) / z.std(ddof=1))


def test_summary_example() -> None:
    """5.25 (0.95, 95) against 5.22 (0.83, 89), band 0.383569: t 3.14973, -2.69277, interval -0.18708, 0.24708."""
    band = 0.383569
    one, two = arm("one", sample(5.25, 0.95, 95)), arm("two", sample(5.22, 0.83, 89))
    found = compare(one, two, band, absolute=False, seed=1)
    equal, d, u = found.equivalence, found.difference_nC_per_g, found.u_nC_per_g
    assert equal.interval90_nC_per_g == pytest.approx([-0.18708, 0.24708], abs=6e-6)
    assert equal.equivalent
    t = (d + band) / u, (d - band) / u
    assert t == pytest.approx((3.14973, -2.69277), abs=6e-6)
    p = stdtr(found.dof, -t[0]), stdtr(found.dof, t[1])
    assert p == pytest.approx((0.000956, 0.003876), abs=6e-7)


@pytest.mark.parametrize(("band", "equivalent"), [(0.2472, True), (0.2469, False)])
def test_edge_is_the_interval(band: float, equivalent: bool) -> None:
    """Equivalent exactly when the 90 % interval lies inside the band."""
    one, two = arm("one", sample(5.25, 0.95, 95)), arm("two", sample(5.22, 0.83, 89))
    assert compare(one, two, band, absolute=False, seed=1).equivalence.equivalent is equivalent

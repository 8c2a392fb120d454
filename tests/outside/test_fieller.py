"""Interval of a ratio: Finney's rotenone assay, and sets that are not intervals.

D. J. Finney, Probit Analysis (1971), rotenone: probit line through log10 dose, fitted here by maximum likelihood.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargebench.study.intervals import fieller

DOSE = (10.2, 7.7, 5.1, 3.8, 2.6)
TREATED = (50, 49, 46, 48, 50)
KILLED = (44, 42, 24, 16, 6)
Z = 1.959963984540054


def test_rotenone() -> None:
    """log10 LD50 0.685338, LD50 4.84549 with Fieller interval 4.36449 to 5.35439, g 0.0500."""
    import statsmodels.api as sm

    killed, treated, x = np.array(KILLED), np.array(TREATED), np.log10(DOSE)
    family = sm.families.Binomial(sm.families.links.Probit())
    line = sm.GLM(np.column_stack([killed, treated - killed]), sm.add_constant(x), family=family).fit(tol=1e-12)
    (a, b), v = line.params, line.cov_params()
    found = fieller(-a, b, v[0, 0], v[1, 1], -v[0, 1], Z)
    assert -a / b == pytest.approx(0.685338, abs=6e-7)
    assert 10 ** (-a / b) == pytest.approx(4.84549, abs=6e-6)
    assert (found.kind, found.g) == ("inside", pytest.approx(0.0500, abs=6e-5))
    assert (10**found.low, 10**found.high) == pytest.approx((4.36449, 5.35439), abs=2e-5)


def test_two_sided() -> None:
    """a 10, b 4, variances 1 and 0.25, covariance 0.1, z 1.96: 1.895988 to 3.372216 (computed)."""
    found = fieller(10, 4, 1, 0.25, 0.1, 1.96)
    assert (found.kind, found.low, found.high) == (
        "inside",
        pytest.approx(1.895988, abs=6e-7),
        pytest.approx(3.372216, abs=6e-7),
    )


def test_excluded_region() -> None:
    """b 0.8: everything but a stretch (computed)."""
    found = fieller(10, 0.8, 1, 0.25, 0.1, 1.96)
    assert found.kind == "outside"
    assert found.g > 1


def test_whole_line() -> None:
    """a 1, b 0.5, no covariance: nothing is ruled out (computed)."""
    found = fieller(1, 0.5, 1, 0.25, 0.0, 1.96)
    assert found.kind == "all"
    assert math.isnan(found.low)


def test_refuses_what_is_no_covariance() -> None:
    """A negative variance or too large a covariance is refused."""
    with pytest.raises(ValueError, match="not a covariance matrix"):
        fieller(1, 1, -1, 1)
    with pytest.raises(ValueError, match="not a covariance matrix"):
        fieller(1, 1, 1, 1, 2)


@given(
    st.floats(-20, 20),
    st.floats(-20, 20),
    st.floats(0.01, 9),
    st.floats(0.01, 9),
    st.floats(-0.9, 0.9),
    st.floats(-50, 50),
)
def test_is_the_set_of_its_definition(a: float, b: float, va: float, vb: float, r: float, ratio: float) -> None:
    """A ratio lies in the set exactly when (a - ratio b)² <= t² var(a - ratio b)."""
    cov = r * math.sqrt(va * vb)
    found = fieller(a, b, va, vb, cov, 2.0)
    miss = (a - ratio * b) ** 2 - 4 * (va - 2 * ratio * cov + ratio**2 * vb)
    if abs(miss) < 1e-6:
        return
    inside = found.low <= ratio <= found.high
    held = {"inside": inside, "outside": not inside, "all": True}[found.kind]
    assert held == (miss <= 0)

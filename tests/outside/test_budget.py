"""Uncertainty budgets against published and independently computed ones."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import t as student

from chargebench.processing.outcome import Estimate
from chargebench.processing.ratio import Source, budget, effective_dof, estimate, summed


def test_gum_h1_end_gauge() -> None:
    """JCGM 100:2008 (GUM) example H.1: components 25, 9.7, 2.9, 16.6 nm with 18, 25.6, 50, 2 degrees of freedom."""
    parts = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]
    u = math.sqrt(sum(x * x for x, _ in parts))
    dof = effective_dof(parts)
    assert round(u) == 32
    assert math.floor(dof) == 16
    assert round(float(student.ppf(0.995, math.floor(dof))) * u) in (92, 93)
    made: dict[object, Source] = {}
    length = summed(0.0, [Source(f"part {i}", 0.0, x, "nm", "A", n) for i, (x, n) in enumerate(parts)], made)
    assert estimate(length, made).u == pytest.approx(u)
    assert estimate(length, made).dof == pytest.approx(dof)
    assert sum(term.share for term in budget(length, made)) == pytest.approx(1.0)


def test_gum_g41_example() -> None:
    """GUM G.4.1 example: Y = b X1 X2 X3, relative u 0.25, 0.57, 0.82 % with n = 10, 5, 15 gives 1.03 %, 19.0, 2.2 %."""
    parts = [(0.25, 9.0), (0.57, 4.0), (0.82, 14.0)]
    made: dict[object, Source] = {}
    product = 1.0
    for i, (u, dof) in enumerate(parts):
        product = product * summed(1.0, [Source(f"x{i}", 1.0, u / 100, "", "A", dof)], made)
    result = estimate(product, made)
    assert 100 * result.u == pytest.approx(1.03, abs=0.005)
    assert round(result.dof, 1) == 19.0
    assert pytest.approx(2.2, abs=0.06) == 100 * result.U95


@pytest.mark.parametrize(
    ("dof", "factor"), [(1, 12.71), (4, 2.78), (10, 2.23), (16, 2.12), (50, 2.01), (math.inf, 1.96)]
)
def test_expanded_uncertainty_uses_the_table_of_student(dof: float, factor: float) -> None:
    """GUM table G.2, 95 %: t at 1, 4, 10, 16, 50 and infinite degrees of freedom."""
    assert pytest.approx(factor, abs=0.005) == Estimate(0.0, 1.0, dof).U95


def ratio_case() -> tuple[object, object, object, dict[object, Source]]:
    """The case: charges, drift, leakage term, gain, two weighings, scale and water share."""
    made: dict[object, Source] = {}

    def one(name: str, value: float, u: float) -> object:
        return summed(value, [Source(name, value, u, "", "B")], made)

    before, after = one("before", 0.512, 0.004), one("after", -118.304, 0.004)
    drift, leak = one("drift", 0.0031, 0.0006), one("leak", -3.95, 0.06)
    gain, scale = one("gain", 1.0, 0.005), one("scale", 1.0, 1e-4)
    tare, full, water = one("tare", 152.317, 0.0015), one("full", 154.349, 0.0015), one("water", 0.020, 0.001)
    charge = gain * (after - before + leak - drift * 55.0)  # type: ignore[operator]
    mass = scale * (full - tare) / (1.0 + water)  # type: ignore[operator]
    return charge, mass, charge / mass, made  # type: ignore[operator]


def test_charge_to_mass_budget() -> None:
    """Computed case (uncertainty library and a million draws): -122.94(62) nC, 1.9922(29) g, -61.710(323) nC/g."""
    charge, mass, ratio, made = ratio_case()
    q, m, r = estimate(charge, made), estimate(mass, made), estimate(ratio, made)
    assert (round(q.value, 2), round(q.u, 2)) == (-122.94, 0.62)
    assert (round(m.value, 4), round(m.u, 4)) == (1.9922, 0.0029)
    assert (round(r.value, 2), round(r.u, 3)) == (-61.71, 0.323)
    assert sum(term.share for term in budget(ratio, made)) == pytest.approx(1.0)


def test_charge_to_mass_budget_by_draws() -> None:
    """The same propagated by draws (JCGM 101) agrees in u to 1 %."""
    rng = np.random.default_rng(0)
    n = 400_000

    def d(value: float, u: float) -> np.ndarray:
        return value + u * rng.standard_normal(n)

    charge = d(1, 0.005) * (d(-118.304, 0.004) - d(0.512, 0.004) + d(-3.95, 0.06) - 55 * d(0.0031, 0.0006))
    mass = d(1, 1e-4) * (d(154.349, 0.0015) - d(152.317, 0.0015)) / (1 + d(0.020, 0.001))
    _, _, ratio, made = ratio_case()
    assert estimate(ratio, made).u == pytest.approx(float(np.std(charge / mass)), rel=0.01)


def test_the_absolute_form_holds_at_zero_charge() -> None:
    """At Q = 0 the uncertainty of Q/m is u(Q)/m: a relative form would divide by zero."""
    made: dict[object, Source] = {}
    charge = summed(0.0, [Source("charge", 0.0, 0.5, "nC", "A")], made)
    mass = summed(2.0, [Source("mass", 2.0, 0.1, "g", "A")], made)
    assert estimate(charge / mass, made).u == pytest.approx(0.25)

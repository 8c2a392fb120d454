"""Leakage against equation dq/dt = i + I_b - q/tau solved in closed form.

Source: the closed solution of the first-order equation, worked out by hand and given to 9 digits; tau 300 s, bias
0.01 nC/s, -20 nC/s for 10 s. The cost of ignoring leakage, (1 - exp(-x))/x with x = Tg/tau, is the same solution
without bias.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from chargebench.processing.drift import Design, Prior, fit
from chargebench.processing.integral import charge_integral
from chargebench.processing.noise import Shape, grid_of
from chargebench.processing.recipe import process
from chargebench.processing.series import Series
from tests.processing.simulate import Bench, displayed, run_of, trace

DISPLAYS = {5.0: -99.121691, 10.0: -196.605045, 40.0: -177.610114, 70.0: -160.422789}
COST = {0.02: 0.9901, 0.05: 0.9754, 0.1: 0.9516, 0.2: 0.9063, 0.5: 0.7869, 1.0: 0.6321}


def closed(t: np.ndarray, start: float = 0.0) -> np.ndarray:
    """Display of the case at times counted from the start of the grind."""
    tau, bias, inflow, grind = 300.0, 0.01, -20.0, 10.0

    def after(q0: float, current: float, x: np.ndarray) -> np.ndarray:
        return current * tau + (q0 - current * tau) * np.exp(-x / tau)

    t = t - start
    peak = float(after(0.0, inflow + bias, np.array(grind)))
    rising = after(0.0, inflow + bias, np.clip(t, 0, grind))
    return np.where(t < 0, 0.0, np.where(t <= grind, rising, after(peak, bias, t - grind)))


@pytest.mark.parametrize(("time_s", "shown"), DISPLAYS.items())
def test_the_solution_shows_what_the_table_says(time_s: float, shown: float) -> None:
    """The solution used here displays the tabulated charge to its last digit."""
    assert float(closed(np.array(time_s))) == pytest.approx(shown, abs=6e-7)


def test_corrected_charge_is_what_was_deposited() -> None:
    """q + S/tau - I_b t of the exact display is -200 nC at any time after the grind."""
    t = np.linspace(0.0, 70.0, 70001)
    q = closed(t)
    integral, bridges = charge_integral(Series(t, q))
    corrected = q - q[0] + integral / 300.0 - 0.01 * t
    assert bridges == ()
    assert corrected[t > 10.001] == pytest.approx(np.full(int(np.sum(t > 10.001)), -200.0), abs=1e-6)


def test_the_joint_fit_finds_charge_leakage_and_bias() -> None:
    """The fit of the two quiet stretches of the exact display gives -200 nC, tau 300 s and 10 pA."""
    t = np.linspace(-20.0, 70.0, 90001)
    steady = np.where(t < 0, 0.0, closed(t))
    integral, _ = charge_integral(Series(t, steady))
    pick = np.flatnonzero((t < -0.5) | (t > 10.5))[::500]
    before = t[pick] < 0
    bias = np.where(before, 0.0, t[pick])
    columns = {
        "level_before": before.astype(float), "level_after": (~before).astype(float), "bias": bias,
        "leakage": -integral[pick],
    }  # fmt: skip
    priors = {"bias": Prior(0.0, 1.0), "leakage": Prior(0.0, 1 / 60, True)}
    design = Design(grid_of(t[pick], np.ones(len(pick)), 0.5), steady[pick], columns, priors, 1e-6)
    posterior = fit(design, [Shape(0.0, 1.0, 0.0)])
    net, _ = posterior.moments(posterior.vector(level_after=1.0, level_before=-1.0))
    assert net == pytest.approx(-200.0, abs=1e-3)
    assert posterior.moments(posterior.vector(leakage=1.0))[0] == pytest.approx(1 / 300, rel=1e-4)
    assert posterior.moments(posterior.vector(bias=1.0))[0] == pytest.approx(0.01, rel=1e-2)


def test_the_whole_reduction_gives_the_deposited_charge() -> None:
    """The case with a bias that acts all along, read for 10 s before and 60 s after, reduces to -200 nC."""
    bench = Bench(charge_per_gram=-200.0 / 18.0, grind_s=10.0, after_s=60.0, tau_s=300.0, bias_nA=0.01, offset_nC=0.0)
    t = np.arange(0.0, 80.0, 0.01)
    q, _ = displayed(bench, t)
    q = q + 1e-3 * np.random.default_rng(2).standard_normal(len(t))
    net = process(run_of([trace("charge", t, q)], bench)).result["net_charge_nC"]
    assert net is not None
    assert net.value == pytest.approx(-200.0, abs=max(net.U95, 0.01))
    assert net.U95 < 0.05


@pytest.mark.parametrize(("part", "share"), COST.items())
def test_what_ignoring_leakage_costs(part: float, share: float) -> None:
    """The display at the end of a grind of Tg holds (1 - exp(-x))/x of the charge, to the four digits stated."""
    tau_s = 10.0 / part
    bench = Bench(charge_per_gram=10.0, mass_g=10.0, grind_s=10.0, before_s=0.0, tau_s=tau_s, bias_nA=0.0,
                  offset_nC=0.0, ramp_s=1e-3)  # fmt: skip
    q, _ = displayed(bench, np.array([0.0, 10.0]))
    assert float(q[1]) / 100.0 == pytest.approx(share, abs=6e-4)
    assert (1 - math.exp(-part)) / part == pytest.approx(share, abs=5e-5)

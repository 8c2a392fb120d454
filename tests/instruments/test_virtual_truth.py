"""What the virtual bench calls true: the dose curve and a grind's draw."""

import math
from dataclasses import replace

import numpy as np
import pytest

from chargebench.errors import InputError
from chargebench.instruments.virtual import SCENARIOS, DoseCurve, GrindOrder, Scenario
from chargebench.instruments.virtual.grind import draw_grind


def _draw(order, made_of=None, seed=0, **more):
    return draw_grind(made_of or Scenario(), order, np.random.default_rng(seed), 100.0, **more)


@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_doses_solve_the_curve(name):
    """Each neutralising dose, put back into the curve, gives the charge it is defined by."""
    curve = SCENARIOS[name].curve
    truth = curve.truth()
    size = abs(curve.dry_nC_per_g)
    if (dose := truth["fraction_dose_uL_per_g"]) is not None:
        assert curve.at(dose) == pytest.approx(0.1 * curve.dry_nC_per_g)
    if (dose := truth["crossing_dose_uL_per_g"]) is not None:
        assert curve.at(dose) == pytest.approx(0.0, abs=1e-9)
    if (dose := truth["equivalence_dose_uL_per_g"]) is not None:
        later = [abs(curve.at(dose * factor)) for factor in (1.0001, 1.5, 3.0, 100.0)]
        assert max(later) <= 0.05 * size < abs(curve.at(dose * 0.999))


@pytest.mark.parametrize(
    ("curve", "expected"),
    [
        (DoseCurve(-60.0, 0.0, 20 / math.log(10)), {"fraction": 20.0, "crossing": None}),
        (DoseCurve(-38.0, 2.0, 7.0), {"fraction": 7 * math.log(40 / 5.8), "crossing": 7 * math.log(20)}),
        (DoseCurve(-22.0, -22.0, math.inf), {"fraction": None, "crossing": None}),
        (DoseCurve(-75.0, -12.0, 12.0), {"fraction": None, "crossing": None}),
    ],
)
def test_doses_of_known_curves(curve, expected):
    """Doses follow in closed form; where a curve never gets there, there is none."""
    truth = curve.truth()
    for key, value in expected.items():
        assert truth[f"{key}_dose_uL_per_g"] == (None if value is None else pytest.approx(value))


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(
    "order",
    [
        GrindOrder(18.0),
        GrindOrder(18.0, 20.0, "misted"),
        GrindOrder(18.0, 0.0, "ionised"),
        GrindOrder(18.0, 5.0, "misted+ionised", setting="espresso"),
        GrindOrder(0.0, purpose="blank"),
        GrindOrder(0.3),
    ],
)
def test_truth_adds_up(order, seed):
    """Net charge is the sum of its parts and what the trace of it ends with; so is the mass."""
    grind = _draw(order, seed=seed)
    truth, fall = grind.truth, grind.fall
    parts = ("positive_charge_nC", "negative_charge_nC", "stray_charge_nC", "ion_charge_nC")
    assert truth["net_charge_nC"] == pytest.approx(sum(truth[part] for part in parts), abs=1e-9)
    assert truth["net_charge_nC"] == pytest.approx(truth["rising_charge_nC"] + truth["falling_charge_nC"], abs=1e-9)
    assert float(fall.at("charge_nC", np.array([1e6]))[0]) == truth["net_charge_nC"]
    assert float(fall.at("charge_nC", np.array([100.0]))[0]) == 0.0
    assert fall.mass_g[-1] == pytest.approx(truth["collected_mass_g"])
    assert np.all(np.diff(fall.mass_g) >= 0)
    assert np.all(np.diff(fall.positive_nC) >= 0)
    assert np.all(np.diff(fall.negative_nC) <= 0)


def test_spread_of_the_draws():
    """Over many grinds the charge per gram follows the curve with the stated scatter, and recovery its own."""
    made_of = Scenario()
    truths = [_draw(GrindOrder(18.0, 5.0, "misted"), seed=seed).truth for seed in range(400)]
    q = np.array([t["charge_to_dry_mass_nC_per_g"] for t in truths])
    expected = made_of.curve.at(5.0)
    spread = math.hypot(made_of.room.scatter_relative * expected, made_of.room.scatter_nC_per_g)
    assert abs(q.mean() - expected) < 4 * spread / 20
    assert q.std(ddof=1) == pytest.approx(spread, rel=0.15)
    recovery = np.array([t["recovery_percent"] for t in truths])
    assert recovery.mean() == pytest.approx(100 * made_of.grinder.recovery, abs=0.1)


@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_bottleneck_slows_espresso(name):
    """Espresso never grinds faster than filter, and the throughput is near the grinder's own."""
    made_of = SCENARIOS[name]
    grinder = made_of.grinder
    coarse = _draw(GrindOrder(18.0), made_of).truth
    fine = _draw(GrindOrder(18.0, setting="espresso"), made_of).truth
    ratio = fine["grind_time_s"] / coarse["grind_time_s"]
    assert ratio == pytest.approx(grinder.filter_g_per_s / grinder.espresso_g_per_s, rel=0.15)
    assert coarse["throughput_g_per_s"] == pytest.approx(grinder.filter_g_per_s, rel=0.15)


def test_carried_water_acts():
    """Water left from earlier runs takes charge away as sprayed water does."""
    made_of = replace(Scenario(), room=replace(Scenario().room, scatter_relative=0.0, scatter_nC_per_g=0.0))
    carried = _draw(GrindOrder(18.0), made_of, carried_uL_per_g=5.0).truth
    assert carried["expected_charge_nC_per_g"] == made_of.curve.at(5.0)
    assert carried["charge_to_dry_mass_nC_per_g"] == pytest.approx(made_of.curve.at(5.0), abs=0.1)


@pytest.mark.parametrize(
    ("values", "word"),
    [
        ((-1.0,), "dose_g"),
        ((math.nan,), "dose_g"),
        ((18.0, 1e4, "misted"), "water_uL_per_g"),
        ((18.0, 0.0, "steamed"), "treatment"),
        ((18.0, 5.0, "dry"), "treatment"),
        ((18.0, 0.0, "misted"), "treatment"),
        ((18.0, 0.0, "dry", "fun"), "purpose"),
        ((18.0, 0.0, "dry", "grind", "turkish"), "setting"),
    ],
)
def test_orders_are_checked(values, word):
    """An order that cannot be is refused by the name of what is wrong."""
    with pytest.raises(InputError, match=word):
        GrindOrder(*values)

"""Self-check of the simulator of studies: its truth against closed forms and published fits, its draws against it."""

import ast
import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests import independent_studies as sim

DESIGN = sim.Design((5.0, 20.0), blocks=3, dry_per_block=3)
CURVE = sim.Curve("exponential", -60.0, 0.0, 9.0)


def test_imports_nothing_of_the_program():
    """A yardstick shares no code with what it measures: the standard library and numpy only."""
    tree = ast.parse(Path(sim.__file__).read_text(encoding="utf-8"))
    names = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    names |= {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert {name.partition(".")[0] for name in names} <= {*sys.stdlib_module_names, "numpy"}
    assert not {"importlib", "subprocess", "runpy"} & names


@pytest.mark.parametrize(
    ("curve", "level", "dose"),
    [
        (sim.Curve("exponential", -60.0, 0.0, 9.0), -6.0, 9.0 * math.log(10.0)),
        (sim.Curve("exponential", 35.0, 3.0, 9.0), 3.5, 9.0 * math.log(32.0 / 0.5)),
        (sim.Curve("exponential", -60.0, 5.0, 9.0), 0.0, 9.0 * math.log(65.0 / 5.0)),
        (sim.Curve("exponential", -60.0, -15.0, 9.0), -6.0, math.inf),
        (sim.Curve("hinge", -60.0, 0.0, 16.0), -6.0, 14.4),
        (sim.Curve("hinge", -60.0, 2.0, 16.0), 0.0, 16.0 * 60.0 / 62.0),
        (sim.Curve("logistic", -60.0, 0.0, 8.0, 2.0), -6.0, 8.0 * 3.0),
        (sim.Curve("exponential", -60.0, 0.0, 9.0), -60.0, 0.0),
    ],
)
def test_first_dose_has_a_closed_form(curve, level, dose):
    """The dose at which a curve comes to a level is the one that solving its formula by hand gives."""
    assert curve.first_dose(level) == pytest.approx(dose, rel=1e-9)


def test_a_curve_that_only_touches_does_not_cross():
    """Coming down to zero is no change of sign."""
    for kind in ("exponential", "hinge", "logistic"):
        assert sim.Curve(kind, -60.0, 0.0, 9.0).first_dose(0.0, touching=False) == math.inf
        assert math.isfinite(sim.Curve(kind, -60.0, 3.0, 9.0).first_dose(0.0, touching=False))


def test_published_doses_of_a_logistic():
    """Ryegrass data (R package drc, four-parameter log-logistic): ED10, ED50, ED90 of its parameters (from memory)."""
    curve = sim.Curve("logistic", 7.79296, 0.48141, 3.05795, 2.98222)
    for fallen, dose in ((0.10, 1.46371), (0.50, 3.05795), (0.90, 6.38864)):
        level = 7.79296 - fallen * (7.79296 - 0.48141)
        assert curve.first_dose(level) == pytest.approx(dose, rel=1e-5)


def test_published_crossing_of_an_exponential():
    """Loblolly seed 329 (R, SSasymp: 94.1282, -8.2508, log rate -3.2176): it is zero at 2.09786."""
    curve = sim.Curve("exponential", -8.2508, 94.1282, math.exp(3.2176))
    assert curve.first_dose(0.0, touching=False) == pytest.approx(2.09786, rel=1e-4)


@pytest.mark.parametrize("kind", ["exponential", "hinge", "logistic"])
@pytest.mark.parametrize(("dry", "plateau"), [(-60.0, 0.0), (-60.0, 3.0), (35.0, -5.0), (35.0, 3.0)])
def test_curve_through_a_dose(kind, dry, plateau):
    """A curve made to reach a tenth of its dry value at a dose does so there and not before."""
    curve = sim.curve_through(kind, dry, plateau, 20.0)
    assert curve.first_dose(0.1 * dry) == pytest.approx(20.0, rel=1e-9)
    assert abs(float(curve.mean(19.9))) > 0.1 * abs(dry)
    assert float(curve.mean(0.0)) == dry


def test_a_rise_turns_the_curve_round():
    """With a rise the curve comes down, then goes away from zero again; its first dose is on the way down."""
    curve = sim.Curve("exponential", -60.0, 0.0, 5.0, rise_nC_per_g=-20.0)
    means = curve.mean(np.linspace(0.0, 60.0, 200))
    least = int(np.argmin(np.abs(means)))
    assert 0 < least < 199
    assert abs(means[-1]) > abs(means[least]) + 10
    assert curve.first_dose(-6.0) < np.linspace(0.0, 60.0, 200)[least]


def test_which_doses_are_neutral():
    """Inside the band is decided by the true mean; neutral from the lowest dose above which all are inside."""
    curve = sim.Curve("exponential", -60.0, 0.0, 5.0, rise_nC_per_g=-20.0)
    truth = sim.truth_of(sim.Design((5.0, 14.0, 18.0, 60.0), band_nC_per_g=6.0), curve)
    assert truth["inside"] == {0.0: False, 5.0: False, 14.0: True, 18.0: True, 60.0: False}
    assert truth["neutral_from"] is None
    assert sim.truth_of(sim.Design((5.0, 14.0, 18.0), band_nC_per_g=6.0), curve)["neutral_from"] == 14.0
    assert sim.truth_of(DESIGN, CURVE)["band_nC_per_g"] == pytest.approx(3.0)


@pytest.mark.parametrize(("mean", "sd"), [(0.0, 1.0), (2.0, 1.0), (-0.5, 3.0), (-60.0, 0.0)])
def test_mean_absolute_is_the_folded_normal(mean, sd):
    """Mean of |x| by the formula is the integral over the normal density; √(2/π) at zero."""
    x = np.linspace(-12.0, 12.0, 200_001)
    weight = np.exp(-0.5 * x * x)
    assert sim.mean_absolute(mean, sd) == pytest.approx(float(np.average(np.abs(mean + sd * x), weights=weight)))
    assert sim.mean_absolute(0.0, 1.0) == pytest.approx(math.sqrt(2.0 / math.pi))


def test_controls_stand_at_start_middle_and_end():
    """Three dry controls of a block are its first run, its last, and one between; every dose comes once."""
    design = replace(DESIGN, doses_uL_per_g=(5.0, 10.0, 20.0, 40.0))
    for seed in range(20):
        order = sim.layout(design, np.random.default_rng(seed))
        assert [i for i, (treatment, _) in enumerate(order) if treatment == "dry"] == [0, 3, 6]
        assert sorted(dose for treatment, dose in order if treatment == "misted") == [5.0, 10.0, 20.0, 40.0]


def pooled(design, curve=CURVE, studies=400, of="charge_to_mass_nC_per_g"):
    """Values (study, run) by treatment and dose, and the blanks."""
    found = {}
    for seed in range(studies):
        for run in sim.make_study(design, curve, np.random.default_rng(seed))["runs"]:
            key = run["purpose"] if run["purpose"] == "blank" else (run["treatment"], run["water_uL_per_g"])
            value = run["net_charge_nC"] if run["purpose"] == "blank" else run[of]
            found.setdefault(key, {}).setdefault(seed, []).append(value)
    return {key: np.array(list(values.values())) for key, values in found.items()}


@pytest.mark.parametrize("kind", ["scatter", "gain", "shift"])
def test_runs_scatter_as_stated(kind):
    """Mean, spread and mean absolute value of many runs are the truth's; controls of one block move together."""
    design = replace(DESIGN, blocks=1, block_ratio=2.0, block_kind=kind)
    truth = sim.truth_of(design, CURVE)
    for arm, values in pooled(design).items():
        stated, first = truth["arms"][arm], values[:, 0]
        error = stated["sd_nC_per_g"] / math.sqrt(len(first))
        assert first.mean() == pytest.approx(stated["mean_nC_per_g"], abs=4 * error)
        assert first.std() == pytest.approx(stated["sd_nC_per_g"], rel=0.15)
        assert np.abs(first).mean() == pytest.approx(stated["mean_absolute_nC_per_g"], abs=4 * error)
    dry = pooled(design)["dry", 0.0]
    own, block = sim.scatter_nC_per_g(design, -60.0), sim.block_shift_nC_per_g(design, -60.0)
    assert np.corrcoef(dry[:, 0], dry[:, 2])[0, 1] == pytest.approx(block**2 / (own**2 + block**2), abs=0.1)


def test_ions_come_on_top_and_blanks_hold_them_alone():
    """An ionised run reads grounds and ions; null grinds read the ions, as far spread; the truth leaves ions out."""
    design = replace(DESIGN, ionised_nC_per_g=-10.0, ions_nC=90.0, ions_sd_nC=9.0, blanks=3, constant_nC_per_g=0.2)
    found = pooled(design)
    blanks, ionised = found["blank"].ravel(), found["ionised", 0.0].ravel()
    assert blanks.mean() == pytest.approx(90.0, abs=4 * 9.4 / math.sqrt(len(blanks)))
    assert blanks.std() == pytest.approx(math.hypot(9.0, 1.8), rel=0.1)
    assert ionised.mean() == pytest.approx(-5.0, abs=4 * ionised.std() / math.sqrt(len(ionised)))
    truth = sim.truth_of(design, CURVE)["arms"]["ionised", 0.0]
    assert truth["mean_nC_per_g"] == -10.0
    assert ionised.std() == pytest.approx(truth["sd_nC_per_g"], rel=0.1)


def test_shared_errors_are_one_draw_a_study():
    """Gain and bias move all runs of a study alike and differ between studies by what is stated."""
    still = replace(DESIGN, constant_nC_per_g=1e-9, proportional=0.0, u_run_nC_per_g=0.0, mass_spread=0.0)
    found = pooled(replace(still, u_gain=0.02, u_bias_nC_per_g=0.5))
    dry, wet = found["dry", 0.0], found["misted", 20.0]
    assert np.ptp(dry, axis=1) == pytest.approx(0.0, abs=1e-6)
    assert dry[:, 0].std() == pytest.approx(math.hypot(1.2, 0.5), rel=0.15)
    gain = (dry[:, 0] - wet[:, 0]) / (-60.0 - float(CURVE.mean(20.0))) - 1
    assert gain.std() == pytest.approx(0.02, rel=0.15)


def test_charge_is_charge_to_mass_times_mass():
    """What was read of a run agrees with itself."""
    for run in sim.make_study(DESIGN, CURVE, np.random.default_rng(1))["runs"]:
        product = run["charge_to_mass_nC_per_g"] * run["collected_mass_g"]
        assert run["net_charge_nC"] == pytest.approx(product, rel=1e-12)


def test_trace_shows_the_charge_and_the_mass():
    """The trace of a run rises by its charge and its mass from quiet to quiet."""
    trace = sim.trace_of(-500.0, 18.0, np.random.default_rng(1))
    start, end = trace["grind_s"]
    for key, step, error in (("charge_nC", -500.0, 0.01), ("mass_g", 18.0, 0.003)):
        time_s = trace["time_s" if key == "charge_nC" else "mass_time_s"]
        risen = trace[key][time_s > end].mean() - trace[key][time_s < start].mean()
        assert risen == pytest.approx(step, abs=3 * error)


def test_seed_decides():
    """The same seed makes the same study."""
    first, second, other = (sim.make_study(DESIGN, CURVE, np.random.default_rng(seed)) for seed in (1, 1, 2))
    assert first == second != other

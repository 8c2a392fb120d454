"""Rules of curves, scatter and fits."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chargebench.study.curves import CURVES, EXPONENTIAL, EXPONENTIAL_PLATEAU, HINGE, LOG_LOGISTIC, RISE, Curve
from chargebench.study.fit import akaike, fit_curve, fit_family, lack_of_fit, missing_for, select, starts, weights
from chargebench.study.rows import Points
from chargebench.study.scatter import effective_dof, scatter_of, whiten
from tests.study.made_studies import Truth, simulate

DOSES = np.array([0.0, 5.0, 10.0, 20.0, 30.0, 50.0])
TRUE = {
    EXPONENTIAL.name: (-60.0, 9.0),
    EXPONENTIAL_PLATEAU.name: (-60.0, 3.0, 9.0),
    LOG_LOGISTIC.name: (35.0, -5.0, 12.0, 3.0),
    HINGE.name: (-60.0, 2.0, 23.0),
    RISE.name: (35.0, -6.0, 0.4, 7.0),
}


def exact(curve: Curve, parameters: tuple[float, ...], noise: float = 0.0, repeats: int = 3) -> Points:
    """Runs on a curve."""
    dose = np.repeat(DOSES, repeats)
    q = curve.mean(dose, np.array(parameters)) + noise * np.random.default_rng(5).normal(size=len(dose))
    return Points(dose, q, np.full(len(dose), 0.01), np.tile(np.arange(repeats), len(DOSES)))


@pytest.mark.parametrize("curve", CURVES, ids=lambda c: c.name)
def test_recovers_its_own_curve(curve: Curve) -> None:
    """Every curve of the family finds its parameters again from runs without error, from its own starts."""
    fit = fit_curve(curve, whiten(exact(curve, TRUE[curve.name]), even=True))
    assert fit.parameters == pytest.approx(TRUE[curve.name], rel=2e-3, abs=2e-3)


@pytest.mark.parametrize("curve", [EXPONENTIAL_PLATEAU, LOG_LOGISTIC, HINGE], ids=lambda c: c.name)
def test_inverse_undoes_shape(curve: Curve) -> None:
    """The dose at which a shape has come down to a value is where the shape has that value."""
    theta = np.array([[7.0, 2.5][: len(curve.shape_names)]])
    value = np.array([0.3])
    assert curve.shape(curve.inverse(value, theta), theta)[0] == pytest.approx(value)


@pytest.mark.parametrize("curve", CURVES, ids=lambda c: c.name)
def test_starts_at_dry_value(curve: Curve) -> None:
    """At dose zero every curve is its dry value, whatever its other parameters."""
    assert curve.mean(np.zeros(1), np.array(TRUE[curve.name]))[0] == TRUE[curve.name][0]


@pytest.mark.parametrize("curve", CURVES, ids=lambda c: c.name)
def test_never_from_too_few_doses(curve: Curve) -> None:
    """No curve is fitted from fewer distinct doses than parameters and one more; the sentence says how many it has."""
    points = exact(curve, TRUE[curve.name], 1.0, repeats=8)
    few = DOSES[: curve.parameters]
    at = np.isin(points.dose_uL_per_g, few)
    less = whiten(Points(points.dose_uL_per_g[at], points.q_nC_per_g[at], points.u_nC_per_g[at], points.block[at]))
    assert missing_for(curve, less) == (
        f"{curve.name}: {curve.parameters} distinct doses found, at least {curve.parameters + 1} needed"
    )
    assert curve not in [fit.curve for fit in fit_family(less)]
    assert missing_for(curve, whiten(points)) == ""


def test_selects_the_usual_unless_decided() -> None:
    """The exponential to a plateau is read unless another fits decisively better; it stays beside it within doubt."""
    one, other, third = (
        fit_family(whiten(exact(EXPONENTIAL_PLATEAU, TRUE[EXPONENTIAL_PLATEAU.name], 1.0)))[i] for i in (0, 2, 3)
    )

    def chosen(gain: float, of_third: float = -99.0) -> list[Curve]:
        fits = [one, replace(other, aicc=one.aicc - gain), replace(third, aicc=one.aicc - of_third)]
        return [fit.curve for fit in select(fits)]

    assert chosen(5.9, 5.8) == [EXPONENTIAL_PLATEAU]
    assert chosen(6.1) == [LOG_LOGISTIC, EXPONENTIAL_PLATEAU]
    assert chosen(14.1) == [LOG_LOGISTIC]
    assert chosen(20.0, 14.1) == [LOG_LOGISTIC, HINGE]
    assert chosen(7.0, 1.5) == [LOG_LOGISTIC, HINGE, EXPONENTIAL_PLATEAU]


def test_a_curve_to_zero_is_never_read() -> None:
    """However well a plateau of exactly zero fits, the plateau stays free."""
    usual, to_zero = fit_family(whiten(exact(EXPONENTIAL, TRUE[EXPONENTIAL.name], 1.0)))[:2]
    assert to_zero.curve is EXPONENTIAL
    assert select([usual, replace(to_zero, aicc=usual.aicc - 50)]) == (usual,)


def test_selects_the_curve_the_runs_came_from() -> None:
    """Runs close to a hinge select the hinge."""
    hinge = fit_family(whiten(exact(HINGE, TRUE[HINGE.name], 0.5), even=True))
    assert select(hinge)[0].curve is HINGE


def test_weights_sum_to_one_and_follow_aicc() -> None:
    """Akaike weights sum to one and rank as AICc does."""
    fits = fit_family(whiten(exact(LOG_LOGISTIC, TRUE[LOG_LOGISTIC.name], 1.0)))
    found = weights(fits)
    assert found.sum() == pytest.approx(1.0)
    assert np.argmax(found) == np.argmin([fit.aicc for fit in fits])
    assert math.isinf(akaike(5, 3, 1.0))


def test_lack_of_fit_sees_a_wrong_curve() -> None:
    """Repeats reject a curve that misses the means, and do not reject the one the runs came from."""
    white = whiten(exact(HINGE, TRUE[HINGE.name], 0.5), even=True)
    wrong, right = (
        lack_of_fit(fit_curve(EXPONENTIAL_PLATEAU, white), white),
        lack_of_fit(fit_curve(HINGE, white), white),
    )
    assert wrong is not None
    assert right is not None
    assert wrong.p < 1e-3 < 0.05 < right.p
    assert (wrong.df_lack, wrong.df_pure) == (3, 12 - 2)  # two go to how far three blocks differ


def test_best_of_grid_starts_beat_a_bad_guess() -> None:
    """The narrow grid holds the best shape inside its range, not at an edge."""
    white = whiten(simulate(Truth(-60.0, 1.0, 20.0), DOSES, np.random.default_rng(3)))
    grid = starts(EXPONENTIAL_PLATEAU, white)
    assert 0 < int(np.argmin(grid.rss)) < len(grid.rss) - 1


def test_scatter_law_is_recovered() -> None:
    """With many repeats the two parts of the scatter come out: 12 % of the level and 1 nC/g."""
    found = scatter_of(simulate(Truth(-60.0, 0.0, 20.0), DOSES, np.random.default_rng(4), blocks=400))
    assert found.proportional == pytest.approx(0.12, rel=0.06)
    assert found.constant_nC_per_g == pytest.approx(1.0, rel=0.06)


def test_no_repeats_no_scatter() -> None:
    """Without repeats the scatter is even and has no degrees of freedom."""
    found = scatter_of(simulate(Truth(-60.0, 0.0, 20.0), DOSES, np.random.default_rng(4), blocks=1))
    assert (found.proportional, found.dof) == (0.0, 0)


def test_own_uncertainty_is_a_floor() -> None:
    """No run is taken as better known than its own uncertainty says."""
    points = exact(EXPONENTIAL_PLATEAU, TRUE[EXPONENTIAL_PLATEAU.name], 0.1)
    wide = Points(points.dose_uL_per_g, points.q_nC_per_g, np.full(len(points.q_nC_per_g), 4.0), points.block)
    assert whiten(wide).sd_nC_per_g.min() == 4.0


@pytest.mark.parametrize("blocks", ["random", "fixed"])
def test_blocks_are_taken_out(blocks: str) -> None:
    """A block far off leaves the residual variance where runs without block effects have it, at a cost in dof."""
    truth, rng = Truth(-60.0, 1.0, 20.0), np.random.default_rng(8)
    points = simulate(truth, DOSES, rng)
    shift = 4 * np.hypot(0.12 * truth.mean(points.dose_uL_per_g), 1) * (points.block == 2)
    moved = Points(points.dose_uL_per_g, points.q_nC_per_g + shift, points.u_nC_per_g, points.block)
    plain, with_blocks = (fit_curve(EXPONENTIAL_PLATEAU, whiten(moved, blocks=b)) for b in ("none", blocks))
    assert with_blocks.dof == plain.dof - 3
    # in units of the scatter among repeats, which the shifted block inflates
    assert with_blocks.scale < 0.7 * plain.scale


@pytest.mark.parametrize(("blocks", "least", "most"), [(3, 0.2, 0.6), (40, 0.0, 0.05)])
def test_few_blocks_do_not_tell_that_blocks_are_alike(blocks: int, least: float, most: float) -> None:
    """Where blocks do not differ, three leave some difference possible, forty hardly any."""
    rng = np.random.default_rng(2)
    found = [whiten(simulate(Truth(-60.0, 0.0, 20.0), DOSES, rng, blocks)).block_ratio for _ in range(20)]
    assert least < np.median(found) < most


def test_many_blocks_tell_how_far_blocks_differ() -> None:
    """The variance between many blocks comes out as it was built in, in units of that of runs."""
    rng = np.random.default_rng(3)
    studies = (simulate(Truth(-60.0, 0.0, 20.0), DOSES, rng, blocks=60, block_sd=1.5) for _ in range(20))
    assert np.mean([whiten(study).block_ratio for study in studies]) == pytest.approx(1.5**2, rel=0.15)


def test_few_repeats_cost_degrees_of_freedom() -> None:
    """A result that hangs on one level has fewer degrees of freedom than all repeats, but more than that dose's own."""
    white = whiten(simulate(Truth(-60.0, 0.0, 20.0), DOSES, np.random.default_rng(9)))
    dry_only = (white.points.dose_uL_per_g == 0).astype(float)
    assert 3 < effective_dof(white, dry_only) < 18


@settings(max_examples=25, deadline=None)
@given(st.floats(0.05, 20.0), st.floats(0.1, 10.0), st.sampled_from([-1.0, 1.0]))
def test_fit_scales_with_units(charge: float, dose: float, sign: float) -> None:
    """A fit in other units of charge and dose, or of the other sign, is the same fit."""
    points = simulate(Truth(-60.0, 3.0, 20.0), DOSES, np.random.default_rng(11))
    other = Points(
        dose * points.dose_uL_per_g, sign * charge * points.q_nC_per_g, charge * points.u_nC_per_g, points.block
    )
    one, two = (fit_curve(EXPONENTIAL_PLATEAU, whiten(p)).parameters for p in (points, other))
    assert two == pytest.approx(one * np.array([sign * charge, sign * charge, dose]), rel=1e-3)

"""Rules of the bootstrap."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from chargebench.study.bootstrap import disagree, first_doses, resample, residuals
from chargebench.study.curves import CURVES, Curve
from chargebench.study.dose import crossing, dose_of, fall_to, interval_of
from chargebench.study.fit import Fit, fit_family, select
from chargebench.study.rows import Points
from chargebench.study.scatter import Whitened, whiten
from tests.study.made_studies import Truth, simulate
from tests.study.test_fit import TRUE

DOSES = np.array([0.0, 0.0, 0.0, 5.0, 10.0, 20.0, 20.0, 30.0, 50.0])


USUAL = Truth(-60.0, 1.0, 20.0)


def fitted(seed: int, truth: Truth = USUAL) -> tuple[Whitened, tuple[Fit, ...]]:
    white = whiten(simulate(truth, DOSES, np.random.default_rng(seed)))
    return white, fit_family(white)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_agrees_with_the_profile(seed: int) -> None:
    """On an ordinary study of 36 runs the BCa interval is the profile's within a quarter of its width."""
    white, fits = fitted(seed)
    fit = select(fits)[0]
    value = dose_of(fit.curve, fit.parameters, fall_to(0.1), 50.0)
    assert value is not None
    found = resample(fits, white, 4000, 1).interval(fall_to(0.1), 50.0, value)
    assert not disagree(interval_of(fit, white, fall_to(0.1)), found)


def test_scatter_that_is_not_well_known_widens_it() -> None:
    """With few degrees of freedom the interval is wider than the percentiles of its resamples, with many the same."""
    white, fits = fitted(1)
    value = dose_of(select(fits)[0].curve, select(fits)[0].parameters, fall_to(0.1), 50.0)
    assert value is not None
    resampled = resample(fits, white, 4000, 1)
    few, many, plain = (resampled.interval(fall_to(0.1), 50.0, value, *dof) for dof in ((6.0,), (1e6,), ()))
    assert few[0] < plain[0] < plain[1] < few[1]
    assert many == pytest.approx(plain, rel=1e-3)


def test_same_seed_same_interval() -> None:
    """A bootstrap is reproducible from its seed, and another seed draws others."""
    white, fits = fitted(1)
    one, two, other = (resample(fits, white, 500, seed).doses(fall_to(0.1), 50.0)[0] for seed in (7, 7, 8))
    assert (one == two).all()
    assert (one != other).any()


def test_selection_is_part_of_it() -> None:
    """Each resample selects its own curve: mostly the one resampled from, now and then another."""
    white, fits = fitted(4)
    shares = resample(fits, white, 4000, 3).shares()
    assert sum(shares.values()) == pytest.approx(1.0)
    assert 0.9 < shares[select(fits)[0].curve.name] < 1.0
    assert shares["exponential to zero"] == 0.0


def test_leverages_sum_to_the_parameters() -> None:
    """The fit's pull on its own runs adds up to the number of its parameters."""
    white, fits = fitted(4)
    assert residuals(fits[0], white)[1].sum() == pytest.approx(fits[0].curve.parameters)


def test_leaving_out_moves_little() -> None:
    """Each study with one run left out has its dose near that of the whole, as a jackknife should."""
    white, fits = fitted(5)
    fit = select(fits)[0]
    value = dose_of(fit.curve, fit.parameters, fall_to(0.1), 50.0)
    _, deleted = resample(fits, white, 10, 1).doses(fall_to(0.1), 50.0)
    low, high = interval_of(fit, white, fall_to(0.1))
    assert np.median(deleted) == pytest.approx(value, rel=0.02)
    assert np.abs(deleted - value).max() < high - low


def test_batch_finds_what_single_fits_find() -> None:
    """A study left without a run, as the batch does it, has the dose that a fit without that run finds."""
    white, fits = fitted(6)
    usual = tuple(fit for fit in fits if fit.curve.name == "exponential to a plateau")
    _, deleted = resample(usual, white, 10, 1, shapes=400).doses(fall_to(0.1), 50.0)
    for i in (0, 14, 35):
        keep = np.arange(36) != i
        less = replace(
            white, transform=white.transform[np.ix_(keep, keep)], y=white.y[keep], points=_without(white, keep)
        )
        fit = fit_family(less, [usual[0].curve])[0]
        assert deleted[i] == pytest.approx(dose_of(fit.curve, fit.parameters, fall_to(0.1), 50.0), rel=0.004)


def _without(white: Whitened, keep: np.ndarray) -> Points:
    p = white.points
    return Points(p.dose_uL_per_g[keep], p.q_nC_per_g[keep], p.u_nC_per_g[keep], p.block[keep])


def test_no_crossing_is_an_open_end() -> None:
    """Where many resamples never cross zero the interval is open above."""
    white, fits = fitted(7, Truth(-60.0, 0.0, 20.0))
    low, high = resample(fits, white, 2000, 1).interval(crossing(), 50.0, 49.0)
    assert high == np.inf
    assert low < np.inf


@pytest.mark.parametrize("curve", CURVES, ids=lambda c: c.name)
def test_doses_of_many_are_doses_of_each(curve: Curve) -> None:
    """Reading many curves at once gives what reading each gives."""
    parameters = np.array([TRUE[curve.name]]) * np.array([[1.0], [1.1], [0.8]])
    many = first_doses(curve, parameters, fall_to(0.2), 60.0)
    each = [dose_of(curve, p, fall_to(0.2), 60.0) for p in parameters]
    assert many == pytest.approx(each, rel=2e-3)


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        ((10.0, 20.0), (10.5, 20.5), False),
        ((10.0, 20.0), (10.0, 24.0), True),
        ((10.0, None), (10.0, 20.0), True),
        ((10.0, None), (10.5, None), False),
        ((None, None), (None, None), False),
    ],
)
def test_disagree(first, second, expected: bool) -> None:
    """Intervals disagree when an end is open in one only or moved by more than a quarter of the width."""
    assert disagree(first, second) is expected

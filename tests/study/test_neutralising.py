"""Rules of the neutralising dose: four definitions, statuses, intervals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from chargebench.study.answer import analyse
from chargebench.study.curves import EXPONENTIAL, EXPONENTIAL_PLATEAU
from chargebench.study.dose import DoseAnswer, crossing, dose_of, fall_to, interval_of, profile, reach
from chargebench.study.equivalence import (
    band_of,
    equivalence,
    level_of,
    levels_of,
    put_to_test,
    sign_changes,
    tolerance_factor,
)
from chargebench.study.fit import fit_curve
from chargebench.study.neutralising import four_definitions
from chargebench.study.rows import Points, Question
from chargebench.study.scatter import Scatter, whiten
from chargebench.study.shapefree import between
from tests.study.made_studies import Truth, simulate

DOSES = np.array([0.0, 5.0, 10.0, 20.0, 30.0, 50.0])
EVEN = Scatter(1.0, 0.0, 18)


def ask(points: Points, question: Question | None = None) -> dict[str, DoseAnswer]:
    """All four answers."""
    question = question or Question()
    a = analyse(points, question)
    return dict(four_definitions(a.chosen, a.white, a.levels, a.tested, a.band, question, a.missing))


def study(dry: float, plateau: float, dose: float, seed: int = 1, doses: np.ndarray = DOSES, blocks: int = 4) -> Points:
    return simulate(Truth(dry, plateau, dose), doses, np.random.default_rng(seed), blocks)


def runs(*levels: tuple[float, list[float]]) -> Points:
    """Runs given dose by dose."""
    dose = np.array([d for d, q in levels for _ in q])
    q = np.array([value for _, values in levels for value in values])
    return Points(dose, q, np.full(len(q), 0.1), np.zeros(len(q), dtype=np.int64))


@pytest.mark.parametrize("target", [fall_to(0.1), reach(-2.0), crossing()], ids=["fraction", "limit", "crossing"])
@pytest.mark.parametrize("seed", range(4))
def test_profile_interval_is_that_of_minos(target, seed) -> None:
    """Where it is finite, the interval read off the profile is the one MINOS finds with the dose as a parameter."""
    from iminuit import Minuit
    from scipy.special import stdtrit

    from chargebench.study.dose import dof_of

    white = whiten(study(-60.0, 3.0, 20.0, seed))
    fit = fit_curve(EXPONENTIAL_PLATEAU, white)
    x, y, transform = white.points.dose_uL_per_g, white.y, white.transform

    def cost(dry: float, plateau: float, dose: float) -> float:
        left = (target.fraction * dry + target.level_nC_per_g - plateau) / (dry - plateau)
        decay = -dose / np.log(left) if 0 < left < 1 else 1e9
        r = y - transform @ (plateau + (dry - plateau) * np.exp(-x / decay))
        return float(r @ r)

    best = dose_of(EXPONENTIAL_PLATEAU, fit.parameters, target, 50.0)
    assert best is not None
    minuit = Minuit(cost, fit.parameters[0], fit.parameters[1], best)
    minuit.errordef = stdtrit(dof_of(fit, white, target), 0.975) ** 2 * fit.scale
    minuit.migrad()
    minuit.minos("dose")
    error = minuit.merrors["dose"]
    expected = (minuit.values["dose"] + error.lower, minuit.values["dose"] + error.upper)
    assert interval_of(fit, white, target) == pytest.approx(expected, rel=2e-3)


def test_profile_is_least_at_the_fit() -> None:
    """The profile touches the sum of squares of the fit at the fitted dose and nowhere lies below it."""
    white = whiten(study(-60.0, 1.0, 20.0))
    fit = fit_curve(EXPONENTIAL_PLATEAU, white)
    value = dose_of(fit.curve, fit.parameters, fall_to(0.1), 50.0)
    assert value is not None
    assert profile(fit, white, fall_to(0.1), np.array([value]))[0] == pytest.approx(fit.rss, rel=1e-3)
    assert (profile(fit, white, fall_to(0.1), np.linspace(1, 50, 99)) >= fit.rss * (1 - 1e-9)).all()


def test_curve_to_zero_profiles_its_shape() -> None:
    """A curve to zero reaches a fraction at a multiple of its decay, so the dose has the decay's interval."""
    white = whiten(study(-60.0, 0.0, 20.0))
    fit = fit_curve(EXPONENTIAL, white)
    value = dose_of(fit.curve, fit.parameters, fall_to(0.1), 50.0)
    assert value == pytest.approx(fit.parameters[1] * np.log(10))
    low, high = interval_of(fit, white, fall_to(0.1))
    half = np.log(10) * fit.u[1] * 2.1
    assert (high - low) / 2 == pytest.approx(half, rel=0.1)


def test_found_with_two_ends() -> None:
    """A study around its dose finds the fraction with a two-sided interval that holds the truth."""
    found = ask(study(-60.0, 1.0, 20.0))["fraction"]
    assert found.status == "found"
    assert found.ci95 is not None
    low, high = found.ci95
    assert low is not None
    assert high is not None
    assert low < 20.0 < high


def test_nothing_beyond_the_highest_dose() -> None:
    """When the charge has not fallen far enough the dose is above the highest tested, and the interval open above."""
    found = ask(study(-60.0, 0.0, 90.0))
    for name in ("fraction", "equivalence"):
        assert found[name].status == "above highest dose"
        assert found[name].value is None
        assert found[name].bracket == (50.0, None)
    ends = found["fraction"].ci95
    assert ends is not None
    assert ends[1] is None


def test_levelling_off_is_not_answered_with_water() -> None:
    """Where the curve levels off above the target the sentence says so."""
    found = ask(study(-60.0, -5.0, 20.0), Question(fraction=0.05))["fraction"]
    assert found.status == "above highest dose"
    assert "levels off at -4.97 nC/g" in found.text


def test_plateau_at_zero_has_no_crossing() -> None:
    """With the plateau at zero a crossing is not identifiable."""
    assert ask(study(-60.0, 0.0, 20.0))["crossing"].status == "not identifiable"


def test_crossing_between_signs() -> None:
    """With doses significantly on both sides the crossing is found between them."""
    truth = Truth(35.0, -8.0, 15.0)
    found = ask(simulate(truth, DOSES, np.random.default_rng(2)))["crossing"]
    assert found.status == "found"
    assert found.bracket is not None
    assert found.value is not None
    below, above = found.bracket
    assert below is not None
    assert above is not None
    assert below < found.value < above
    assert truth.mean(np.array([below]))[0] > 0 > truth.mean(np.array([above]))[0]


def test_open_below_when_the_first_dose_is_past() -> None:
    """When already the first dose has the plateau, the fraction dose is bounded above only."""
    found = ask(study(-60.0, -5.0, 2.0))["fraction"]
    assert found.ci95 is not None
    assert found.ci95[0] is None


@pytest.mark.parametrize("limit", [None, 2.0])
def test_limit_needs_a_limit(limit: float | None) -> None:
    """The limit definition is given only where the bench's detection limit is known."""
    found = ask(study(-60.0, 1.0, 15.0), Question(detection_limit_nC_per_g=limit))["limit"]
    assert found.status == ("not identifiable" if limit is None else "found")


def test_uncharged_dry_coffee_has_no_fraction() -> None:
    """Where the dry charge is not shown to differ from zero nothing can fall to a part of it."""
    found = ask(runs((0.0, [-2.0, 3.0, -1.0]), (5.0, [1.0, -1.0, 0.5]), (10.0, [0.1, -0.3, 0.2])))
    assert found["fraction"].status == "not identifiable"


def test_too_few_doses_give_a_bracket() -> None:
    """From two wet doses there is no curve; the tests bracket the dose and the method says what is missing."""
    points = runs((0.0, [-60.0, -58.0, -63.0]), (10.0, [-25.0, -27.0, -24.0]), (30.0, [-0.2, 0.4, 0.1]))
    found = ask(points)["fraction"]
    assert (found.status, found.bracket) == ("bracket", (10.0, 30.0))
    assert "3 distinct doses found, at least 4 needed" in found.method


def test_equivalence_needs_every_higher_dose() -> None:
    """A dose inside the band does not count while a higher one is outside."""
    near, far = [0.1, -0.2, 0.15, 0.0], [6.0, 6.3, 5.9, 6.1]
    points = runs((0.0, [-60.0, -61.0, -59.0]), (10.0, near), (20.0, far), (30.0, near))
    found = ask(points, Question(band_nC_per_g=3.0))["equivalence"]
    assert (found.status, found.value, found.bracket) == ("found", 30.0, (20.0, 30.0))


def test_no_difference_found_is_not_neutral() -> None:
    """Few scattered runs whose mean does not differ from zero are not called neutral."""
    points = runs((0.0, [-60.0, -61.0, -59.0]), (30.0, [-3.0, 4.0, 0.5]))
    assert ask(points, Question(band_nC_per_g=3.0))["equivalence"].status == "above highest dose"


def test_signs_that_change_are_not_neutral() -> None:
    """Runs at +30 and -30 average to zero, pass on the mean, and are still called not neutral."""
    rng = np.random.default_rng(1)
    wild = list(np.concatenate([30 + rng.normal(size=400), -30 + rng.normal(size=400)]))
    points = runs((0.0, [-60.0, -61.0, -59.0]), (30.0, wild))
    a = analyse(points, Question(band_nC_per_g=3.0))
    top = a.tested[-1]
    assert top.inside
    assert top.sign_changes
    assert not top.neutral
    assert "not neutral: sign changes from run to run" in equivalence(a.tested).text


def test_scatter_inside_the_band_is_no_sign_change() -> None:
    """Runs of both signs that stay inside the band are neutral."""
    level = level_of(runs((30.0, [-1.0, 1.2, 0.4, -0.8])), 0, EVEN)
    assert not sign_changes(level, 3.0)


def test_overshoot_is_said() -> None:
    """Charge that came out on the other side is not answered with more water."""
    points = runs((0.0, [-60.0, -61.0, -59.0]), (10.0, [-9.0, -8.5, -9.5]), (30.0, [8.0, 8.4, 7.9]))
    found = ask(points, Question(band_nC_per_g=3.0))["equivalence"]
    assert found.status == "not identifiable"
    assert "changed sign" in found.text


def test_shared_errors_do_not_average_down() -> None:
    """More runs shrink a mean's uncertainty only down to what they share."""
    q = np.full(400, 1.0) + 0.01 * np.random.default_rng(1).normal(size=400)
    points = Points(np.zeros(400), q, np.full(400, 0.01), np.zeros(400, dtype=np.int64), {"bias": np.full(400, 0.5)})
    assert level_of(points, 0, EVEN).u_nC_per_g == pytest.approx(0.5, rel=1e-3)


def test_gain_error_cancels_in_the_fraction() -> None:
    """An error in proportion to the charge moves no fraction of it, an offset does."""
    points = study(-60.0, 1.0, 20.0)
    q = points.q_nC_per_g

    def width(shared: dict[str, np.ndarray]) -> float:
        white = whiten(Points(points.dose_uL_per_g, q, points.u_nC_per_g, points.block, shared))
        low, high = interval_of(fit_curve(EXPONENTIAL_PLATEAU, white), white, fall_to(0.1))
        return high - low

    plain = width({})
    assert width({"gain": 0.05 * q}) == pytest.approx(plain, rel=0.02)
    assert width({"bias": np.full(len(q), 2.0)}) > 1.5 * plain


@pytest.mark.parametrize(
    ("fixed", "limit", "expected"), [(2.5, 1.0, 2.5), (None, 9.0, 9.0), (None, 1.0, 3.0), (None, None, 3.0)]
)
def test_band(fixed: float | None, limit: float | None, expected: float) -> None:
    """The band is what was fixed, else the larger of the detection limit and 5 % of the dry value."""
    band = band_of(levels_of(runs((0.0, [-59.0, -61.0])), EVEN), fixed, limit)
    assert band is not None
    assert band.half_width_nC_per_g == pytest.approx(expected)


def test_band_from_the_runs_carries_their_uncertainty() -> None:
    """A band taken from the dry runs makes the test harder than the same band fixed beforehand."""
    levels = levels_of(runs((0.0, [-40.0, -80.0]), (30.0, [1.0, 1.1, 0.9, 1.0])), EVEN)
    (_, own), (_, fixed) = (
        put_to_test(levels, b) for b in (band_of(levels, None, None), band_of(levels, 3.0, None)) if b
    )
    assert own.interval90_nC_per_g[1] > fixed.interval90_nC_per_g[1]


@pytest.mark.parametrize("n", [3, 6, 20])
def test_tolerance_factor_covers(n: int) -> None:
    """In 95 % of normal samples mean ± k·sd holds at least 90 % of the population."""
    from scipy.special import ndtr

    rng = np.random.default_rng(7)
    x = rng.normal(size=(40_000, n))
    half, mean = tolerance_factor(n) * x.std(axis=1, ddof=1), x.mean(axis=1)
    held = (ndtr(mean + half) - ndtr(mean - half)) >= 0.90
    assert held.mean() == pytest.approx(0.95, abs=0.005)


@pytest.mark.parametrize("kind", ["hinge", "exponential"])
def test_four_doses_span_every_curve_they_cannot_rule_out(kind: str) -> None:
    """At 0/5/10/20 µL/g the interval holds the dose of a hinge as of an exponential, and says what would decide."""
    rng, held, n, doses = np.random.default_rng(3), 0, 40, np.array([0.0, 5.0, 10.0, 20.0])
    truth = Truth(-60.0, 0.0, 12.0) if kind == "exponential" else Hinge(-60.0, 12.0)
    for _ in range(n):
        found = ask(simulate(truth, doses, rng))["fraction"]
        low, high = found.ci95 or (None, None)
        held += (low or 0.0) <= 12.0 <= (np.inf if high is None else high)
        assert "a dose between" in found.text
    assert held >= 0.93 * n


@dataclass(frozen=True)
class Hinge:
    """A straight fall to zero, a tenth of dry at `dose`."""

    dry: float
    dose: float

    def mean(self, dose: np.ndarray) -> np.ndarray:
        return self.dry * np.clip(1 - 0.9 * dose / self.dose, 0, None)


@pytest.mark.parametrize(
    ("levels", "ends"),
    [
        (((0.0, -60.0), (10.0, -20.0), (30.0, -0.5)), (10.0, 30.0)),
        (((0.0, -60.0), (10.0, -20.0), (30.0, -12.0)), (30.0, np.inf)),
        (((0.0, -60.0), (10.0, -0.5), (30.0, -0.2)), (0.0, 10.0)),
        (((0.0, -60.0), (10.0, -6.0), (30.0, -6.1)), (0.0, np.inf)),
    ],
)
def test_any_falling_curve_crosses_between_these(levels, ends) -> None:
    """The target lies above the last dose shown above it and below the first shown below it; else an end is open."""
    shape = np.array([-0.5, 0.0, 0.5, 0.1])
    points = runs(*((dose, list(mean + 0.6 * shape)) for dose, mean in levels))
    white = whiten(points)
    assert between(levels_of(points, white.scatter), white.judged, fall_to(0.1)) == ends


def test_a_crossing_just_shown_is_doubted() -> None:
    """A change of sign shown by a hair or by blocks that differ bears a doubt, one far beyond chance does not."""
    points = study(-60.0, 6.0, 20.0, blocks=6)
    assert ask(points)["crossing"].doubt == ""
    assert "Add blocks" in ask(study(-60.0, 12.0, 20.0, blocks=3))["crossing"].doubt
    weak = next(
        found for seed in range(200)
        if (found := ask(study(-60.0, 1.0, 20.0, seed))["crossing"]).status == "found"
    )  # fmt: skip
    assert "only just shown" in weak.doubt

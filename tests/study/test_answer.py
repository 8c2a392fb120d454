"""Rules of the whole answer: its shape, its flags, and that odd studies get an answer rather than an error."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chargebench.errors import StudyError
from chargebench.plain import to_json
from chargebench.processing.outcome import Estimate
from chargebench.runs.water import tells_water
from chargebench.study.answer import answer
from chargebench.study.curves import EXPONENTIAL_PLATEAU
from chargebench.study.dose import fall_to
from chargebench.study.equivalence import levels_of
from chargebench.study.fit import fit_curve
from chargebench.study.rows import Question, StudyRun, points_of, usable
from chargebench.study.scatter import Scatter, whiten
from chargebench.study.sensitivity import isotonic_check, robust_refit
from tests.study.made_studies import Truth, rows_of, simulate

DOSES = np.array([0.0, 5.0, 10.0, 20.0, 30.0, 50.0])
STATUSES = {"found", "above highest dose", "bracket", "not identifiable"}
LIVE = Question(detection_limit_nC_per_g=1.5, resamples=0)


USUAL = Truth(-60.0, 1.0, 20.0)


def study(truth: Truth = USUAL, seed: int = 1) -> list[StudyRun]:
    return rows_of(simulate(truth, DOSES, np.random.default_rng(seed)))


def codes(rows: list[StudyRun]) -> set[str]:
    return {flag.code for flag in answer(rows, Question(resamples=200)).groups[0].flags}


def test_shape() -> None:
    """Each group has the four definitions, the dry level, the curve with weights and parameters, treatments, next."""
    group = answer(study(), Question(detection_limit_nC_per_g=1.5, resamples=500)).groups[0]
    assert list(group.doses) == ["equivalence", "fraction", "limit", "crossing"]
    for dose in group.doses.values():
        assert dose.status in STATUSES
        assert dose.unit == "uL/g"
    assert sum(group.curve.weights.values()) == pytest.approx(1.0)
    assert group.curve.parameters["dry_nC_per_g"].value == pytest.approx(-60.0, rel=0.2)
    assert group.dry.n == 4
    points, residuals = group.curve.points, group.curve.residuals
    bands = zip(points.low_nC_per_g, points.mean_nC_per_g, points.high_nC_per_g, strict=True)
    assert all(low < mean < high for low, mean, high in bands)
    assert points.dose_uL_per_g[-1] == 50.0
    assert len(residuals.residual_nC_per_g) == len(residuals.run) == 24
    assert len(group.treatments.arms) == 6
    assert group.next.text
    assert group.neutralising_dose.fraction.bootstrap_ci95 is not None


def test_live_answer_is_the_same_answer() -> None:
    """Leaving out the bootstrap changes no dose and no interval."""
    live, full = (answer(study(), replace(LIVE, resamples=n)).groups[0].doses for n in (0, 300))
    for name, dose in live.items():
        assert replace(full[name], bootstrap_ci95=None, intervals_disagree=None) == dose


def test_one_group_for_each_coffee_and_grinder() -> None:
    """Runs of another coffee or grinder are answered apart; blanks serve every coffee of their grinder."""
    other = [replace(row, coffee="valley lot", run_id="v" + row.run_id) for row in study(seed=2)]
    ion = [
        replace(r, treatment="ionised", water_uL_per_g=0.0, collected_mass_g=17.5, run_id="i" + r.run_id)
        for r in other[:3]
    ]
    blanks = [
        replace(r, purpose="blank", coffee="", net_charge_nC=5.0 + i, charge_to_mass=None) for i, r in enumerate(ion)
    ]
    found = answer([*study(), *other, *ion, *blanks], Question(resamples=50)).groups
    assert [group.coffee for group in found] == ["hill lot", "valley lot"]
    assert [group.treatments.ioniser_background.contained_in for group in found] == [0, 3]


def test_set_aside_with_reasons() -> None:
    """Excluded, rejected, empty and incomplete runs count nowhere and stand with their reasons."""
    rows = study()
    rows[0] = replace(rows[0], excluded="the cable was touched")
    rows[1] = replace(rows[1], worst="reject", flags=("over-range",))
    rows[2] = replace(rows[2], charge_to_mass=None)
    rows[-1] = replace(rows[-1], tags={"incomplete": "ended while grinding"})
    group = answer(rows, LIVE).groups[0]
    assert group.runs == 20
    assert [entry.reason for entry in group.set_aside] == [
        "the cable was touched", "rejected: over-range", "no charge-to-mass", "not complete: ended while grinding",
    ]  # fmt: skip
    assert group.dry.n == 1


def test_mixed_settings_are_flagged() -> None:
    """Runs at two grinder settings in one curve raise a doubt."""
    rows = study()
    assert "mixed-settings" not in codes(rows)
    assert "mixed-settings" in codes([replace(rows[0], setting="filter"), *rows[1:]])


def test_unequal_masses_are_flagged() -> None:
    """Collected masses more than 10 % apart raise a doubt; equal ones do not."""
    rows = [replace(row, collected_mass_g=18.0) for row in study()]
    assert "unequal-mass" not in codes(rows)
    assert "unequal-mass" in codes([replace(rows[0], collected_mass_g=14.0), *rows[1:]])


@pytest.mark.parametrize(
    ("tags", "untold"),
    [({"coffee": "Larkfield"}, True), ({"treatment": "dry"}, False), ({"water_uL_per_g": 0.0}, False),
     ({"water_g": 0.0}, False)],
)  # fmt: skip
def test_runs_that_do_not_tell_their_water_are_flagged(tags: dict[str, float | str], untold: bool) -> None:
    """Nobody takes a run for dry unasked: the answer names it."""
    rows = study()
    assert ("water-untold" in codes([replace(rows[0], tells_water=tells_water(tags)), *rows[1:]])) is untold


def test_rise_at_high_dose_is_flagged() -> None:
    """Charge that rises again at high dose is flagged as not steady; a steady fall is not."""
    steady = study(Truth(-60.0, 0.0, 15.0))
    assert "not-steady" not in codes(steady)
    risen = [
        replace(row, charge_to_mass=Estimate(row.charge_to_mass.value - 12, 0.3, 30))
        if row.water_uL_per_g == 50
        else row
        for row in steady
        if row.charge_to_mass
    ]
    assert "not-steady" in codes(risen)


def test_isotonic_check_needs_three_doses() -> None:
    """Two doses cannot go up and down."""
    white = whiten(points_of(study()))
    assert isotonic_check(levels_of(white.points, white.scatter)[:2], white.scatter, 1) is None
    assert isotonic_check(levels_of(white.points, white.scatter), Scatter(1.0, 0.0, 0), 1) is None


def test_isotonic_p_is_not_too_small_by_chance() -> None:
    """For studies that do fall steadily, with a long plateau, few p values are small."""
    p = []
    for seed in range(60):
        white = whiten(simulate(Truth(-60.0, 0.0, 8.0), DOSES, np.random.default_rng(seed)))
        found = isotonic_check(levels_of(white.points, white.scatter), white.scatter, seed, draws=99)
        assert found is not None
        p.append(found.p)
    assert np.mean(np.array(p) <= 0.05) <= 0.12


def test_robust_refit_holds_an_outlier_down() -> None:
    """One ruined run moves the robust dose less than the ordinary one, and is named."""
    truth = Truth(-60.0, 1.0, 20.0)
    points = simulate(truth, DOSES, np.random.default_rng(3), blocks=6)
    points.q_nC_per_g[20] += 25.0
    white = whiten(replace(points, run_id=tuple(f"run-{i}" for i in range(36))), "none", even=True)
    fit = fit_curve(EXPONENTIAL_PLATEAU, white)
    found = robust_refit(fit, white, fall_to(0.1))
    assert "run-20" in found.held_down
    plain = fit.parameters - np.array([-60.0, 1.0, truth.decay])
    robust = np.array(list(found.parameters.values())) - np.array([-60.0, 1.0, truth.decay])
    assert abs(robust[2]) < abs(plain[2])


ODD = {
    "one run": lambda rows: rows[:1],
    "dry only": lambda rows: rows[:4],
    "no dry": lambda rows: rows[4:],
    "one wet dose": lambda rows: rows[:8],
    "no repeats": lambda rows: rows[::4],
    "no scatter": lambda rows: [
        replace(r, charge_to_mass=Estimate(-1.0 * int(r.water_uL_per_g == 0), 0.1)) for r in rows
    ],
    "all zero": lambda rows: [replace(r, charge_to_mass=Estimate(0.0, 0.0)) for r in rows],
    "one block": lambda rows: [replace(r, block="") for r in rows],
    "a block a run": lambda rows: [replace(r, block=r.run_id) for r in rows],
    "a block a dose": lambda rows: [replace(r, block=str(r.water_uL_per_g)) for r in rows],
    "dose untold": lambda rows: [replace(r, water_uL_per_g=float("nan")) for r in rows],
    "all excluded": lambda rows: [replace(r, excluded="spilt") for r in rows],
    "only blanks": lambda rows: [replace(r, purpose="blank", charge_to_mass=None) for r in rows],
}


@pytest.mark.parametrize("blocks", ["random", "fixed"])
@pytest.mark.parametrize("odd", ODD)
def test_odd_studies_are_answered(odd: str, blocks: str) -> None:
    """Whatever is missing, there is an answer in plain JSON, and no status outside the four."""
    found = answer(ODD[odd](study()), Question(detection_limit_nC_per_g=1.5, resamples=50, blocks=blocks))
    json.dumps(to_json(found), allow_nan=False)
    for group in found.groups:
        for dose in group.doses.values():
            assert dose.status in STATUSES
            assert dose.text.endswith(".")


@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(DOSES), st.floats(-2000, 2000), st.sampled_from("abc")), min_size=1, max_size=30
    ),
    st.floats(0.0, 5.0),
)
def test_any_runs_are_answered(runs: list[tuple[float, float, str]], u: float) -> None:
    """No set of runs makes the live answer fail, and no interval reaches beyond the highest tested dose."""
    rows = [replace(study()[0], run_id=str(i), water_uL_per_g=d, block=b, order=i,
                    charge_to_mass=Estimate(q, u)) for i, (d, q, b) in enumerate(runs)]  # fmt: skip
    found = answer(rows, LIVE).groups[0]
    json.dumps(to_json(found), allow_nan=False)
    highest = max(row.water_uL_per_g for row in rows)
    for dose in found.doses.values():
        ends = [end for end in (dose.value, *(dose.ci95 or ())) if end is not None]
        assert all(0 <= end <= highest for end in ends)


@pytest.mark.parametrize(
    "wrong", [{"fraction": 0.0}, {"band_nC_per_g": -1.0}, {"detection_limit_nC_per_g": 0.0}, {"blocks": "some"}]
)
def test_questions_have_ranges(wrong: dict) -> None:
    """A question outside its ranges is refused with the value found."""
    with pytest.raises(StudyError, match="found"):
        Question(**wrong)


def test_shared_shifts_have_their_sign() -> None:
    """A gain error shifts runs of opposite sign apart, a leakage or bias error shifts all the same way."""
    rows = [
        replace(study()[i], charge_to_mass=Estimate(q, 0.1), shared_u={"gain": 0.2, "leakage": 0.3})
        for i, q in enumerate((-40.0, 3.0))
    ]
    found = points_of(rows).shared
    assert list(found["gain"]) == [-0.2, 0.2]
    assert list(found["leakage"]) == [0.3, 0.3]


def test_weighed_doses_are_repeats() -> None:
    """Doses that differ only as weighed water does are one level, and the fit uses each as it was."""
    rng = np.random.default_rng(5)
    exact = study()
    weighed = [replace(row, water_uL_per_g=row.water_uL_per_g * rng.uniform(0.98, 1.02)) for row in exact]
    one, two = points_of(exact), points_of(weighed)
    assert (one.level == two.level).all()
    assert one.doses.tolist() == DOSES.tolist()
    assert two.doses == pytest.approx(DOSES, rel=0.02)
    near, far = (answer(rows, LIVE).groups[0].neutralising_dose.fraction.value for rows in (exact, weighed))
    assert near == pytest.approx(far, rel=0.05)


def test_close_doses_stay_apart() -> None:
    """Doses a tenth apart are levels of their own, and dry never joins a wet dose."""
    rows = [replace(study()[0], run_id=str(d), water_uL_per_g=d) for d in (0.0, 0.01, 10.0, 10.5, 11.0, 12.2)]
    assert points_of(rows).level.tolist() == [0, 1, 2, 2, 3, 4]


def test_points_need_a_charge() -> None:
    """A row without charge-to-mass cannot lie on a curve, and is no usable row."""
    row = replace(study()[0], charge_to_mass=None)
    with pytest.raises(StudyError, match="run-00: no charge-to-mass"):
        points_of([row])
    assert usable([row]) == []

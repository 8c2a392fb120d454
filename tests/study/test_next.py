"""The next dose is the one that narrows the answer most, and the stopping rule is the one set beforehand."""

from __future__ import annotations

import numpy as np
import pytest

from chargebench.study.answer import analyse, answer, next_of
from chargebench.study.next import Rule, reachable_doses
from chargebench.study.rows import Floats, Points, Question, StudyRun
from chargebench.study.scatter import Whitened, whiten
from tests.study.made_studies import rows_of


def _white(doses: Floats, decay: float = 9.0, seed: int = 2) -> Whitened:
    noise = np.random.default_rng(seed)
    mean = -60.0 * np.exp(-doses / decay)
    q = mean + np.hypot(1.0, 0.06 * mean) * noise.standard_normal(len(doses))
    order = np.argsort(doses, kind="stable")
    return whiten(
        Points(
            dose_uL_per_g=doses[order],
            q_nC_per_g=q[order],
            u_nC_per_g=np.full(len(doses), 0.2),
            block=np.zeros(len(doses), dtype=np.int64),
            run_id=tuple(f"r{n}" for n in range(len(doses))),
        ),
        "none",
    )


DOSES = np.repeat([0.0, 5.0, 10.0, 20.0, 30.0, 40.0], 3)


def test_the_chosen_dose_really_narrows_most() -> None:
    """Against brute force: refitting with a run added on the curve at each dose, no other dose does better."""
    a = analyse(_white(DOSES).points, Question(blocks="none"))
    white, fit = a.white, a.chosen[0]
    found = next_of(a, Question(blocks="none"))
    reachable = reachable_doses(white.points.doses)

    def variance(dose: float) -> float:
        """Of the fraction dose, from the information of all runs and one more, by a dense inverse."""
        d = np.r_[white.points.dose_uL_per_g, dose]
        sd = np.r_[white.sd_nC_per_g, white.scatter.sd(fit.mean(np.array([dose])))]
        steps = np.eye(3) * 1e-5
        j = np.column_stack(
            [(fit.curve.mean(d, fit.parameters + s) - fit.curve.mean(d, fit.parameters - s)) / 2e-5 for s in steps]
        )
        information = (j / sd[:, None]).T @ (j / sd[:, None])
        a, c, b = fit.parameters[0], fit.parameters[1], fit.parameters[2]
        # the dose that leaves a tenth: d = -b ln((0.1 a - c) / (a - c))
        gradient = np.array(
            [
                -b * (0.1 / (0.1 * a - c) - 1 / (a - c)),
                -b * (-1 / (0.1 * a - c) + 1 / (a - c)),
                -np.log((0.1 * a - c) / (a - c)),
            ]
        )
        return float(gradient @ np.linalg.inv(information) @ gradient)

    best = min(reachable, key=variance)
    assert found.dose_uL_per_g == pytest.approx(best)
    assert found.width_after_uL_per_g < found.width_now_uL_per_g


def test_dry_is_among_the_choices_and_sprays_are_whole() -> None:
    """Dose zero can be chosen; with a known spray only whole sprays can."""
    assert reachable_doses(np.array([0.0, 10.0, 20.0])).tolist() == [0.0, 5.0, 10.0, 15.0, 20.0]
    assert reachable_doses(np.array([0.0, 20.0]), 5.5).tolist() == [0.0, 5.5, 11.0, 16.5]


@pytest.mark.parametrize(
    ("rule", "stops"),
    [
        (Rule(), False),
        (Rule(width_uL_per_g=1e-3), False),
        (Rule(width_uL_per_g=1e3), True),
        (Rule(most_runs=18), True),
        (Rule(most_runs=19), False),
    ],
)
def test_the_rule_set_beforehand_stops(rule: Rule, stops: bool) -> None:
    """Either limit of the rule stops the series, and says which."""
    asked = Question(stop_width_uL_per_g=rule.width_uL_per_g, most_runs=rule.most_runs, band_nC_per_g=3.0)
    found = next_of(analyse(_white(DOSES).points, asked), asked)
    assert found.stop is stops
    assert found.text.startswith("stop: ") is stops


def asked_of(*levels: tuple[float, list[float]], **question: float) -> dict:
    """The whole answer to runs given dose by dose, band 3 nC/g."""
    dose = np.array([d for d, q in levels for _ in q])
    q = np.array([value for _, values in levels for value in values])
    points = Points(dose, q, np.full(len(q), 0.1), np.zeros(len(q), dtype=np.int64))
    rows: list[StudyRun] = rows_of(points)
    return answer(rows, Question(resamples=0, band_nC_per_g=3.0, **question)).groups[0]


def falling(
    decay: float, plateau: float, *doses: float, n: int = 4, dry: float = -60.0
) -> list[tuple[float, list[float]]]:
    """Runs close about an exponential fall to a plateau."""
    rng = np.random.default_rng(5)
    means = [plateau + (dry - plateau) * np.exp(-dose / decay) for dose in doses]
    return [(d, list(m + np.hypot(0.5, 0.04 * m) * rng.normal(size=n))) for d, m in zip(doses, means, strict=True)]


def test_beyond_the_highest_dose_more_water_is_asked_for() -> None:
    """Where the target is not reached and the curve still falls, the advice is a higher dose."""
    group = asked_of(*falling(60.0, 0.0, 0.0, 5.0, 10.0, 15.0))
    assert group.next.dose_uL_per_g > 15.0
    assert group.next.width_now_uL_per_g is None


def test_no_more_water_where_the_plateau_is_out_of_reach() -> None:
    """Where the curve surely levels off short of target and band, no dose is advised, in any sentence."""
    group = asked_of(*falling(6.0, -15.0, 0.0, 5.0, 10.0, 20.0, 40.0), stop_width_uL_per_g=5.0)
    assert group.next.dose_uL_per_g is None
    assert not group.next.stop
    assert "more water does not reach it" in group.next.text
    assert "levels off at" in group.neutralising_dose.equivalence.text
    assert all("test more water" not in dose.text for dose in group.doses.values())


@pytest.mark.parametrize(
    ("dry", "advised", "said"),
    [([0.3, -0.2, 0.1, 0.2], None, "shown neutral"), ([4.0, -5.0, 6.0, 3.0], 0.0, "neither charged nor neutral")],
)
def test_no_water_where_dry_coffee_needs_none(dry: list[float], advised: float | None, said: str) -> None:
    """Dry coffee that is neutral gets no dose of water, and one not shown charged is run dry again."""
    wet = [(dose, [0.1 * d for d in dry]) for dose in (5.0, 10.0, 20.0, 40.0)]
    group = asked_of((0.0, dry), *wet)
    assert group.next.dose_uL_per_g == advised
    assert said in group.next.text


def test_nothing_ends_on_a_single_run() -> None:
    """However narrow the interval, a dose beside the answer that was run once is repeated first."""
    levels = falling(9.0, 0.0, 0.0, 5.0, 10.0, 20.0, 30.0, 40.0)
    assert asked_of(*levels, stop_width_uL_per_g=50.0).next.stop
    once = [(dose, values[:1] if dose == 20.0 else values) for dose, values in levels]
    found = asked_of(*once, stop_width_uL_per_g=50.0).next
    assert (found.stop, found.dose_uL_per_g) == (False, 20.0)
    dry_once = [(dose, values[:1] if dose == 0.0 else values) for dose, values in levels]
    assert asked_of(*dry_once, stop_width_uL_per_g=50.0).next.dose_uL_per_g == 0.0


def test_neutrality_comes_before_the_width() -> None:
    """While the highest dose is shown neither neutral nor charged, it is repeated, whatever the width."""
    levels = falling(9.0, 0.0, 0.0, 5.0, 10.0, 20.0, 30.0)
    open_top = [*levels, (40.0, [2.4, -3.2, 2.9, -1.6])]
    group = asked_of(*open_top, stop_width_uL_per_g=50.0)
    assert group.neutralising_dose.equivalence.status == "above highest dose"
    assert (group.next.stop, group.next.dose_uL_per_g) == (False, 40.0)


def test_the_printed_interval_is_what_the_rule_looks_at() -> None:
    """The width that the rule is held against is that of the interval printed, on both sides of it."""
    levels = falling(9.0, 0.0, 0.0, 5.0, 10.0, 20.0, 30.0, 40.0)
    low, high = asked_of(*levels).neutralising_dose.fraction.ci95
    for factor, stops in ((1.01, True), (0.99, False)):
        found = asked_of(*levels, stop_width_uL_per_g=factor * (high - low)).next
        assert found.stop is stops
        assert found.width_now_uL_per_g == pytest.approx(high - low)


def test_four_doses_ask_for_one_between() -> None:
    """With four doses the next is one between those that bound the answer."""
    group = asked_of(*falling(5.2, 0.0, 0.0, 5.0, 10.0, 20.0))
    assert 10.0 < group.next.dose_uL_per_g < 20.0

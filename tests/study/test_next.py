"""The next dose is the one that narrows the answer most, and the stopping rule is the one set beforehand."""

from __future__ import annotations

import numpy as np
import pytest

from chargebench.study.curves import EXPONENTIAL_PLATEAU
from chargebench.study.dose import fall_to
from chargebench.study.fit import fit_curve
from chargebench.study.next import Rule, next_dose, reachable_doses
from chargebench.study.rows import Floats, Points
from chargebench.study.scatter import Whitened, whiten


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
    white = _white(DOSES)
    fit = fit_curve(EXPONENTIAL_PLATEAU, white)
    found = next_dose(fit, white, fall_to(0.1))
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
    assert found["dose_uL_per_g"] == pytest.approx(best)
    assert found["width_after_uL_per_g"] < found["width_now_uL_per_g"]


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
    white = _white(DOSES)
    found = next_dose(fit_curve(EXPONENTIAL_PLATEAU, white), white, fall_to(0.1), rule=rule)
    assert found["stop"] is stops
    assert found["text"].startswith("stop: ") is stops


def test_beyond_the_highest_dose_more_water_is_asked_for() -> None:
    """Where the target is not reached, nothing is extrapolated: the advice is a higher dose."""
    white = _white(np.repeat([0.0, 5.0, 10.0, 15.0], 4), decay=60.0)
    found = next_dose(fit_curve(EXPONENTIAL_PLATEAU, white), white, fall_to(0.1))
    assert found["dose_uL_per_g"] > 15.0
    assert found["width_now_uL_per_g"] is None

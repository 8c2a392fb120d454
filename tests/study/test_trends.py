"""Carry-over, order and the room's air are tested for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from chargebench.processing.outcome import Estimate
from chargebench.study.rows import StudyRun
from chargebench.study.trends import Trend, trends
from tests.study.test_brew import PLAIN

DOSES = (0.0, 10.0, 0.0, 20.0, 0.0, 0.0, 40.0, 10.0, 0.0, 20.0, 0.0, 40.0, 20.0, 0.0, 10.0, 0.0)


def _series(seed: int, per_previous: float = 0.0, per_run: float = 0.0, per_percent: float = 0.0) -> list[StudyRun]:
    noise = np.random.default_rng(seed)
    rows: list[StudyRun] = []
    before = 0.0
    for order, dose in enumerate(DOSES * 2):
        humidity = 40.0 + 5.0 * float(noise.standard_normal())
        q = -60.0 * np.exp(-dose / 9.0) + 0.8 * float(noise.standard_normal())
        q += per_previous * before + per_run * order + per_percent * (humidity - 40.0)
        rows.append(
            replace(
                PLAIN,
                run_id=f"r{order:03}",
                order=order,
                treatment="misted" if dose else "dry",
                water_uL_per_g=dose,
                humidity_percent=humidity,
                charge_to_mass=Estimate(float(q), 0.2),
            )
        )
        before = dose
    return rows


def _named(rows: list[StudyRun]) -> dict[str, Trend]:
    return {trend.name: trend for trend in trends(rows)}


@pytest.mark.parametrize(
    ("effect", "name"),
    [({"per_previous": 0.15}, "previous dose"), ({"per_run": 0.2}, "order"), ({"per_percent": 0.5}, "humidity")],
)
def test_a_trend_that_is_there_is_found(effect: dict[str, float], name: str) -> None:
    """A planted effect is found with its size inside two standard uncertainties and its words raise suspicion."""
    found = _named(_series(3, **effect))[name]
    assert found.p_holm < 0.05
    assert abs(found.slope - next(iter(effect.values()))) < 2.5 * found.u
    assert "suspect" in found.words


def test_false_alarms_are_rare() -> None:
    """Without any effect, a study raises an alarm about once in twenty: at most 6 of 40 here (binomial, p 0.003)."""
    alarms = sum(any(t.p_holm < 0.05 for t in trends(_series(seed))) for seed in range(40))
    assert alarms <= 6


def test_dry_after_wet_is_compared_with_dry_after_dry() -> None:
    """Water left in the grinder shows as less charge in dry runs that follow a wet one."""
    found = _named(_series(5, per_previous=0.15))["dry after wet"]
    assert found.slope > 0
    assert found.p < 0.05


def test_an_excluded_run_still_wetted_the_grinder() -> None:
    """What an excluded run left behind counts as the run before."""
    rows = _series(3, per_previous=0.15)
    excluded = [replace(row, excluded="cup touched") if row.order % 7 == 1 else row for row in rows]
    assert _named(excluded)["previous dose"].p_holm < 0.05


def test_too_few_runs_are_not_asked() -> None:
    """With no more runs than levels there is no trend to speak of, and nothing fails."""
    assert trends(_series(1)[:3]) == []

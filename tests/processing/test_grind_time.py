"""Grind time against a player that shares no code with the package."""

from __future__ import annotations

import numpy as np

from chargebench.processing.recipe import process
from tests.independent_player import Play, noise, tell
from tests.processing.simulate import Bench, run_of, trace


def played(play: Play) -> tuple[float, float, float]:
    """Grind time found, its U95, and that of the player: time from 10 to 90 % of the mass, over 0.8."""
    story = tell(play, 0.0)
    t = np.arange(0.0, story.end_s, 1.0 / play.charge_rate_Hz)
    charge = trace("charge", t, np.interp(t, story.time_s, story.charge_nC) + noise(play, t))
    t = np.arange(0.03, story.end_s - 0.1, 1.0 / play.scale_rate_Hz)
    shown = play.tare_g + np.interp(t, story.time_s, story.felt_g)
    shown += play.scale_noise_g * np.random.default_rng(play.seed).standard_normal(len(t))
    run = run_of([charge, trace("mass", t, np.round(shown, 2))], Bench(mass_g=play.mass_g))
    found = process(run).result["grind_time_s"]
    assert found is not None
    ends = np.interp([0.1, 0.9], story.mass_g / story.mass_g[-1], story.time_s)
    return found.value, found.U95, float(ends[1] - ends[0]) / 0.8


def test_grind_time_is_right_within_its_interval() -> None:
    """Over 16 plays of many lags and lengths at most one interval misses, and errors average to under 0.03 s."""
    rng = np.random.default_rng(21)
    rows = [
        played(
            Play(
                seed=i, grind_s=float(rng.choice([4, 8, 12])), mass_g=float(rng.choice([9, 18, 30])),
                quiet_before_s=8.0, quiet_after_s=10.0, scale_lag_s=float(rng.uniform(0.1, 1.0)),
            )
        )
        for i in range(16)
    ]  # fmt: skip
    errors = np.array([found - true for found, _, true in rows])
    assert np.sum(np.abs(errors) > [half for _, half, _ in rows]) <= 1
    assert abs(float(np.mean(errors))) < 0.03

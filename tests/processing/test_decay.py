"""The solution of the leakage equation in a design: exact for block means, its coefficients those of the integral."""

from __future__ import annotations

import numpy as np
import pytest

from chargebench.processing.decay import straightened
from chargebench.processing.drift import Design
from chargebench.processing.noise import grid_of

BEFORE, AFTER = "level_before_0", "level_after_0"


def leaking(k: float, bias_nA: float, charge_nC: float) -> tuple[Design, dict[str, float]]:
    """Block means of a cup that gains charge at 20 s, quiet for 20 s before and 60 s after, and what they follow."""
    per_block, step_s = 40, 1.0 / 40.0
    t = np.concatenate((np.arange(0.0, 20.0, step_s), np.arange(20.0, 80.0, step_s)))
    rest = bias_nA / k
    q = np.where(t < 20.0, rest + (3.0 - rest) * np.exp(-k * t), 0.0)
    start = rest + (3.0 - rest) * np.exp(-k * 20.0) + charge_nC
    q = np.where(t < 20.0, q, rest + (start - rest) * np.exp(-k * (t - 20.0)))
    since_start = (3.0 - q + bias_nA * t) / k
    integral = np.where(t < 20.0, since_start, since_start + charge_nC / k)
    time_s, value, total = (x.reshape(-1, per_block).mean(axis=1) for x in (t, q, integral))
    before = (time_s < 20.0).astype(float)
    columns = {
        BEFORE: before, AFTER: 1.0 - before, "bias": time_s - 20.0,
        "leakage": np.interp(20.0, time_s, total) - total,
    }  # fmt: skip
    level = value - k * columns["leakage"] - bias_nA * columns["bias"]
    at = {"leakage": k, "bias": bias_nA, BEFORE: float(level[0]), AFTER: float(level[-1])}
    return Design(grid_of(time_s, np.full(len(time_s), float(per_block)), step_s), value, columns, {}), at


@pytest.mark.parametrize("k", [1 / 10.0, 1 / 60.0, 1 / 300.0])
@pytest.mark.parametrize("bias_nA", [0.0, 0.3])
def test_the_truth_solves_both_forms(k: float, bias_nA: float) -> None:
    """Levels, rate and bias that fit the integral of the display fit the decay too, to a millionth of the charge."""
    design, at = leaking(k, bias_nA, 400.0)
    for one in (design, straightened(design, (BEFORE, AFTER), at)):
        fitted = sum((at[name] * one.columns[name] for name in one.names), np.zeros(len(one.y)))
        assert one.y == pytest.approx(fitted, abs=4e-4)


def test_steps_towards_the_truth_become_smaller() -> None:
    """Begun with a rate off by a twentieth, each fit comes nearer: the second is within a ten-thousandth."""
    design, at = leaking(1 / 60.0, 0.1, 400.0)
    found = {**at, "leakage": 1.05 * at["leakage"]}
    off = []
    for _ in range(2):
        bent = straightened(design, (BEFORE, AFTER), found)
        X = np.column_stack([bent.columns[name] for name in bent.names])
        found = dict(zip(bent.names, np.linalg.lstsq(X, bent.y)[0].tolist(), strict=True))
        off.append(abs(found["leakage"] / at["leakage"] - 1.0))
    assert off[0] < 0.02
    assert off[1] < 1e-4

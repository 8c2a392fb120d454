"""Small parts: what counts as a reading, integrals over breaks, turns of the running charge, lag of a scale."""

from __future__ import annotations

import math

import numpy as np
import pytest

from chargebench.processing.grind import parts, turns
from chargebench.processing.integral import block_sums, charge_integral, integral_steps, without_resets
from chargebench.processing.mass import corrected, crossing, lag, resolution
from chargebench.processing.series import clean

T = np.arange(10.0)
NO = np.zeros(10, dtype=np.int64)
COUNT = np.arange(10)


@pytest.mark.parametrize(
    ("status", "kinds", "left"),
    [({4: 1, 5: 1}, ["over"], 8), ({4: 2}, ["reset"], 10), ({4: 4}, ["reset"], 9), ({4: 32}, [], 9), ({4: 8}, [], 10)],
)
def test_status_decides_what_is_used_and_where_it_breaks(status: dict[int, int], kinds: list[str], left: int) -> None:
    """Over range and a closed zero switch refuse a reading and break the trace; a reset only breaks it."""
    bits = NO.copy()
    for index, value in status.items():
        bits[index] = value
    series = clean(T, T, bits, COUNT)
    assert ([b.kind for b in series.breaks], len(series)) == (kinds, left)


def test_the_integral_bounds_what_a_break_hides() -> None:
    """Across a gap the integral takes the middle of what the readings on both sides allow, and says how wide."""
    t = np.array([0.0, 1.0, 2.0, 10.0, 11.0])
    series = clean(t, np.array([0.0, 0.0, 1.0, 5.0, 5.0]), np.zeros(5, dtype=np.int64), np.arange(5), 3.0, 2.0)
    integral, (bridge,) = charge_integral(series)
    assert (bridge.kind, bridge.middle, bridge.half_width) == ("gap", 24.0, 16.0)
    assert integral.tolist() == [0.0, 0.0, 0.5, 24.5, 29.5]


def test_blocks_hold_the_mean_of_the_integral() -> None:
    """Means of the running integral over uneven blocks, a break between them, are those of its readings."""
    rng = np.random.default_rng(3)
    t = np.cumsum(rng.uniform(0.01, 0.02, 500))
    t[300:] += 5.0
    series = clean(t, 1000.0 + np.cumsum(rng.standard_normal(500)), np.zeros(500, dtype=np.int64), np.arange(500))
    integral, _ = charge_integral(series)
    blocks = block_sums(series, integral_steps(series)[0], 0.1)
    starts = np.concatenate(([0], np.cumsum(blocks.count)))[:-1].astype(int)
    assert blocks.integral == pytest.approx(np.add.reduceat(integral, starts) / blocks.count, rel=1e-12)


def test_blocks_never_span_a_break() -> None:
    """A break in the middle of a block cuts it in two."""
    bits = NO.copy()
    bits[4] = 2
    series = clean(T, T, bits, COUNT)
    blocks = block_sums(series, np.zeros(10), 100.0)
    assert (blocks.count.tolist(), blocks.piece.tolist(), blocks.value.tolist()) == ([4, 6], [0, 1], [1.5, 6.5])


def test_a_reset_is_taken_out() -> None:
    """Charge goes on from where it was before the input was reset."""
    bits = NO.copy()
    bits[5] = 2
    series = clean(T, np.where(T < 5, T, T - 5), bits, COUNT)
    assert without_resets(series).value.tolist() == [0, 1, 2, 3, 4, 4, 5, 6, 7, 8]


@pytest.mark.parametrize(
    ("value", "found"),
    [
        ([0, 1, 2, 3], [0, 3]),
        ([0, 3, 2.9, 3, 1], [0, 1, 4]),
        ([0, -3, 3, 0], [0, 1, 2, 3]),
        ([0, 0.1, -0.1, 0], [0, 3]),
        ([], []),
    ],
)
def test_turns_smaller_than_noise_are_none(value: list[float], found: list[int]) -> None:
    """Only extremes from which the curve turns back by more than the least are kept."""
    assert turns(np.array(value, dtype=float), 0.5) == found


def test_parts_of_a_there_and_back() -> None:
    """Up by 10 and down by 4 is +10 and -4, whatever small noise rides on it."""
    rng = np.random.default_rng(1)
    value = np.concatenate((np.linspace(0, 10, 50), np.full(20, 10.0), np.linspace(10, 6, 30)))
    up, down, count, _ = parts(value + 0.02 * rng.standard_normal(100), 0.0, 6.0, 0.02, 6.0)
    assert (up, down, count) == (pytest.approx(10.0, abs=0.03), pytest.approx(-4.0, abs=0.03), 1)


@pytest.mark.parametrize("lag_s", [0.2, 0.7, 2.0])
def test_lag_of_a_first_order_scale(lag_s: float) -> None:
    """The lag of a scale that answers a steady flow exponentially is found, and taking it out gives the flow back."""
    t = np.arange(0.0, 40.0, 0.1)
    true = np.clip(t - 10.0, 0.0, 10.0)
    seen = np.where(
        t < 20.0,
        np.where(t > 10, t - 10 - lag_s * (1 - np.exp(-np.clip(t - 10, 0, None) / lag_s)), 0.0),
        10 - lag_s * (1 - math.exp(-10 / lag_s)) * np.exp(-(t - 20) / lag_s),
    )
    assert lag(t, seen, None, 10.0, 3e-3) == pytest.approx(lag_s, abs=0.03)
    assert lag(t, seen, 20.0, 10.0, 1e-4) == pytest.approx(lag_s, abs=0.03)
    back = corrected(t, seen, lag_s)
    assert crossing(t, back, 5.0) == pytest.approx(crossing(t, true, 5.0), abs=0.02)


def test_resolution_is_the_smallest_step() -> None:
    """A scale that shows whole hundredths has a resolution of 0.01 g; one that never moves shows none."""
    assert resolution(np.array([1.0, 1.01, 1.03])) == pytest.approx(0.01)
    assert resolution(np.ones(5)) == 0.0

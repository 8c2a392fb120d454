"""The memory behind a live curve: extremes kept, memory constant."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chargebench.desktop.pyramid import Pyramid


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(1, 90), max_size=30), st.integers(0, 2**32 - 1))
def test_no_extreme_is_lost_however_readings_arrive(batches: list[int], seed: int) -> None:
    """The curve over everything has the minimum and maximum of everything, in order of time, up to the last reading."""
    rng = np.random.default_rng(seed)
    pyramid, values = Pyramid(buckets=16, levels=12), np.zeros(0)
    for size in batches:
        batch = rng.normal(size=size)
        pyramid.extend(np.arange(len(values), len(values) + size), batch)
        values = np.concatenate([values, batch])
    time_s, shown = pyramid.curve(0.0)
    assert pyramid.count == len(values)
    if len(values):
        assert shown.min() == values.min()
        assert shown.max() == values.max()
        assert time_s[0] == 0.0
        assert pyramid.last_value == values[-1]
    assert np.all(np.diff(time_s) >= 0)


def test_a_short_stretch_is_shown_reading_by_reading() -> None:
    """Where the finest level still holds a stretch, its readings come back as they were."""
    pyramid = Pyramid(buckets=64, levels=8)
    pyramid.extend(np.arange(1000.0), np.arange(1000.0) ** 2)
    time_s, value = pyramid.curve(950.0)
    assert time_s[time_s >= 950.0].tolist() == list(range(950, 1000))
    assert np.array_equal(value, time_s**2)


def test_memory_and_points_do_not_grow() -> None:
    """A million readings take the room of none, and are drawn with a bounded number of points."""
    pyramid = Pyramid(buckets=256, levels=18)
    empty = pyramid.nbytes
    for start in range(0, 1_000_000, 50_000):
        pyramid.extend(np.arange(start, start + 50_000) / 1000, np.sin(np.arange(start, start + 50_000)))
    assert pyramid.nbytes == empty
    for since in (0.0, 500.0, 990.0, 999.9):
        assert len(pyramid.curve(since)[0]) <= 2 * (256 + 18)


def test_missing_values_leave_the_rest() -> None:
    """A reading without a number neither hides its neighbours' extremes nor becomes the last value."""
    pyramid = Pyramid(buckets=4, levels=8)
    pyramid.extend(np.arange(64.0), np.where(np.arange(64) % 2, np.nan, np.arange(64.0)))
    assert np.nanmax(pyramid.curve(0.0)[1]) == 62.0
    assert pyramid.last_value == 62.0


def test_clear_forgets_everything() -> None:
    """After a clear nothing is drawn and nothing is the last value."""
    pyramid = Pyramid()
    pyramid.extend([0.0, 1.0], [5.0, 6.0])
    pyramid.clear()
    assert pyramid.curve(0.0)[0].size == 0
    assert math.isnan(pyramid.last_value)


@pytest.mark.parametrize("since", [-5.0, 0.0, 2.0, 99.0])
def test_an_empty_pyramid_draws_nothing(since: float) -> None:
    """No reading, no point."""
    assert Pyramid().curve(since)[0].size == 0

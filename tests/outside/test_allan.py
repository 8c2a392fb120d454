"""Allan deviation against the test suites of W. J. Riley, Handbook of Frequency Stability Analysis, NIST SP 1065."""

from __future__ import annotations

import numpy as np
import pytest

from chargebench.processing.qualify.allan import allan_deviation


def test_nine_points() -> None:
    """NBS Monograph 140, Annex 8.E data (SP 1065, section 12.4): 91.22945 at 1 and 85.95287 at 2."""
    points = allan_deviation([892, 809, 823, 798, 671, 644, 883, 903, 677], 1.0, [1, 2])
    assert [round(p.deviation, 5) for p in points] == [91.22945, 85.95287]


def test_a_thousand_points() -> None:
    """The generated suite of SP 1065: 2.922319e-1, 9.159953e-2 and 3.241343e-2 at 1, 10 and 100."""
    numbers = [1234567890]
    for _ in range(999):
        numbers.append(16807 * numbers[-1] % 2147483647)
    points = allan_deviation(np.array(numbers) / 2147483647, 1.0, [1, 10, 100])
    assert [f"{p.deviation:.6e}" for p in points] == ["2.922319e-01", "9.159953e-02", "3.241343e-02"]
    assert points[2].averaging_s == pytest.approx(100.0)

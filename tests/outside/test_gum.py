"""Type B evaluation and weighing differences against the Guide (JCGM 100:2008)."""

from __future__ import annotations

import math

import pytest

from chargebench.processing.mass import Level, collected
from chargebench.units import value_text


def test_resolution_counts_as_a_uniform_distribution() -> None:
    """GUM F.2.2.1: an indication of resolution d has u = 0.29 d; the difference of two has sqrt(2) of it."""
    _, errors = collected(Level(100.0, 0.0), Level(118.0, 0.0), 0.01, 0.0, 0.0, 0.0)
    u = next(e.u_g for e in errors if e.name == "scale resolution")
    assert u / math.sqrt(2.0) == pytest.approx(0.29 * 0.01, rel=0.005)


def test_stated_bounds_count_as_half_widths() -> None:
    """GUM 4.3.7: bounds ± a without further knowledge have u = a / sqrt(3)."""
    _, errors = collected(Level(0.0, 0.0), Level(18.0, 0.0), 0.0, 0.0, 0.03, 0.0)
    assert next(e.u_g for e in errors if e.name == "scale linearity") == pytest.approx(0.03 / math.sqrt(3.0))


def test_two_significant_digits() -> None:
    """GUM 7.2.2 states 100,02147 g with 0,35 mg: the value is given to the place of the uncertainty's second digit."""
    assert value_text(100.02147, 0.00035, "g") == "100.02147 ± 0.00035 g"

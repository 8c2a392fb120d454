"""Detection capability against IUPAC 1995 (L. A. Currie, Pure Appl. Chem. 67:1699) and ISO 11843."""

from __future__ import annotations

import math

import numpy as np
import pytest

from chargebench.processing.qualify.limits import limits


def test_known_standard_deviation() -> None:
    """With sd known: critical level 1.645 sd, detection limit 3.29 sd, quantitation limit 10 sd (IUPAC 1995)."""
    found = limits(1.0)
    assert round(found.critical, 3) == 1.645
    assert round(found.detection, 2) == 3.29
    assert found.quantitation == 10.0


def test_paired_blank() -> None:
    """Compared with one blank of the same sd: 2.33 and 4.65 sd (IUPAC 1995, paired observations)."""
    found = limits(1.0, blanks=1)
    assert round(found.critical, 2) == 2.33
    assert round(found.detection, 2) == 4.65


@pytest.mark.parametrize(
    ("dof", "t", "delta"),
    [(4, 2.132, 4.07), (9, 1.833, 3.575), (19, 1.729, 3.415), (99, 1.660, 3.312)],
)
def test_few_blanks(dof: int, t: float, delta: float) -> None:
    """Student t and noncentrality for few blanks; for 4 degrees of freedom 2.132 and 4.07 (IUPAC 1995, from memory).

    Further rows: t from any table; delta by noncentral t, to be near 2t·4ν/(4ν+1), the approximation given there.
    """
    found = limits(1.0, dof)
    assert round(found.critical, 3) == t
    assert found.detection == pytest.approx(delta, abs=0.006)
    assert found.detection == pytest.approx(2 * found.critical * 4 * dof / (4 * dof + 1), rel=0.02)


def test_both_mistakes_happen_as_often_as_promised() -> None:
    """By simulation with 5 blanks: 5 % false alarms at zero, 5 % misses at the detection limit (ISO 11843)."""
    rng = np.random.default_rng(11)
    n, trials = 5, 40_000
    blanks = rng.normal(0.0, 1.0, (trials, n))
    sd = blanks.std(axis=1, ddof=1)
    unit = limits(1.0, n - 1, blanks=n)
    shown = rng.normal(0.0, 1.0, trials) - blanks.mean(axis=1)
    alarms = np.mean(shown > unit.critical * sd)
    misses = np.mean(shown + unit.detection <= unit.critical * sd)
    margin = 4 * math.sqrt(0.05 * 0.95 / trials)
    assert alarms == pytest.approx(0.05, abs=margin)
    assert misses == pytest.approx(0.05, abs=margin)

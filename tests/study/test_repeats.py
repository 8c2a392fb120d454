"""How many repeats a study needs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from chargebench.errors import StudyError
from chargebench.processing.outcome import Estimate
from chargebench.study.intervals import equivalence_power
from chargebench.study.repeats import for_difference, for_equivalence, scatter_seen
from chargebench.study.rows import StudyRun
from tests.study.test_brew import PLAIN


def _rows(levels: dict[float, list[float]]) -> list[StudyRun]:
    return [
        replace(PLAIN, run_id=f"{dose}-{n}", water_uL_per_g=dose, charge_to_mass=Estimate(value, 0.1))
        for dose, values in levels.items()
        for n, value in enumerate(values)
    ]


@pytest.mark.parametrize(
    ("effect", "runs"), [(0.2, 394), (0.5, 64), (0.8, 26), (4.0, 3), (6.0, 2), (12.0, 2), (19.0, 2), (30.0, 2)]
)
def test_difference_follows_the_power_tables(effect: float, runs: int) -> None:
    """Two-sample t test, 5 %, power 0.8: 394, 64 and 26 a group for effects 0.2, 0.5 and 0.8 (standard tables)."""
    assert for_difference(effect * 2.0, 2.0, "stated").runs == runs


def test_equivalence_needs_the_fewest_runs_that_have_the_power() -> None:
    """One run fewer would fall short of 80 %."""
    found = for_equivalence(3.0, 2.0, "stated")
    assert found.runs is not None
    assert equivalence_power(found.runs, 2.0, 3.0) >= 0.8 > equivalence_power(found.runs - 1, 2.0, 3.0)


def test_scatter_is_pooled_over_repeats() -> None:
    """Variances are pooled by degrees of freedom; near zero only the calmer half of the levels counts."""
    rows = _rows({0.0: [-60.0, -66.0, -54.0], 20.0: [-4.0, -6.0], 40.0: [0.5, -0.5]})
    pooled, origin = scatter_seen(rows)
    assert pooled == pytest.approx(np.sqrt((72.0 + 2.0 + 0.5) / 4))
    assert "4 degrees" in origin
    assert scatter_seen(rows, near_zero=True)[0] == pytest.approx(np.sqrt(2.5 / 2))


def test_without_repeats_a_scatter_must_be_stated() -> None:
    """Nothing is guessed from single runs."""
    with pytest.raises(StudyError, match="state one"):
        scatter_seen(_rows({0.0: [-60.0], 20.0: [-5.0]}))

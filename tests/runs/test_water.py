"""The water of a run by its tags: one rule, read alike by the tables, the study and the chart."""

from __future__ import annotations

import math

import pytest

from chargebench.cli.words import runs_table
from chargebench.desktop.row import Row
from chargebench.desktop.rows import cells, dose_points, series_of
from chargebench.processing.outcome import Estimate
from chargebench.runs.run import TagValue
from chargebench.runs.tags import check_tags
from chargebench.runs.water import WATER_G_PER_UL, tells_water, water_dose_uL_per_g, water_mass_g
from chargebench.study.gather import row_of_outcome
from tests.made_outcome import made_outcome

TOLD: list[tuple[dict[str, TagValue], float, float]] = [
    ({"water_uL_per_g": 20.0, "dose_g": 18.0}, 20.0, 0.35928),
    ({"water_g": 0.35928, "dose_g": 18.0, "treatment": "misted"}, 20.0, 0.35928),
    ({"water_g": 0.36, "dose_g": 18.0, "treatment": "misted"}, 20.04008, 0.36),
    ({"water_g": 0.36, "treatment": "misted"}, math.nan, 0.36),
    ({"water_g": 0.36, "dose_g": 0.0, "treatment": "misted"}, math.nan, 0.36),
    ({"water_uL_per_g": 20.0, "water_g": 0.36, "dose_g": 18.0}, 20.0, 0.36),
    ({"water_uL_per_g": 20.0}, 20.0, 0.0),
    ({"treatment": "misted"}, math.nan, 0.0),
    ({"treatment": "misted+ionised"}, math.nan, 0.0),
    ({"treatment": "ionised"}, 0.0, 0.0),
    ({"treatment": "dry"}, 0.0, 0.0),
    ({}, 0.0, 0.0),
]


@pytest.mark.parametrize(("tags", "dose", "mass_g"), TOLD)
def test_water_is_tagged_weighed_or_none(tags: dict[str, TagValue], dose: float, mass_g: float) -> None:
    """The dose as tagged wins, else weighed water over its density and the coffee; as a mass the weighed one wins."""
    assert water_dose_uL_per_g(tags) == pytest.approx(dose, rel=1e-6, nan_ok=True)
    assert water_mass_g(tags) == pytest.approx(mass_g)


@pytest.mark.parametrize(("tags", "dose", "mass_g"), TOLD)
def test_every_face_says_the_same_dose(tags: dict[str, TagValue], dose: float, mass_g: float) -> None:
    """The table at a terminal, the window's table and chart, and the study agree on the dose, whichever tag told it."""
    outcome = made_outcome({"charge_to_mass_nC_per_g": Estimate(-20.0, 0.3)}, tags=tags)
    row = Row(outcome)
    study = row_of_outcome(outcome)
    assert study.water_uL_per_g == pytest.approx(dose, rel=1e-6, nan_ok=True)
    assert [p.water_uL_per_g for p in dose_points([row], series_of(row))] == (
        [] if math.isnan(dose) else [pytest.approx(dose, rel=1e-6)]
    )
    said = f"{water_dose_uL_per_g(tags):g}" if tells_water(tags) and not math.isnan(dose) else ""
    assert cells(row)[4] == (said or "–")
    header, line = runs_table([outcome]).splitlines()
    start = header.index("µL/g")
    assert line[start : start + 8].split("  ")[0].strip() == said


def test_tags_are_held_to_the_same_density() -> None:
    """Water that is told as a dose and as the mass that this dose has does not contradict itself."""
    mass_g = 20.0 * 18.0 * WATER_G_PER_UL
    assert check_tags({"water_uL_per_g": 20.0, "dose_g": 18.0, "water_g": mass_g})["water_g"] == mass_g

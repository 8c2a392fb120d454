"""The judges of simulated studies: what they hand to the program is what was read, and they count what they should."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.benchmarks.independent_studies import one_study
from tests.benchmarks.study_adapter import ionised_outcome, outcomes_of, processed, rows_of
from tests.benchmarks.study_cells import Cell, Sequential, all_cells
from tests.benchmarks.study_judges import NEAR, claimed_doses
from tests.benchmarks.study_sequence import CONTRADICTIONS, contradictions, one_sequence
from tests.benchmarks.study_tally import Line, Tally, lines_of
from tests.independent_studies import Curve, Design, make_study

DESIGN = Design(
    (5.0, 20.0), 2, u_gain=0.01, u_bias_nC_per_g=0.2, ionised_nC_per_g=-10.0, ions_nC=90.0, ions_sd_nC=9.0, blanks=4
)


def runs(seed: int = 1) -> list[dict]:
    return make_study(DESIGN, Curve(), np.random.default_rng(seed))["runs"]


def test_rows_hold_what_was_read() -> None:
    """Value, own and shared uncertainty, dose, treatment and block of each run reach the study unchanged."""
    read = [run for run in runs() if run["treatment"] != "ionised"]
    for run, row in zip(read, rows_of(read), strict=True):
        assert row.charge_to_mass.value == pytest.approx(run["charge_to_mass_nC_per_g"])
        assert row.charge_to_mass.u == pytest.approx(run["u_nC_per_g"])
        assert row.shared_u == pytest.approx(run["shared_u_nC_per_g"])
        assert (row.water_uL_per_g, row.treatment, row.block) == (
            run["water_uL_per_g"], run["treatment"], run["block"],
        )  # fmt: skip


@pytest.mark.parametrize("known", [(), (("ioniser_background_nC", 90.0, 10.0, 4.0),)])
def test_shifted_outcomes_are_those_of_the_recipe(known: tuple) -> None:
    """An ionised run shifted from another has the charge to mass that processing a trace of its own gives."""
    run = next(run for run in runs() if run["treatment"] == "ionised" and run["purpose"] == "grind")
    shifted = ionised_outcome(run, known)["result"]["charge_to_mass_nC_per_g"]["value"]
    own = processed(run["net_charge_nC"], run["collected_mass_g"], "grind", known)
    assert shifted == pytest.approx(own["result"]["charge_to_mass_nC_per_g"]["value"], abs=0.01)


@pytest.mark.parametrize(
    ("known_from", "blanks", "taken_off"),
    [("nothing", 0, False), ("nulls", 4, False), ("check", 0, True), ("both", 4, True), ("later", 4, True)],
)
def test_what_is_known_of_the_ions(known_from: str, blanks: int, taken_off: bool) -> None:
    """Null grinds stand beside the runs or behind a check; the recipe takes the ions off where a check was made."""
    made = outcomes_of(runs(), known_from)
    assert sum(outcome["tags"]["purpose"] == "blank" for outcome in made) == blanks
    ionised = [o for o in made if (o["tags"]["treatment"], o["tags"]["purpose"]) == ("ionised", "grind")]
    read = {run["run"]: run["charge_to_mass_nC_per_g"] for run in runs()}
    for outcome in ionised:
        off = read[outcome["run"]] - outcome["result"]["charge_to_mass_nC_per_g"]["value"]
        assert off == pytest.approx(5.0 if taken_off else 0.0, abs=2.0 if taken_off else 0.01)


@pytest.mark.parametrize(
    ("answer", "claim"),
    [
        ({"status": "found", "ci95": [3.0, None], "bracket": None}, (3.0, None)),
        ({"status": "found", "ci95": [None, 7.0], "bracket": None}, (0.0, 7.0)),
        ({"status": "bracket", "ci95": None, "bracket": [5.0, 10.0]}, (5.0, 10.0)),
        ({"status": "above highest dose", "ci95": [None, None], "bracket": [40.0, None]}, (40.0, None)),
        ({"status": "above highest dose", "ci95": [33.0, None], "bracket": [40.0, None]}, (33.0, None)),
        ({"status": "not identifiable", "ci95": [None, None], "bracket": None}, None),
    ],
)
def test_claims(answer: dict, claim: tuple | None) -> None:
    """An answer claims the doses that it does not rule out; one that is not identifiable claims nothing."""
    assert claimed_doses(answer) == claim


def test_open_ends_hold_everything() -> None:
    """A dose that is never reached lies in an interval that is open above and in no other."""
    tally = Tally()
    for ends in ((5.0, None), (5.0, 9.0)):
        tally.interval("dose", ends, math.inf, False)
    assert [claim[0] for claim in tally.claims["dose"]] == [True, False]


def test_a_study_is_judged() -> None:
    """A study is drawn, asked and judged on every thing its cell is for; cells have names of their own."""
    tally, design = Tally(), replace(DESIGN, doses_uL_per_g=(5.0, 10.0, 20.0), band_nC_per_g=3.0)
    assert 1 < abs(-10.0 - float(Curve().mean(20.0))) / 3.0 < NEAR
    one_study(Cell("ions", Curve(), design, "nulls"), np.random.default_rng(3), tally, 0)
    judged = {"fraction", "levels", "mean ionised", "ionised - misted, signed", "against dry, signed"}
    assert judged <= set(tally.claims)
    assert "ionised - misted, signed: equivalent wrongly" in tally.calls
    cells = [cell.name for family in all_cells().values() for cell in family]
    assert len(cells) == len(set(cells))


def test_advice_is_followed_to_its_end() -> None:
    """A study done run by run ends by the rule or at its most runs, and its last interval is judged."""
    cell = Cell("next", Curve(), Design((), band_nC_per_g=3.0), sequential=Sequential(most_runs=12))
    tally = Tally()
    one_sequence(cell, np.random.default_rng(1), tally)
    assert tally.numbers["runs at the end"][0] <= 12
    assert set(CONTRADICTIONS) <= set(tally.calls)


def group(dry_n: int, value: float | None, plateau: float, neutral: float | None, text: str = "") -> dict:
    """An answer as far as advice is judged by it."""
    status = "found" if value is not None else "above highest dose"
    levels = [{"dose_uL_per_g": dose, "n": dry_n, "mean_nC_per_g": -60.0} for dose in (0.0, 10.0, 20.0)]
    return {
        "levels": levels,
        "dry": levels[0] | {"u_nC_per_g": 1.0, "dof": 3},
        "curve": {"parameters": {"dry_nC_per_g": {"value": -60.0}, "plateau_nC_per_g": {"value": plateau, "u": 2.0}}},
        "neutralising_dose": {
            "fraction": {"status": status, "value": value, "ci95": [8.0, 20.0], "text": text},
            "equivalence": {"status": "above highest dose" if neutral is None else "found", "value": neutral},
        },
    }


@pytest.mark.parametrize(
    ("found", "advised", "runs", "wrong"),
    [
        (group(2, None, -15.0, None), {"dose_uL_per_g": 30.0, "stop": False}, 9, {CONTRADICTIONS[0]}),
        (group(2, None, -9.0, None), {"dose_uL_per_g": 30.0, "stop": False}, 9, set()),
        (group(2, None, -9.0, None, "it levels off"), {"dose_uL_per_g": 30.0, "stop": False}, 9, {CONTRADICTIONS[0]}),
        (group(2, None, -3.0, None), {"dose_uL_per_g": 30.0, "stop": False}, 9, set()),
        (group(2, 12.0, 0.0, 0.0), {"dose_uL_per_g": 10.0, "stop": False}, 9, {CONTRADICTIONS[1]}),
        (group(2, 12.0, 0.0, 20.0), {"dose_uL_per_g": None, "stop": True}, 9, {CONTRADICTIONS[3]}),
        (group(1, 12.0, 0.0, 20.0), {"dose_uL_per_g": None, "stop": True}, 9, set(CONTRADICTIONS[3:5])),
        (group(2, 12.0, 0.0, None), {"dose_uL_per_g": None, "stop": True}, 9, {CONTRADICTIONS[3], CONTRADICTIONS[5]}),
        (group(2, 12.0, 0.0, None), {"dose_uL_per_g": 10.0, "stop": False}, 30, {CONTRADICTIONS[6]}),
        (group(1, 12.0, 0.0, None), {"dose_uL_per_g": None, "stop": True}, 30, set()),
    ],
)
def test_contradictions(found: dict, advised: dict, runs: int, wrong: set[str]) -> None:
    """Advice is held against the answer printed beside it: each kind of contradiction is seen, and nothing else."""
    assert contradictions(found, advised, Sequential(), runs) == wrong


@pytest.mark.parametrize(
    ("right", "told", "sign"), [(95, 0, ""), (90, 10, ""), (90, 9, ""), (90, 8, "<<"), (10, 90, ""), (93, 0, "")]
)
def test_what_is_marked(right: int, told: int, sign: str) -> None:
    """Below 93 of a hundred is marked, unless nine of ten misses bear a doubt or a reject; calls alike."""
    tally = Tally()
    for i in range(100):
        tally.interval("dose", (0.0, 1.0), 0.5 if i < right else 2.0, flagged=i >= 100 - told)
        tally.call("neutral wrongly", i >= right, i >= 100 - told)
    dose, call = lines_of(tally)
    assert (dose.share, call.share) == (pytest.approx(right), pytest.approx(100 - right))
    assert (dose.sign, call.sign) == (sign, sign)


def test_widths_are_set_beside_earlier_ones() -> None:
    """A line tells what was covered before and how much wider it is now; nothing where nothing finite was kept."""
    line = Line("fraction", 300, 95.0, None, 6.0)
    assert line.text({"width": 5.0, "share": 91.0}).split()[-2:] == ["91.0", "1.20"]
    assert line.text({"width": math.inf, "share": 91.0}).split()[-1] == "91.0"
    assert line.text().split() == ["fraction", "300", "95.0", "-", "6"]

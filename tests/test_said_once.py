"""What is said in several places is said from one: cautions, units, severities, what a plan sets."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from chargebench.cautions import CAUTIONS, CLOSE, IN_BRIEF
from chargebench.cli.main import build_parser
from chargebench.processing.outcome import SEVERITIES, Flag, worst_of
from chargebench.report.content import sections
from chargebench.study.plan import PLAN_DECIDES, PLAN_SETS, make_plan
from chargebench.study.studyfile import StudyFile
from chargebench.units import words_and_unit
from tests.study.odd_studies import study_like

PACKAGE = Path(__file__).resolve().parents[1] / "chargebench"


def test_cautions_stand_in_one_file() -> None:
    """No other file of the program words a hazard of its own; the help of every command has them in brief."""
    for words in (*(text for _, text in CAUTIONS), CLOSE, "licensed people", "fine dust"):
        holding = [file.name for file in PACKAGE.rglob("*.py") if words in file.read_text(encoding="utf-8")]
        assert holding == ["cautions.py"], words
    assert build_parser("show")[0].epilog == IN_BRIEF


def test_every_report_has_every_caution() -> None:
    """A report of any study says each hazard and what to do about it."""
    from chargebench.cli.study import answer_of
    from chargebench.study.rows import Question

    found, _ = answer_of(study_like(3), None, Question(resamples=0))
    (said,) = (section.parts for section in sections(found) if section.title == "Cautions")
    assert said == (*(f"{hazard}: {words}" for hazard, words in CAUTIONS), CLOSE)


@pytest.mark.parametrize(
    ("key", "words", "unit"),
    [
        ("leakage_rate_per_s", "leakage rate", "1/s"),
        ("bias_current_nA", "bias current", "nA"),
        ("charge_walk_nC_per_root_s", "charge walk", "nC/√s"),
        ("scale_resolution_g", "scale resolution", "g"),
        ("net_charge_floor_grind_s", "net charge floor grind", "s"),
        ("temperature_C", "temperature", "°C"),
        ("dose_uL", "dose", "µL"),
        ("gain", "gain", ""),
    ],
)
def test_a_key_has_one_name_and_one_unit(key: str, words: str, unit: str) -> None:
    """What is known of a bench is named alike at a terminal and in a report, with the unit its key ends in."""
    assert words_and_unit(key) == (words, unit)


def test_the_gravest_severity_speaks() -> None:
    """Of any flags together the gravest counts, whatever their order."""
    for chosen in itertools.chain.from_iterable(itertools.permutations(SEVERITIES, n) for n in range(4)):
        flags = [Flag("x", severity, "x.") for severity in chosen]
        assert worst_of(flags) == (min(chosen, key=("reject", "doubt", "note").index) if chosen else None)


def test_a_plan_sets_what_it_says_it_sets() -> None:
    """Every tag that the window leaves to the plan is set by its steps, and those that are shaded decide the step."""
    arm = {"coffee": "a", "grinder": "b", "setting": "4", "doses_uL_per_g": [6]}
    plan = make_plan(StudyFile.model_validate({"study": {"name": "p", "question": "q?"}, "arm": [arm]}))
    for step in plan.steps:
        if step.recorded:
            assert {*PLAN_SETS, "plan", "plan_step"} == set(step.tags(plan.name))
    assert set(PLAN_DECIDES) < set(PLAN_SETS)

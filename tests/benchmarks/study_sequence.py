"""Follows the program's advice run by run until it says stop, for `tests.benchmarks.independent_studies`.

Judges the interval printed last, and counts advice that contradicts the answer printed beside it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from chargebench.plain import to_json
from chargebench.study.answer import answer
from chargebench.study.rows import Question
from chargebench.study.whole import whole_answer
from tests.benchmarks.study_adapter import rows_of
from tests.benchmarks.study_cells import Cell, Sequential
from tests.benchmarks.study_judges import flagged, judge_doses, student
from tests.benchmarks.study_tally import Tally
from tests.independent_studies import draw_once, make_run, truth_of

MOST_STEPS, RESAMPLES = 60, 400


def one_sequence(cell: Cell, rng: np.random.Generator, tally: Tally) -> None:
    """One study: the first runs, then the advised dose each time, until stop."""
    plan = cell.sequential
    assert plan is not None
    question = Question(
        band_nC_per_g=cell.design.band_nC_per_g, stop_width_uL_per_g=plan.width_uL_per_g, most_runs=plan.most_runs,
        spray_step_uL_per_g=plan.spray_step_uL_per_g, resamples=0,
    )  # fmt: skip
    drawn, runs = draw_once(cell.design, rng), []

    def grind(dose: float, block: str) -> None:
        treatment, order = ("misted" if dose > 0 else "dry"), len(runs)
        runs.append(make_run(cell.design, cell.curve, drawn, rng, f"r{order:03}", treatment, dose, block, order))

    for block in range(1, plan.first_blocks + 1):
        for i in rng.permutation(len(plan.start)):
            grind(plan.start[i], str(block))
    seen: set[str] = set()
    for _ in range(MOST_STEPS):
        group = to_json(answer(rows_of(runs), question).groups[0])
        advised = group["next"]
        seen |= contradictions(group, advised, plan, len(runs))
        if advised["stop"]:
            break
        dose = advised["dose_uL_per_g"]
        grind(least_run(runs, plan) if dose is None else float(dose), str(plan.first_blocks))
    group = to_json(whole_answer(rows_of(runs), replace(question, resamples=RESAMPLES)).groups[0])
    doses = tuple(sorted({run["water_uL_per_g"] for run in runs} - {0.0}))
    judge_doses(tally, group, truth_of(replace(cell.design, doses_uL_per_g=doses), cell.curve))
    for what in CONTRADICTIONS:
        tally.call(what, what in seen, flagged(group))
    tally.call("(stopped before the most runs)", bool(group["next"]["stop"]) and len(runs) < plan.most_runs, True)
    tally.numbers["runs at the end"].append(len(runs))
    tally.numbers["highest dose tried"].append(max(run["water_uL_per_g"] for run in runs))


def least_run(runs: list[dict[str, Any]], plan: Sequential) -> float:
    """What a person does without advice: the dose of the plan that was run least often."""
    return min(plan.start, key=lambda dose: sum(run["water_uL_per_g"] == dose for run in runs))


CONTRADICTIONS = (
    "more water, curve levels off above",
    "water, though dry shown neutral",
    "water, though dry not shown charged",
    "stop, printed interval wider than asked",
    "stop, answer rests on a single run",
    "stop, neutrality still open",
    "past the most runs",
)


def contradictions(group: Mapping[str, Any], advised: Mapping[str, Any], plan: Sequential, runs: int) -> set[str]:
    """Which of `CONTRADICTIONS` this answer and this advice make together."""
    found = set()
    doses, dose, stop = group["neutralising_dose"], advised["dose_uL_per_g"], advised["stop"]
    highest = max(level["dose_uL_per_g"] for level in group["levels"])
    going_on = not stop and dose is not None
    early = stop and runs < plan.most_runs
    if going_on and dose > highest * 1.001 and levels_off_above(group):
        found.add(CONTRADICTIONS[0])
    if going_on and dose > 0 and doses["equivalence"]["value"] == 0.0:
        found.add(CONTRADICTIONS[1])
    if going_on and dose > 0 and dry_not_charged(group) and repeated(group):
        found.add(CONTRADICTIONS[2])
    if early and plan.width_uL_per_g is not None and printed_width(doses["fraction"]) > plan.width_uL_per_g * 1.001:
        found.add(CONTRADICTIONS[3])
    if early and rests_on_single(group):
        found.add(CONTRADICTIONS[4])
    if early and doses["equivalence"]["status"] == "above highest dose":
        found.add(CONTRADICTIONS[5])
    if going_on and runs >= plan.most_runs:
        found.add(CONTRADICTIONS[6])
    return found


def levels_off_above(group: Mapping[str, Any]) -> bool:
    """Whether the answer says in words that the curve levels off too high, or its plateau lies 2 u and more above."""
    fraction, parameters = group["neutralising_dose"]["fraction"], group["curve"]["parameters"]
    if fraction["status"] != "above highest dose":
        return False
    if "levels off" in fraction["text"]:
        return True
    if "plateau_nC_per_g" not in parameters or "slope_nC_per_g_per_uL_per_g" in parameters:
        return False
    dry, plateau = parameters["dry_nC_per_g"]["value"], parameters["plateau_nC_per_g"]
    above = (plateau["value"] - 0.1 * dry) * math.copysign(1.0, dry)
    return plateau["u"] is not None and above > 2 * plateau["u"]


def dry_not_charged(group: Mapping[str, Any]) -> bool:
    """Whether dry runs were repeated and their 95 % interval holds zero."""
    dry = group["dry"]
    if dry is None or dry["n"] < 3:
        return False
    ends = student(dry["mean_nC_per_g"], dry["u_nC_per_g"], dry["dof"])
    status = group["neutralising_dose"]["fraction"]["status"]
    return ends is not None and ends[0] <= 0 <= ends[1] and status == "not identifiable"


def repeated(group: Mapping[str, Any]) -> bool:
    """Whether anything was repeated."""
    return any(level["n"] > 1 for level in group["levels"])


def printed_width(answer: Mapping[str, Any]) -> float:
    """Width of the interval as printed; infinite where an end is open or there is none."""
    ends = answer["ci95"]
    return math.inf if ends is None or None in ends else float(ends[1] - ends[0])


def rests_on_single(group: Mapping[str, Any]) -> bool:
    """Whether the dry level, or both tested doses next to the answer, were run once only."""
    levels, value = group["levels"], group["neutralising_dose"]["fraction"]["value"]
    if levels[0]["dose_uL_per_g"] == 0 and levels[0]["n"] == 1:
        return True
    if value is None:
        return not repeated(group)
    near = sorted(levels, key=lambda level: abs(level["dose_uL_per_g"] - value))[:2]
    return all(level["n"] == 1 for level in near)

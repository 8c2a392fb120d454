"""Everything a study can say, as one plain object: the dose answers, and beside them brew, grinders, trends.

Owns the outermost shape of ``study --json``. Computes nothing itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from chargebench.study.answer import answer, plain
from chargebench.study.brew import Shift, association, at_equal_brew_time, bottleneck_ratio, brew_shift, size_shifts
from chargebench.study.rows import Question, StudyRun
from chargebench.study.trends import Trend, trends

__all__ = ["whole_answer"]

BREW = (("brew_time_s", "s"), ("extraction_percent", "%"), ("tds_percent", "%"), ("clump_mass_g", "g"))


def whole_answer(rows: Sequence[StudyRun], question: Question | None = None) -> dict[str, Any]:
    """The answer of a study with all that stands beside the dose.

    Returns
    -------
    dict
        As `chargebench.study.answer.answer`, and in each group ``trends``, ``brew``, ``particle_sizes``,
        ``equal_brew_time`` and ``bottleneck``; ``across_grinders`` beside the groups. Plain values throughout.
    """
    found = answer(rows, question)
    for group in found["groups"]:
        own = [row for row in rows if (row.coffee, row.grinder) == (group["coffee"], group["grinder"])]
        group.update(_beside(own, group["grinder"]))
    found["across_grinders"] = plain(_across(found["groups"]))
    return found


def _beside(rows: Sequence[StudyRun], grinder: str) -> dict[str, Any]:
    shifts = (brew_shift(rows, quantity, unit) for quantity, unit in BREW)
    bottleneck = bottleneck_ratio(rows, grinder)
    found: dict[str, Any] = plain(
        {
            "trends": [_worded(trend) for trend in trends(rows)],
            "brew": [_worded(shift) for shift in shifts if shift is not None],
            "particle_sizes": [_worded(shift) for shift in size_shifts(rows)],
            "equal_brew_time": at_equal_brew_time(rows),
            "bottleneck": None if bottleneck is None else asdict(bottleneck),
        }
    )
    return found


def _worded(item: Trend | Shift) -> dict[str, Any]:
    return {**asdict(item), "text": item.words}


def _across(groups: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Association of bottleneck with the effect of misting on brew time, one point a grinder."""
    bottleneck = {g["grinder"]: g["bottleneck"]["ratio"] for g in groups if g["bottleneck"]}
    effect = {
        g["grinder"]: shift["ratio"]
        for g in groups
        for shift in g["brew"]
        if shift["quantity"] == "brew_time_s" and shift["ratio"] is not None
    }
    return association(bottleneck, effect)

"""Everything a study can say, as one plain object: the dose answers, and beside them brew, grinders, trends.

Owns the outermost shape of ``study --json``. Computes nothing itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict
from statistics import geometric_mean
from typing import Any

from chargebench.study.answer import answer, plain
from chargebench.study.bottleneck import Bottleneck, association, bottleneck_ratio
from chargebench.study.brew import KINDS, Shift, brew_shifts, size_shifts
from chargebench.study.finer import EqualTime, at_equal_brew_time
from chargebench.study.rows import Question, StudyRun
from chargebench.study.trends import Trend, trends

__all__ = ["whole_answer"]

BREW = ("brew_time_s", "extraction_percent", "tds_percent", "clump_mass_g")


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
    bottleneck = bottleneck_ratio(rows, grinder)
    found: dict[str, Any] = plain(
        {
            "trends": [_worded(trend) for trend in trends(rows)],
            "brew": [_worded(shift) for quantity in BREW for shift in brew_shifts(rows, quantity)],
            "particle_sizes": [_worded(shift) for shift in size_shifts(rows)],
            "equal_brew_time": [_worded(found) for found in at_equal_brew_time(rows)],
            "bottleneck": None if bottleneck is None else _worded(bottleneck),
        }
    )
    return found


def _worded(item: Trend | Shift | EqualTime | Bottleneck) -> dict[str, Any]:
    return {**asdict(item), "text": item.words}


def _across(groups: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Association of bottleneck with the effect of misting on brew time, one point a grinder.

    Only of one kind of brew: that of the most grinders. Several coffees on one grinder count as their geometric mean.
    """
    bottleneck = _by_grinder((g["grinder"], g["bottleneck"]["ratio"]) for g in groups if g["bottleneck"])
    shifts = [(g["grinder"], s) for g in groups for s in g["brew"] if s["quantity"] == "brew_time_s"]
    effects = [_by_grinder((name, s["ratio"]) for name, s in shifts if s["kind"] == kind) for kind in KINDS]
    return association(bottleneck, max(effects, key=lambda effect: len(set(effect) & set(bottleneck))))


def _by_grinder(ratios: Iterable[tuple[str, float | None]]) -> dict[str, float]:
    found: dict[str, list[float]] = {}
    for name, ratio in ratios:
        if ratio is not None:
            found.setdefault(name, []).append(ratio)
    return {name: geometric_mean(values) for name, values in found.items()}

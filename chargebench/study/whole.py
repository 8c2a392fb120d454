"""Everything the runs of a study say: the dose answers, and beside them brew, grinders, trends. Computes nothing."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from statistics import geometric_mean

from chargebench.plain import finite
from chargebench.study.answer import answer
from chargebench.study.bottleneck import Association, association, bottleneck_ratio
from chargebench.study.brew import KINDS, brew_shifts, size_shifts
from chargebench.study.finer import at_equal_brew_time
from chargebench.study.nouns import Answer, Group
from chargebench.study.rows import Question, StudyRun
from chargebench.study.trends import trends

__all__ = ["whole_answer"]

BREW = ("brew_time_s", "extraction_percent", "tds_percent", "clump_mass_g")


def whole_answer(rows: Sequence[StudyRun], question: Question | None = None) -> Answer:
    """The answer of a study with all that stands beside the dose, in each group and across grinders."""
    found = answer(rows, question)
    groups = tuple(_with_the_rest(group, rows) for group in found.groups)
    return replace(found, groups=groups, across_grinders=_across(groups))


def _with_the_rest(group: Group, rows: Sequence[StudyRun]) -> Group:
    own = [row for row in rows if (row.coffee, row.grinder) == (group.coffee, group.grinder)]
    return replace(
        group,
        trends=tuple(trends(own)),
        brew=tuple(shift for quantity in BREW for shift in brew_shifts(own, quantity)),
        particle_sizes=tuple(size_shifts(own)),
        equal_brew_time=tuple(at_equal_brew_time(own)),
        bottleneck=bottleneck_ratio(own, group.grinder),
    )


def _across(groups: Sequence[Group]) -> Association:
    """Association of bottleneck with the effect of misting on brew time, one point a grinder.

    Only of one kind of brew: that of the most grinders. Several coffees on one grinder count as their geometric mean.
    """
    bottleneck = _by_grinder((g.grinder, g.bottleneck.ratio) for g in groups if g.bottleneck)
    shifts = [(g.grinder, s) for g in groups for s in g.brew if s.quantity == "brew_time_s"]
    effects = [_by_grinder((name, s.ratio) for name, s in shifts if s.kind == kind) for kind in KINDS]
    return association(bottleneck, max(effects, key=lambda effect: len(set(effect) & set(bottleneck))))


def _by_grinder(ratios: Iterable[tuple[str, float]]) -> dict[str, float]:
    found: dict[str, list[float]] = {}
    for name, ratio in ratios:
        if finite(ratio) is not None:
            found.setdefault(name, []).append(ratio)
    return {name: geometric_mean(values) for name, values in found.items()}

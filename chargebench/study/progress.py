"""How far a plan has come. Nothing is stored: a step is done when the archive holds a good run that says so.

Owns the next step, and which steps were repeated, skipped or ruined, with their reasons.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from chargebench.study.plan import Plan, Step
from chargebench.study.rows import StudyRun

__all__ = ["Progress", "Standing", "progress"]

State = Literal["done", "to do", "skipped", "set aside"]


@dataclass(frozen=True)
class Standing:
    """A step of a plan and what became of it.

    ``set aside`` means that every run of the step was excluded or rejected: it is to be repeated.
    """

    step: Step
    state: State
    runs: tuple[str, ...]
    reason: str = ""


@dataclass(frozen=True)
class Progress:
    """A plan with what became of each step."""

    plan: Plan
    standings: tuple[Standing, ...]

    @property
    def done(self) -> int:
        """Recorded steps that are done."""
        return sum(s.state == "done" for s in self.standings if s.step.recorded)

    def next_run(self) -> Step | None:
        """The next step to record, or None when the plan is through."""
        owed = (s.step for s in self.standings if s.step.recorded and s.state in ("to do", "set aside"))
        return next(owed, None)

    def before_next(self) -> list[Step]:
        """Purges and waits that come between the run before the next one and the next one."""
        following = self.next_run()
        if following is None:
            return []
        earlier = self.plan.steps[: following.number - 1]
        between = list(itertools.takewhile(lambda step: not step.recorded, reversed(earlier)))
        return between[::-1]


def progress(plan: Plan, rows: Iterable[StudyRun], skipped: Mapping[int, str] | None = None) -> Progress:
    """What the rows of an archive say of a plan.

    A row counts for the step named in its tags ``plan`` and ``plan_step``, provided coffee, grinder and treatment agree
    with the step; a study file that was changed after its first runs is thus noticed instead of silently miscounted.
    """
    reasons = skipped or {}
    by_step: dict[int, list[StudyRun]] = {}
    for row in rows:
        number = str(row.tags.get("plan_step", ""))
        if row.tags.get("plan") == plan.name and number.isdigit():
            by_step.setdefault(int(number), []).append(row)
    return Progress(plan, tuple(_standing(step, by_step.get(step.number, []), reasons) for step in plan.steps))


def _standing(step: Step, rows: list[StudyRun], skipped: Mapping[int, str]) -> Standing:
    own = [r for r in rows if (r.coffee, r.grinder, r.treatment) == (step.coffee, step.grinder, step.treatment)]
    names = tuple(row.run_id for row in own)
    if step.number in skipped:
        return Standing(step, "skipped", names, skipped[step.number])
    if any(not row.excluded and row.worst != "reject" for row in own):
        return Standing(step, "done", names)
    if own:
        return Standing(step, "set aside", names, own[-1].excluded or "rejected: " + " ".join(own[-1].flags))
    return Standing(step, "to do", ())

"""How far a plan has come. Nothing is stored: a step is done when the archive holds a good run that says so.

Owns the next step, and which steps were repeated, skipped or ruined, with their reasons.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from chargebench.study.plan import Plan, Step, bench_time_s
from chargebench.study.rows import StudyRun, why_not

__all__ = ["Progress", "Standing", "progress"]

State = Literal["done", "to do", "skipped", "set aside"]


@dataclass(frozen=True)
class Standing:
    """A step of a plan and what became of it.

    ``set aside`` means that every run of the step was excluded, rejected or not complete: it is to be repeated.
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
    last: Step | None = None
    """The step of the run that was made last, whatever became of it."""

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
        return [] if following is None else self.before(following)

    def before(self, following: Step) -> list[Step]:
        """Purges and waits that come before a recorded step.

        Steps that were skipped hide none. Where the run that was made last is another than the plan has there (a step
        is repeated, say) and was wetter, what the plan does about carry-over elsewhere is done here too.
        """
        between: list[Step] = []
        for standing in reversed(self.standings[: following.number - 1]):
            if not standing.step.recorded:
                between.append(standing.step)
            elif standing.state != "skipped":
                break
        return between[::-1] or self._carried_over(following)

    def _carried_over(self, following: Step) -> list[Step]:
        last = self.last
        if last is None or last.grinder != following.grinder or last.water.mass_g <= following.water.mass_g:
            return []
        usual = next((step for step in self.plan.steps if not step.recorded and step.grinder == last.grinder), None)
        return [] if usual is None else [replace(usual, number=following.number, coffee=last.coffee)]

    @property
    def left_s(self) -> float:
        """Estimated time at the bench for what is still to be done."""
        owed: list[Step] = []
        before: list[Step] = []
        for standing in self.standings:
            if not standing.step.recorded:
                before.append(standing.step)
            elif standing.state in ("to do", "set aside"):
                owed += [*before, standing.step]
            if standing.step.recorded:
                before = []
        return bench_time_s(owed)


def progress(plan: Plan, rows: Iterable[StudyRun], skipped: Mapping[int, str] | None = None) -> Progress:
    """What the rows of an archive say of a plan.

    A row counts for the step named in its tags ``plan`` and ``plan_step``, provided coffee, grinder and treatment agree
    with the step; a study file that was changed after its first runs is thus noticed instead of silently miscounted.
    A run whose tag ``incomplete`` says that it was ended in its middle, or begun out of turn, completes no step.
    """
    reasons = skipped or {}
    by_step: dict[int, list[StudyRun]] = {}
    latest = ("", 0)
    for row in rows:
        number = str(row.tags.get("plan_step", ""))
        if row.tags.get("plan") == plan.name and number.isdigit():
            by_step.setdefault(int(number), []).append(row)
            latest = max(latest, (row.started, int(number)))
    standings = tuple(_standing(step, by_step.get(step.number, []), reasons) for step in plan.steps)
    return Progress(plan, standings, next((s for s in plan.steps if s.number == latest[1] and s.recorded), None))


def _standing(step: Step, rows: list[StudyRun], skipped: Mapping[int, str]) -> Standing:
    own = [r for r in rows if (r.coffee, r.grinder, r.treatment) == (step.coffee, step.grinder, step.treatment)]
    names = tuple(row.run_id for row in own)
    if step.number in skipped:
        return Standing(step, "skipped", names, skipped[step.number])
    reasons = [_why_not(row) for row in own]
    if "" in reasons:
        return Standing(step, "done", names)
    return Standing(step, "set aside", names, reasons[-1]) if own else Standing(step, "to do", ())


def _why_not(row: StudyRun) -> str:
    """Why a run does not complete its step; empty where it does."""
    if reason := why_not(row):
        return reason
    weighed = row.purpose == "grind" and "no-mass" not in row.flags  # an unweighed bench is no fault of the run
    return "no charge to mass: " + " ".join(row.flags) if weighed and row.charge_to_mass is None else ""

"""A plan as it is told: frozen classes with all that a person or a program is to know of a step, and what comes next.

Owns the shape of ``plan --json``. Decides nothing about the order of runs.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from chargebench.plain import absent
from chargebench.study.plan import Kind, Plan, Step
from chargebench.study.progress import Progress, State
from chargebench.study.repeats import Need

__all__ = ["NextTold", "PlanTold", "StepTold", "Upcoming", "next_told", "plan_told", "upcoming_told"]


@dataclass(frozen=True)
class StepTold:
    """A step of a plan.

    Attributes
    ----------
    ioniser : bool or None
        None where the plan uses none.
    tags : mapping
        Of its run; empty for a purge or a wait.
    state, runs, reason
        What became of it, in a list of all steps.
    before : tuple of StepTold
        Purges and waits before it, where it may be repeated.
    """

    step: int
    kind: Kind
    block: int
    coffee: str
    grinder: str
    treatment: str
    wanted_uL_per_g: float
    reached_uL_per_g: float
    u_reached_uL_per_g: float
    water_mL: float
    water_g: float
    sprays: int | None
    wait_s: float
    words: str
    brief: str
    ioniser: bool | None
    tags: Mapping[str, str | float]
    state: State | None = absent()
    runs: tuple[str, ...] | None = absent()
    reason: str | None = absent()
    before: tuple[StepTold, ...] | None = absent()


@dataclass(frozen=True)
class NextTold:
    """The next step to record, None where the plan is through, and the purges and waits before it."""

    next: StepTold | None
    before_next: tuple[StepTold, ...]
    repeats: tuple[Need, ...] | None = absent()


@dataclass(frozen=True)
class Upcoming:
    """What comes next; every recorded step by number, to repeat one; what is to be known before the first run."""

    next: StepTold | None
    before_next: tuple[StepTold, ...]
    steps: Mapping[str, StepTold]
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class PlanTold:
    """A whole plan and how far it has come."""

    plan: str
    seed: int
    runs: int
    done: int
    bench_time_s: float
    left_s: float
    coffee_g: Mapping[str, float]
    remarks: tuple[str, ...]
    steps: tuple[StepTold, ...]
    next: StepTold | None
    before_next: tuple[StepTold, ...]
    repeats: tuple[Need, ...]


def step_told(
    step: Step, plan: Plan, *, state: State | None = None, runs: tuple[str, ...] | None = None,
    reason: str | None = None, before: tuple[StepTold, ...] | None = None,
) -> StepTold:  # fmt: skip
    """A step of a plan as it is told."""
    water = step.water
    return StepTold(
        step=step.number,
        kind=step.kind,
        block=step.block,
        coffee=step.coffee,
        grinder=step.grinder,
        treatment=step.treatment,
        wanted_uL_per_g=water.wanted_uL_per_g,
        reached_uL_per_g=water.reached_uL_per_g,
        u_reached_uL_per_g=water.u_reached_uL_per_g,
        water_mL=water.volume_mL,
        water_g=water.mass_g,
        sprays=water.sprays,
        wait_s=step.wait_s,
        words=step.words,
        brief=step.brief,
        ioniser=step.ionised if plan.uses_ioniser else None,
        tags=step.tags(plan.name) if step.recorded else {},
        state=state,
        runs=runs,
        reason=reason,
        before=before,
    )


def next_told(found: Progress, needs: Iterable[Need] | None = None) -> NextTold:
    """What comes next in a plan."""
    following = found.next_run()
    return NextTold(
        next=None if following is None else step_told(following, found.plan),
        before_next=tuple(step_told(step, found.plan) for step in found.before_next()),
        repeats=None if needs is None else tuple(needs),
    )


def upcoming_told(found: Progress) -> Upcoming:
    """What comes next in a plan, and all that may be repeated."""
    plan, ahead = found.plan, next_told(found)
    steps = {
        str(step.number): step_told(step, plan, before=tuple(step_told(one, plan) for one in found.before(step)))
        for step in plan.steps
        if step.recorded
    }
    return Upcoming(ahead.next, ahead.before_next, steps, plan.remarks)


def plan_told(found: Progress, needs: Iterable[Need]) -> PlanTold:
    """A whole plan and how far it has come."""
    plan, ahead = found.plan, next_told(found)
    return PlanTold(
        plan=plan.name,
        seed=plan.seed,
        runs=plan.runs,
        done=found.done,
        bench_time_s=plan.bench_time_s,
        left_s=found.left_s,
        coffee_g=plan.coffee_g,
        remarks=plan.remarks,
        steps=tuple(step_told(s.step, plan, state=s.state, runs=s.runs, reason=s.reason) for s in found.standings),
        next=ahead.next,
        before_next=ahead.before_next,
        repeats=tuple(needs),
    )

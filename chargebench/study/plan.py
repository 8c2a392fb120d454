"""From a study's question to a list of runs in a fair order. Owns the noun `Plan`; pure, seeded, reproducible.

Each block holds every dose and treatment once in random order, with dry controls at its start, middle and end, so that
a drift over the day shows in the dry runs and not in the dose. What the water of one run leaves in the grinder is
purged or waited out before the next run that gets less. Runs with the ioniser are preceded, once a block, by a blank
with it on.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from chargebench.study.sprays import Portion, alike, portion
from chargebench.study.studyfile import Arm, StudyFile, Water

__all__ = ["HANDLING_S", "PLAN_DECIDES", "PLAN_SETS", "RUN_S", "Plan", "Step", "bench_time_s", "make_plan"]

RUN_S = 45.0
"""Recording time of a run: quiet before, a grind of about 20 s, quiet after."""
HANDLING_S = 60.0
"""Time for weighing beans, misting, emptying and wiping the cup; common practice, no source."""

PLAN_DECIDES: Final = ("coffee", "grinder", "treatment", "block", "purpose")
"""Tags that decide which step of a plan a run is."""
PLAN_SETS: Final = (*PLAN_DECIDES, "setting", "dose_g", "water_uL_per_g")
"""Tags that a plan sets, beside its own; water and dose stay open to a person, since a spray too many is soon done."""

Kind = Literal["run", "blank", "purge", "wait"]


@dataclass(frozen=True)
class Step:
    """One line of a plan.

    Attributes
    ----------
    number : int
        From 1, in the order to be done.
    kind : str
        ``run``; ``blank`` (grinder empty, ioniser on); ``purge`` (dry beans, thrown away); ``wait``.
    coffee, grinder, setting, treatment : str
    block : int
        From 1.
    dose_g : float
        Beans; 0 for a blank or a wait.
    water : Portion
        Water of this run.
    wait_s : float
        Time to let pass; 0 except for ``wait``.
    """

    number: int
    kind: Kind
    coffee: str
    grinder: str
    setting: str
    treatment: str
    block: int
    dose_g: float
    water: Portion
    wait_s: float = 0.0

    @property
    def recorded(self) -> bool:
        """Whether this step ends in a run file."""
        return self.kind in ("run", "blank")

    def tags(self, plan_name: str) -> dict[str, str | float]:
        """Tags of the run that carries out this step; the dose is the one that whole sprays reach."""
        tags: dict[str, str | float] = {
            "coffee": self.coffee,
            "grinder": self.grinder,
            "treatment": self.treatment,
            "purpose": "blank" if self.kind == "blank" else "grind",
            "water_uL_per_g": round(self.water.reached_uL_per_g, 3),
            "block": str(self.block),
            "plan": plan_name,
            "plan_step": str(self.number),
        }
        if self.dose_g:
            tags["dose_g"] = self.dose_g
        if self.setting:
            tags["setting"] = self.setting
        return tags

    @property
    def brief(self) -> str:
        """What kind of run it is, in a few words: ``misted, 3 sprays``."""
        if self.kind != "run":
            return self.kind
        if not self.water.mass_g:
            return self.treatment
        count = self.water.sprays
        sprays = f"{self.water.reached_uL_per_g:.1f} µL/g" if count is None else _sprays(count)
        return f"{self.treatment}, {sprays}"

    @property
    def ionised(self) -> bool:
        """Whether the ioniser is on."""
        return "ionised" in self.treatment

    @property
    def words(self) -> str:
        """What to do, in one line."""
        if self.kind == "wait":
            return f"wait {self.wait_s:g} s for the grinding chamber to dry"
        if self.kind == "purge":
            return f"purge with {self.dose_g:g} g of dry beans and throw them away"
        if self.kind == "blank":
            return "blank: run the grinder empty with the ioniser on"
        count = self.water.sprays
        sprays = "" if count is None else f" = {_sprays(count)}"
        beans = f"{self.treatment}: {self.dose_g:g} g of beans"
        if not self.water.mass_g:
            return beans
        water = self.water
        return f"{beans}, {water.reached_uL_per_g:.1f} µL/g = {water.volume_mL:.2f} mL = {water.mass_g:.2f} g{sprays}"


def _sprays(count: int) -> str:
    return f"{count} spray{'' if count == 1 else 's'}"


@dataclass(frozen=True)
class Plan:
    """A study's runs in order.

    Attributes
    ----------
    name : str
        Of the study.
    seed : int
        What the order was drawn with.
    steps : tuple of Step
    remarks : tuple of str
        What is to be known of the plan before its first run.
    """

    name: str
    seed: int
    steps: tuple[Step, ...]
    remarks: tuple[str, ...] = ()

    @property
    def runs(self) -> int:
        """How many steps end in a run file."""
        return sum(step.recorded for step in self.steps)

    @property
    def uses_ioniser(self) -> bool:
        """Whether it is on in some steps, and hence off in the others."""
        return any(step.ionised for step in self.steps)

    @property
    def bench_time_s(self) -> float:
        """Estimated time at the bench."""
        return bench_time_s(self.steps)

    @property
    def coffee_g(self) -> dict[str, float]:
        """Beans needed, by coffee."""
        grams: dict[str, float] = {}
        for step in self.steps:
            grams[step.coffee] = grams.get(step.coffee, 0.0) + step.dose_g
        return grams


def bench_time_s(steps: Iterable[Step]) -> float:
    """Estimated time at the bench for these steps."""
    each_s = {"run": RUN_S + HANDLING_S, "blank": RUN_S + HANDLING_S, "purge": HANDLING_S / 2, "wait": 0.0}
    return sum(each_s[step.kind] + step.wait_s for step in steps)


def make_plan(study: StudyFile) -> Plan:
    """Lay out the runs of a study.

    Blocks are the outer loop, so that a series cut short still holds whole blocks; within a block the arms follow each
    other in random order, each with its own dry controls.
    """
    order = random.Random(study.study.seed)
    steps: list[Step] = []
    for block in range(1, study.study.blocks + 1):
        arms = list(study.arm)
        order.shuffle(arms)
        for arm in arms:
            steps += _block(arm, block, study, order)
    numbered = enumerate(_with_carry_over(steps, study.water), 1)
    laid_out = tuple(replace(step, number=n) for n, step in numbered)
    return Plan(study.study.name, study.study.seed, laid_out, tuple(_remarks(study)))


def _remarks(study: StudyFile) -> Iterable[str]:
    """Doses of an arm that whole sprays cannot tell apart."""
    for arm in study.arm:
        wanted = [_step("run", arm, "misted", 1, dose, study.water, beans_g=arm.dose_g) for dose in arm.doses_uL_per_g]
        for group in alike(step.water for step in wanted):
            doses = " and ".join(f"{water.wanted_uL_per_g:g}" for water in group)
            reached = f"{_sprays(group[0].sprays or 0)} ({group[0].reached_uL_per_g:.1f} µL/g)"
            yield (
                f"{arm.coffee} on {arm.grinder}: {doses} µL/g all come to {reached} and are one dose; "
                "leave all but one out, or take more coffee or finer sprays"
            )


def _block(arm: Arm, block: int, study: StudyFile, order: random.Random) -> list[Step]:
    """Runs of one arm in one block: the treatments shuffled, dry controls spread from first to last."""
    treated: list[tuple[str, float]] = []
    for given in arm.treatments:
        doses: Sequence[float] = (0.0,) if given == "ionised" else arm.doses_uL_per_g
        treated += [(given, dose) for dose in doses]
    order.shuffle(treated)
    steps: list[Step] = []
    blank_done = False
    for treatment, dose in _spread([("dry", 0.0)] * study.study.dry_per_block, treated):
        if "ionised" in treatment and not blank_done:
            steps.append(_step("blank", arm, "ionised", block, 0.0, study.water, beans_g=0.0))
            blank_done = True
        steps.append(_step("run", arm, treatment, block, dose, study.water, beans_g=arm.dose_g))
    return steps


def _spread(controls: list[tuple[str, float]], treated: list[tuple[str, float]]) -> list[tuple[str, float]]:
    """Controls at the first and the last place and evenly between; a single control comes first."""
    gaps = max(len(controls) - 1, 1)
    mixed: list[tuple[str, float]] = []
    for n, control in enumerate(controls):
        cut = [n * len(treated) // gaps, (n + 1) * len(treated) // gaps]
        mixed += [control, *treated[cut[0] : cut[1]]]
    return mixed


def _with_carry_over(steps: list[Step], water: Water) -> list[Step]:
    """The same steps with a purge or a wait where a grinder's last run was wetter than its next."""
    result: list[Step] = []
    last: dict[str, Step] = {}
    for step in steps:
        before = last.get(step.grinder)
        if before and before.water.mass_g > step.water.mass_g and water.carry_over != "none":
            result.append(_recovery(before, water))
        result.append(step)
        last[step.grinder] = step
    return result


def _recovery(wet: Step, water: Water) -> Step:
    dry = portion(0.0, max(wet.dose_g, 1.0))
    if water.carry_over == "wait":
        return replace(wet, kind="wait", treatment="dry", dose_g=0.0, water=dry, wait_s=water.wait_s)
    return replace(wet, kind="purge", treatment="dry", dose_g=water.purge_g, water=dry)


def _step(
    kind: Kind, arm: Arm, treatment: str, block: int, dose_uL_per_g: float, water: Water, *, beans_g: float
) -> Step:
    amount = portion(dose_uL_per_g, arm.dose_g, water.spray_g, water.u_spray_g, water.temperature_C)
    return Step(0, kind, arm.coffee, arm.grinder, arm.setting, treatment, block, beans_g, amount)

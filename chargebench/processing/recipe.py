"""The one function that makes an Outcome of a Run, and the only file of this room that opens one.

The steps and their order are those of the recipe; what each does lies in ``step_*``, its numbers in `parameters`.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from typing import Final

import numpy as np

from chargebench import __version__
from chargebench.processing import flags as watch
from chargebench.processing.integral import block_sums, integral_steps, integrate_current, without_resets
from chargebench.processing.outcome import RESULT_UNITS, Flag, Outcome, Provenance, StretchesUsed, Used
from chargebench.processing.parameters import DEFAULT, STEPS, Recipe, Value, read_recipe
from chargebench.processing.series import BEYOND_BELIEF, Series, clean, empty
from chargebench.processing.step_answer import answer
from chargebench.processing.step_charge import choose_stretches, fine_width_s, fit_charge, running_charge
from chargebench.processing.step_mass import collect, find_rise, time_grind
from chargebench.processing.stretches import NONE, Stretches
from chargebench.processing.work import Cup, Material, Work
from chargebench.runs.run import Run

__all__ = ["DEFAULT", "Recipe", "process", "read_recipe", "states_of"]


_DO: Final[Mapping[str, Callable[[Work], None]]] = dict(
    zip(STEPS, (find_rise, choose_stretches, fit_charge, collect, time_grind, running_charge, answer), strict=True)
)


def process(run: Run, recipe: Recipe = DEFAULT) -> Outcome:
    """What the recipe makes of the run; never raises on a run that could be loaded.

    Parameters
    ----------
    run : Run
    recipe : Recipe

    Returns
    -------
    Outcome
        Every key of `RESULT_UNITS`; those that cannot be had are None, with a flag that says why. Where the numbers of
        the run are beyond arithmetic that is all of them, and the flag is ``not-reducible``.
    """
    try:
        if odd := _beyond_belief(run):
            raise ValueError(odd)
        with np.errstate(divide="raise", over="raise", invalid="raise"):
            outcome = _reduced(run, recipe)
        json.dumps(outcome.as_json(), allow_nan=False)
    except (ArithmeticError, np.linalg.LinAlgError, ValueError) as error:
        return _not_reduced(run, recipe, str(error) or type(error).__name__)
    return outcome


def _reduced(run: Run, recipe: Recipe) -> Outcome:
    """All steps, one after another."""
    work = _laid_out(_material(run, recipe.parameters), recipe)
    if run.recovered:
        work.flag("recovered")
    if work.material.stopped_in_grind:
        work.flag("cut-short")
    for step in recipe.steps:
        _DO[step](work)
    model = None if work.fit is None else work.fit.model
    return Outcome(
        run.run_id, run.started, run.tags, run.recovered, work.result, tuple(work.flags),
        _provenance(run, recipe, work.stretches, model, work.steps), work.budget, work.curves, work.details,
    )  # fmt: skip


def _beyond_belief(run: Run) -> str:
    """What of the run's tags or knowledge is no number that could have been measured, in words; empty where nothing.

    Readings of that kind are left out by `clean`, which counts them.
    """
    for key, tag in run.tags.items():
        if not isinstance(tag, str) and not math.isfinite(tag):
            return f"tag {key} is {tag}"
    for key, known in run.knowledge.known.items():
        believable = abs(known.value) < BEYOND_BELIEF and 0.0 <= known.u < BEYOND_BELIEF and known.dof > 0.0
        if not believable:
            return f"{key} is said to be {known.value:g} with u = {known.u:g} and {known.dof:g} degrees of freedom"
    return ""


def _not_reduced(run: Run, recipe: Recipe, why: str) -> Outcome:
    """The outcome of a run that no step can make anything of: nothing but a flag that says why."""
    row = watch.TABLE["not-reducible"]
    flag = Flag(row.code, row.severity, f"{row.text.rstrip('.')} ({why}).", {"why": why})
    tags = {key: tag if isinstance(tag, str) else _plain(tag) for key, tag in run.tags.items()}
    return Outcome(
        run.run_id, run.started, tags, run.recovered, dict.fromkeys(RESULT_UNITS), (flag,),
        _provenance(run, recipe, NONE, None, ()),
    )  # fmt: skip


def _plain(number: float) -> float | str:
    """A number as JSON can hold it: as text where it is not finite."""
    return number if math.isfinite(number) else str(number)


def _material(run: Run, parameters: Mapping[str, Value]) -> Material:
    """The run as the steps see it."""
    scale = _series(run, "mass", parameters)
    states = states_of(run)
    stopped = "grinding" in states and not {"settling", "done"} & states.keys()
    return Material(_cup(run, parameters), scale, run.tags, run.knowledge.known, states, run.started, stopped)


def _laid_out(material: Material, recipe: Recipe) -> Work:
    """The sheet with its blocks."""
    series = material.cup.series
    fine = block_sums(series, material.cup.steps, fine_width_s(series, float(recipe.parameters["block_s"])))
    scale = material.scale
    weights = block_sums(scale, None, fine_width_s(scale, float(recipe.parameters["mass_block_s"])))
    return Work(material, recipe, NONE, fine, weights)


def _series(run: Run, channel: str, parameters: Mapping[str, Value]) -> Series:
    """Usable readings of a channel since the bench was at rest."""
    trace = run.traces.get(channel)
    if trace is None or not len(trace):
        return empty()
    arrays = (trace.time_s, trace.value, trace.status, trace.sequence)
    since = _rested_from_s(run)
    if since > -math.inf:
        rested = trace.time_s >= since
        arrays = tuple(array[rested] for array in arrays)  # type: ignore[assignment]
    return clean(*arrays, float(parameters["gap_steps"]), float(parameters["gap_s"]))


def _cup(run: Run, parameters: Mapping[str, Value]) -> Cup:
    """Charge readings, or integrated current readings where there are no others."""
    charge = _series(run, "charge", parameters)
    if len(charge):
        steps, bridges = integral_steps(charge)
        return Cup(without_resets(charge), steps, bridges, True)
    series, bridges = integrate_current(_series(run, "current", parameters))
    return Cup(series, None, bridges, False)


def states_of(run: Run) -> dict[str, float]:
    """First time of each state the recorder marked."""
    out: dict[str, float] = {}
    for mark in run.marks:
        if mark.kind == "state" and mark.text.split():
            out.setdefault(mark.text.split()[0].strip(":,"), mark.time_s)
    return out


def _rested_from_s(run: Run) -> float:
    """Since when the bench had been at rest when the grind began, by the recorder's marks.

    A recording begins while the cup is still being emptied and wiped; what was read until then belongs to no run. Minus
    infinity where the recorder did not mark a rest before the grind: then the traces alone decide.
    """
    rested = -math.inf
    for mark in run.marks:
        word = mark.text.split()[0].strip(":,") if mark.kind == "state" and mark.text.split() else ""
        if word == "grinding":
            return rested
        if word in ("armed", "waiting"):
            rested = mark.time_s if word == "armed" else -math.inf
    return -math.inf


def _provenance(run: Run, recipe: Recipe, s: Stretches, model: str | None, steps: Sequence[str]) -> Provenance:
    """What the outcome rests on."""
    return Provenance(
        recipe=recipe.name,
        recipe_version=recipe.version,
        recipe_steps=tuple(recipe.steps),
        parameters=dict(recipe.parameters),
        thresholds={c: recipe.thresholds.get(c, w.threshold) for c, w in watch.TABLE.items()},
        software=f"chargebench {__version__}",
        raw_sha256=run.raw_sha256(),
        model=model,
        stretches_s=StretchesUsed(s.before_s, s.grind_s, s.after_s, tuple(s.left_out), s.how),
        steps=tuple(steps),
        knowledge={
            key: Used(_plain(k.value), _plain(k.u), k.source, k.date, k.until) for key, k in run.knowledge.known.items()
        },
    )

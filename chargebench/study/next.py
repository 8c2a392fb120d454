"""After each run: what to run next for the question that was asked, how narrow that would make it, and when to stop.

c-optimal design for one more run: of all reachable doses, dry among them, the one that leaves the smallest variance of
the neutralising dose under the current fit (Atkinson, Donev and Tobias, Optimum Experimental Designs, 2007, ch. 10).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from chargebench.study.dose import DoseAnswer, Target, dose_of, short_of
from chargebench.study.equivalence import Level, Tested
from chargebench.study.fit import Fit
from chargebench.study.rows import Floats
from chargebench.study.scatter import Whitened
from chargebench.study.shapefree import FEW_DOSES

__all__ = ["Next", "Rule", "Situation", "ahead", "next_run", "reachable_doses"]

REPEATS = 2
"""Runs of a dose below which no answer rests on it."""


MOST_DOSES = 1000
"""Finer steps than that many up to the highest dose are no steps."""


@dataclass(frozen=True)
class Rule:
    """When to stop, set before the first run; None leaves a limit out."""

    width_uL_per_g: float | None = None
    most_runs: int | None = None


@dataclass(frozen=True)
class Next:
    """What to do next.

    Attributes
    ----------
    dose_uL_per_g : float or None
        Of the next run; None where no further run would help.
    width_now_uL_per_g, width_after_uL_per_g : float or None
        Of the printed interval, and as expected after that run; None where they cannot be had.
    stop : bool
        Whether a rule that was set beforehand says to end.
    text : str
    """

    dose_uL_per_g: float | None
    width_now_uL_per_g: float | None
    width_after_uL_per_g: float | None
    stop: bool
    text: str


def reachable_doses(tested_uL_per_g: Floats, step_uL_per_g: float | None = None) -> Floats:
    """Doses to choose from, 0 included.

    Whole sprays of `step_uL_per_g` up to the highest tested dose where the step is known; else the tested doses and the
    middles between them.
    """
    highest = float(tested_uL_per_g.max())
    if step_uL_per_g is not None and highest / MOST_DOSES < step_uL_per_g <= highest:
        return np.arange(0.0, highest * (1 + 1e-9), step_uL_per_g)
    doses = np.unique(np.r_[0.0, tested_uL_per_g])
    return np.unique(np.r_[doses, (doses[1:] + doses[:-1]) / 2])


@dataclass(frozen=True, eq=False)
class Situation:
    """What is known and was answered when a next run is asked for.

    Attributes
    ----------
    fit : Fit or None
        The curve doses are read from.
    white : Whitened
    target : Target
        Of the ``fraction`` dose.
    levels, tested : sequence
        Every dose, and every dose put to the band (none where there is no band).
    equivalence, fraction : DoseAnswer
        As printed.
    reachable_uL_per_g : array
        Doses to choose from.
    rule : Rule
    charged : bool
        Whether the dry charge is shown to differ from zero.
    missing : str
        Why there is no curve.
    half_band_nC_per_g : float
        Of the equivalence band.
    """

    fit: Fit | None
    white: Whitened
    target: Target
    levels: Sequence[Level]
    tested: Sequence[Tested]
    equivalence: DoseAnswer
    fraction: DoseAnswer
    reachable_uL_per_g: Floats
    rule: Rule
    charged: bool
    missing: str = ""
    half_band_nC_per_g: float = math.inf

    @property
    def runs(self) -> int:
        """Runs that count."""
        return len(self.white.points.dose_uL_per_g)

    @property
    def highest(self) -> float:
        """Highest tested dose, µL/g."""
        return float(self.white.points.doses[-1])

    @property
    def width(self) -> float | None:
        """Width of the printed interval of the fraction dose, None where an end is open."""
        ends = self.fraction.ci95
        return None if ends is None or ends[0] is None or ends[1] is None else ends[1] - ends[0]

    def runs_at(self, dose: float) -> int:
        """Runs at a tested dose."""
        return next((level.n for level in self.levels if level.dose_uL_per_g == dose), 0)


def next_run(now: Situation) -> Next:
    """The next run's dose, or the reason to stop.

    Equivalence, the question that was asked, comes first; then the interval of the ``fraction`` dose as it is printed.
    Nothing rests on a dose that was run once, and nothing is advised that the answers contradict.
    """
    if now.rule.most_runs is not None and now.runs >= now.rule.most_runs:
        return ahead(
            None,
            now.width,
            None,
            f"{now.runs} runs are done, {now.rule.most_runs} were set as the most beforehand.",
            "",
        )
    for step in (_dry_first, _water_out_of_reach, _more_water, _open_between, _neutrality, _narrow_enough):
        if (found := step(now)) is not None:
            return found
    return _narrowing(now)


def _run(now: Situation, dose: float, text: str, after: float | None = None) -> Next:
    return ahead(dose, now.width, after, "", text)


def _dry_first(now: Situation) -> Next | None:
    """Dry runs until they are repeated and shown charged; none but those where dry coffee is neutral."""
    dry = now.runs_at(0.0)
    if dry < REPEATS:
        return _run(now, 0.0, f"dry runs come first: {dry} done, {REPEATS} and more needed to compare with")
    if now.equivalence.value == 0.0:
        return _none(now, "dry coffee is shown neutral, so there is nothing for water to do")
    if not now.charged:
        return _run(now, 0.0, "dry coffee is shown neither charged nor neutral yet: repeat it dry")
    return None


def _none(now: Situation, text: str) -> Next:
    """No run at all: not the stopping rule, which looks at the interval, but nothing that a run would add."""
    return ahead(None, now.width, None, "", f"no further run would help: {text}")


def _all_fallen(fit: Fit, highest: float) -> bool:
    """Whether the curve is surely flat at the highest dose: with less than 5 % to fall at its slowest."""
    q = len(fit.curve.levels)
    slowest = fit.parameters[q] + _quantile(fit.dof) * fit.u[q]
    shape = np.array([[slowest, *fit.parameters[q + 1 :]]])
    return bool(fit.curve.shape(np.array([highest]), shape)[0, 0] < 0.05)


def _water_out_of_reach(now: Situation) -> Next | None:
    """Where the curve levels off before the target: repeats at the highest dose until that is sure."""
    if now.fit is None or now.fraction.status != "above highest dose":
        return None
    if (level := short_of(now.fit, now.target, now.highest)) is None:
        return None
    said = f"the curve levels off at {level:.3g} nC/g, short of the target"
    sure = _all_fallen(now.fit, now.highest) and now.runs_at(now.highest) >= REPEATS
    if sure and now.equivalence.status != "above highest dose":
        return _none(now, f"{said}: more water does not reach it")
    return _run(now, now.highest, f"{said}: repeat {now.highest:.3g} µL/g to make sure, not more water")


def _more_water(now: Situation) -> Next | None:
    """A higher dose where the answer lies beyond the highest, or the dose of no curve is bounded by it."""
    if now.fraction.status != "above highest dose":
        return None
    if now.runs_at(now.highest) < REPEATS:
        return _run(now, now.highest, f"{now.highest:.3g} µL/g was run once: repeat it before going higher")
    beyond = 1.5 * now.highest
    return _run(now, beyond, f"the answer lies beyond the highest tested dose: test about {beyond:.3g} µL/g next")


def _open_between(now: Situation) -> Next | None:
    """With few doses one between those that bound the answer; without a curve whatever it needs."""
    doses = now.white.points.doses
    if len(doses) > FEW_DOSES and now.fit is not None:
        return None
    low, high = now.fraction.ci95 or now.fraction.bracket or (None, None)
    inner = now.reachable_uL_per_g
    inner = inner[(inner > (low or 0.0) * 1.001) & (inner < (now.highest if high is None else high) * 0.999)]
    inner = inner[~np.isclose(inner[:, None], doses[None, :], rtol=0.06).any(axis=1)]
    if len(inner):
        middle = ((low or 0.0) + (now.highest if high is None else high)) / 2
        dose = float(inner[np.argmin(np.abs(inner - middle))])
        return _run(
            now, dose, f"{len(doses)} doses cannot tell the shape of the curve: {dose:.3g} µL/g between them would"
        )
    if now.fit is None:
        return _fewest(now, f"no curve yet: {now.missing}; " if now.missing else "")
    return None


def _fewest(now: Situation, why: str) -> Next:
    """A repeat of the dose with the fewest runs."""
    level = min(now.levels, key=lambda level: level.n)
    return _run(now, level.dose_uL_per_g, f"{why}repeat {level.dose_uL_per_g:.3g} µL/g, run {level.n} times so far")


def _neutrality(now: Situation) -> Next | None:
    """While no dose is shown neutral: more water where the highest is shown not to be, else repeats of it."""
    if not now.tested or now.equivalence.status != "above highest dose":
        return None
    low, high = now.tested[-1].interval90_nC_per_g
    if low > now.half_band_nC_per_g or high < -now.half_band_nC_per_g:
        beyond = 1.5 * now.highest
        return _run(now, beyond, f"no tested dose is neutral, and the charge still falls: test about {beyond:.3g} µL/g")
    return _run(now, now.highest, f"{now.highest:.3g} µL/g is not shown neutral nor charged: repeat it")


def _narrow_enough(now: Situation) -> Next | None:
    """The end by the width that was asked for, if what the answer rests on was repeated."""
    asked, width, value = now.rule.width_uL_per_g, now.width, now.fraction.value
    if asked is None or width is None or width > asked or value is None:
        return None
    near = sorted(now.levels, key=lambda level: abs(level.dose_uL_per_g - value))[:2]
    single = [level for level in near if level.n < REPEATS]
    if single:
        dose = single[0].dose_uL_per_g
        return _run(now, dose, f"the interval is narrow enough, but rests on one run at {dose:.3g} µL/g: repeat it")
    if now.equivalence.status == "above highest dose":
        return None
    return ahead(None, width, None, f"the interval is {width:.3g} µL/g wide, {asked:g} was asked for beforehand.", "")


def _narrowing(now: Situation) -> Next:
    """The dose that would narrow the interval of the fraction dose most."""
    fit, white = now.fit, now.white
    assert fit is not None  # else `_open_between` has answered
    slope = _gradient(fit, now.target, now.highest)
    if slope is None or not np.isfinite(fit.covariance).all():
        return _fewest(now, "the curve is not determined yet: ")
    before, after = _width(fit, slope, fit.dof), _widths_after(fit, white, slope, now.reachable_uL_per_g)
    best = int(np.argmin(after))
    dose = float(now.reachable_uL_per_g[best])
    width = before if now.width is None else now.width
    expected = float(width * after[best] / before)
    text = f"{dose:.3g} µL/g would narrow the interval most, from {width:.3g} to about {expected:.3g} µL/g"
    return _run(now, dose, text, expected)


def ahead(dose: float | None, now: float | None, after: float | None, stop: str, text: str) -> Next:
    """What to do next; `stop` is the reason to stop, or empty."""
    return Next(dose, now, after, bool(stop), f"stop: {stop}" if stop else text + ".")


def _gradient(fit: Fit, target: Target, highest: float) -> Floats | None:
    """Derivatives of the dose by the curve's parameters, central differences; None where the target is not met."""
    if dose_of(fit.curve, fit.parameters, target, highest) is None:
        return None
    slope = np.zeros(len(fit.parameters))
    for i, value in enumerate(fit.parameters):
        step = np.zeros(len(slope))
        step[i] = 1e-4 * max(abs(value), 1e-3)
        ends = [dose_of(fit.curve, fit.parameters + side * step, target, 2 * highest) for side in (1, -1)]
        if ends[0] is None or ends[1] is None:
            return None
        slope[i] = (ends[0] - ends[1]) / (2 * step[i])
    return slope


def _quantile(dof: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(dof, 0.975))


def _width(fit: Fit, slope: Floats, dof: float) -> float:
    return 2 * _quantile(dof) * math.sqrt(float(slope @ fit.covariance @ slope))


def _widths_after(fit: Fit, white: Whitened, slope: Floats, doses: Floats) -> Floats:
    """Width after one more run at each dose (n,): a rank-one update of the covariance (Sherman and Morrison)."""
    rows = _derivatives(fit, doses)
    sd2 = fit.scale * white.scatter.sd(fit.mean(doses)) ** 2
    moved = rows @ fit.covariance
    gain = (moved @ slope) ** 2 / (sd2 + np.einsum("np,np->n", moved, rows))
    left = np.maximum(float(slope @ fit.covariance @ slope) - gain, 0.0)
    found: Floats = 2 * _quantile(fit.dof + 1) * np.sqrt(left)
    return found


def _derivatives(fit: Fit, doses: Floats) -> Floats:
    """Derivatives (n, p) of the curve by its parameters."""
    columns = []
    for i, value in enumerate(fit.parameters):
        step = np.zeros(len(fit.parameters))
        step[i] = 1e-5 * max(abs(value), 1e-3)
        ends = [fit.curve.mean(doses, fit.parameters + side * step) for side in (1, -1)]
        columns.append((ends[0] - ends[1]) / (2 * step[i]))
    return np.column_stack(columns)

"""The neutralising dose by its four definitions, each with a status, an interval or bracket and one plain sentence.

Owns the rules of what may be said. Fits nothing itself and opens nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from chargebench.study.dose import DoseAnswer, Target, crossing, dose_of, fall_to, interval_of, reach
from chargebench.study.equivalence import Band, Level, Tested, equivalence, one_sided, signs_on_both_sides
from chargebench.study.fit import Fit
from chargebench.study.rows import Question
from chargebench.study.scatter import Scatter, Whitened

__all__ = ["by_crossing", "by_curve", "by_tests", "dry_is_charged", "four_definitions", "open_end"]

PROFILE = "profile likelihood, scale from the residuals"


def open_end(value: float) -> float | None:
    """An end of an interval, None where the runs leave it open."""
    return float(value) if np.isfinite(value) and value > 0 else None


def dry_is_charged(levels: Sequence[Level], scatter: Scatter, fits: Sequence[Fit] = ()) -> bool:
    """Whether the dry charge differs from zero (two-sided t test at 5 %).

    Two or three dry runs say little of their own scatter, so it is taken from the law of all repeats; where nothing was
    repeated, from the residuals of the curve.
    """
    from scipy.special import stdtrit

    dry = next((level for level in levels if level.dose_uL_per_g == 0), None)
    if dry is None:
        return False
    if scatter.dof >= 1:
        return min(one_sided(dry, scatter, sign) for sign in (-1.0, 1.0)) < 0.025
    if not fits or not np.isfinite(fits[0].u[0]):
        return False
    return bool(abs(fits[0].parameters[0]) > float(stdtrit(fits[0].dof, 0.975)) * fits[0].u[0])


def by_curve(fits: Sequence[Fit], white: Whitened, target: Target, what: str) -> DoseAnswer:
    """Dose at which the fitted curve meets the target, with its profile interval; never beyond the highest tested dose.

    The dose is that of the first of `fits`, the interval spans those of all. `what` names the target in the sentence.
    """
    highest = float(white.points.doses[-1])
    ends = np.array([interval_of(fit, white, target) for fit in fits])
    ends = ends[~np.isnan(ends[:, 0])]
    low, high = (ends[:, 0].min(), ends[:, 1].max()) if len(ends) else (np.nan, np.nan)
    value = dose_of(fits[0].curve, fits[0].parameters, target, highest)
    if value is None:
        least = highest if np.isnan(low) else open_end(low)
        text = f"{what} is not reached up to the highest tested dose, {highest:g} µL/g; {_advice(fits[0], target)}."
        return DoseAnswer("above highest dose", None, (least, None), (highest, None), text, PROFILE)
    lowest, upmost = open_end(low), open_end(high)
    if lowest is None and upmost is None:
        text = f"{what}: the runs leave the dose open at both ends; test more doses or repeats."
        return DoseAnswer("not identifiable", None, (None, None), None, text, PROFILE)
    said = f"{what} is reached at {value:.3g} µL/g"
    if upmost is None:
        said += f", 95 % interval from {lowest:.3g} µL/g, not bounded above by the doses tested"
    elif lowest is None:
        said += f", 95 % interval up to {upmost:.3g} µL/g, not bounded below"
    else:
        said += f", 95 % interval {lowest:.3g} to {upmost:.3g} µL/g"
    return DoseAnswer("found", value, (lowest, upmost), None, said + ".", PROFILE)


def _advice(fit: Fit, target: Target) -> str:
    """What to do where the curve has not come down to the target: more water, unless it levels off above it."""
    found = dict(zip(fit.curve.levels, fit.parameters, strict=False))
    level = target.fraction * found["dry"] + target.level_nC_per_g
    plateau = found.get("plateau", 0.0)
    if (plateau - level) * found["dry"] > 0:
        return f"the curve levels off at {plateau:.3g} nC/g, so more water alone may not reach it"
    return "test more water"


def by_tests(levels: Sequence[Level], target: Target, what: str, missing: str) -> DoseAnswer:
    """A bracket from one-sided t tests dose by dose, where no curve may be fitted."""
    from scipy.special import stdtr

    dry = next(level for level in levels if level.dose_uL_per_g == 0)
    sign = np.sign(dry.mean_nC_per_g)
    above, below = [0.0], []
    for level in levels:
        if level.dose_uL_per_g == 0 or not np.isfinite(level.u_nC_per_g) or level.dof <= 0:
            continue
        miss = sign * (level.mean_nC_per_g - target.fraction * dry.mean_nC_per_g - target.level_nC_per_g)
        t = miss / np.hypot(level.u_nC_per_g, target.fraction * dry.u_nC_per_g)
        p_below = float(stdtr(min(level.dof, dry.dof), t))
        above += [level.dose_uL_per_g] * (p_below > 0.95)
        below += [level.dose_uL_per_g] * (p_below < 0.05)
    first = next((dose for dose in below if dose > max(above)), None)
    method = f"one-sided t tests dose by dose; no curve, since {missing}"
    if first is not None:
        text = f"{what} is reached between {max(above):g} and {first:g} µL/g."
        return DoseAnswer("bracket", None, None, (max(above), first), text, method)
    if max(above) == levels[-1].dose_uL_per_g and max(above) > 0:
        text = f"{what} is not reached up to the highest tested dose, {max(above):g} µL/g; test more water."
        return DoseAnswer("above highest dose", None, None, (max(above), None), text, method)
    return DoseAnswer("not identifiable", None, None, None, f"{what}: {missing}.", method)


def by_crossing(fits: Sequence[Fit], white: Whitened, levels: Sequence[Level], scatter: Scatter) -> DoseAnswer:
    """Dose at which the charge changes sign, only where tested doses lie significantly on both sides of zero."""
    sides = signs_on_both_sides(levels, scatter)
    if sides is None:
        text = "No change of sign is shown: tested doses do not lie significantly on both sides of zero."
        return DoseAnswer("not identifiable", None, None, None, text, "Holm-adjusted one-sided t tests")
    found = by_curve(fits, white, crossing(), "A net charge of zero") if fits else None
    if found is None or found.status != "found":
        text = f"The net charge changes sign between {sides[0]:g} and {sides[1]:g} µL/g."
        return DoseAnswer("bracket", None, None, sides, text, "Holm-adjusted one-sided t tests")
    return DoseAnswer(found.status, found.value, found.ci95, sides, found.text, found.method)


def _no_dry(levels: Sequence[Level], scatter: Scatter, fits: Sequence[Fit]) -> str:
    """Why there is no dry value to compare with, or an empty text."""
    if not any(level.dose_uL_per_g == 0 for level in levels):
        return "No dry runs found; the dry value is needed."
    if dry_is_charged(levels, scatter, fits):
        return ""
    if scatter.dof < 1 and not fits:
        return "Nothing was repeated, so the scatter of the dry runs is not known; repeat some."
    return "The dry charge does not differ significantly from zero."


def four_definitions(
    fits: Sequence[Fit],
    white: Whitened,
    levels: Sequence[Level],
    tested: Sequence[Tested],
    band: Band | None,
    question: Question,
    missing: str,
) -> Mapping[str, DoseAnswer]:
    """All four answers by name; `fits` as `select` gives them, `missing` why there are none."""
    refused = _no_dry(levels, white.scatter, fits)

    def curve_or_tests(target: Target, what: str) -> DoseAnswer:
        if refused:
            return DoseAnswer("not identifiable", None, None, None, refused)
        return by_curve(fits, white, target, what) if fits else by_tests(levels, target, what, missing)

    answers = {"equivalence": _equivalence(tested, band)}
    part = f"{question.fraction:.0%} of the dry charge"
    answers["fraction"] = curve_or_tests(fall_to(question.fraction), part)
    answers["limit"] = _limit(levels, question, curve_or_tests, refused)
    answers["crossing"] = by_crossing(fits, white, levels, white.scatter)
    return answers


def _equivalence(tested: Sequence[Tested], band: Band | None) -> DoseAnswer:
    if band is None:
        text = "No band: none was fixed, and there are neither dry runs nor a detection limit to take one from."
        return DoseAnswer("not identifiable", None, None, None, text)
    return equivalence(tested)


def _limit(
    levels: Sequence[Level], question: Question, answer: Callable[[Target, str], DoseAnswer], refused: str
) -> DoseAnswer:
    limit = question.detection_limit_nC_per_g
    if limit is None:
        text = "The detection limit of the bench is not known: run blanks, or state it in the study."
        return DoseAnswer("not identifiable", None, None, None, text)
    dry = next((level.mean_nC_per_g for level in levels if level.dose_uL_per_g == 0), np.nan)
    if not refused and abs(dry) <= limit:
        text = f"The dry charge already lies within the detection limit, {limit:.3g} nC/g."
        return DoseAnswer("found", 0.0, None, (None, 0.0), text)
    return answer(reach(float(np.sign(dry)) * limit), f"The detection limit, {limit:.3g} nC/g,")

"""The neutralising dose by its four definitions, each with a status, an interval or bracket and one plain sentence.

Owns the rules of what may be said. Fits nothing itself and opens nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from chargebench.study.band import Band
from chargebench.study.dose import (
    CLEARLY,
    DoseAnswer,
    Target,
    crossing,
    dose_of,
    fall_to,
    interval_of,
    levels_off,
    reach,
    short_of,
)
from chargebench.study.equivalence import Level, Tested, equivalence, one_sided, signs_on_both_sides
from chargebench.study.fit import Fit
from chargebench.study.rows import Question
from chargebench.study.scatter import LEAST_BLOCKS, Scatter, Whitened
from chargebench.study.shapefree import FEW_DOSES, between

__all__ = ["by_crossing", "by_curve", "by_tests", "dry_is_charged", "four_definitions", "open_end"]

PROFILE = "profile likelihood, scale from the residuals"
ANY_SHAPE = "one-sided t tests dose by dose, for any curve that falls steadily"
BEYOND_CHANCE = 0.005
"""p up to which a change of sign is more than just shown."""
ALIKE = 0.35
"""Variance between blocks, in that of runs, up to which blocks hardly move a change of sign."""
BLOCKS_DIFFER = (
    "Blocks differ by {ratio:.2g} times what runs of one block scatter, and move all doses together: few tell "
    "poorly where the charge changes sign. Add blocks."
)
FEW_BLOCKS = (
    "{blocks} blocks hardly tell how far blocks differ, and what moves a block moves all its doses past zero together. "
    "Add blocks."
)
JUST_SHOWN = (
    "A change of sign is only just shown (p {p:.2g}): where chance helped, the dose of it looks lower "
    "than it is. Repeat the highest doses."
)


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


def by_curve(fits: Sequence[Fit], white: Whitened, target: Target, what: str, levels: Sequence[Level]) -> DoseAnswer:
    """Dose at which the fitted curve meets the target, with its profile interval; never beyond the highest tested dose.

    The dose is that of the first of `fits`, the interval spans those of all, and with few doses every steadily falling
    curve that they cannot rule out. `what` names the target in the sentence.
    """
    highest = float(white.points.doses[-1])
    few = len(white.points.doses) <= FEW_DOSES
    ends = [interval_of(fit, white, target) for fit in fits]
    if few:
        ends.append(between(levels, white.judged, target) or (0.0, np.inf))
    found = np.array(ends)[~np.isnan(ends)[:, 0]]
    low, high = (found[:, 0].min(), found[:, 1].max()) if len(found) else (np.nan, np.nan)
    value = dose_of(fits[0].curve, fits[0].parameters, target, highest)
    if value is None and not (few and np.isfinite(ends[-1][1])):
        least = highest if np.isnan(low) else open_end(low)
        advice = _advice(fits[0], target, highest)
        text = f"{what} is not reached up to the highest tested dose, {highest:g} µL/g; {advice}."
        return DoseAnswer("above highest dose", None, (least, None), (highest, None), text, PROFILE)
    lowest, upmost = open_end(low), open_end(high)
    if lowest is None and upmost is None:
        text = f"{what}: the runs leave the dose open at both ends; test more doses or repeats."
        return DoseAnswer("not identifiable", None, (None, None), None, text, PROFILE)
    told = _ends_told(lowest, upmost)
    if not few:
        return DoseAnswer(
            "found", value, (lowest, upmost), None, f"{what} is reached at {value:.3g} µL/g{told}.", PROFILE
        )
    near = "" if value is None else f", by the curve at {value:.3g} µL/g"
    text = f"{what} is reached{near}{told}: {len(white.points.doses)} doses cannot tell the shape between them"
    text += f"; a dose between {_or(lowest, 0.0):.3g} and {_or(upmost, highest):.3g} µL/g would decide."
    status = "bracket" if value is None else "found"
    return DoseAnswer(status, value, (lowest, upmost), (lowest, upmost), text, f"{PROFILE}; {ANY_SHAPE}")


def _or(end: float | None, otherwise: float) -> float:
    return otherwise if end is None else end


def _ends_told(lowest: float | None, upmost: float | None) -> str:
    if upmost is None:
        return f", 95 % interval from {lowest:.3g} µL/g, not bounded above by the doses tested"
    if lowest is None:
        return f", 95 % interval up to {upmost:.3g} µL/g, not bounded below"
    return f", 95 % interval {lowest:.3g} to {upmost:.3g} µL/g"


def _advice(fit: Fit, target: Target, highest: float) -> str:
    """What to do where the curve has not come down to the target: more water, unless it levels off above it."""
    level = short_of(fit, target, highest)
    if level is None:
        return "test more water"
    return f"the curve levels off at {level:.3g} nC/g, so more water alone may not reach it"


def by_tests(levels: Sequence[Level], scatter: Scatter, target: Target, what: str, missing: str) -> DoseAnswer:
    """The tested doses between which any steadily falling curve meets the target, where no curve may be fitted."""
    ends = between(levels, scatter, target)
    if ends is None or ends == (0.0, np.inf):
        return DoseAnswer("not identifiable", None, None, None, f"{what}: {missing}.")
    low, high = ends
    method = f"{ANY_SHAPE}; no curve, since {missing}"
    if np.isfinite(high):
        text = f"{what} is reached between {low:g} and {high:g} µL/g; a dose between would decide."
        return DoseAnswer("bracket", None, None, (low, high), text, method)
    if low == levels[-1].dose_uL_per_g:
        text = f"{what} is not reached up to the highest tested dose, {low:g} µL/g; test more water."
        return DoseAnswer("above highest dose", None, None, (low, None), text, method)
    text = f"{what} is reached above {low:g} µL/g, if at all: no higher dose is shown below it; repeat those."
    return DoseAnswer("bracket", None, None, (low, None), text, method)


def by_crossing(fits: Sequence[Fit], white: Whitened, levels: Sequence[Level]) -> DoseAnswer:
    """Dose at which the charge changes sign, only where tested doses lie significantly on both sides of zero."""
    sides = signs_on_both_sides(levels, white.judged)
    if sides is None:
        text = "No change of sign is shown: tested doses do not lie significantly on both sides of zero."
        return DoseAnswer("not identifiable", None, None, None, text, "Holm-adjusted one-sided t tests")
    doubt = JUST_SHOWN.format(p=sides.p) if sides.p > BEYOND_CHANCE else ""
    blocks = len(np.unique(white.points.block))
    if not doubt and white.block_ratio > ALIKE:
        doubt = BLOCKS_DIFFER.format(ratio=np.sqrt(white.block_ratio))
    elif not doubt and 1 < blocks <= LEAST_BLOCKS:
        doubt = FEW_BLOCKS.format(blocks=blocks)
    found = by_curve(fits, white, crossing(), "A net charge of zero", levels) if fits else None
    bracket = (sides.same, sides.other)
    if found is None or found.status != "found":
        text = f"The net charge changes sign between {sides.same:g} and {sides.other:g} µL/g."
        return DoseAnswer("bracket", None, None, bracket, text, "Holm-adjusted one-sided t tests", doubt)
    return DoseAnswer(found.status, found.value, found.ci95, bracket, found.text, found.method, doubt)


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
    refused = _no_dry(levels, white.judged, fits)

    def curve_or_tests(target: Target, what: str) -> DoseAnswer:
        if refused:
            return DoseAnswer("not identifiable", None, None, None, refused)
        if fits:
            return by_curve(fits, white, target, what, levels)
        return by_tests(levels, white.judged, target, what, missing)

    answers = {"equivalence": _equivalence(tested, band, fits)}
    part = f"{question.fraction:.0%} of the dry charge"
    answers["fraction"] = curve_or_tests(fall_to(question.fraction), part)
    answers["limit"] = _limit(levels, question, curve_or_tests, refused)
    answers["crossing"] = by_crossing(fits, white, levels)
    return answers


def _equivalence(tested: Sequence[Tested], band: Band | None, fits: Sequence[Fit]) -> DoseAnswer:
    """By tests alone; where none passes at the highest dose, the curve says whether more water can help."""
    if band is None:
        text = "No band: none was fixed, and there are neither dry runs nor a detection limit to take one from."
        return DoseAnswer("not identifiable", None, None, None, text)
    found, top = equivalence(tested), tested[-1]
    if found.status != "above highest dose" or not fits:
        return found
    half, flat = band.half_width_nC_per_g, levels_off(fits[0], top.dose_uL_per_g)
    if flat is None or not abs(flat[0]) - half > CLEARLY * flat[1]:
        return found
    low, high = top.interval90_nC_per_g
    if low > half or high < -half:
        text = (
            f"At the highest tested dose, {top.dose_uL_per_g:g} µL/g, the charge lies outside the band, and the curve "
            f"levels off at {flat[0]:.3g} nC/g, outside it too: more water alone may not reach it."
        )
        return replace(found, status="not identifiable", text=text)
    said = found.text.removesuffix("test more water, or more repeats.")
    return replace(found, text=f"{said}repeat it; the curve levels off, so more water alone may not help.")


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

"""What should be known before a study's answer is believed. Owns the flags of a group; changes no number."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from chargebench.processing.outcome import Flag
from chargebench.study.brew import impossible_brew
from chargebench.study.nouns import CurveFound, DoseFound, LevelFound, NoCurve
from chargebench.study.rows import StudyRun
from chargebench.study.sensitivity import Isotonic

__all__ = ["remarks_on_curve", "remarks_on_levels", "remarks_on_runs"]


def remarks_on_runs(rows: Sequence[StudyRun]) -> list[Flag]:
    """Water not told, settings mixed, masses unequal."""
    found = []
    untold = [row.run_id for row in rows if not row.tells_water]
    if untold:
        text = f"Runs that do not say what was done with water, taken as dry: {', '.join(untold)}."
        found.append(Flag("water-untold", "doubt", text, {"runs": untold}))
    settings = sorted({row.setting for row in rows})
    if len(settings) > 1:
        named = ", ".join(setting or "untold" for setting in settings)
        text = f"Runs at {len(settings)} grinder settings are taken together: {named}."
        found.append(Flag("mixed-settings", "doubt", text, {"settings": settings}))
    brews = [f"{row.run_id} ({why})" for row in rows if (why := impossible_brew(row))]
    if brews:
        text = f"Brews that cannot be, left out of the extraction: {', '.join(brews)}."
        found.append(Flag("impossible-brew", "doubt", text, {"runs": brews}))
    mass = np.array([row.collected_mass_g for row in rows])
    mass = mass[mass > 0]
    if len(mass) and (worst := float(np.max(np.abs(mass / np.median(mass) - 1)))) > 0.1:
        text = "Collected masses differ by more than 10 %; charge does not grow in proportion to mass."
        found.append(Flag("unequal-mass", "doubt", text, {"largest_departure": worst, "allowed": 0.1}))
    return found


def remarks_on_levels(levels: Sequence[LevelFound], isotonic: Isotonic | None) -> list[Flag]:
    """Signs that change from run to run, means that do not fall steadily, doses run once."""
    found = []
    for level in levels:
        if level.sign_changes:
            text = f"At {level.dose_uL_per_g:g} µL/g: not neutral: sign changes from run to run."
            means = {"mean_nC_per_g": level.mean_nC_per_g, "rms_nC_per_g": level.rms_nC_per_g}
            found.append(Flag("sign-changes", "doubt", text, {**means, "signs": list(level.signs)}))
    if isotonic and isotonic.p < 0.05:
        text = "Charge does not go steadily one way with water; a rise at high dose may be clumping."
        found.append(Flag("not-steady", "doubt", text, {"p": isotonic.p, "allowed": 0.05}))
    single = [level.dose_uL_per_g for level in levels if level.n == 1]
    if single:
        text = f"Run once only: {', '.join(f'{dose:g}' for dose in single)} µL/g; scatter there is borrowed."
        found.append(Flag("single-run", "note", text, {"doses_uL_per_g": single}))
    return found


def remarks_on_curve(curve: CurveFound | NoCurve, doses: Mapping[str, DoseFound]) -> list[Flag]:
    """Curve that does not fit, displaced curve, intervals that disagree, outlying runs that matter."""
    if isinstance(curve, NoCurve):
        return []
    found = []
    if (lack := curve.lack_of_fit) and lack.p < 0.05:
        text = f"The {curve.name} does not pass through the means as closely as repeats do (p {lack.p:.2g})."
        found.append(Flag("lack-of-fit", "doubt", text, {"p": lack.p, "allowed": 0.05}))
    if len(curve.interval_spans) > 1:
        text = f"No single curve is sure; intervals span those of {', '.join(curve.interval_spans)}."
        found.append(Flag("several-curves", "note", text, {"aicc": dict(curve.aicc)}))
    for name, dose in doses.items():
        if dose.intervals_disagree:
            text = f"Profile and bootstrap intervals of the {name} dose disagree; both are shown."
            found.append(Flag("intervals-disagree", "note", text, _both_intervals(dose)))
    robust = curve.robust
    if robust and robust.held_down and _outside(robust.dose_uL_per_g, doses["fraction"].ci95):
        runs = ", ".join(robust.held_down)
        text = f"Holding down outlying runs ({runs}) moves the dose out of its interval; look at those runs."
        found.append(Flag("outlying-runs-matter", "doubt", text, {"dose_uL_per_g": robust.dose_uL_per_g}))
    return found


def _both_intervals(dose: DoseFound) -> dict[str, list[float | None]]:
    return {"ci95": list(dose.ci95 or ()), "bootstrap": list(dose.bootstrap_ci95 or ())}


def _outside(value: float | None, ends: Sequence[float | None] | None) -> bool:
    if ends is None:
        return False
    low, high = ends
    if value is None:
        return high is not None
    return (low is not None and value < low) or (high is not None and value > high)

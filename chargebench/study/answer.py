"""Puts a study's answer together: one plain object for each coffee and grinder, which report and screens only show.

Owns the shape of ``study --json``. Computes nothing itself beyond sorting runs into groups.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from chargebench.processing.outcome import Flag
from chargebench.study.arms import arms_of, remarks_on_arms
from chargebench.study.bootstrap import disagree, resample
from chargebench.study.curves import CURVES, EXPONENTIAL_PLATEAU
from chargebench.study.dose import DoseAnswer, Target, crossing, dof_of, fall_to, reach
from chargebench.study.equivalence import Band, Level, Tested, band_of, levels_of, put_to_test
from chargebench.study.fit import Fit, derivatives, fit_family, lack_of_fit, missing_for, select, weights
from chargebench.study.neutralising import dry_is_charged, four_definitions, open_end
from chargebench.study.next import Rule, Situation, next_run, reachable_doses
from chargebench.study.remarks import remarks_on_curve, remarks_on_levels, remarks_on_runs
from chargebench.study.rows import CURVE_TREATMENTS, Floats, Points, Question, StudyRun, points_of, usable, why_not
from chargebench.study.scatter import Whitened, whiten
from chargebench.study.sensitivity import isotonic_check, robust_refit
from chargebench.study.shapefree import FEW_DOSES
from chargebench.study.treatments import compare_treatments

__all__ = ["analyse", "answer", "answer_group", "next_of", "plain"]


@dataclass(frozen=True, eq=False)
class Analysis:
    """All that was worked out about one dose curve."""

    points: Points
    white: Whitened
    levels: tuple[Level, ...]
    band: Band | None
    tested: tuple[Tested, ...]
    fits: tuple[Fit, ...]
    chosen: tuple[Fit, ...]
    missing: str

    @property
    def highest(self) -> float:
        """Highest tested dose, µL/g."""
        return float(self.points.doses[-1])


def answer(rows: Sequence[StudyRun], question: Question | None = None) -> dict[str, Any]:
    """The answer of a study.

    Parameters
    ----------
    rows : sequence of StudyRun
        All runs, excluded ones among them.
    question : Question, optional
        What was fixed beforehand. Without resamples the answer is the quick one for a live update: no bootstrap, no
        sensitivity, treatments summarised but not tested.

    Returns
    -------
    dict
        ``question`` and ``groups``, one for each coffee and grinder in order of first run; plain values throughout.
    """
    question = question or Question()
    keys = list(dict.fromkeys((row.coffee, row.grinder) for row in rows if row.purpose == "grind"))
    groups = [answer_group([row for row in rows if _belongs(row, *key)], *key, question) for key in keys]
    found: dict[str, Any] = plain({"question": asdict(question), "groups": groups})
    return found


def _belongs(row: StudyRun, coffee: str, grinder: str) -> bool:
    """Whether a run speaks for a coffee on a grinder; blanks speak for every coffee of their grinder."""
    if row.purpose == "blank":
        return row.grinder in ("", grinder)
    return (row.coffee, row.grinder) == (coffee, grinder)


def answer_group(rows: Sequence[StudyRun], coffee: str, grinder: str, question: Question) -> dict[str, Any]:
    """The answer for one coffee on one grinder, from its runs and the blanks of the grinder."""
    used = usable(rows)
    on_curve = [row for row in used if row.treatment in CURVE_TREATMENTS and math.isfinite(row.water_uL_per_g)]
    analysis = analyse(points_of(on_curve), question) if on_curve else None
    definitions = _definitions(analysis, question) if analysis is not None else {}
    found, flags = _dose_part(analysis, definitions, question)
    return {
        "coffee": coffee,
        "grinder": grinder,
        "runs": len(used),
        "set_aside": [
            {"run": row.run_id, "reason": why_not(row) or "no charge-to-mass"} for row in rows if _is_set_aside(row)
        ],
        **found,
        "treatments": _treatments(rows, used, analysis, question),
        "flags": [flag.as_json() for flag in (*remarks_on_runs(used), *remarks_on_arms(rows), *flags)],
        "next": None if analysis is None else next_of(analysis, question, definitions),
    }


def analyse(points: Points, question: Question) -> Analysis:
    """Scatter, tests and fits of one dose curve."""
    white = whiten(points, question.blocks)
    levels = levels_of(points, white.scatter)
    band = band_of(levels, question.band_nC_per_g, question.detection_limit_nC_per_g)
    missing = missing_for(EXPONENTIAL_PLATEAU, white)
    fits = fit_family(white) if points.doses[-1] > 0 else ()
    chosen = select(fits) if fits and not missing else ()
    return Analysis(points, white, levels, band, put_to_test(levels, band) if band else (), fits, chosen, missing)


def _is_set_aside(row: StudyRun) -> bool:
    return row.purpose == "grind" and not usable([row])


def _definitions(a: Analysis, question: Question) -> Mapping[str, DoseAnswer]:
    return four_definitions(a.chosen, a.white, a.levels, a.tested, a.band, question, a.missing)


def _dose_part(
    analysis: Analysis | None, definitions: Mapping[str, DoseAnswer], question: Question
) -> tuple[dict[str, Any], list[Flag]]:
    """The answers of the dose curve, and what to remark on them."""
    if analysis is None:
        return {"dry": None, "levels": [], "band": None, "curve": None, "neutralising_dose": None}, []
    a, full = analysis, question.resamples > 0
    doses = {name: found.as_json() for name, found in definitions.items()}
    curve = _curve_part(a)
    if full and a.chosen:
        resampled = _bootstrap(a, definitions, question)
        doses = {name: {**dose, **resampled["intervals"].get(name, {})} for name, dose in doses.items()}
        curve |= {
            "bootstrap_selected": resampled["selected"],
            "robust": robust_refit(a.chosen[0], a.white, fall_to(question.fraction)),
        }
    isotonic = isotonic_check(a.levels, a.white.scatter, question.seed) if full else None
    levels = [_level(level, item) for level, item in zip(a.levels, a.tested or [None] * len(a.levels), strict=True)]
    found = {
        "dry": next((level for level in levels if level["dose_uL_per_g"] == 0), None),
        "levels": levels,
        "band": None if a.band is None else asdict(a.band),
        "curve": {**curve, "isotonic": isotonic},
        "neutralising_dose": doses,
    }
    doubts = [Flag(f"{name}-doubtful", "doubt", one.doubt) for name, one in definitions.items() if one.doubt]
    return found, [*remarks_on_levels(levels, isotonic), *remarks_on_curve(curve, doses), *doubts]


def _targets(a: Analysis, question: Question) -> dict[str, Target]:
    """Where on the curve each definition lies."""
    found = {"fraction": fall_to(question.fraction), "crossing": crossing()}
    limit = question.detection_limit_nC_per_g
    if limit is not None and a.levels[0].dose_uL_per_g == 0:
        found["limit"] = reach(math.copysign(limit, a.levels[0].mean_nC_per_g))
    return found


def _bootstrap(a: Analysis, definitions: Mapping[str, DoseAnswer], question: Question) -> dict[str, Any]:
    """Bootstrap intervals of the doses that have a profile interval, where there are doses enough to trust a curve."""
    resampled = resample(a.fits, a.white, question.resamples, question.seed)
    intervals = {}
    for name, target in _targets(a, question).items():
        profile, value = definitions[name].ci95, definitions[name].value
        if profile is None or not value or len(a.points.doses) <= FEW_DOSES:
            continue
        low, high = resampled.interval(target, a.highest, value, dof_of(a.chosen[0], a.white, target))
        ends = (open_end(low), open_end(high))
        intervals[name] = {"bootstrap_ci95": list(ends), "intervals_disagree": disagree(profile, ends)}
    return {"intervals": intervals, "selected": resampled.shares()}


def _level(level: Level, tested: Tested | None) -> dict[str, Any]:
    found = level.as_json()
    if tested is not None:
        found |= {
            "interval90_nC_per_g": list(tested.interval90_nC_per_g),
            "neutral": tested.neutral,
            "sign_changes": tested.sign_changes,
        }
    return found


def _curve_part(a: Analysis) -> dict[str, Any]:
    scatter = {**asdict(a.white.scatter), "block_ratio": a.white.block_ratio}
    not_fitted = [text for curve in CURVES if (text := missing_for(curve, a.white))]
    if not a.chosen:
        return {
            "name": None,
            "missing": a.missing,
            "weights": {},
            "parameters": {},
            "scatter": scatter,
            "not_fitted": not_fitted,
        }
    fit = a.chosen[0]
    return {
        "name": fit.curve.name,
        "interval_spans": [other.curve.name for other in a.chosen],
        "parameters": _parameters(fit),
        "dof": fit.dof,
        "residual_scale": math.sqrt(fit.scale),
        "weights": {f.curve.name: float(w) for f, w in zip(a.fits, weights(a.fits), strict=True)},
        "aicc": {f.curve.name: f.aicc for f in a.fits},
        "not_fitted": not_fitted,
        "lack_of_fit": lack_of_fit(fit, a.white),
        "scatter": scatter,
        "points": _curve_points(fit, a),
        "residuals": {
            "dose_uL_per_g": a.points.dose_uL_per_g,
            "residual_nC_per_g": a.points.q_nC_per_g - fit.mean(a.points.dose_uL_per_g),
            "run": a.points.run_id,
        },
    }


def _curve_points(fit: Fit, a: Analysis) -> dict[str, Floats]:
    """The curve and its pointwise 95 % band, up to the highest tested dose, for figures."""
    from scipy.special import stdtrit

    dose = np.linspace(0, a.highest, 101)
    slope = derivatives(fit.curve, dose, fit.parameters)
    half = float(stdtrit(fit.dof, 0.975)) * np.sqrt(np.einsum("np,pr,nr->n", slope, fit.covariance, slope))
    mean = fit.mean(dose)
    return {"dose_uL_per_g": dose, "mean_nC_per_g": mean, "low_nC_per_g": mean - half, "high_nC_per_g": mean + half}


def _parameters(fit: Fit) -> dict[str, dict[str, float]]:
    return {
        name: {"value": float(value), "u": float(u)}
        for name, value, u in zip(fit.curve.parameter_names, fit.parameters, fit.u, strict=True)
    }


def _treatments(
    rows: Sequence[StudyRun], used: Sequence[StudyRun], analysis: Analysis | None, question: Question
) -> dict[str, Any] | None:
    if not used:
        return None
    if question.resamples == 0:
        return {"arms": [arm.as_json() for arm in arms_of(rows)]}
    band = analysis.band.half_width_nC_per_g if analysis and analysis.band else question.band_nC_per_g
    return compare_treatments(rows, band, question.seed)


def next_of(a: Analysis, question: Question, definitions: Mapping[str, DoseAnswer] | None = None) -> dict[str, Any]:
    """The run to do next; `definitions` as `four_definitions` gives them, where they are at hand."""
    definitions = _definitions(a, question) if definitions is None else definitions
    return next_run(
        Situation(
            fit=a.chosen[0] if a.chosen else None,
            white=a.white,
            target=fall_to(question.fraction),
            levels=a.levels,
            tested=a.tested,
            equivalence=definitions["equivalence"],
            fraction=definitions["fraction"],
            reachable_uL_per_g=reachable_doses(a.points.doses, question.spray_step_uL_per_g),
            rule=Rule(question.stop_width_uL_per_g, question.most_runs),
            charged=dry_is_charged(a.levels, a.white.judged, a.chosen),
            missing=a.missing,
            half_band_nC_per_g=a.band.half_width_nC_per_g if a.band else math.inf,
        )
    )


def plain(value: Any) -> Any:
    """Values as JSON has them: plain numbers, lists and dicts; what is not finite is None."""
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple, np.ndarray)):
        return [plain(v) for v in value]
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not math.isfinite(value) else value

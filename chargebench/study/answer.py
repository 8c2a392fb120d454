"""Puts a study's answer together: one group for each coffee and grinder, which report and screens only show.

Computes nothing itself beyond sorting runs into groups; what an answer is made of stands in `nouns`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from chargebench.plain import finite, finite_pair
from chargebench.processing.outcome import Flag
from chargebench.study.arms import arms_of, remarks_on_arms
from chargebench.study.band import Band
from chargebench.study.bootstrap import disagree, resample
from chargebench.study.curves import CURVES, EXPONENTIAL_PLATEAU
from chargebench.study.dose import DoseAnswer, Target, crossing, dof_of, fall_to, reach
from chargebench.study.equivalence import Level, Tested, band_of, levels_of, put_to_test
from chargebench.study.fit import Fit, derivatives, fit_family, lack_of_fit, missing_for, select, weights
from chargebench.study.neutralising import dry_is_charged, four_definitions, open_end
from chargebench.study.next import Next, Rule, Situation, next_run, reachable_doses
from chargebench.study.nouns import (
    Answer,
    CurveFound,
    CurvePoints,
    DoseFound,
    Doses,
    Group,
    LevelFound,
    NoCurve,
    Parameter,
    Residuals,
    ScatterFound,
    SetAside,
)
from chargebench.study.remarks import remarks_on_curve, remarks_on_levels, remarks_on_runs
from chargebench.study.rows import CURVE_TREATMENTS, Floats, Points, Question, StudyRun, points_of, usable, why_not
from chargebench.study.scatter import Whitened, whiten
from chargebench.study.sensitivity import Isotonic, isotonic_check, robust_refit
from chargebench.study.shapefree import FEW_DOSES
from chargebench.study.treatments import Treatments, compare_treatments

__all__ = ["analyse", "answer", "answer_group", "next_of"]


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


def answer(rows: Sequence[StudyRun], question: Question | None = None) -> Answer:
    """The answer of a study.

    Parameters
    ----------
    rows : sequence of StudyRun
        All runs, excluded ones among them.
    question : Question, optional
        What was fixed beforehand. Without resamples the answer is the quick one for a live update: no bootstrap, no
        sensitivity, treatments summarised but not tested.
    """
    question = question or Question()
    keys = list(dict.fromkeys((row.coffee, row.grinder) for row in rows if row.purpose == "grind"))
    groups = (answer_group([row for row in rows if _belongs(row, *key)], *key, question) for key in keys)
    return Answer(question, tuple(groups), None)


def _belongs(row: StudyRun, coffee: str, grinder: str) -> bool:
    """Whether a run speaks for a coffee on a grinder; blanks speak for every coffee of their grinder."""
    if row.purpose == "blank":
        return row.grinder in ("", grinder)
    return (row.coffee, row.grinder) == (coffee, grinder)


def answer_group(rows: Sequence[StudyRun], coffee: str, grinder: str, question: Question) -> Group:
    """The answer for one coffee on one grinder, from its runs and the blanks of the grinder."""
    used = usable(rows)
    on_curve = [row for row in used if row.treatment in CURVE_TREATMENTS and math.isfinite(row.water_uL_per_g)]
    analysis = analyse(points_of(on_curve), question) if on_curve else None
    definitions = _definitions(analysis, question) if analysis is not None else {}
    found = _dose_part(analysis, definitions, question)
    return Group(
        coffee=coffee,
        grinder=grinder,
        runs=len(used),
        set_aside=tuple(
            SetAside(row.run_id, why_not(row) or "no charge-to-mass") for row in rows if _is_set_aside(row)
        ),
        dry=found.dry,
        levels=found.levels,
        band=None if analysis is None else analysis.band,
        curve=found.curve,
        neutralising_dose=found.doses,
        treatments=_treatments(rows, used, analysis, question),
        flags=(*remarks_on_runs(used), *remarks_on_arms(rows), *found.flags),
        next=None if analysis is None else next_of(analysis, question, definitions),
    )


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


@dataclass(frozen=True)
class DosePart:
    """The answers of the dose curve, and what to remark on them."""

    dry: LevelFound | None = None
    levels: tuple[LevelFound, ...] = ()
    curve: CurveFound | NoCurve | None = None
    doses: Doses | None = None
    flags: tuple[Flag, ...] = ()


def _dose_part(a: Analysis | None, definitions: Mapping[str, DoseAnswer], question: Question) -> DosePart:
    if a is None:
        return DosePart()
    full = question.resamples > 0
    isotonic = isotonic_check(a.levels, a.white.scatter, question.seed) if full else None
    doses, curve = _doses(definitions), _curve_part(a, isotonic)
    if full and isinstance(curve, CurveFound):
        doses, curve = _with_bootstrap(a, definitions, question, doses, curve)
    tested = a.tested or [None] * len(a.levels)
    levels = tuple(_level(level, item) for level, item in zip(a.levels, tested, strict=True))
    doubts = [Flag(f"{name}-doubtful", "doubt", one.doubt) for name, one in definitions.items() if one.doubt]
    return DosePart(
        dry=next((level for level in levels if level.dose_uL_per_g == 0), None),
        levels=levels,
        curve=curve,
        doses=doses,
        flags=(*remarks_on_levels(levels, isotonic), *remarks_on_curve(curve, doses.by_name()), *doubts),
    )


def _doses(definitions: Mapping[str, DoseAnswer]) -> Doses:
    return Doses(
        equivalence=_dose(definitions["equivalence"]),
        fraction=_dose(definitions["fraction"]),
        limit=_dose(definitions["limit"]),
        crossing=_dose(definitions["crossing"]),
    )


def _dose(found: DoseAnswer) -> DoseFound:
    ci95 = None if found.ci95 is None else finite_pair(found.ci95)
    bracket = None if found.bracket is None else finite_pair(found.bracket)
    return DoseFound(found.status, finite(found.value), ci95, bracket, "uL/g", found.text, found.method)


def _targets(a: Analysis, question: Question) -> dict[str, Target]:
    """Where on the curve each definition lies."""
    found = {"fraction": fall_to(question.fraction), "crossing": crossing()}
    limit = question.detection_limit_nC_per_g
    if limit is not None and a.levels[0].dose_uL_per_g == 0:
        found["limit"] = reach(math.copysign(limit, a.levels[0].mean_nC_per_g))
    return found


def _with_bootstrap(
    a: Analysis, definitions: Mapping[str, DoseAnswer], question: Question, doses: Doses, curve: CurveFound
) -> tuple[Doses, CurveFound]:
    """Doses with their bootstrap intervals, and the curve with its robust refit.

    Only doses that have a profile interval get one, where there are doses enough to trust a curve.
    """
    resampled = resample(a.fits, a.white, question.resamples, question.seed)
    found = dict(doses.by_name())
    for name, target in _targets(a, question).items():
        profile, value = definitions[name].ci95, definitions[name].value
        if profile is None or not value or len(a.points.doses) <= FEW_DOSES:
            continue
        low, high = resampled.interval(target, a.highest, value, dof_of(a.chosen[0], a.white, target))
        ends = (open_end(low), open_end(high))
        found[name] = replace(found[name], bootstrap_ci95=ends, intervals_disagree=disagree(profile, ends))
    robust = robust_refit(a.chosen[0], a.white, fall_to(question.fraction))
    return Doses(**found), replace(curve, bootstrap_selected=resampled.shares(), robust=robust)


def _level(level: Level, tested: Tested | None) -> LevelFound:
    found = LevelFound(
        dose_uL_per_g=level.dose_uL_per_g,
        n=level.n,
        mean_nC_per_g=level.mean_nC_per_g,
        sd_nC_per_g=finite(level.sd_nC_per_g),
        rms_nC_per_g=level.rms_nC_per_g,
        u_nC_per_g=finite(level.u_nC_per_g),
        dof=finite(level.dof),
        shared_u_nC_per_g=level.shared_u_nC_per_g,
        tolerance_nC_per_g=level.tolerance_nC_per_g,
        signs=level.signs,
        blocks=level.blocks,
        ci95_nC_per_g=finite_pair(level.interval()) if level.known else None,
    )
    if tested is None:
        return found
    interval90 = finite_pair(tested.interval90_nC_per_g)
    return replace(found, interval90_nC_per_g=interval90, neutral=tested.neutral, sign_changes=tested.sign_changes)


def _curve_part(a: Analysis, isotonic: Isotonic | None) -> CurveFound | NoCurve:
    law = a.white.scatter
    scatter = ScatterFound(law.constant_nC_per_g, law.proportional, finite(law.dof), a.white.block_ratio)
    not_fitted = tuple(text for curve in CURVES if (text := missing_for(curve, a.white)))
    if not a.chosen:
        return NoCurve(None, a.missing, {}, {}, scatter, not_fitted, isotonic)
    fit = a.chosen[0]
    return CurveFound(
        name=fit.curve.name,
        interval_spans=tuple(other.curve.name for other in a.chosen),
        parameters=_parameters(fit),
        dof=fit.dof,
        residual_scale=math.sqrt(fit.scale),
        weights={f.curve.name: float(w) for f, w in zip(a.fits, weights(a.fits), strict=True)},
        aicc={f.curve.name: finite(f.aicc) for f in a.fits},
        not_fitted=not_fitted,
        lack_of_fit=lack_of_fit(fit, a.white),
        scatter=scatter,
        points=_curve_points(fit, a),
        residuals=Residuals(
            dose_uL_per_g=_numbers(a.points.dose_uL_per_g),
            residual_nC_per_g=_numbers(a.points.q_nC_per_g - fit.mean(a.points.dose_uL_per_g)),
            run=a.points.run_id,
        ),
        isotonic=isotonic,
    )


def _numbers(values: Floats) -> tuple[float, ...]:
    return tuple(values.tolist())


def _known_numbers(values: Floats) -> tuple[float | None, ...]:
    """Numbers, None where one is not finite."""
    return tuple(finite(value) for value in values.tolist())


def _curve_points(fit: Fit, a: Analysis) -> CurvePoints:
    """The curve and its pointwise 95 % band, up to the highest tested dose, for figures."""
    from scipy.special import stdtrit

    dose = np.linspace(0, a.highest, 101)
    slope = derivatives(fit.curve, dose, fit.parameters)
    half = float(stdtrit(fit.dof, 0.975)) * np.sqrt(np.einsum("np,pr,nr->n", slope, fit.covariance, slope))
    mean = fit.mean(dose)
    return CurvePoints(_numbers(dose), *(_known_numbers(values) for values in (mean, mean - half, mean + half)))


def _parameters(fit: Fit) -> dict[str, Parameter]:
    return {
        name: Parameter(float(value), finite(u))
        for name, value, u in zip(fit.curve.parameter_names, fit.parameters, fit.u, strict=True)
    }


def _treatments(
    rows: Sequence[StudyRun], used: Sequence[StudyRun], analysis: Analysis | None, question: Question
) -> Treatments | None:
    if not used:
        return None
    if question.resamples == 0:
        return Treatments(tuple(arm.found() for arm in arms_of(rows)))
    band = analysis.band.half_width_nC_per_g if analysis and analysis.band else question.band_nC_per_g
    return compare_treatments(rows, band, question.seed)


def next_of(a: Analysis, question: Question, definitions: Mapping[str, DoseAnswer] | None = None) -> Next:
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

"""Puts a study's answer together: one plain object for each coffee and grinder, which report and screens only show.

Owns the shape of ``study --json``. Computes nothing itself beyond sorting runs into groups.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from chargebench.study.curves import CURVES, EXPONENTIAL_PLATEAU
from chargebench.study.equivalence import Level, Tested, band_of, levels_of, put_to_test
from chargebench.study.fit import Fit, fit_family, lack_of_fit, missing_for, select, weights
from chargebench.study.neutralising import four_definitions
from chargebench.study.rows import CURVE_TREATMENTS, Question, StudyRun, points_of, usable
from chargebench.study.scatter import Whitened, whiten

__all__ = ["answer", "answer_group"]


def answer(rows: Sequence[StudyRun], question: Question | None = None) -> dict[str, Any]:
    """The answer of a study.

    Parameters
    ----------
    rows : sequence of StudyRun
        All runs, excluded ones among them.
    question : Question, optional
        What was fixed beforehand.

    Returns
    -------
    dict
        ``question`` and ``groups``, one for each coffee and grinder in order of first run; plain values throughout.
    """
    question = question or Question()
    keys = list(dict.fromkeys((row.coffee, row.grinder) for row in rows if row.purpose == "grind"))
    groups = [answer_group([row for row in rows if (row.coffee, row.grinder) == key], question) for key in keys]
    found: dict[str, Any] = plain({"question": asdict(question), "groups": groups})
    return found


def answer_group(rows: Sequence[StudyRun], question: Question) -> dict[str, Any]:
    """The answer for one coffee on one grinder."""
    used = usable(rows)
    on_curve = [row for row in used if row.treatment in CURVE_TREATMENTS and math.isfinite(row.water_uL_per_g)]
    group: dict[str, Any] = {
        "coffee": rows[0].coffee,
        "grinder": rows[0].grinder,
        "runs": len(used),
        "set_aside": [{"run": row.run_id, "reason": _reason(row)} for row in rows if row not in used],
    }
    flags: list[dict[str, str]] = []
    return {**group, **_dose_part(on_curve, question, flags), "flags": flags}


def _reason(row: StudyRun) -> str:
    if row.excluded:
        return row.excluded
    if row.purpose != "grind":
        return f"purpose {row.purpose}"
    return "no charge-to-mass" if row.charge_to_mass is None else f"flagged: {', '.join(row.flags)}"


def _dose_part(rows: Sequence[StudyRun], question: Question, flags: list[dict[str, str]]) -> dict[str, Any]:
    if not rows:
        return {"dry": None, "levels": [], "curve": None, "neutralising_dose": None}
    points = points_of(rows)
    white = whiten(points, question.blocks)
    levels = levels_of(points, white.scatter)
    band = band_of(levels, question.band_nC_per_g, question.detection_limit_nC_per_g)
    tested = put_to_test(levels, band) if band else ()
    fits = fit_family(white) if points.doses[-1] > 0 else ()
    chosen = select(fits) if fits else ()
    fit = chosen[0] if chosen else None
    missing = "; ".join(filter(None, [missing_for(EXPONENTIAL_PLATEAU, white)]))
    definitions = four_definitions(chosen, white, levels, tested, band, question, missing)
    dry = next((level.as_json() for level in levels if level.dose_uL_per_g == 0), None)
    return {
        "dry": dry,
        "levels": [_level(level, item) for level, item in zip(levels, tested or [None] * len(levels), strict=True)],
        "band": None if band is None else asdict(band),
        "curve": _curve_part(fit, fits, white, missing),
        "neutralising_dose": {name: found.as_json() for name, found in definitions.items()},
    }


def _level(level: Level, tested: Tested | None) -> dict[str, Any]:
    found = level.as_json()
    if tested is not None:
        found |= {
            "interval90_nC_per_g": list(tested.interval90_nC_per_g),
            "neutral": tested.neutral,
            "sign_changes": tested.sign_changes,
        }
    return found


def _curve_part(fit: Fit | None, fits: Sequence[Fit], white: Whitened, missing: str) -> dict[str, Any] | None:
    if fit is None:
        return {"name": None, "missing": missing, "weights": {}, "parameters": {}}
    return {
        "name": fit.curve.name,
        "parameters": _parameters(fit),
        "dof": fit.dof,
        "residual_scale": math.sqrt(fit.scale),
        "weights": {f.curve.name: float(w) for f, w in zip(fits, weights(fits), strict=True)},
        "aicc": {f.curve.name: f.aicc for f in fits},
        "not_fitted": [text for curve in CURVES if (text := missing_for(curve, white))],
        "lack_of_fit": lack_of_fit(fit, white),
        "scatter": asdict(white.scatter),
        "block_ratio": white.block_ratio,
    }


def _parameters(fit: Fit) -> dict[str, dict[str, float]]:
    return {
        name: {"value": float(value), "u": float(u)}
        for name, value, u in zip(fit.curve.parameter_names, fit.parameters, fit.u, strict=True)
    }


def plain(value: Any) -> Any:
    """Values as JSON has them: plain numbers, lists and dicts; what is not finite is None."""
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple, np.ndarray)):
        return [plain(v) for v in value]
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not math.isfinite(value) else value

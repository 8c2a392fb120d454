"""Rules of the flags of a group."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from chargebench.study.fit import LackOfFit
from chargebench.study.nouns import CurveFound, CurvePoints, DoseFound, LevelFound, Residuals, ScatterFound
from chargebench.study.remarks import remarks_on_curve, remarks_on_levels
from chargebench.study.sensitivity import Isotonic, Robust

CURVE = CurveFound(
    name="hinge",
    interval_spans=("hinge",),
    parameters={},
    dof=8,
    residual_scale=1.0,
    weights={},
    aicc={},
    not_fitted=(),
    lack_of_fit=LackOfFit(1.0, 2, 8, 0.4),
    scatter=ScatterFound(1.0, 0.1, 8, 0.0),
    points=CurvePoints((), (), (), ()),
    residuals=Residuals((), (), ()),
    isotonic=None,
)
DOSE = DoseFound("found", 18.0, (15.0, 22.0), None, "uL/g", "", "", (15.0, 22.0), False)


def robust(dose: float | None, *held_down: str) -> dict[str, Any]:
    return {"robust": Robust({}, dose, held_down)}


@pytest.mark.parametrize(
    ("curve", "doses", "codes"),
    [
        ({}, {}, []),
        ({"lack_of_fit": LackOfFit(9.0, 2, 8, 0.01)}, {}, ["lack-of-fit"]),
        ({"lack_of_fit": None}, {}, []),
        ({"interval_spans": ("hinge", "log-logistic")}, {}, ["several-curves"]),
        ({}, {"intervals_disagree": True}, ["intervals-disagree"]),
        (robust(30.0, "run-3"), {}, ["outlying-runs-matter"]),
        (robust(None, "run-3"), {}, ["outlying-runs-matter"]),
        (robust(30.0), {}, []),
        (robust(18.0, "run-3"), {}, []),
        (robust(30.0, "run-3"), {"ci95": (15.0, None)}, []),
    ],
)
def test_curve(curve: dict[str, Any], doses: dict[str, Any], codes: list[str]) -> None:
    """Each doubt about the curve raises its own flag, and nothing else does."""
    found = remarks_on_curve(replace(CURVE, **curve), {"fraction": replace(DOSE, **doses)})
    assert [flag.code for flag in found] == codes


def test_levels() -> None:
    """Signs that change, a rise and single runs are flagged."""
    level = LevelFound(30.0, 1, 0.1, None, 30.0, 1.0, 7.0, 0.0, None, (4, 4), 0, None, sign_changes=True)
    found = remarks_on_levels([level], Isotonic(9.0, 0.01, ()))
    assert [flag.code for flag in found] == ["sign-changes", "not-steady", "single-run"]
    assert "not neutral: sign changes from run to run" in found[0].text
    assert remarks_on_levels([replace(level, n=4, sign_changes=False)], Isotonic(1.0, 0.5, ())) == []

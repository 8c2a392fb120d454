"""Rules of the flags of a group."""

from __future__ import annotations

from typing import Any

import pytest

from chargebench.study.remarks import remarks_on_curve, remarks_on_levels

CURVE: dict[str, Any] = {"name": "hinge", "lack_of_fit": {"p": 0.4}, "interval_spans": ["hinge"], "aicc": {}}
DOSES: dict[str, Any] = {
    "fraction": {"ci95": [15.0, 22.0], "bootstrap_ci95": [15.0, 22.0], "intervals_disagree": False}
}


def robust(dose: float | None, held_down: list[str]) -> dict[str, Any]:
    return {"robust": {"dose_uL_per_g": dose, "held_down": held_down}}


@pytest.mark.parametrize(
    ("curve", "doses", "codes"),
    [
        ({}, {}, []),
        ({"lack_of_fit": {"p": 0.01}}, {}, ["lack-of-fit"]),
        ({"lack_of_fit": None}, {}, []),
        ({"interval_spans": ["hinge", "log-logistic"]}, {}, ["several-curves"]),
        ({}, {"intervals_disagree": True}, ["intervals-disagree"]),
        (robust(30.0, ["run-3"]), {}, ["outlying-runs-matter"]),
        (robust(None, ["run-3"]), {}, ["outlying-runs-matter"]),
        (robust(30.0, []), {}, []),
        (robust(18.0, ["run-3"]), {}, []),
        (robust(30.0, ["run-3"]), {"ci95": [15.0, None]}, []),
    ],
)
def test_curve(curve: dict[str, Any], doses: dict[str, Any], codes: list[str]) -> None:
    """Each doubt about the curve raises its own flag, and nothing else does."""
    found = remarks_on_curve({**CURVE, **curve}, {"fraction": {**DOSES["fraction"], **doses}})
    assert [flag.code for flag in found] == codes


def test_levels() -> None:
    """Signs that change, a rise and single runs are flagged."""
    level = {
        "dose_uL_per_g": 30.0,
        "n": 1,
        "mean_nC_per_g": 0.1,
        "rms_nC_per_g": 30.0,
        "signs": [4, 4],
        "sign_changes": True,
    }
    found = remarks_on_levels([level], {"p": 0.01})
    assert [flag.code for flag in found] == ["sign-changes", "not-steady", "single-run"]
    assert "not neutral: sign changes from run to run" in found[0].text
    assert remarks_on_levels([{**level, "n": 4, "sign_changes": False}], {"p": 0.5}) == []

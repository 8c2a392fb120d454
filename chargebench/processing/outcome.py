"""What a recipe made of a Run. Owns the nouns `Outcome`, `Estimate`, `Flag`, `BudgetTerm`; reads no file.

An Outcome is the only thing that crosses from processing to the archive, the study, the report and the screens; its
JSON form is the one `show --json` prints.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol

__all__ = ["RESULT_UNITS", "BudgetTerm", "Estimate", "Flag", "Knowing", "Outcome", "Severity"]

Severity = Literal["note", "doubt", "reject"]

RESULT_UNITS: Mapping[str, str] = {
    "net_charge_nC": "nC",
    "positive_charge_nC": "nC",
    "negative_charge_nC": "nC",
    "collected_mass_g": "g",
    "charge_to_mass_nC_per_g": "nC/g",
    "charge_to_dry_mass_nC_per_g": "nC/g",
    "bias_current_pA": "pA",
    "leakage_time_constant_s": "s",
    "grind_time_s": "s",
    "throughput_g_per_s": "g/s",
    "mass_lag_s": "s",
    "recovery_percent": "%",
    "noise_nC": "nC",
}
"""Every key of a result, always present in this order, with its unit."""


@dataclass(frozen=True)
class Estimate:
    """A value with its standard uncertainty and effective degrees of freedom (GUM)."""

    value: float
    u: float
    dof: float = math.inf

    @property
    def U95(self) -> float:
        """Expanded uncertainty, 95 %: Student t at the degrees of freedom truncated to an integer (GUM G.4.1)."""
        from scipy.special import stdtrit

        if not math.isfinite(self.dof):
            return 1.959963984540054 * self.u
        return float(stdtrit(max(1.0, math.floor(self.dof)), 0.975)) * self.u

    def as_json(self) -> dict[str, float | None]:
        """``value, u, U95, dof``; infinite degrees of freedom are null, since JSON has no infinity."""
        return {"value": self.value, "u": self.u, "U95": self.U95, "dof": self.dof if math.isfinite(self.dof) else None}


class Knowing(Protocol):
    """A number known of the bench, with where it comes from."""

    @property
    def value(self) -> float: ...
    @property
    def u(self) -> float: ...
    @property
    def dof(self) -> float: ...
    @property
    def source(self) -> str: ...
    @property
    def date(self) -> str: ...
    @property
    def until(self) -> str: ...


@dataclass(frozen=True)
class Flag:
    """Something a person should know before believing the result.

    Attributes
    ----------
    code : str
        Stable, lower-case words joined by ``-``.
    severity : str
        ``note``, ``doubt`` or ``reject``.
    text : str
        One plain sentence.
    evidence : mapping
        Numbers behind it, units in the keys, the threshold among them.
    """

    code: str
    severity: Severity
    text: str
    evidence: Mapping[str, Any] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """``code, severity, text, evidence``."""
        return {"code": self.code, "severity": self.severity, "text": self.text, "evidence": dict(self.evidence)}


@dataclass(frozen=True)
class BudgetTerm:
    """One line of an uncertainty budget of charge-to-mass.

    ``shared`` names what makes the error common to several runs (``gain``, ``leakage``, ``scale``), or is empty.
    ``sensitivity`` is in nC/g per unit of the term; ``share`` is the part of u² (negative for some covariances).
    """

    name: str
    value: float
    u: float
    unit: str
    kind: Literal["A", "B"]
    sensitivity: float
    share: float
    dof: float = math.inf
    shared: str = ""

    def as_json(self) -> dict[str, Any]:
        """All fields, infinite degrees of freedom as null."""
        return {**self.__dict__, "dof": self.dof if math.isfinite(self.dof) else None}


@dataclass(frozen=True)
class Outcome:
    """What a recipe made of a run.

    Attributes
    ----------
    run_id, started, tags, recovered
        Of the run.
    result : mapping of str to Estimate or None
        Keys of `RESULT_UNITS`; None where the number cannot be had, with a flag that says why.
    flags : tuple of Flag
    provenance : mapping
        ``recipe``, ``recipe_version``, ``recipe_steps``, ``parameters``, ``software``, ``raw_sha256``, ``model``,
        ``stretches_s``, ``steps`` (what was done, in words), ``knowledge`` used.
    budget : tuple of BudgetTerm
        For charge-to-mass.
    curves : mapping of str to mapping of str to array
        Running values for plots (``running_charge``: ``time_s, charge_nC, u_nC``; …); not in the JSON.
    details : mapping
        Further numbers, units in the keys.
    """

    run_id: str
    started: str
    tags: Mapping[str, str | float]
    recovered: bool
    result: Mapping[str, Estimate | None]
    flags: tuple[Flag, ...]
    provenance: Mapping[str, Any]
    budget: tuple[BudgetTerm, ...] = ()
    curves: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    details: Mapping[str, Any] = field(default_factory=dict)

    @property
    def worst(self) -> Severity | None:
        """The gravest severity among the flags, or None without flags."""
        found = {flag.severity for flag in self.flags}
        order: tuple[Severity, ...] = ("reject", "doubt", "note")
        return next((s for s in order if s in found), None)

    def as_json(self) -> dict[str, Any]:
        """The object that ``show --json`` prints: plain dicts, lists, strings and finite numbers."""
        return {
            "run": self.run_id,
            "started": self.started,
            "tags": dict(self.tags),
            "recovered": self.recovered,
            "result": {key: None if (e := self.result.get(key)) is None else e.as_json() for key in RESULT_UNITS},
            "flags": [flag.as_json() for flag in self.flags],
            "budget": [term.as_json() for term in self.budget],
            "details": dict(self.details),
            "provenance": dict(self.provenance),
        }

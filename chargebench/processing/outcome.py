"""What a recipe made of a Run. Owns the nouns `Outcome`, `Estimate`, `Flag`, `BudgetTerm`; reads no file.

An Outcome is the only thing that crosses from processing to the archive, the study, the report and the screens; its
JSON form is the one `show --json` prints.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Annotated, Any, Final, Literal, Protocol, get_args

from pydantic import Field, ValidatorFunctionWrapHandler, WrapValidator
from typing_extensions import TypedDict

from chargebench.plain import Freedom, JsonObject, absent, also, from_json, to_json, unwritten

__all__ = [
    "RESULT_UNITS",
    "BudgetTerm",
    "Details",
    "Estimate",
    "Flag",
    "IonsTakenOff",
    "Knowing",
    "NullGrinds",
    "Outcome",
    "Provenance",
    "ResultKey",
    "Severity",
    "StretchesUsed",
    "Used",
    "worst_of",
]

Severity = Literal["reject", "doubt", "note"]
"""How grave a flag is, the gravest first."""
SEVERITIES: Final[tuple[Severity, ...]] = get_args(Severity)

ResultKey = Literal[
    "net_charge_nC",
    "positive_charge_nC",
    "negative_charge_nC",
    "collected_mass_g",
    "charge_to_mass_nC_per_g",
    "charge_to_dry_mass_nC_per_g",
    "bias_current_pA",
    "leakage_time_constant_s",
    "grind_time_s",
    "throughput_g_per_s",
    "mass_lag_s",
    "recovery_percent",
    "noise_nC",
]

RESULT_UNITS: Final[Mapping[ResultKey, str]] = {
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

    __pydantic_config__ = also(U95="number")

    value: float
    u: float
    dof: Freedom = math.inf

    @cached_property
    def U95(self) -> float:
        """Expanded uncertainty, 95 %: Student t at the degrees of freedom truncated to an integer (GUM G.4.1)."""
        from scipy.special import stdtrit

        if not math.isfinite(self.dof):
            return 1.959963984540054 * self.u
        return float(stdtrit(max(1.0, math.floor(self.dof)), 0.975)) * self.u

    def as_json(self) -> dict[str, float | None]:
        """``value, u, U95, dof``; infinite degrees of freedom are null, since JSON has no infinity."""
        return {"value": self.value, "u": self.u, "U95": self.U95, "dof": self.dof if math.isfinite(self.dof) else None}


def _with_U95(data: Any, read: ValidatorFunctionWrapHandler) -> Estimate:
    """An estimate as it was written, whose U95 needs no statistics to be worked out again."""
    made: Estimate = read(data)
    if isinstance(data, Mapping) and isinstance(data.get("U95"), int | float):
        vars(made)["U95"] = data["U95"]
    return made


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

    def as_json(self) -> JsonObject:
        """``code, severity, text, evidence``."""
        return {"code": self.code, "severity": self.severity, "text": self.text, "evidence": dict(self.evidence)}


def worst_of(flags: Iterable[Flag]) -> Severity | None:
    """The gravest severity among flags, or None without any."""
    found = {flag.severity for flag in flags}
    return next((severity for severity in SEVERITIES if severity in found), None)


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
    dof: Freedom = math.inf
    shared: str = ""

    def as_json(self) -> JsonObject:
        """All fields, infinite degrees of freedom as null."""
        return {**self.__dict__, "dof": self.dof if math.isfinite(self.dof) else None}


@dataclass(frozen=True)
class Used:
    """A number known of the bench as a run used it; as text where it is not finite, which refuses the run."""

    value: float | str
    u: float | str
    source: str
    date: str
    until: str


@dataclass(frozen=True)
class StretchesUsed:
    """Times on the clock of a run, s: quiet before, grind, quiet after, what was left out, and how they were found."""

    before: tuple[float, float]
    grind: tuple[float, float]
    after: tuple[float, float]
    left_out: tuple[tuple[float, float, str], ...]
    how: str


@dataclass(frozen=True)
class NullGrinds:
    """Runs of an archive that an outcome also rests on, for what an ioniser brings on their bench."""

    bench: str
    runs: tuple[str, ...]


@dataclass(frozen=True)
class Provenance:
    """What an outcome rests on.

    Attributes
    ----------
    recipe, recipe_version, recipe_steps, parameters
    thresholds : mapping of str to float or None
        Of every flag, by code.
    software : str
    raw_sha256 : str
        Of the run's readings.
    model : str or None
        Of the drift; None where none was fitted.
    stretches_s : StretchesUsed
    steps : tuple of str
        What was done, in words.
    knowledge : mapping of str to Used
    null_grinds : NullGrinds
        Where there are such.
    """

    recipe: str
    recipe_version: str
    recipe_steps: tuple[str, ...]
    parameters: Mapping[str, int | float | str]
    thresholds: Mapping[str, int | float | None]
    software: str
    raw_sha256: str
    model: str | None
    stretches_s: StretchesUsed
    steps: tuple[str, ...]
    knowledge: Mapping[str, Used]
    null_grinds: NullGrinds | None = absent()


class IonsTakenOff(TypedDict):
    """What was taken off for an ioniser's ions: charge, u common to all runs and of each, and whence it is known."""

    charge_nC: float
    u_nC: float
    u_run_nC: float
    dof: float | None
    source: str
    date: str


class Details(TypedDict, total=False):
    """Further numbers of an outcome, each there where its step has come to it, in the order in which they are found."""

    scale_lag_s: float
    leakage_rate_per_s: float
    u_leakage_rate_per_s: float
    drift_model: str
    log_evidence: dict[str, float]
    leakage_term_nC: float
    drift_term_nC: float
    drift_share: float
    quiet_before_s: float
    quiet_after_s: float
    time_10_percent_s: float
    time_90_percent_s: float
    positive_and_negative_charge: str
    charge_per_gram_steps_nC_per_g: list[float]
    u_charge_per_gram_steps_nC_per_g: list[float]
    ioniser_background: IonsTakenOff


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
    provenance : Provenance
    budget : tuple of BudgetTerm
        For charge-to-mass.
    curves : mapping of str to mapping of str to array
        Running values for plots (``running_charge``: ``time_s, charge_nC, u_nC``; …); not in the JSON.
    details : Details
    """

    run_id: Annotated[str, Field(alias="run")]
    started: str
    tags: Mapping[str, str | float]
    recovered: bool
    result: Mapping[ResultKey, Annotated[Estimate, WrapValidator(_with_U95)] | None]
    flags: tuple[Flag, ...]
    provenance: Provenance
    budget: tuple[BudgetTerm, ...] = ()
    curves: Mapping[str, Mapping[str, Any]] = unwritten()
    details: Details = field(default_factory=Details)

    @property
    def worst(self) -> Severity | None:
        """The gravest severity among the flags, or None without flags."""
        return worst_of(self.flags)

    def as_json(self) -> JsonObject:
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
            "provenance": to_json(self.provenance),
        }

    @classmethod
    def from_json(cls, data: object) -> Outcome:
        """The outcome that `as_json` wrote, but for its curves.

        Raises
        ------
        ValueError
            When `data` is not of that form; the message names the key.
        """
        return from_json(cls, data)

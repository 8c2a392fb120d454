"""What a bench check found. Owns the noun `Qualification` and its JSON form; reads no file and no clock.

A qualification says what every later run of that bench may take as known, until when, and what it rests on.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any, Final, Literal, get_args

from chargebench.bounded import JsonObject
from chargebench.processing.outcome import Estimate, Flag

__all__ = ["KINDS", "VALID_DAYS", "Kind", "Qualification", "expiry"]

Kind = Literal["zero", "leakage", "gain", "sprayer", "ioniser", "blank"]
KINDS: Final[tuple[Kind, ...]] = get_args(Kind)

VALID_DAYS: Final[Mapping[Kind, int]] = {
    "zero": 30,
    "leakage": 30,
    "gain": 365,
    "sprayer": 90,
    "ioniser": 30,
    "blank": 30,
}
"""Days each check is believed unless the tester says otherwise. Common practice, no source; damp weather, a cleaned
insulator or a repaired cable ends a leakage or zero check at once, whatever the date says."""

LAYOUT: Final = 1


def expiry(kind: Kind, made: str, days: int | None = None) -> str:
    """Last day (ISO) on which a check made on a day (ISO date or date-time) holds.

    Raises
    ------
    ValueError
        When `made` does not begin with an ISO date, or `days` is negative.
    """
    days = VALID_DAYS[kind] if days is None else days
    if days < 0:
        raise ValueError(f"days of validity: {days}, allowed 0 and above")
    return (date.fromisoformat(made[:10]) + timedelta(days=days)).isoformat()


@dataclass(frozen=True)
class Qualification:
    """One bench check.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    bench : str
        Name of the bench it was made on.
    made : str
        ISO 8601 UTC time.
    valid_until : str
        ISO date, the last day on which it holds.
    values : mapping of str to Estimate
        What later runs take as known, by the keys of `chargebench.runs.run.Knowledge`.
    details : mapping
        Everything else found, units in the keys: plain numbers, strings, lists and mappings.
    flags : tuple of Flag
    inputs : mapping of str to str
        What it was made from: file name and SHA-256, or what was typed in and its text.
    software : str
        Version that made it.
    """

    kind: Kind
    bench: str
    made: str
    valid_until: str
    values: Mapping[str, Estimate]
    details: Mapping[str, Any] = field(default_factory=dict)
    flags: tuple[Flag, ...] = ()
    inputs: Mapping[str, str] = field(default_factory=dict)
    software: str = ""

    def as_json(self) -> JsonObject:
        """Plain dicts, lists, strings and finite numbers; infinite degrees of freedom are null."""
        return {
            "layout": LAYOUT,
            "qualification": self.kind,
            "bench": self.bench,
            "made": self.made,
            "valid_until": self.valid_until,
            "values": {key: estimate.as_json() for key, estimate in self.values.items()},
            "details": dict(self.details),
            "flags": [flag.as_json() for flag in self.flags],
            "inputs": dict(self.inputs),
            "software": self.software,
        }

    @classmethod
    def from_json(cls, data: Any) -> Qualification:
        """The qualification that `as_json` wrote.

        Raises
        ------
        ValueError
            When `data` is not of that form; the message names the key.
        """
        if not isinstance(data, dict) or data.get("layout") != LAYOUT:
            found = data.get("layout") if isinstance(data, dict) else type(data).__name__
            raise ValueError(f"layout: found {found!r}, this program reads {LAYOUT}")
        kind = data.get("qualification")
        if kind not in KINDS:
            raise ValueError(f"qualification: found {kind!r}, allowed {', '.join(KINDS)}")
        made, until = _text(data, "made"), _text(data, "valid_until")
        for key, day in (("made", made[:10]), ("valid_until", until)):
            try:
                date.fromisoformat(day)
            except ValueError:
                raise ValueError(f"{key}: found {day!r}, allowed an ISO date") from None
        return cls(
            kind=kind,
            bench=_text(data, "bench"),
            made=made,
            valid_until=until,
            values={key: _estimate(key, value) for key, value in _mapping(data, "values").items()},
            details=_mapping(data, "details"),
            flags=tuple(_flag(item) for item in _list(data, "flags")),
            inputs={key: str(value) for key, value in _mapping(data, "inputs").items()},
            software=_text(data, "software"),
        )


def _text(data: JsonObject, key: str) -> str:
    value = data.get(key)
    if not isinstance(value, str):
        raise ValueError(f"{key}: found {value!r}, allowed a text")
    return value


def _mapping(data: JsonObject, key: str) -> JsonObject:
    value = data.get(key)
    if not isinstance(value, dict):
        raise ValueError(f"{key}: found {type(value).__name__}, allowed an object")
    return value


def _list(data: JsonObject, key: str) -> list[Any]:
    value = data.get(key)
    if not isinstance(value, list):
        raise ValueError(f"{key}: found {type(value).__name__}, allowed a list")
    return value


def _number(key: str, value: Any, least: float = -math.inf) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value) or value < least:
        raise ValueError(f"{key}: found {value!r}, allowed a finite number from {least:g}")
    return float(value)


def _estimate(key: str, value: Any) -> Estimate:
    if not isinstance(value, dict):
        raise ValueError(f"values.{key}: found {type(value).__name__}, allowed an object with value, u and dof")
    dof = value.get("dof")
    return Estimate(
        _number(f"values.{key}.value", value.get("value")),
        _number(f"values.{key}.u", value.get("u"), 0.0),
        math.inf if dof is None else _number(f"values.{key}.dof", dof, 0.0),
    )


def _flag(value: Any) -> Flag:
    if not isinstance(value, dict) or value.get("severity") not in ("note", "doubt", "reject"):
        raise ValueError(f"flags: found {value!r}, allowed objects with code, severity and text")
    return Flag(_text(value, "code"), value["severity"], _text(value, "text"), _mapping(value, "evidence"))

"""Lines of JSON that only a command knows, as frozen classes; what lower rooms tell has its class there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from chargebench.plain import Freedom
from chargebench.processing.outcome import Estimate, Flag
from chargebench.processing.qualify.qualification import Kind

__all__ = ["Check", "FindingLine", "KnownLine", "KnownOfBench", "TagLine"]


@dataclass(frozen=True)
class TagLine:
    """A tag that the program knows; ends of a range are None where it is open, or no number."""

    tag: str
    kind: str
    unit: str
    low: float | None
    high: float | None
    choices: tuple[str, ...]
    about: str
    use: str


@dataclass(frozen=True)
class FindingLine:
    """A file of an archive that is not as it should be."""

    path: str
    finding: str


@dataclass(frozen=True)
class Check:
    """A check of the bench, as its file has it, and the path of that file."""

    layout: int
    qualification: Kind
    bench: str
    made: str
    valid_until: str
    values: Mapping[str, Estimate]
    details: Mapping[str, Any]
    flags: tuple[Flag, ...]
    inputs: Mapping[str, str]
    software: str
    path: str


@dataclass(frozen=True)
class KnownLine:
    """One number known of a bench."""

    value: float
    u: float
    dof: Freedom
    source: str
    date: str
    until: str


@dataclass(frozen=True)
class KnownOfBench:
    """All that is known of a bench on a day."""

    bench: str
    on: str
    known: Mapping[str, KnownLine]

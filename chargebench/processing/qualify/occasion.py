"""When and where a bench check was made. Owns nothing but the words that every kind of check shares."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from chargebench.processing.outcome import Estimate, Flag
from chargebench.processing.qualify.qualification import Kind, Qualification, expiry

__all__ = ["Occasion"]


@dataclass(frozen=True)
class Occasion:
    """What a check does not compute but states.

    Attributes
    ----------
    bench : str
        Name of the bench.
    made : str
        ISO 8601 UTC time.
    valid_days : int or None
        Days it holds; None: as usual for its kind.
    inputs : mapping of str to str
        File name and SHA-256, or what was typed in and its text.
    software : str
        Version that makes it.
    """

    bench: str
    made: str
    valid_days: int | None = None
    inputs: Mapping[str, str] = field(default_factory=dict)
    software: str = ""

    def qualification(
        self, kind: Kind, values: Mapping[str, Estimate], details: Mapping[str, Any], flags: Sequence[Flag]
    ) -> Qualification:
        """A finished check.

        Raises
        ------
        ValueError
            When the date or the days are not acceptable.
        """
        until = expiry(kind, self.made, self.valid_days)
        return Qualification(
            kind, self.bench, self.made, until, values, details, tuple(flags), self.inputs, self.software
        )

"""An outcome that no recipe made, to show or to count: whatever a test does not say is empty."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from chargebench.processing.outcome import RESULT_UNITS, Estimate, Outcome, Provenance, ResultKey, StretchesUsed

__all__ = ["made_outcome"]

_STRETCHES = StretchesUsed((0.0, 10.0), (10.0, 20.0), (20.0, 30.0), (), "marks")
_PROVENANCE = Provenance("standard", "1", (), {}, {}, "chargebench", "0" * 64, None, _STRETCHES, (), {})
_EMPTY = Outcome("r", "2026-03-14T09:15:00Z", {}, False, dict.fromkeys(RESULT_UNITS), (), _PROVENANCE)


def made_outcome(result: Mapping[ResultKey, Estimate | None] | None = None, **fields: Any) -> Outcome:
    """The empty outcome with these numbers and these fields."""
    return replace(_EMPTY, result={**_EMPTY.result, **(result or {})}, **fields)

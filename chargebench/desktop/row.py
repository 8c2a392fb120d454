"""A run as the window lists it. Owns the noun `Row`; no Qt here."""

from __future__ import annotations

from dataclasses import dataclass, replace

from chargebench.processing.outcome import Outcome

__all__ = ["Row"]


@dataclass(frozen=True)
class Row:
    """A run's outcome, and why its study leaves the run out; empty where it does not."""

    outcome: Outcome
    set_aside: str = ""

    @property
    def run_id(self) -> str:
        """Name of the run."""
        return self.outcome.run_id

    def slim(self) -> Row:
        """What table, chart and card need: a tenth of the size, so that a long list stays small."""
        made = self.outcome.provenance
        known = {key: used for key, used in made.knowledge.items() if key == "detection_limit_nC"}
        made = replace(made, recipe_steps=(), parameters={}, thresholds={}, steps=(), knowledge=known)
        flags = tuple(replace(flag, evidence={}) for flag in self.outcome.flags)
        return replace(self, outcome=replace(self.outcome, provenance=made, flags=flags, budget=(), details={}))

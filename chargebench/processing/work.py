"""What a run is to the steps of a recipe, and the sheet on which they write what they found.

Owns `Material` (arrays, tags and knowledge, no Run) and `Work`. Decides nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from chargebench.processing import flags as watch
from chargebench.processing.charge import ChargeFit, running
from chargebench.processing.integral import Blocks, Bridge
from chargebench.processing.mass import Level
from chargebench.processing.outcome import RESULT_UNITS, BudgetTerm, Details, Estimate, Flag, Knowing, ResultKey
from chargebench.processing.parameters import Recipe
from chargebench.processing.ratio import Source
from chargebench.processing.series import Series
from chargebench.processing.stretches import Stretches
from chargebench.runs.water import number_of, water_mass_g

__all__ = ["Cup", "Material", "Work"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Cup:
    """What the cup's electrometer gave.

    Attributes
    ----------
    series : Series
        Charge in nC; continuous across resets, whose steps are taken out.
    steps : array (n,) or None
        Integral of the charge displayed from reading to reading; none for a current-reading instrument, whose sum does
        not leak.
    bridges : tuple of Bridge
    leaks : bool
    """

    series: Series
    steps: Floats | None
    bridges: tuple[Bridge, ...]
    leaks: bool


@dataclass(frozen=True, eq=False)
class Material:
    """A run as the steps see it."""

    cup: Cup
    scale: Series
    tags: Mapping[str, str | float]
    known: Mapping[str, Knowing]
    states: Mapping[str, float]
    started: str
    stopped_in_grind: bool = False

    @property
    def collects(self) -> bool:
        """Whether grounds are expected in the cup."""
        return self.tags.get("purpose") != "blank"

    @property
    def ionised(self) -> bool:
        """Whether an ioniser was on."""
        return "ionised" in str(self.tags.get("treatment", ""))

    @property
    def ions(self) -> Knowing | None:
        """What an ioniser's own ions bring to this run, in true nC; None without one, unknown, or in a null grind."""
        return self.known.get("ioniser_background_nC") if self.ionised and self.collects else None

    @property
    def dose_g(self) -> float | None:
        """Coffee put in; None where it is not tagged or not positive."""
        dose_g = number_of(self.tags, "dose_g")
        return dose_g if dose_g is not None and dose_g > 0 else None

    @property
    def gain(self) -> float:
        """True charge per displayed charge; 1 where no calibration is known."""
        known = self.known.get("gain")
        return 1.0 if known is None else known.value

    @property
    def water_g(self) -> float:
        """Water added, in g."""
        return water_mass_g(self.tags)


@dataclass(eq=False)
class Work:
    """The sheet: filled in from step to step, read out at the end. The only thing here that changes."""

    material: Material
    recipe: Recipe
    stretches: Stretches
    fine: Blocks
    scale_blocks: Blocks
    scale_noise_g: float = 0.0
    rise: tuple[float, float] | None = None
    lag_s: float = 0.0
    fit: ChargeFit | None = None
    levels: tuple[Level, Level] | None = None
    lost_nC: float | None = 0.0
    parts: tuple[float, float, float] | None = None
    mass_g: float = math.nan
    mass: Any = None
    true_mass_g: Floats | None = None
    budget: tuple[BudgetTerm, ...] = ()
    flags: list[Flag] = field(default_factory=list)
    steps: list[str] = field(default_factory=list)
    details: Details = field(default_factory=Details)
    curves: dict[str, dict[str, Floats]] = field(default_factory=dict)
    result: dict[ResultKey, Estimate | None] = field(default_factory=lambda: dict.fromkeys(RESULT_UNITS))
    made: dict[Any, Source] = field(default_factory=dict)

    @cached_property
    def running(self) -> tuple[Floats, Floats]:
        """Running charge at the fine blocks and its standard uncertainty, in nC as displayed; once the fit is made."""
        if self.fit is None:
            raise ValueError("no running charge without a fit")
        return running(self.fit, self.fine)

    def p(self, name: str) -> float:
        """A numeric parameter of the recipe."""
        return float(self.recipe.parameters[name])

    def least(self, code: str) -> float:
        """Threshold of a flag, as the recipe has it."""
        return self.recipe.thresholds.get(code, watch.TABLE[code].threshold)

    def flag(self, code: str, found: float = 1.0, always: bool = False, **evidence: Any) -> None:
        """Raise a flag where the number found is beyond its threshold."""
        self.flags += watch.raised(code, found, self.recipe.thresholds, always=always, **evidence)

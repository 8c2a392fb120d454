"""Recipes: a name, a version, steps and numbers. Owns the tables of steps and parameters; reads recipe files.

Knows nothing of runs: `recipe` puts one to work.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

from chargebench.bounded import toml_tables
from chargebench.errors import RecipeError
from chargebench.files import RECIPE, read_bytes
from chargebench.processing.flags import TABLE

__all__ = ["DEFAULT", "DEFAULTS", "STEPS", "Recipe", "Value", "read_recipe"]

Value = float | str

STEPS: Final = (
    "find mass rise", "choose stretches", "fit charge", "collect mass", "time grind", "running charge", "answer",
)  # fmt: skip
"""What a recipe does, in this order, since each step builds on those before it."""
OPTIONAL: Final = frozenset({"time grind", "running charge"})
"""Steps that a recipe may leave out, with what they find: grind time, throughput and, from both, charge along the mass;
running charge and its two parts."""

DEFAULTS: Final[Mapping[str, tuple[Value, Any]]] = MappingProxyType(
    {
        "gap_steps": (5.0, (2.0, 1000.0)),
        "gap_s": (0.5, (0.01, 60.0)),
        "block_s": (0.1, (0.01, 2.0)),
        "detection_block_s": (0.25, (0.05, 5.0)),
        "burst_threshold": (6.0, (3.0, 50.0)),
        "join_s": (3.0, (0.1, 60.0)),
        "guard_s": (0.3, (0.0, 10.0)),
        "scale_lag_allowance_s": (2.0, (0.0, 20.0)),
        "least_quiet_s": (3.0, (0.5, 60.0)),
        "blocks_for_fit": (60.0, (20.0, 400.0)),
        "shortest_leakage_time_constant_s": (60.0, (1.0, 1e6)),
        "largest_bias_current_nA": (1.0, (1e-6, 1e3)),
        "ion_current_nA": (0.1, (0.0, 1e3)),
        "drift_model": ("auto", ("auto", "none", "linear", "leakage", "curved")),
        "curved_log_odds": (5.0, (0.0, 1e3)),
        "alias_ratio": (40.0, (5.0, 1e6)),
        "alias_cycles": (3.0, (1.0, 100.0)),
        "settled_s": (5.0, (0.5, 60.0)),
        "mass_block_s": (0.2, (0.02, 5.0)),
        "smallest_mass_g": (0.05, (0.0, 10.0)),
        "hand_readability_g": (0.1, (1e-6, 10.0)),
        "water_relative_u": (0.05, (0.0, 1.0)),
        "mass_steps": (10.0, (2.0, 100.0)),
        "spike_threshold": (9.0, (4.0, 100.0)),
        "turn_factor": (6.0, (2.0, 50.0)),
        "particle_diameter_um": (0.0, (0.0, 5000.0)),
        "particle_density_kg_per_m3": (1000.0, (100.0, 5000.0)),
    }
)
"""Every parameter: its value and what is allowed (a range, or the words to choose from)."""


@dataclass(frozen=True)
class Recipe:
    """A named, versioned, ordered set of steps with their parameters.

    Attributes
    ----------
    name, version : str
    steps : tuple of str
        Of `STEPS`, in their order; those in `OPTIONAL` may be left out.
    parameters : mapping of str to float or str
        Those that differ from the defaults may be given alone.
    thresholds : mapping of str to float
        Of flags, by code, in place of the table's.

    Raises
    ------
    RecipeError
        When a step, parameter or flag is unknown, a step is missing or out of order, or a value is not allowed.
    """

    name: str = "standard"
    version: str = "1"
    parameters: Mapping[str, Value] = field(default_factory=dict)
    thresholds: Mapping[str, float] = field(default_factory=dict)
    steps: tuple[str, ...] = STEPS

    def __post_init__(self) -> None:
        if tuple(step for step in STEPS if step in self.steps or step not in OPTIONAL) != self.steps:
            allowed = f"{', '.join(STEPS)}, in this order; {' and '.join(sorted(OPTIONAL))} may be left out"
            raise RecipeError(f"recipe {self.name!r}: steps are {', '.join(map(str, self.steps))}; allowed: {allowed}")
        for key, value in self.parameters.items():
            _check_parameter(key, value)
        for code, value in self.thresholds.items():
            if code not in TABLE:
                raise RecipeError(f"recipe {self.name!r}: no flag is called {code!r}; known: {', '.join(TABLE)}")
            if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
                raise RecipeError(f"recipe {self.name!r}: threshold of {code!r} is {value!r}, expected a finite number")
        whole = {key: self.parameters.get(key, default) for key, (default, _) in DEFAULTS.items()}
        object.__setattr__(self, "parameters", MappingProxyType(whole))
        object.__setattr__(self, "thresholds", MappingProxyType(dict(self.thresholds)))


def _check_parameter(key: str, value: Value) -> None:
    if key not in DEFAULTS:
        raise RecipeError(f"recipe: no parameter is called {key!r}; known: {', '.join(DEFAULTS)}")
    allowed = DEFAULTS[key][1]
    if isinstance(allowed[0], str):
        if value not in allowed:
            raise RecipeError(f"recipe: {key} is {value!r}, allowed: {', '.join(allowed)}")
        return
    if isinstance(value, bool) or not isinstance(value, int | float) or not allowed[0] <= value <= allowed[1]:
        raise RecipeError(f"recipe: {key} is {value!r}, allowed: a number from {allowed[0]:g} to {allowed[1]:g}")


DEFAULT: Final = Recipe()


def read_recipe(path: Path) -> Recipe:
    """A recipe from a TOML file: ``name``, ``version``, ``steps`` and the tables ``[parameters]`` and ``[thresholds]``.

    What the file does not say is as in the built-in recipe, which it may not pass itself off as.

    Raises
    ------
    RecipeError
        When the file cannot be read, is no TOML, or says something that is not allowed.
    """
    try:
        content = toml_tables(read_bytes(Path(path), RECIPE).decode("utf-8-sig"))
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise RecipeError(f"recipe {path}: cannot be read ({reason}); expected a recipe as TOML") from error
    allowed = ("name", "version", "steps", "parameters", "thresholds")
    unknown = set(content) - set(allowed)
    if unknown:
        raise RecipeError(f"recipe {path}: unknown key {min(unknown)!r}; allowed: {', '.join(allowed)}")
    tables = {key: content.get(key, {}) for key in ("parameters", "thresholds")}
    for key, table in tables.items():
        if not isinstance(table, dict):
            raise RecipeError(f"recipe {path}: {key} is {table!r}, expected a table")
    steps = content.get("steps", list(STEPS))
    if not isinstance(steps, list):
        raise RecipeError(f"recipe {path}: steps is {steps!r}, expected a list of names")
    name, version = str(content.get("name", Path(path).stem)), str(content.get("version", "1"))
    recipe = Recipe(name, version, **tables, steps=tuple(steps))
    if name == DEFAULT.name and recipe != DEFAULT:
        raise RecipeError(f"recipe {path}: name is {name!r}, which is the built-in recipe's; give yours another")
    return recipe

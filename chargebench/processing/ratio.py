"""Charge-to-mass and what hangs on it, every error source carried as an independent variable of its own.

Owns the propagation (by the `uncertainties` library, in the absolute form that holds at zero charge) and the budget
table. Knows nothing of traces.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from chargebench.processing.outcome import BudgetTerm, Estimate

__all__ = ["Source", "budget", "effective_dof", "estimate", "summed"]


@dataclass(frozen=True)
class Source:
    """One independent source of error.

    Attributes
    ----------
    name : str
    value : float
        Best value of the quantity, in `unit`.
    u : float
        Standard uncertainty, in `unit`.
    unit : str
    kind : str
        ``A`` from repeated readings of this run, ``B`` otherwise (GUM 4.2, 4.3).
    dof : float
    shared : str
        What makes the error common to several runs, or empty.
    factor : float
        Change of the target per unit of the source.
    spread : str
        Which estimate of a spread `u` rests on, where other sources rest on it too: such rise and fall together, and
        have its degrees of freedom between them.
    """

    name: str
    value: float
    u: float
    unit: str
    kind: Literal["A", "B"]
    dof: float = math.inf
    shared: str = ""
    factor: float = 1.0
    spread: str = ""


def effective_dof(parts: Iterable[tuple[float, float]]) -> float:
    """Welch-Satterthwaite degrees of freedom (GUM G.4.1) of uncertainty components ``(u, dof)``."""
    items = [(abs(u), dof) for u, dof in parts]
    total = sum(u * u for u, _ in items)
    if total <= 0.0:
        return math.inf
    scale = math.sqrt(total)
    bottom = sum((u / scale) ** 4 / dof for u, dof in items if math.isfinite(dof))
    return 1.0 / bottom if bottom > 0.0 else math.inf


def summed(value: float, sources: Sequence[Source], made: dict[Any, Source]) -> Any:
    """A variable that carries every source; `made` learns which variable belongs to which source."""
    from uncertainties import ufloat

    total: Any = value
    for source in sources:
        if source.u <= 0.0:
            continue
        variable = ufloat(0.0, source.u, tag=source.name)
        made[variable] = source
        total = total + source.factor * variable
    return total


def estimate(quantity: Any, made: Mapping[Any, Source]) -> Estimate:
    """Value, uncertainty and effective degrees of freedom of a variable."""
    if isinstance(quantity, float):
        return Estimate(quantity, 0.0)
    together: dict[Any, tuple[float, float]] = {}
    for variable, u in quantity.error_components().items():
        if (source := made.get(variable)) is not None:
            rests_on = source.spread or variable
            together[rests_on] = (math.hypot(u, together.get(rests_on, (0.0, 0.0))[0]), source.dof)
    return Estimate(float(quantity.nominal_value), float(quantity.std_dev), effective_dof(together.values()))


def budget(quantity: Any, made: Mapping[Any, Source]) -> tuple[BudgetTerm, ...]:
    """Budget of a variable, sources in the order in which they were made."""
    if isinstance(quantity, float):
        return ()
    total = float(quantity.std_dev) ** 2
    slopes = quantity.derivatives
    terms = []
    for variable, source in made.items():
        slope = float(slopes.get(variable, 0.0))
        part = (slope * source.u) ** 2
        terms.append(
            BudgetTerm(
                source.name, source.value, source.u, source.unit, source.kind, slope,
                part / total if total > 0 else 0.0, source.dof, source.shared,
            )
        )  # fmt: skip
    return tuple(terms)

"""Between which tested doses the charge comes down to a target, whatever the shape of the curve.

Owns the rule for few doses: curves of any shape pass between the last dose that lies significantly above the target
and the first that lies significantly below. Assumes only that charge falls steadily with water.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import takewhile

import numpy as np

from chargebench.study.dose import Target
from chargebench.study.equivalence import Level, one_sided_p, own_part
from chargebench.study.scatter import Scatter

__all__ = ["FEW_DOSES", "between"]

FEW_DOSES = 4
"""Distinct doses, dry among them, up to which no family of curves is trusted between them: three parameters of a curve
leave one degree of freedom, which tells no shape from another."""


def between(
    levels: Sequence[Level], scatter: Scatter, target: Target, alpha: float = 0.05
) -> tuple[float, float] | None:
    """95 % interval of the dose that holds for every steadily falling curve; infinite where it is open above.

    One-sided t tests of each dose against the target at half of `alpha`: from the lowest up as long as they lie above
    it, from the highest down as long as they lie below, so that each end errs with that chance at most. None without
    dry runs, or where nothing tells the scatter.
    """
    dry = next((level for level in levels if level.dose_uL_per_g == 0), None)
    if dry is None or not (scatter.dof >= 1 or dry.blocks) or dry.mean_nC_per_g == 0:
        return None
    sign = float(np.sign(dry.mean_nC_per_g))
    of_dry = [(target.fraction * u, dof) for u, dof in (own_part(dry, scatter), *dry.parts[1:])]

    def shown(level: Level, above: bool) -> bool:
        miss = level.mean_nC_per_g - target.fraction * dry.mean_nC_per_g - target.level_nC_per_g
        parts = (own_part(level, scatter), *level.parts[1:], *of_dry)
        return one_sided_p(miss, parts, sign if above else -sign) < alpha / 2

    wet = [level for level in levels if level.dose_uL_per_g > 0]
    above = list(takewhile(lambda level: shown(level, True), wet))
    below = list(takewhile(lambda level: shown(level, False), reversed(wet)))
    return (
        above[-1].dose_uL_per_g if above else 0.0,
        below[-1].dose_uL_per_g if below else math.inf,
    )

"""What the steps of a display hide of a charge, each quiet stretch with the steps of its own range.

Owns nothing but that. Knows no fit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from chargebench.processing.integral import Blocks
from chargebench.processing.noise import hidden_part
from chargebench.processing.series import median

__all__ = ["displays", "rounded_more", "unseen_part"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


def unseen_part(step: float, hidden: float) -> float:
    """Standard deviation of a level for the part of a step of the display that stays hidden."""
    return hidden * step / math.sqrt(12.0)


def displays(fine: Blocks, is_before: Bools, is_after: Bools) -> tuple[tuple[float, float], tuple[float, float]]:
    """Step of the display and part of it that stays hidden, before and after: one of both but where a range changed."""
    steps = [median(fine.display_steps[side]) for side in (is_before, is_after)]
    sides = (is_before | is_after,) * 2 if steps[0] == steps[1] else (is_before, is_after)
    noises = [median(fine.spread[side]) for side in sides]
    first, second = ((step, hidden_part(step, noise)) for step, noise in zip(steps, noises, strict=True))
    return first, second


def rounded_more(
    fine: Blocks, is_before: Bools, is_after: Bools, before: Bools, unseen: Sequence[float], count: Floats
) -> Floats:
    """How the white variance of blocks differs between two ranges: that of readings, of which wide steps are a part.

    A display that stands still scatters not at all: what it hides counts then.
    """
    each = [float(np.mean(fine.spread[side] ** 2)) for side in (is_before, is_after)]
    n = float(np.mean(count))
    sides = [max(v, n * u * u, 1e-24) for v, u in zip(each, unseen, strict=True)]
    relative = np.where(before, sides[0], sides[1])
    return np.asarray(relative / np.mean(relative))

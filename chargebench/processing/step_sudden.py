"""Steps on what moved otherwise than grounds do: within one reading, back to the start, or while no mass fell.

Owns when that is so much of the answer that a person should look.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from chargebench.processing.charge import ChargeFit
from chargebench.processing.mass import corrected
from chargebench.processing.series import median
from chargebench.processing.sudden import largest_step, mass_in_one_interval, moved_alone
from chargebench.processing.work import Work

__all__ = ["watch_sudden"]

Floats = npt.NDArray[np.float64]

AT_MOST = 3.0
"""Times the mass of the steepest interval that a clump may bring of the charge."""
BOTH_SIGNS = 4.0
"""Times the highest charge on the way that grounds of one sign bring, per mass, where the other sign takes it off again
(a parabola over the mass is four times as steep at its ends as it is high)."""
CLUMP = 0.008
"""Part of the charge that a clump too light to be weighed may bring late (judgement: the last of some sixty clumps)."""
AFTER_S = 0.2
"""How long before the mass is seen to stop a touch may already have been."""


def watch_sudden(work: Work, fit: ChargeFit) -> None:
    """Raise the flags on steps within one reading and on charge that moved without mass."""
    charge, _ = work.running
    t = work.fine.time_s
    inside = (t >= work.stretches.before_s[1]) & (t <= work.stretches.after_s[0])
    moved = max(abs(fit.net[0]), float(np.ptp(charge[inside])) if inside.any() else 0.0, 1e-12)
    _one_reading(work, fit, moved)
    if work.rise is not None:
        _without_mass(work, fit, charge, moved)


def _one_reading(work: Work, fit: ChargeFit, moved: float) -> None:
    """What came or went between two readings of the grind, against what the mass lets come."""
    series, s = work.material.cup.series, work.stretches
    part = series.within(s.before_s[1] - series.step_s, s.after_s[0] + series.step_s)
    first = max(part.start - 5, 0)
    start = median(series.value[first : part.start + 1])
    step = largest_step(series.time_s[part], series.value[part], start, fit.noise[0])
    if step is None:
        return
    if step.to_start:
        work.flag("fell-to-start", abs(step.size), at_s=step.at_s)
        return
    grind_s = max(s.grind_s[1] - s.grind_s[0], series.step_s)
    share = series.step_s / grind_s
    if work.rise is not None:
        blocks = work.scale_blocks
        total_g = float(blocks.value[-1] - blocks.value[0])
        share = mass_in_one_interval(blocks.time_s, blocks.value, total_g, series.step_s)
    beyond = abs(step.size) / moved - AT_MOST * share
    work.flag("step-in-grind", beyond, at_s=step.at_s, step_nC=step.size, part_of_mass=share)


def _without_mass(work: Work, fit: ChargeFit, charge: Floats, moved_nC: float) -> None:
    """What moved before any mass did, or after all had fallen."""
    rise, s, t = work.rise, work.stretches, work.fine.time_s
    if rise is None:
        return
    blocks = work.scale_blocks
    mass_g = corrected(blocks.time_s, blocks.value, work.lag_s)
    total_g = median(blocks.value[-5:]) - median(blocks.value[:5])
    net_nC = abs(fit.net[0])
    ratio = (net_nC + BOTH_SIGNS * (moved_nC - net_nC)) / max(total_g, 1e-9)
    before, after = s.quiet(t)
    noise = max(float(np.std(charge[x])) for x in (before, after))
    alone = 0.0
    after_it = (t >= rise[1] - AFTER_S) & (t <= s.after_s[0] + AFTER_S)
    before_it = (t <= rise[0] + AFTER_S) & (t >= s.before_s[1] - AFTER_S)
    for sign, part in ((1.0, after_it), (-1.0, before_it)):
        order = slice(None, None, int(sign))
        found = moved_alone(
            sign * t[part][order], charge[part][order], sign * blocks.time_s[order], sign * mass_g[order],
            noise, ratio,
        )  # fmt: skip
        alone = max(alone, sign * found, key=abs)
    if abs(alone) > CLUMP * moved_nC:
        work.flag("charge-without-mass", abs(alone) / max(1.96 * fit.net[1], 1e-12), moved_nC=alone)

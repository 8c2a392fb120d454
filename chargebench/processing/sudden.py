"""Charge that moves otherwise than falling grounds make it: within one reading, or while no mass moves.

Owns what a grind can and cannot do between two readings, and what a touched cup or an emptied input looks like. Works
on arrays alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from chargebench.processing.series import median

__all__ = ["Step", "largest_step", "mass_in_one_interval", "moved_alone"]

Floats = npt.NDArray[np.float64]

CLEAR = 8.0
"""Times the noise of a difference of two readings that a step must be to be one."""
GENEROUS = 2.0
"""Times the charge per gram of the whole run that late grounds may carry."""
WINDOW_S = 0.5
MASS_WINDOW_S = 0.6
"""In which a touch is over; over which the mass before and after it is averaged."""
LULL = 0.25
"""Part of it that may move in the half second before: grounds dwindle, they do not pause and come again."""
BACK = 0.03
"""Part of what the cup held that a fall to its start may leave."""


@dataclass(frozen=True)
class Step:
    """The largest change from one reading to the next.

    Attributes
    ----------
    at_s, size : float
        When, and how much.
    to_start : bool
        Whether it took away all that the cup had held more than at its start.
    """

    at_s: float
    size: float
    to_start: bool


def largest_step(time_s: Floats, value: Floats, start: float, noise: float) -> Step | None:
    """The largest step between two readings, and whether it fell back to `start`; None where noise makes as much."""
    if len(value) < 2:
        return None
    change = np.diff(value)
    i = int(np.argmax(np.abs(change)))
    least = CLEAR * math.sqrt(2.0) * noise
    if abs(float(change[i])) <= least:
        return None
    held, left = float(value[i]) - start, float(value[i + 1]) - start
    to_start = abs(held) > 3.0 * least and abs(left) <= max(BACK * abs(held), 0.5 * least)
    return Step(float(0.5 * (time_s[i] + time_s[i + 1])), float(change[i]), to_start)


def mass_in_one_interval(time_s: Floats, mass: Floats, total_g: float, interval_s: float) -> float:
    """Largest part of the collected mass that fell within one interval between readings of the charge.

    From the steepest second or interval, whichever is longer: shorter ones are the scale's noise.
    """
    if len(mass) < 3 or total_g <= 0.0:
        return 0.0
    width_s = median(np.diff(time_s))
    blocks = min(max(round(max(interval_s, 1.0) / width_s), 1), len(mass) - 1)
    most = float(np.max(mass[blocks:] - mass[:-blocks])) / total_g
    return min(max(most, 0.0) * interval_s / (blocks * width_s), 1.0)


def moved_alone(
    time_s: Floats, charge: Floats, mass_time_s: Floats, mass_g: Floats, noise: float, ratio: float
) -> float:
    """Charge that moved within half a second after a pause, while the mass stood still; 0 where the mass explains it.

    Parameters
    ----------
    time_s, charge : array (n,)
        Running charge from when the mass had stopped until the charge had come to rest.
    mass_time_s, mass_g : array (k,)
        Mass of the whole run, the scale's lag taken out.
    noise : float
        Of one running charge.
    ratio : float
        Charge per gram of the whole run.
    """
    if len(time_s) < 4:
        return 0.0
    before, here, then = (
        np.interp(time_s + x, time_s, charge) for x in (-1.5 * WINDOW_S, -0.5 * WINDOW_S, 0.5 * WINDOW_S)
    )
    step, lull = np.abs(then - here), np.abs(here - before)
    gained = _mean_after(mass_time_s, mass_g, time_s + 0.5 * WINDOW_S) - _mean_after(
        mass_time_s, mass_g, time_s - 0.5 * WINDOW_S - MASS_WINDOW_S
    )
    abrupt = (step > 6.0 * noise) & (lull < LULL * step) & (step > GENEROUS * abs(ratio) * np.maximum(gained, 0.0))
    abrupt &= time_s > time_s[0] + 0.5 * WINDOW_S
    i = int(np.argmax(np.where(abrupt, step, 0.0)))
    return float(then[i] - here[i]) if abrupt[i] else 0.0


def _mean_after(time_s: Floats, mass_g: Floats, at_s: Floats) -> Floats:
    """Mean mass over the `MASS_WINDOW_S` after each time."""
    total = np.concatenate(([0.0], np.cumsum(0.5 * (mass_g[1:] + mass_g[:-1]) * np.diff(time_s))))
    start_s, end_s = (np.clip(at_s + x, time_s[0], time_s[-1]) for x in (0.0, MASS_WINDOW_S))
    gained = np.interp(end_s, time_s, total) - np.interp(start_s, time_s, total)
    return np.asarray(gained / np.maximum(end_s - start_s, 1e-9))

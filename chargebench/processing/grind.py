"""What happened during the grind: running charge, its rising and falling parts, charge per gram along the mass.

Owns the curves between the two quiet stretches. Noise is not allowed to count as charge: only turns of the running
charge larger than noise can make are counted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["MassSteps", "arrival", "mass_steps", "parts", "turns"]

Floats = npt.NDArray[np.float64]

SMOOTH = 1.5
"""Times the noise that blocks may lie off a parabola through them."""
MOST_WITHIN = 12
"""Blocks to either side of an extreme, itself included, that may count for its height."""


def turns(value: Floats, least: float) -> list[int]:
    """Indices of the first value, of every extreme from which the curve turns back by more than `least`, and the last.

    Parameters
    ----------
    value : array (n,)
    least : float
        Turns back smaller than this are noise.
    """
    data = value.tolist()
    if not data:
        return []
    high = low = direction = 0
    out = [0]
    for i, v in enumerate(data):
        if direction >= 0 and v > data[high]:
            high = i
        if direction <= 0 and v < data[low]:
            low = i
        if direction >= 0 and v < data[high] - least:
            out += [high] if high > out[-1] and (direction or data[high] - data[0] > least) else []
            direction, low = -1, i
        elif direction <= 0 and v > data[low] + least:
            out += [low] if low > out[-1] and (direction or data[0] - data[low] > least) else []
            direction, high = 1, i
    return [*out, len(data) - 1]


def parts(value: Floats, start: float, end: float, noise: float, factor: float) -> tuple[float, float, int, float]:
    """Positive and negative charge between two levels, the number of turns in between, and the u that turns have.

    Parameters
    ----------
    value : array (n,)
        Running charge in the grind, means of equal blocks.
    start, end : float
        Levels before and after, known better than any single value.
    noise : float
        Standard deviation of a value's noise.
    factor : float
        Turns back of less than this many standard deviations are noise.

    Notes
    -----
    Of each turn the height is that of a parabola through the blocks about it, as many as one fits within noise, plus
    what the means of blocks lack of its top. A sharp corner has more of that: what it would have, summed over the
    turns since all err the same way, enters the last number as the bound of an error.
    """
    padded = np.concatenate(([start], value, [end]))
    least = factor * noise
    index = turns(padded, least)
    levels, lacking = [start], 0.0
    for i in index[1:-1]:
        height, bend = _top(padded, i, least, noise)
        levels.append(height - bend / 24.0)
        lacking += abs(bend) / 8.0
    levels.append(end)
    steps = np.diff(levels)
    count = len(index) - 2
    u = float(np.hypot(noise * np.sqrt(0.5 * count), lacking / np.sqrt(3.0)))
    return float(np.sum(steps[steps > 0])), float(np.sum(steps[steps < 0])), count, u


def _leading(flags: npt.NDArray[np.bool_]) -> int:
    """How many are set before the first that is not."""
    return len(flags) if flags.all() else int(np.argmin(flags))


def _top(value: Floats, i: int, least: float, noise: float) -> tuple[float, float]:
    """Height and second difference at an extreme: of a parabola through the blocks about it that are within reach.

    Fewer than five are within reach where the curve bends much: then through the extreme and its neighbours. Where
    more are and lie on no parabola, a level begins or ends there, and its mean is the height.
    """
    within = np.abs(value - value[i]) <= least
    first, last = i + 1 - _leading(within[i::-1][:MOST_WITHIN]), i + _leading(within[i:][:MOST_WITHIN])
    if last - first < 5:
        first, last = max(i - 1, 0), min(i + 2, len(value))
    x, near = np.arange(first - i, last - i, dtype=np.float64), value[first:last]
    bend, slope, middle = np.polyfit(x, near, 2)
    away = near - np.polyval((bend, slope, middle), x)
    fits = float(away @ away) <= SMOOTH**2 * max(len(near) - 3, 1) * noise**2
    rounded = bend * (value[i] - np.mean(near)) < 0.0 and x[0] <= -slope / (2.0 * bend) <= x[-1]
    if not (fits and rounded):
        return float(np.mean(near)), 0.0
    return float(middle - slope**2 / (4.0 * bend)), 2.0 * float(bend)


@dataclass(frozen=True, eq=False)
class MassSteps:
    """Charge per gram in steps of equal mass; arrays (k,).

    Attributes
    ----------
    mass_g : array
        Mass at the middle of each step.
    time_s : array
        Time at the end of each step.
    charge_nC, charge_per_gram, u : array
        Charge of the step in nC, its slope in nC/g, and the standard uncertainty of the slope.
    """

    mass_g: Floats
    time_s: Floats
    charge_nC: Floats
    charge_per_gram: Floats
    u: Floats


def mass_steps(
    charge_time_s: Floats,
    charge: Floats,
    u_charge: float,
    mass_time_s: Floats,
    mass: Floats,
    total_g: float,
    steps: int,
) -> MassSteps:
    """Slope of charge against mass in `steps` equal steps of mass.

    `mass` starts near 0 and ends near `total_g`, lag taken out; noise that would make it fall back is held level.
    """
    rising = np.maximum.accumulate(np.clip(mass, 0.0, total_g))
    inner = np.linspace(0.0, total_g, steps + 1)[1:-1]
    times = np.interp(inner, rising, mass_time_s)
    edges = np.concatenate(([charge_time_s[0]], times, [charge_time_s[-1]]))
    at = np.interp(edges, charge_time_s, charge)
    width = total_g / steps
    change = np.diff(at)
    return MassSteps(
        np.asarray((np.arange(steps) + 0.5) * width, dtype=np.float64), np.asarray(edges[1:]), change, change / width,
        np.full(steps, np.sqrt(2.0) * u_charge / width),
    )  # fmt: skip


def arrival(time_s: Floats, value: Floats, start: float, end: float) -> float:
    """Mean time of arrival: of what came in, how late it came on average."""
    share = (value - start) / (end - start)
    return float(time_s[0] + np.sum(0.5 * ((1 - share[1:]) + (1 - share[:-1])) * np.diff(time_s)))

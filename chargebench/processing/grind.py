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
            out += [high] if high > out[-1] else []
            direction, low = -1, i
        elif direction <= 0 and v > data[low] + least:
            out += [low] if low > out[-1] else []
            direction, high = 1, i
    return [*out, len(data) - 1]


def parts(value: Floats, start: float, end: float, noise: float, factor: float) -> tuple[float, float, int, float]:
    """Positive and negative charge between two levels, the number of turns in between, and what may be cut off there.

    Parameters
    ----------
    value : array (n,)
        Running charge in the grind.
    start, end : float
        Levels before and after, known better than any single value.
    noise : float
        Standard deviation of a value's noise.
    factor : float
        Turns back of less than this many standard deviations are noise.

    Notes
    -----
    An extreme picked out of noise lies too far out; the mean of the values within reach of it stands in. Where the
    curve bends sharply that mean lies too far in: how far from the extreme, summed over all turns, is the last number.
    """
    least = factor * noise
    index = turns(np.concatenate(([start], value, [end])), least)
    padded = np.concatenate(([start], value, [end]))
    levels, cut = [start], 0.0
    for i in index[1:-1]:
        near = padded[max(i - 2, 1) : i + 3]
        close = near[np.abs(near - padded[i]) <= least]
        levels.append(float(np.mean(close)) if len(close) else float(padded[i]))
        cut += abs(levels[-1] - float(padded[i]))
    levels.append(end)
    steps = np.diff(levels)
    return float(np.sum(steps[steps > 0])), float(np.sum(steps[steps < 0])), len(index) - 2, cut


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

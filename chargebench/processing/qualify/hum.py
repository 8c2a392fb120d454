"""Mains hum in readings that are too slow to show it: where it folds to, and how large it is. Pure arrays."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from chargebench.processing.noise import MAINS_HZ, folded_Hz

__all__ = ["Hum", "find_hum", "reading_rate_Hz"]

Floats = npt.NDArray[np.float64]

TOLERANCE_HZ: Final = 0.2
"""Mains frequency is searched this far on both sides; public grids are held within it (EN 50160: ±1 % for 99.5 % of a
year where interconnected, far less in ordinary hours)."""
FALSE_ALARM: Final = 1e-4
"""Chance of finding hum of one mains frequency in white noise."""
NEIGHBOURHOOD_HZ: Final = 2.0


@dataclass(frozen=True)
class Hum:
    """Hum of one mains frequency.

    Attributes
    ----------
    mains_Hz : float
    seen_at_Hz : float
        Where readings at this rate show it.
    amplitude, u : float or None
        In the unit of the readings; None where it is hidden.
    found : bool
        Whether it stands out of the noise around it.
    hidden : bool
        Whether it folds so near to 0 Hz that it cannot be told from offset and drift.
    """

    mains_Hz: float
    seen_at_Hz: float
    amplitude: float | None
    u: float | None
    found: bool
    hidden: bool


def reading_rate_Hz(time_s: Floats) -> float:
    """Readings per second, pauses left out; unlike the median step it is right for stamps rounded to milliseconds."""
    steps = np.diff(time_s)
    return 1.0 / float(np.mean(steps[steps < 1.8 * float(np.median(steps))]))


def _amplitudes(time_s: Floats, value: Floats, frequencies_Hz: Floats) -> Floats:
    """Amplitude of the best cosine at each frequency, at the readings' own times."""
    phases = -2j * math.pi * time_s
    return np.array([2 * abs(np.mean(value * np.exp(f * phases))) for f in frequencies_Hz])


def find_hum(time_s: Floats, value: Floats) -> list[Hum]:
    """Hum at both mains frequencies.

    Parameters
    ----------
    time_s, value : float64 arrays (n,)
        Without a gap; some missing readings do no harm.

    Returns
    -------
    list of Hum
        One for 50 Hz and one for 60 Hz.

    Notes
    -----
    Cosines are fitted at the times of the readings, so folding needs no care. Found is what exceeds the median
    amplitude within 2 Hz on both sides by what white noise would do once in ten thousand searches.
    """
    seconds = float(time_s[-1] - time_s[0])
    rate_Hz = reading_rate_Hz(time_s)
    level = np.polynomial.polynomial.polyval(time_s, np.polynomial.polynomial.polyfit(time_s, value, 2))
    return [_hum(time_s - time_s[0], value - level, mains, rate_Hz, seconds) for mains in MAINS_HZ]


def _hum(time_s: Floats, value: Floats, mains_Hz: float, rate_Hz: float, seconds: float) -> Hum:
    seen_at = folded_Hz(mains_Hz, rate_Hz)
    if seen_at < TOLERANCE_HZ + 3.0 / seconds:
        return Hum(mains_Hz, seen_at, None, None, found=False, hidden=True)
    step = min(0.05, 0.5 / seconds)
    near = mains_Hz + np.arange(-TOLERANCE_HZ, TOLERANCE_HZ + step / 2, step)
    apart = TOLERANCE_HZ + 2.0 / seconds
    side = np.linspace(apart, max(NEIGHBOURHOOD_HZ, 2 * apart), 40)
    around = _amplitudes(time_s, value, np.concatenate((mains_Hz - side, mains_Hz + side)))
    mean_square = float(np.median(around**2)) / math.log(2)  # squared amplitudes of noise are exponential
    largest = float(np.max(_amplitudes(time_s, value, near)))
    threshold = math.sqrt(mean_square * math.log(len(near) / FALSE_ALARM))
    return Hum(mains_Hz, seen_at, largest, math.sqrt(mean_square / 2), largest > threshold, hidden=False)

"""Whether a bench held still while a check needed it to. Owns the traces of coffee that falls, or a hand that acts.

Pure: times and values in, a sentence out, which is empty where nothing speaks against the check.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

__all__ = ["MOST_MASS_G", "MOST_NULL_NC_PER_G", "charge_moved", "mass_moved"]

Floats = npt.NDArray[np.float64]
Spans = Sequence[tuple[float, float]]

MOST_MASS_G: Final = 0.3
"""A mass that changes by more was not left alone; an empty grinder sheds less. Common practice, no source."""
MOST_NULL_NC_PER_G: Final = 5.0
"""A null grind that brings more per gram of dose brings as much as coffee does. Common practice, no source."""
BLOCK_S: Final = 0.5
REACH: Final = 4
"""Blocks: changes over two seconds are compared with those over the two seconds before."""
SIGMAS: Final = 25.0
SHARE: Final = 0.05
"""Of the largest charge: a leak of 10 s and more bends the trace less than that within two seconds."""


def _blocks(time_s: Floats, value: Floats, span: tuple[float, float], width_s: float) -> tuple[Floats, Floats]:
    """Middles and medians of blocks of readings within a span; blocks without a reading are left out."""
    inside = np.isfinite(value) & (time_s >= span[0]) & (time_s <= span[1])
    t, v = time_s[inside], value[inside]
    if not len(t):
        return np.empty(0), np.empty(0)
    number = np.floor((t - t[0]) / width_s).astype(np.int64)
    found = np.unique(number)
    return t[0] + (found + 0.5) * width_s, np.array([np.median(v[number == n]) for n in found])


def mass_moved(time_s: Floats, mass_g: Floats, spans: Spans) -> str:
    """What the scale says against an empty, untouched cup.

    Parameters
    ----------
    time_s, mass_g : float64 array (n,)
        Of the scale, settled or not.
    spans : sequence of (float, float)
        Where nothing may have moved, nor between them.
    """
    medians = np.concatenate([_blocks(time_s, mass_g, span, 4 * BLOCK_S)[1] for span in spans] or [np.empty(0)])
    if not len(medians) or (moved_g := float(np.ptp(medians))) <= MOST_MASS_G:
        return ""
    return (
        f"the mass on the scale changed by {moved_g:.2f} g, at most {MOST_MASS_G:g} g is allowed: something fell into "
        "the cup or was taken from it"
    )


def charge_moved(time_s: Floats, charge: Floats, spans: Spans, unit: str = "nC") -> str:
    """What the electrometer says against an input that was left alone: a change that begins or ends all at once.

    Leakage and bias bend a trace slowly; a charge that arrives, a hand and a switch do not.

    Parameters
    ----------
    time_s, charge : float64 array (n,)
    spans : sequence of (float, float)
        Where nothing may have been done; each is judged by itself.
    unit : str
        Of `charge`.
    """
    finite = np.isfinite(charge)
    t, q = time_s[finite], charge[finite]
    if len(q) < 3:
        return ""
    steps = np.abs(np.diff(q))
    display = float(np.min(steps[steps > 0], initial=math.inf))
    noise = 1.4826 * float(np.median(np.abs(np.diff(q, 2)))) / math.sqrt(6.0)
    most = max(SIGMAS * noise, 3.0 * display if math.isfinite(display) else 0.0, SHARE * float(np.max(np.abs(q))))
    for span in spans:
        middles, level = _blocks(t, q, span, BLOCK_S)
        if len(level) <= 2 * REACH:
            continue
        bend = level[2 * REACH :] - 2.0 * level[REACH:-REACH] + level[: -2 * REACH]
        worst = int(np.argmax(np.abs(bend)))
        if abs(bend[worst]) > most:
            what = "charge" if unit == "nC" else "current"
            return (
                f"the {what} jumped by {abs(bend[worst]):.3g} {unit} near {middles[worst + REACH]:.0f} s, at most "
                f"{most:.2g} {unit} is allowed: the input was not left alone"
            )
    return ""

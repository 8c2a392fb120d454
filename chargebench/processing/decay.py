"""Quiet stretches of a cup that leaks much: the decay itself in place of the integral of what is displayed.

Owns the solution of dq/dt = I - k q in each piece, straightened about a first answer. The integral of the display
carries the display's own noise along: over a good part of a time constant that is more than noise of the display
about a decay, which this form has.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from chargebench.processing.drift import Design

__all__ = ["LEAKS_MUCH", "STEEPEST", "straightened"]

Floats = npt.NDArray[np.float64]

LEAKS_MUCH = 0.3
"""Part of a time constant from which on the two forms differ: below, the integral's noise adds less than a twentieth to
the variance of a walk."""
STEEPEST = 20.0
"""Time constants in a stretch above which its beginning says nothing about its end."""


def straightened(design: Design, levels: Sequence[str], found: Mapping[str, float]) -> Design:
    """The design with the solution of the leakage equation in place of its integral, straightened about `found`.

    Parameters
    ----------
    design : Design
        Columns: the levels, 1 in their own piece; ``bias``, the time from the middle of the grind; ``leakage``, the
        integral from each block to there. Others stay as they are.
    levels : sequence of str
        Names of the level columns.
    found : mapping of str to float
        Coefficients of all of these to begin from; the leakage rate k must be above 0.

    Notes
    -----
    In a piece, with x the time since its block nearest to the grind and a the mean charge of that block,
    q = a D + I (1 - D)/k, D = exp(-k x) times the ratio of sinh(k w/2)/(k w/2) of the blocks' widths w, since means are
    meant. As a = level + k·(integral from there) + I·(time from the middle), the coefficients keep their meaning.
    """
    since_s, integral_s = design.columns["bias"], design.columns["leakage"]
    k, bias_nA = found["leakage"], found["bias"]
    half = 0.5 * k * design.grid.width_s
    broad = np.sinh(half) / half
    columns = dict(design.columns)
    rate, bias = np.zeros(len(design.y)), np.zeros(len(design.y))
    bent = np.zeros(len(design.y))
    for level in levels:
        inside = design.columns[level] > 0.0
        nearest = int(np.argmin(np.where(inside, np.abs(since_s), np.inf)))
        start_s, start_integral = float(since_s[nearest]), float(integral_s[nearest])
        x = since_s - start_s
        decay = np.where(inside, np.exp(-k * np.where(inside, x, 0.0)) * broad / broad[nearest], 0.0)
        risen = np.where(inside, (1.0 - decay) / k, 0.0)
        held = found[level] + k * start_integral + bias_nA * start_s
        by_rate = -x * held * decay + bias_nA * (x * decay - risen) / k
        columns[level] = decay
        bias += risen + start_s * decay
        rate += by_rate + start_integral * decay
        bent += k * by_rate
    return replace(design, y=design.y + bent, columns=columns | {"bias": bias, "leakage": rate})

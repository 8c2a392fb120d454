"""Regressors of the joint fit: a level of each unbroken quiet piece, lines of the spectrum, what wide steps hide.

Owns their names and shapes. Knows nothing of leakage and bias, and no posterior.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from chargebench.processing.drift import Prior
from chargebench.processing.integral import Blocks
from chargebench.processing.noise import Alias, alias_gain

__all__ = ["alias_columns", "levels", "ramps"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


def levels(coarse: Blocks, before: Bools) -> tuple[dict[str, Floats], str, str]:
    """One column per unbroken quiet piece, and the names of the pieces next to the grind."""
    columns: dict[str, Floats] = {}
    for piece in np.unique(coarse.piece[before]).tolist():
        columns[f"level_before_{piece}"] = ((coarse.piece == piece) & before).astype(np.float64)
    for piece in np.unique(coarse.piece[~before]).tolist():
        columns[f"level_after_{piece}"] = ((coarse.piece == piece) & ~before).astype(np.float64)
    names = list(columns)
    last = [n for n in names if n.startswith("level_before")][-1]
    first = next(n for n in names if n.startswith("level_after"))
    return columns, last, first


def alias_columns(
    aliases: tuple[Alias, ...], coarse: Blocks, before: Bools, step_s: float, origin_s: float
) -> tuple[dict[str, Floats], dict[str, Prior]]:
    """Sine and cosine of each alias in each stretch, as block means see them."""
    columns: dict[str, Floats] = {}
    priors: dict[str, Prior] = {}
    for i, alias in enumerate(aliases):
        gain = alias_gain(alias.frequency_Hz, step_s, coarse.count)
        angle = 2.0 * np.pi * alias.frequency_Hz * (coarse.time_s - origin_s)
        for stretch, inside in (("before", before), ("after", ~before)):
            for wave, values in (("cos", np.cos(angle)), ("sin", np.sin(angle))):
                name = f"alias_{i}_{stretch}_{wave}"
                columns[name] = np.where(inside, gain * values, 0.0)
                priors[name] = Prior(0.0, 2.0 * alias.amplitude)
    return columns, priors


def ramps(columns: Mapping[str, Floats], time_s: Floats) -> dict[str, Floats]:
    """A ramp from -1 to 1 along each piece: what a display that moves in wide steps may hide of a drift."""
    found = {}
    for name, inside in columns.items():
        if name.startswith("level"):
            t = time_s[inside > 0.0]
            middle, half_s = 0.5 * (t[0] + t[-1]), max(0.5 * (t[-1] - t[0]), 1e-9)
            found[f"hidden_{name}"] = inside * (time_s - middle) / half_s
    return found

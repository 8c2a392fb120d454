"""Noise of the quiet stretches: a grid of covariance shapes, and mains aliases in the spectrum.

Owns which kinds of noise are thought possible: readings' own white noise, correlated noise of several memory times,
and a random walk. Weighing them against the data is `drift`'s business.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Alias", "Shape", "alias_gain", "covariance", "find_aliases", "shapes"]

Floats = npt.NDArray[np.float64]

CORRELATED = (0.3, 3.0, 30.0, 1000.0)
MEMORIES_S = (0.4, 1.5, 5.0, 15.0)
WALKS_PER_S = (0.0, 1e-3, 1e-2, 0.1, 1.0, 10.0, 100.0, 1000.0)


@dataclass(frozen=True)
class Shape:
    """A covariance up to its scale, relative to the white variance of a typical block.

    Attributes
    ----------
    correlated : float
        Variance of exponentially correlated noise.
    memory_s : float
        Its correlation time.
    walk_per_s : float
        Growth of a random walk's variance in one second.
    """

    correlated: float
    memory_s: float
    walk_per_s: float


def shapes() -> Iterator[Shape]:
    """Every shape of the grid, plain white noise first."""
    for walk in WALKS_PER_S:
        yield Shape(0.0, 1.0, walk)
    for correlated in CORRELATED:
        for memory_s in MEMORIES_S:
            for walk in WALKS_PER_S:
                yield Shape(correlated, memory_s, walk)


def covariance(shape: Shape, white: Floats, distance_s: Floats, since_s: Floats) -> Floats:
    """Covariance matrix (n, n) of block means.

    Parameters
    ----------
    white : array (n,)
        Relative white variance of each block, about 1.
    distance_s : array (n, n)
        Time between blocks.
    since_s : array (n, n)
        Time from the first block to the earlier one of each pair.
    """
    matrix = shape.walk_per_s * since_s
    if shape.correlated:
        matrix += shape.correlated * np.exp(distance_s / -shape.memory_s)
    matrix.flat[:: len(white) + 1] += white
    return np.asarray(matrix)


@dataclass(frozen=True)
class Alias:
    """A line in the spectrum of the quiet stretches.

    Attributes
    ----------
    frequency_Hz, amplitude : float
        Of the readings as sampled (a mains line above half the sampling rate shows up folded).
    significance : float
        Power over the median power nearby.
    """

    frequency_Hz: float
    amplitude: float
    significance: float


def alias_gain(frequency_Hz: float, step_s: float, count: Floats) -> Floats:
    """Factor by which the mean of `count` readings `step_s` apart reduces a line (Dirichlet kernel), of its phase at
    the middle."""
    half = np.pi * frequency_Hz * step_s
    bottom = np.sin(half)
    if abs(bottom) < 1e-9:
        return np.ones_like(count)
    return np.asarray(np.sin(count * half) / (count * bottom))


def _detrended(time_s: Floats, value: Floats) -> Floats:
    """Residuals about a parabola."""
    x = 2.0 * (time_s - time_s[0]) / (time_s[-1] - time_s[0]) - 1.0
    return np.asarray(value - np.polynomial.polynomial.polyval(x, np.polynomial.polynomial.polyfit(x, value, 2)))


def find_aliases(
    pieces: Sequence[tuple[Floats, Floats]], step_s: float, ratio: float, cycles: float, most: int = 2
) -> tuple[Alias, ...]:
    """Lines that stand out of the spectrum of the quiet pieces.

    Parameters
    ----------
    pieces : sequence of (time_s, value)
        Unbroken quiet readings.
    step_s : float
        Median step between readings.
    ratio : float
        A line stands out where its power exceeds the median power in its neighbourhood by this factor.
    cycles : float
        Fewest cycles within the longest piece.
    most : int
        Most lines handed back.

    Notes
    -----
    The spectrum is that of the longest piece, Hann-windowed, by index: uneven stamps smear a line and hide it, they do
    not invent one. Frequencies are refined on the three bins at the peak.
    """
    if not pieces or not np.isfinite(step_s) or step_s <= 0:
        return ()
    time_s, value = max(pieces, key=lambda piece: len(piece[0]))
    n = min(len(value), 1 << 16)
    if n < 32:
        return ()
    residual = _detrended(time_s[:n], value[:n])
    window = np.hanning(n)
    power = np.abs(np.fft.rfft(residual * window)) ** 2
    half = 6
    lines: list[Alias] = []
    first = max(int(np.ceil(cycles * 1.0)), 2)
    for index in np.argsort(power[first:-1])[::-1][: 3 * most] + first:
        low, high = max(1, index - 4 * half), min(len(power), index + 4 * half + 1)
        near = np.concatenate((power[low : max(low, index - 3)], power[index + 4 : high]))
        if len(near) < 6:
            continue
        over = float(power[index] / max(float(np.median(near)), 1e-300))
        left, peak, right = (float(p) for p in power[index - 1 : index + 2])
        if over < ratio or peak < left or peak < right:
            continue
        shift = _peak_shift(left, peak, right)
        amplitude = 2.0 * np.sqrt(peak) / float(np.sum(window)) * (1.0 + 0.4 * shift * shift)
        lines.append(Alias(float((index + shift) / (n * step_s)), float(amplitude), over))
    return tuple(lines[:most])


def _peak_shift(left: float, peak: float, right: float) -> float:
    """Offset of a Hann-windowed line from its highest bin, in bins, from the amplitude ratio of the neighbours."""
    if right >= left:
        alpha = np.sqrt(right / peak)
        return float(np.clip((2 * alpha - 1) / (alpha + 1), -0.5, 0.5))
    alpha = np.sqrt(left / peak)
    return float(np.clip(-(2 * alpha - 1) / (alpha + 1), -0.5, 0.5))

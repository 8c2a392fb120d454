"""Noise of the quiet stretches: a grid of covariance shapes, and mains aliases in the spectrum.

Owns which kinds of noise are thought possible: readings' own white noise, correlated noise of several memory times,
and a random walk; of a current that was integrated, a random walk and one whose rate walks itself. Weighing them
against the data is `drift`'s business.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from chargebench.processing.series import median

__all__ = [
    "MAINS_HZ",
    "Alias",
    "Grid",
    "Shape",
    "alias_gain",
    "covariance",
    "find_aliases",
    "folded_Hz",
    "grid_of",
    "hidden_part",
    "integrated_shapes",
    "shapes",
]

Floats = npt.NDArray[np.float64]

CORRELATED = (1.0, 10.0, 100.0, 1000.0)
MEMORIES_S = (0.2, 0.5, 1.2)
WALKS_PER_S = (1e-2, 3e-2, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0)
NO_WALK = 0.35
NO_MEMORY = 0.5
"""Prior probabilities that a random walk, or correlated noise, is absent."""


class Shape(NamedTuple):
    """A covariance up to its scale, relative to the white variance of a typical block.

    Attributes
    ----------
    correlated : float
        Variance of exponentially correlated noise.
    memory_s : float
        Its correlation time.
    walk_per_s : float
        Growth of a random walk's variance in one second.
    prior : float
        Prior probability.
    line : float
        Variance of a slow line, as mains folded by sampling makes it.
    line_Hz : float
        Its frequency.
    swing_per_s3 : float
        Growth of the variance of a walk's rate in one second: an integrated current that wanders.
    smooth : bool
        Whether the line's phase strays smoothly, as a room's does, and not as a walk.
    """

    correlated: float
    memory_s: float
    walk_per_s: float
    prior: float = 1.0
    line: float = 0.0
    line_Hz: float = 0.0
    swing_per_s3: float = 0.0
    smooth: bool = False


@cache
def shapes() -> tuple[Shape, ...]:
    """Every shape of the grid, plain white noise first; beside correlated noise every other walk does."""
    each = (1.0 - NO_MEMORY) / (len(CORRELATED) * len(MEMORIES_S))
    return (
        *_on_walks(0.0, 1.0, NO_MEMORY, WALKS_PER_S),
        *(shape for c in CORRELATED for m in MEMORIES_S for shape in _on_walks(c, m, each, WALKS_PER_S[1::2])),
    )


def _on_walks(correlated: float, memory_s: float, p: float, walks_per_s: Sequence[float]) -> Iterator[Shape]:
    """Shapes without a walk and with each of those given."""
    yield Shape(correlated, memory_s, 0.0, p * NO_WALK)
    for walk in walks_per_s:
        yield Shape(correlated, memory_s, walk, p * (1.0 - NO_WALK) / len(walks_per_s))


INTEGRATED_WALKS_PER_S = (3.0, 300.0)
SWINGS_PER_S2 = (1e-4, 1e-3, 1e-2, 0.1, 1.0, 10.0)
NO_SWING = 0.3
"""Prior probability that a current does not wander. How fast it does is relative to its white noise, which integrates
to a walk."""


@cache
def integrated_shapes() -> tuple[Shape, ...]:
    """Every shape of the noise of an integrated current."""
    swings = [(0.0, NO_SWING), *((r, (1.0 - NO_SWING) / len(SWINGS_PER_S2)) for r in SWINGS_PER_S2)]
    each = 1.0 / len(INTEGRATED_WALKS_PER_S)
    return tuple(
        Shape(0.0, 1.0, walk, each * p, swing_per_s3=walk * r) for walk in INTEGRATED_WALKS_PER_S for r, p in swings
    )


COHERENCE_S = 100.0
"""Time over which a line keeps its phase: that of mains walks, a room's strays smoothly."""


def covariance(shape: Shape, grid: Grid, out: Floats | None = None) -> Floats:
    """Covariance matrix (n, n) of block means, written into `out` where that is given."""
    if shape.line and not shape.correlated:
        matrix = np.multiply(shape.line, grid.waving(shape.line_Hz, shape.smooth), out)
    else:
        matrix = np.multiply(shape.correlated, grid.fading(shape.memory_s), out)
        if shape.line:
            matrix += shape.line * grid.waving(shape.line_Hz, shape.smooth)
    if shape.swing_per_s3:
        matrix += shape.swing_per_s3 * grid.swinging
    matrix += grid.walking(shape.walk_per_s)
    return np.asarray(matrix)


@dataclass(frozen=True, eq=False)
class Grid:
    """Where the blocks lie in time.

    Attributes
    ----------
    white : array (n,)
        Relative white variance of each block, about 1.
    distance_s, since_s : array (n, n)
        Time between blocks; time from the first block to the earlier one of each pair.
    width_s : array (n,)
        Width of each block, readings times step.
    loss_s : array (n,)
        What averaging takes from the variance of a random walk of unit growth.
    """

    white: Floats
    distance_s: Floats
    since_s: Floats
    width_s: Floats
    loss_s: Floats
    _fading: dict[float, Floats] = field(default_factory=dict, repr=False)
    _waving: dict[tuple[float, bool], Floats] = field(default_factory=dict, repr=False)
    _walking: dict[float, Floats] = field(default_factory=dict, repr=False)

    def walking(self, walk_per_s: float) -> Floats:
        """Covariance of white noise on a random walk; made once.

        Averaging inside a block leaves the walk as it is between blocks and takes width/6 from the variance of each.
        """
        if walk_per_s not in self._walking:
            matrix = walk_per_s * self.since_s
            matrix.flat[:: len(self.white) + 1] += self.white - walk_per_s * self.loss_s
            self._walking[walk_per_s] = matrix
        return self._walking[walk_per_s]

    def fading(self, memory_s: float) -> Floats:
        """Covariance of block means of exponentially correlated noise of unit variance; made once.

        exp(-d/m) averaged over both blocks; written with the gap between their edges, which keeps it finite however
        long a block is against the memory.
        """
        if memory_s not in self._fading:
            x = np.maximum(self.width_s / memory_s, 1e-6)
            kept = -np.expm1(-x) / x
            matrix = np.exp(self._gap_s / -memory_s) * kept[:, None] * kept
            matrix.flat[:: len(x) + 1] = np.where(x < 1e-3, 1.0 - x / 3.0, 2.0 * (x + np.expm1(-x)) / x**2)
            self._fading[memory_s] = matrix
        return self._fading[memory_s]

    def waving(self, line_Hz: float, smooth: bool) -> Floats:
        """Correlation of a line that keeps its phase for `COHERENCE_S`; made once."""
        key = line_Hz, smooth
        if key not in self._waving:
            angle = 2.0 * np.pi * line_Hz * self.distance_s[0]
            waves = np.stack((np.cos(angle), np.sin(angle)))
            self._waving[key] = (waves.T @ waves) * (self._coherence_smooth if smooth else self._coherence)
        return self._waving[key]

    @cached_property
    def swinging(self) -> Floats:
        """Covariance of a walk whose rate walks with unit growth: s³/3 + s²·d/2 for blocks at s and s + d."""
        return np.asarray(self.since_s**2 * (self.since_s / 3.0 + 0.5 * self.distance_s))

    @cached_property
    def _gap_s(self) -> Floats:
        return np.asarray(np.maximum(self.distance_s - 0.5 * (self.width_s[:, None] + self.width_s), 0.0))

    @cached_property
    def _coherence(self) -> Floats:
        return np.asarray(np.exp(self.distance_s / -COHERENCE_S))

    @cached_property
    def _coherence_smooth(self) -> Floats:
        return np.asarray(np.exp(-0.5 * (self.distance_s / COHERENCE_S) ** 2))


def grid_of(time_s: Floats, count: Floats, step_s: float) -> Grid:
    """The grid of blocks of `count` readings `step_s` apart, centred on `time_s`."""
    t = time_s - time_s[0]
    width_s = count * step_s
    return Grid(
        float(np.mean(count)) / count,
        np.abs(t[:, None] - t[None, :]),
        np.minimum(t[:, None], t[None, :]) + float(np.max(width_s)),
        width_s,
        width_s / 6.0 * (1.0 - 1.0 / count**2),
    )


MAINS_HZ: Final = (50.0, 60.0)


def folded_Hz(frequency_Hz: float, rate_Hz: float) -> float:
    """Frequency at which evenly spaced readings show an oscillation (aliasing, from 0 to half the rate)."""
    return abs(frequency_Hz - rate_Hz * round(frequency_Hz / rate_Hz))


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


def hidden_part(step: float, noise: float) -> float:
    """Part of what lies within a step of the display that readings of that noise do not bring to light, from 0 to 1.

    The first harmonic of rounding fades as exp(-2 π² (noise/step)²) (Widrow's dither). What is hidden of a level has
    the standard deviation step/√12 (JCGM 100:2008, F.2.2.1) times this.
    """
    return math.exp(-2.0 * (math.pi * min(noise / step, 10.0)) ** 2) if step > 0.0 else 0.0


def _detrended(time_s: Floats, value: Floats) -> Floats:
    """Residuals about a parabola."""
    x = (time_s - time_s[0]) * (2.0 / (time_s[-1] - time_s[0]))
    x -= 1.0
    x2 = x * x
    s1, s2, s3, s4 = float(np.sum(x)), float(x @ x), float(x2 @ x), float(x2 @ x2)
    normal = np.array([[float(len(x)), s1, s2], [s1, s2, s3], [s2, s3, s4]])
    a, b, c = np.linalg.solve(normal, np.array([float(np.sum(value)), float(x @ value), float(x2 @ value)])).tolist()
    x2 *= c
    x *= b
    x2 += x
    x2 += a
    return np.asarray(value - x2)


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
    n = min(len(value), 1 << 15)
    if n < 32:
        return ()
    spectrum = _hann(np.fft.rfft(_detrended(time_s[:n], value[:n])))
    power = spectrum.real**2 + spectrum.imag**2
    half = 6
    lines: list[Alias] = []
    first = max(int(np.ceil(cycles * 1.0)), 2)
    inner = power[first:-1]
    highest = np.argpartition(inner, -3 * most)[-3 * most :]
    for index in highest[np.argsort(inner[highest])][::-1] + first:
        low, high = max(1, index - 4 * half), min(len(power), index + 4 * half + 1)
        near = np.concatenate((power[low : max(low, index - 3)], power[index + 4 : high]))
        if len(near) < 6:
            continue
        over = float(power[index] / max(median(near), 1e-300))
        left, peak, right = (float(p) for p in power[index - 1 : index + 2])
        if over < ratio or peak < left or peak < right:
            continue
        shift = _peak_shift(left, peak, right)
        amplitude = 4.0 * np.sqrt(peak) / n * (1.0 + 0.4 * shift * shift)  # a Hann window sums to n/2
        lines.append(Alias(float((index + shift) / (n * step_s)), float(amplitude), over))
    return tuple(lines[:most])


def _hann(spectrum: npt.NDArray[np.complex128]) -> npt.NDArray[np.complex128]:
    """Spectrum of the same readings under a periodic Hann window: each bin less half of its neighbours' mean."""
    windowed = 0.5 * spectrum
    windowed[1:-1] -= 0.25 * (spectrum[:-2] + spectrum[2:])
    windowed[0] -= 0.5 * spectrum[1].real
    windowed[-1] -= 0.5 * spectrum[-2].real
    return windowed


def _peak_shift(left: float, peak: float, right: float) -> float:
    """Offset of a Hann-windowed line from its highest bin, in bins, from the amplitude ratio of the neighbours."""
    if right >= left:
        alpha = np.sqrt(right / peak)
        return float(np.clip((2 * alpha - 1) / (alpha + 1), -0.5, 0.5))
    alpha = np.sqrt(left / peak)
    return float(np.clip(-(2 * alpha - 1) / (alpha + 1), -0.5, 0.5))

"""The time integral of displayed charge, and block sums of it: all that later steps need of the raw samples.

Owns S(t) of the corrected charge Q(t) = q(t) - q(t0) + S(t)/tau - I_b (t - t0). Across a break nothing is interpolated:
the integral there is bounded by the readings on both sides, and the bound is handed on.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from chargebench.processing.series import Break, Series, smallest_step

__all__ = [
    "Blocks",
    "Bridge",
    "block_sums",
    "charge_integral",
    "integral_steps",
    "integrate_current",
    "merge",
    "without_resets",
]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Bridge:
    """What is not known of the integral across a break.

    Attributes
    ----------
    start_s, end_s : float
    kind : str
        As of `Break`.
    middle, half_width : float
        Centre and half width of the interval spanned by the readings on both sides, held for the whole break.
    """

    start_s: float
    end_s: float
    kind: str
    middle: float
    half_width: float


@dataclass(frozen=True, eq=False)
class Blocks:
    """Means over consecutive short blocks of readings; arrays (b,).

    Attributes
    ----------
    time_s, value, integral : array
        Mean time, mean reading and mean integral.
    spread : array
        Standard deviation of the readings inside the block (0 for single readings).
    low, high : array
        Smallest and largest reading.
    count : array
        Readings in the block.
    piece : array of int
        Number of the unbroken piece the block lies in.
    """

    time_s: Floats
    value: Floats
    integral: Floats
    spread: Floats
    low: Floats
    high: Floats
    count: Floats
    piece: npt.NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.time_s)

    @cached_property
    def display_step(self) -> float:
        """Smallest step between numbers displayed, of about a thousand extremes; 0 where the display never moved."""
        return self.step_within(slice(None))

    @cached_property
    def display_steps(self) -> Floats:
        """Smallest step of the display at each block (b,).

        One all along, but where the first and the last fifth of the run differ: an instrument that changed its range.
        It did so at the first, or after the last, number that the wider steps do not make.
        """
        fifth = max(len(self) // 5, 1)
        first = self.step_within(slice(None, fifth)) or self._unmoved(1)
        last = self.step_within(slice(-fifth, None)) or self._unmoved(-1)
        steps = np.full(len(self), self.display_step)
        wide, fine = max(first, last), min(first, last)
        if not fine > 0.0 or wide < RANGE * fine:
            return steps
        off = np.zeros(len(self), dtype=bool)
        for shown in (self.low, self.high):
            off |= np.abs(shown / wide - np.round(shown / wide)) > 1e-3
        odd = np.flatnonzero(off)
        if not len(odd):
            return steps
        steps[:] = wide
        if first < last:
            steps[: odd[-1] + 1] = fine
        else:
            steps[odd[0] :] = fine
        return steps

    def _unmoved(self, order: int) -> float:
        """Step of a display that stands still at the beginning (`order` 1) or at the end (-1); 0 where none is seen.

        The widest decade of the finest step that makes all of the first `NUMBERS` numbers which follow.
        """
        shown = np.column_stack((self.low, self.high))[::order].ravel()
        for decade in DECADES if self.display_step > 0.0 else ():
            multiple = shown / (decade * self.display_step)
            odd = np.flatnonzero(np.abs(multiple - np.round(multiple)) > 1e-3)
            if len(np.unique(np.round(multiple[: odd[0]] if len(odd) else multiple))) >= NUMBERS:
                return decade * self.display_step
        return 0.0

    def step_within(self, part: slice | npt.NDArray[np.bool_]) -> float:
        """Smallest step between numbers displayed in some blocks, of about a thousand extremes; 0 where none moved."""
        low, high = self.low[part], self.high[part]
        some = slice(None, None, max(1, len(low) // 500))
        shown = np.sort(np.concatenate((low[some], high[some])))
        return smallest_step(shown, 1e-9 * max(float(np.max(np.abs(shown), initial=0.0)), 1e-3))


RANGE = 4.0
"""Times wider that steps of the display are in another range."""
DECADES = (1000.0, 100.0, 10.0)
NUMBERS = 4
"""Times wider that steps are sought where the display stands still; numbers that must all be such steps."""


def integral_steps(series: Series) -> tuple[Floats, tuple[Bridge, ...]]:
    """Integral from each reading to the next (n,), 0 for the first, and what is not known of it across breaks.

    Trapezoids over real time stamps; the step across a break is the middle of what it is bounded by.
    """
    t, v = series.time_s, series.value
    bridges = tuple(_bridge(series, broken) for broken in series.breaks)
    all_steps = np.zeros(len(t))
    if len(t):
        steps = all_steps[1:]
        np.add(v[1:], v[:-1], out=steps)
        steps *= 0.5
        steps *= np.diff(t)
    for broken, bridge in zip(series.breaks, bridges, strict=True):
        all_steps[broken.index] = bridge.middle
    return all_steps, bridges


def _bridge(series: Series, broken: Break) -> Bridge:
    """What the readings on both sides of a break allow for the integral across it."""
    length = broken.end_s - broken.start_s
    left, right = float(series.value[broken.index - 1]), float(series.value[broken.index])
    middle, half_width = 0.5 * (left + right) * length, 0.5 * abs(right - left) * length
    return Bridge(broken.start_s, broken.end_s, broken.kind, middle, half_width)


def charge_integral(series: Series) -> tuple[Floats, tuple[Bridge, ...]]:
    """S(t) in nC s at each reading, from the first one, and what is not known of it across breaks."""
    steps, bridges = integral_steps(series)
    return np.cumsum(steps), bridges


def integrate_current(series: Series) -> tuple[Series, tuple[Bridge, ...]]:
    """A series of charge (nC) from one of current (nA), and what is not known of the charge across breaks.

    The charge starts at 0 and carries the breaks of the current.
    """
    total, bridges = charge_integral(series)
    return replace(series, value=total), bridges


def _no_blocks() -> Blocks:
    none = np.empty(0)
    return Blocks(none, none, none, none, none, none, none, np.empty(0, dtype=np.int64))


def without_resets(series: Series) -> Series:
    """The series with the step of each reset taken out, as if the charge had gone on from where it was.

    What came in between the last reading before a reset and the first one after it is lost.
    """
    if not series.resets:
        return series
    value = series.value.copy()
    for index in series.resets:
        value[index:] += value[index - 1] - value[index]
    return replace(series, value=value)


def block_sums(series: Series, steps: Floats | None, width_s: float, *, spread: bool = True) -> Blocks:
    """Means over blocks of `width_s` seconds that never span a break.

    Parameters
    ----------
    series : Series
    steps : array (n,) or None
        As from `integral_steps`; None for an integral that stays 0.
    width_s : float
        Wider than the step between readings.
    spread : bool
        False where spread and extremes are not wanted; they are then NaN.
    """
    t, v = series.time_s, series.value
    if not len(t):
        return _no_blocks()
    half_step_s = 0.5 * series.step_s if len(t) > 1 else 0.0  # no reading falls on an edge, however the stamps round
    edges = np.arange(0.0, t[-1] - t[0] + width_s, width_s) + (t[0] - half_step_s)
    cuts = np.array([b.index for b in series.breaks], dtype=np.int64)
    starts = np.sort(np.concatenate((np.searchsorted(t, edges), cuts, [0])))
    starts = starts[(starts < len(t)) & (np.diff(starts, prepend=-1) > 0)]
    count = np.diff(np.append(starts, len(t))).astype(np.float64)
    mean = np.add.reduceat(v, starts) / count
    middle = np.add.reduceat(t, starts) / count
    piece = np.searchsorted(cuts, starts, side="right")
    integral = np.zeros(len(starts)) if steps is None else _mean_integral(steps, starts, count)
    if not spread:
        unknown = np.full(len(starts), np.nan)
        return Blocks(middle, mean, integral, unknown, unknown, unknown, count, piece)
    centred = np.repeat(mean, count.astype(np.int64))
    np.subtract(v, centred, out=centred)
    np.multiply(centred, centred, out=centred)
    scatter = np.sqrt(np.add.reduceat(centred, starts) / np.maximum(count - 1, 1))
    return Blocks(
        middle,
        mean,
        integral,
        scatter,
        np.minimum.reduceat(v, starts),
        np.maximum.reduceat(v, starts),
        count,
        piece,
    )


def _mean_integral(steps: Floats, starts: npt.NDArray[np.int64], count: Floats) -> Floats:
    """Mean running integral of each block from the steps between readings.

    A step counts in all readings of its block from its own on: in as many as are left.
    """
    left = np.repeat(starts + count, count.astype(np.int64))
    left -= np.arange(len(steps), dtype=np.float64)
    left *= steps
    before = np.concatenate(([0.0], np.cumsum(np.add.reduceat(steps, starts))[:-1]))
    return np.asarray(before + np.add.reduceat(left, starts) / count)


def merge(blocks: Blocks, choose: npt.NDArray[np.bool_], width_s: float) -> Blocks:
    """Coarser blocks of `width_s` from the chosen ones, never spanning a piece or a stretch left out."""
    index = np.flatnonzero(choose)
    if not len(index):
        return _no_blocks()
    t, n = blocks.time_s[index], blocks.count[index]
    new = np.ones(len(index), dtype=bool)
    new[1:] = (np.diff(index) > 1) | (np.diff(blocks.piece[index]) != 0)
    run_start = t[np.maximum.accumulate(np.where(new, np.arange(len(index)), 0))]
    cell = np.floor((t - run_start) / width_s + 1e-6)
    new[1:] |= np.diff(cell) != 0
    starts = np.flatnonzero(new)
    total = np.add.reduceat(n, starts)

    def mean(values: Floats) -> Floats:
        return np.asarray(np.add.reduceat(values[index] * n, starts) / total)

    return Blocks(
        mean(blocks.time_s),
        mean(blocks.value),
        mean(blocks.integral),
        np.sqrt(mean(blocks.spread**2)),
        np.minimum.reduceat(blocks.low[index], starts),
        np.maximum.reduceat(blocks.high[index], starts),
        total,
        blocks.piece[index][starts],
    )

"""Readings of one channel made fit for arithmetic: in order of time, invalid ones left out, breaks marked.

Owns what counts as a usable reading and where a trace must not be taken as continuous. It never fills, moves or
smooths a value.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt

__all__ = ["Break", "Series", "clean", "empty", "median", "smallest_step"]

Floats = npt.NDArray[np.float64]

OVER: Final = 1
RESET: Final = 2
ZERO: Final = 4
UNSETTLED: Final = 8
NOT_A_NUMBER: Final = 32
RESTARTED: Final = 64
LATE: Final = 128
BEYOND_BELIEF: Final = 1e12
"""Times (s) and values (nC, nA, g) at or above this are no measurements, whatever they are."""
REFUSED: Final = OVER | ZERO | NOT_A_NUMBER | LATE


@dataclass(frozen=True)
class Break:
    """A place where a trace is not continuous.

    Attributes
    ----------
    index : int
        First usable reading after it.
    kind : str
        ``over`` (range exceeded), ``reset`` (input shorted or reset) or ``gap`` (not heard for long).
    start_s, end_s : float
        Times of the last usable reading before and of the first one after.
    """

    index: int
    kind: str
    start_s: float
    end_s: float


@dataclass(frozen=True, eq=False)
class Series:
    """Usable readings of one channel, times strictly increasing.

    Attributes
    ----------
    time_s, value : float64 array (n,)
    breaks : tuple of Break
        In order of time.
    step_s : float
        Median time between readings (NaN with fewer than two).
    lost, repeated, backwards, refused, unsettled : int
        Lines missing by the sequence counter, lines sent twice, stamps that ran backwards in order of arrival, readings
        refused for their status or for not being a number, readings the instrument called unsettled.
    jumps : tuple of float
        Times of forward jumps of the clock during which no line was lost.
    over_s : tuple of float
        First and last time at which the instrument said over range; empty where it never did.
    losses_s : array (k, 2)
        Times of the lines before and after each place where lines are missing by the counter.
    restarts_s : tuple of float
        Times of the first readings, usable or not, since the instrument started anew, where usable ones come before.
    """

    time_s: Floats
    value: Floats
    breaks: tuple[Break, ...] = ()
    step_s: float = float("nan")
    lost: int = 0
    repeated: int = 0
    backwards: int = 0
    refused: int = 0
    unsettled: int = 0
    jumps: tuple[float, ...] = ()
    over_s: tuple[float, ...] = ()
    losses_s: Floats = field(default_factory=lambda: np.empty((0, 2)))
    restarts_s: tuple[float, ...] = ()

    def __len__(self) -> int:
        return len(self.time_s)

    @property
    def resets(self) -> tuple[int, ...]:
        """Indices of the first readings after resets."""
        return tuple(b.index for b in self.breaks if b.kind == "reset")

    def within(self, start_s: float, end_s: float) -> slice:
        """Indices of the readings with ``start_s <= time_s <= end_s``."""
        first = int(np.searchsorted(self.time_s, start_s, side="left"))
        return slice(first, max(first, int(np.searchsorted(self.time_s, end_s, side="right"))))


def median(values: Floats) -> float:
    """Median of numbers (n,) none of which is NaN; `numpy.median` takes several times as long over short arrays.

    Raises
    ------
    ValueError
        Without a number.
    """
    if not len(values):
        raise ValueError("no number to take the median of")
    ordered = np.sort(values)
    return 0.5 * float(ordered[(len(values) - 1) // 2] + ordered[len(values) // 2])


def smallest_step(value: Floats, rounding: float = 1e-9) -> float:
    """Smallest change from one number to the next, 0 where they never change by more than `rounding`."""
    steps = np.abs(np.diff(value))
    steps = steps[steps > rounding]
    return float(np.min(steps)) if len(steps) else 0.0


def empty() -> Series:
    """A series without a reading."""
    return Series(np.empty(0), np.empty(0))


def _counter_steps(sequence: npt.NDArray[np.int64]) -> npt.NDArray[np.uint16]:
    """Steps of a 16-bit counter from line to line; empty where lines carry none."""
    if len(sequence) < 2 or int(sequence.min()) < 0:
        return np.empty(0, dtype=np.uint16)
    counted = sequence.astype(np.uint16)
    return counted[1:] - counted[:-1]  # wraps around as the counter does


def _breaks(time_s: Floats, status_before: npt.NDArray[np.int64], wide: npt.NDArray[np.int64]) -> tuple[Break, ...]:
    """Breaks of kept readings; `status_before` holds the bits met since the previous kept reading, itself included."""
    told = np.flatnonzero(status_before)
    found = []
    for index in sorted({*(wide + 1).tolist(), *told.tolist()} - {0}):
        bits = int(status_before[index]) if len(status_before) else 0
        kind = "reset" if bits & (RESET | ZERO) else "over" if bits & OVER else "gap"
        found.append(Break(index, kind, float(time_s[index - 1]), float(time_s[index])))
    return tuple(found)


def _met_since(keep: npt.NDArray[np.bool_], status: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Bits that break continuity met between each kept reading and the one before it; empty where there are none."""
    bits = status & (OVER | RESET | ZERO | LATE)
    if not bits.any():
        return np.empty(0, dtype=np.int64)
    kept = np.flatnonzero(keep)
    if not len(kept):
        return np.empty(0, dtype=np.int64)
    bits = np.where(keep, bits & RESET, bits)
    starts = np.concatenate(([0], kept[:-1] + 1))
    return np.asarray(np.bitwise_or.reduceat(bits, starts))


def clean(
    time_s: Floats,
    value: Floats,
    status: npt.NDArray[np.int64],
    sequence: npt.NDArray[np.int64],
    gap_steps: float = 5.0,
    gap_s: float = 0.5,
) -> Series:
    """Usable readings in order of time.

    Parameters
    ----------
    time_s, value, status, sequence : arrays (n,)
        As in `chargebench.runs.run.Trace`.
    gap_steps, gap_s : float
        A pause is a gap where it exceeds both `gap_steps` median steps and `gap_s` seconds.

    Notes
    -----
    A line that carries the counter of the line before it is a repeat and left out; so is a second reading at the very
    same time. Order of arrival does not matter beyond that: stamps decide.
    """
    steps = _counter_steps(sequence)
    uneven = np.flatnonzero(steps != 1)
    holes = uneven[(steps[uneven] > 1) & (steps[uneven] < 32768)]
    lost = int(np.sum(steps[holes] - 1))
    losses_s = np.stack((time_s[holes], time_s[holes + 1]), axis=1)
    losses_s = losses_s[np.all(np.abs(losses_s) < BEYOND_BELIEF, axis=1)]
    repeated = int(np.count_nonzero(steps[uneven] == 0))
    with np.errstate(invalid="ignore", over="ignore"):  # times may be anything yet
        gaps_s = np.diff(time_s)
    backwards = unsettled = bad = 0
    over: Floats = np.empty(0)
    restarts_s: Floats = np.empty(0)
    met: npt.NDArray[np.int64] = np.empty(0, dtype=np.int64)
    if not (_plain(time_s, value, gaps_s) and not repeated and not status.any()):
        fresh = np.ones(len(time_s), dtype=bool)
        if repeated:
            fresh[1:] = steps != 0
        usable = np.abs(time_s) < BEYOND_BELIEF
        if not bool(np.all(gaps_s > 0)):
            backwards = int(np.count_nonzero(time_s[1:][usable[1:]] < time_s[:-1][usable[1:]]))
            order = np.argsort(time_s, kind="stable")
            time_s, value, status = time_s[order], value[order], status[order]
            fresh, usable = fresh[order], usable[order]
            fresh[1:] &= time_s[1:] > time_s[:-1]
        good = usable & ((status & REFUSED) == 0) & (np.abs(value) < BEYOND_BELIEF)
        over = time_s[usable & ((status & OVER) != 0)]
        restarts_s = time_s[usable & ((status & RESTARTED) != 0)]
        unsettled, bad = int(np.count_nonzero(status & UNSETTLED)), int(np.count_nonzero(~good))
        keep = good & fresh
        met = _met_since(keep, np.where(fresh, status, 0))
        if not keep.all():
            time_s, value = time_s[keep], value[keep]
        gaps_s = np.diff(time_s)
    step_s = _usual_step(time_s)
    limit_s = max(gap_steps * step_s, gap_s) if len(time_s) > 1 else gap_s
    wide = np.flatnonzero(gaps_s > limit_s)
    return Series(
        time_s, value, _breaks(time_s, met, wide), step_s, lost, repeated, backwards, bad, unsettled,
        _jumps(time_s, wide, steps), (float(over[0]), float(over[-1])) if len(over) else (), losses_s,
        tuple(restarts_s[restarts_s > time_s[0]].tolist()) if len(time_s) else (),
    )  # fmt: skip


def _plain(time_s: Floats, value: Floats, gaps_s: Floats) -> bool:
    """Whether times rise strictly and every time and value is a believable number."""
    if not len(gaps_s) or not float(gaps_s.min()) > 0.0:
        return False
    ends = (time_s[0], time_s[-1], value.min(), value.max())
    return all(abs(float(x)) < BEYOND_BELIEF for x in ends)  # NaN is below nothing


def _usual_step(time_s: Floats, most: int = 801) -> float:
    """Median time between readings, of at most about `most` pairs spread over the whole; NaN with fewer than two."""
    if len(time_s) < 2:
        return float("nan")
    pick = np.arange(0, len(time_s) - 1, max(1, (len(time_s) - 1) // most))
    return median(time_s[pick + 1] - time_s[pick])


def _jumps(time_s: Floats, wide: npt.NDArray[np.int64], steps: npt.NDArray[np.uint16]) -> tuple[float, ...]:
    """Times before forward jumps across which the line counter went on by one (all lines kept, none out of order)."""
    if len(steps) != len(time_s) - 1:
        return ()
    return tuple(time_s[wide[steps[wide] == 1]].tolist())

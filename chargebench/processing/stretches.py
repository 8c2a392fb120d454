"""Where the grind was, and the quiet stretches before and after it, from charge and mass.

Owns the choice; knows nothing of fits. Marks made while recording are used only where the traces do not tell.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from chargebench.processing.integral import Blocks
from chargebench.processing.series import median

__all__ = ["NONE", "PAD_S", "Burst", "Stretches", "bursts", "choose", "mass_rise"]

Floats = npt.NDArray[np.float64]

ROUNDING_S: Final = 1e-6
"""Times nearer to each other than this are the same."""
PAD_S: Final = 0.5
"""Left out on both sides of a disturbance."""


@dataclass(frozen=True)
class Burst:
    """A stretch in which the charge moved faster than quiet readings do.

    ``net`` is the change of level across it, ``transient`` says that the level came back.
    """

    start_s: float
    end_s: float
    net: float
    transient: bool


@dataclass(frozen=True)
class Stretches:
    """The parts of a run.

    Attributes
    ----------
    before_s, after_s, grind_s : (float, float)
        Start and end; a stretch that could not be found has no length.
    left_out : tuple of (float, float, str)
        Parts of the quiet stretches left out, and why.
    how : str
        What the choice rests on: ``charge and mass``, ``charge``, ``mass``, ``marks``, ``assumed``.
    bursts : tuple of Burst
    """

    before_s: tuple[float, float]
    after_s: tuple[float, float]
    grind_s: tuple[float, float]
    left_out: tuple[tuple[float, float, str], ...] = ()
    how: str = "charge"
    bursts: tuple[Burst, ...] = field(default=())

    def without(self, parts: tuple[tuple[float, float, str], ...]) -> Stretches:
        """The same with further parts left out."""
        return replace(self, left_out=(*self.left_out, *parts))

    def quiet(self, time_s: Floats) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
        """Which times lie in the quiet stretches before and after, parts left out excepted."""
        keep = np.ones(len(time_s), dtype=bool)
        for start_s, end_s, _ in self.left_out:
            keep &= (time_s < start_s) | (time_s > end_s)
        before = (time_s >= self.before_s[0] - ROUNDING_S) & (time_s <= self.before_s[1] + ROUNDING_S) & keep
        after = (time_s >= self.after_s[0] - ROUNDING_S) & (time_s <= self.after_s[1] + ROUNDING_S) & keep
        return before, after


NONE: Final = Stretches((0.0, 0.0), (0.0, 0.0), (0.0, 0.0), how="none")
"""No stretch at all."""


def _spread(values: Floats) -> tuple[float, float]:
    """Median and robust standard deviation."""
    if not len(values):
        return 0.0, 0.0
    middle = median(values)
    return middle, 1.4826 * median(np.abs(values - middle))


def bursts(blocks: Blocks, threshold: float, join_s: float, floor: float | Floats) -> tuple[tuple[Burst, ...], float]:
    """Bursts of the charge, and the robust spread of quiet increments.

    Parameters
    ----------
    blocks : Blocks
        Of a fraction of a second. Their integral says what was displayed, where that is not the value.
    threshold : float
        In robust standard deviations of quiet increments.
    join_s : float
        Bursts closer than this are one.
    floor : float or array (n,)
        Smallest spread believed, of all blocks or of each.

    Notes
    -----
    Quiet increments are judged from both ends of the run, each with its own drift; a grind drifts like neither. Where
    both ends, and what comes right before a reset, obey one law of leakage, what follows it is quiet: a cup that leaks
    fast slows down as it empties.
    Drift goes with time, not with blocks, and a block of fewer readings scatters more: the last is often a short one.
    """
    t, q = blocks.time_s, blocks.value
    least = np.broadcast_to(np.asarray(floor, dtype=np.float64), len(t))
    if len(t) < 8:
        return (), float(np.max(least, initial=0.0))
    d, step_s = np.diff(q), np.diff(t)
    width_s = median(step_s)
    same = np.diff(blocks.piece) == 0
    middle = 0.5 * (t[1:] + t[:-1])
    edge = min(8.0, 0.3 * float(t[-1] - t[0]))
    rate, ends = d / step_s, [z & same for z in (middle < t[0] + edge, middle > t[-1] - edge)]
    rests = [_spread(rate[z]) for z in ends]
    drifts = [np.full(len(d), rest) for rest, _ in rests]
    held, full = 0.5 * (q[1:] + q[:-1]), []
    if blocks.integral.any():
        held = np.diff(blocks.integral) / step_s
        full = [(middle < cut_s) & (middle > cut_s - 0.5 * edge) & same for cut_s in t[1:][~same].tolist()]
    law = _leaking(rate, held, [*ends, *full])
    if law is None and full:
        law = _leaking(rate, held, ends)
    if law is not None:
        rests, drifts = [_spread((rate - law)[z]) for z in ends], [law]
        q = q - np.concatenate(([0.0], np.cumsum(law * step_s)))
    noise = max(width_s * min(r[1] for r in rests), 0.5 * width_s * max(r[1] for r in rests))
    each = np.maximum(noise, np.maximum(least[1:], least[:-1]))
    away = np.min([np.abs(d - step_s * drift) for drift in drifts], axis=0)
    active = np.flatnonzero((away > threshold * each * _fewer(blocks.count)) & same)
    found = []
    for group in np.split(active, np.flatnonzero(np.diff(t[active]) > join_s) + 1) if len(active) else []:
        first, last = int(group[0]), int(group[-1]) + 1
        left = median(q[max(0, first - 2) : first + 1])
        right = median(q[last : last + 3])
        span = float(t[last] - t[first])
        net = right - left
        sd = float(np.max(each[first:last]))
        peak = float(np.max(np.abs(q[first : last + 1] - left)))
        transient = span < 3.0 and abs(net) < max(threshold * sd, 0.15 * peak)
        found.append(Burst(float(t[first]), float(t[last]), net, transient))
    return tuple(found), float(np.min(each))


def _fewer(count: Floats) -> Floats:
    """How much more than usual each increment between blocks scatters for having fewer readings; at least 1."""
    each = 1.0 / count
    return np.asarray(np.sqrt(np.maximum(0.5 * median(count) * (each[1:] + each[:-1]), 1.0)))


def _leaking(rate: Floats, held: Floats, ends: Sequence[npt.NDArray[np.bool_]]) -> Floats | None:
    """What leakage and bias alone make of each rate of change; None where the ends of a run do not show it.

    The law rate = I - k·held is laid through the medians of the halves of the ends. It counts where k is known to a
    tenth and the ends scatter about it as they do about themselves.
    """
    halves = [half for end in ends for half in np.array_split(np.flatnonzero(end), 2) if len(half)]
    if len(halves) < 4:
        return None
    points = np.array([(median(held[half]), median(rate[half])) for half in halves])
    away = points - points.mean(axis=0)
    spread = float(away[:, 0] @ away[:, 0])
    plain = [_spread(rate[end])[1] for end in ends]
    u_median = 1.25 * max(plain) / np.sqrt(min(len(half) for half in halves))
    if spread <= 0.0 or (k := -float(away[:, 0] @ away[:, 1]) / spread) < 10.0 * u_median / np.sqrt(spread):
        return None
    law = np.asarray(points[:, 1].mean() - k * (held - points[:, 0].mean()))
    about = [_spread((rate - law)[end]) for end in ends]
    if not all(abs(rest) < 1.5 * sd <= 2.25 * usual for (rest, sd), usual in zip(about, plain, strict=True)):
        return None
    return law


def mass_rise(time_s: Floats, mass: Floats, noise_g: float, smallest_g: float) -> tuple[float, float] | None:
    """Times between which the mass went from its first level to its last; None where it did not rise.

    Parameters
    ----------
    time_s, mass : array (n,)
    noise_g : float
        Standard deviation of a settled reading.
    smallest_g : float
        Smallest rise believed.
    """
    if len(mass) < 8:
        return None
    k = max(3, len(mass) // 20)
    first, last = median(mass[:k]), median(mass[-k:])
    rise = last - first
    if rise < max(smallest_g, 8.0 * noise_g):
        return None
    margin = max(5.0 * noise_g, 0.01 * rise)
    half = int(np.argmax(mass > first + 0.5 * rise))
    started = half - int(np.argmax(mass[half::-1] <= first + margin))
    ended = len(mass) - 1 - int(np.argmax((mass < last - margin)[::-1]))
    ended = min(max(ended + 1, half), len(mass) - 1)
    onset = _extended(time_s, mass, half, started, first)
    return onset, max(_extended(time_s, mass, half, ended, last), onset)


def _extended(time_s: Floats, mass: Floats, half: int, edge: int, level: float) -> float:
    """Time at which the straight line from halfway up through an edge of the rise meets a level, inside the trace."""
    t, m = float(time_s[edge]), float(mass[edge])
    rate = (float(mass[half]) - m) / (float(time_s[half]) - t) if half != edge else 0.0
    if rate <= 0.0:
        return t
    reach = (level - m) / rate
    return float(np.clip(t + np.clip(reach, -3.0, 3.0), time_s[0], time_s[-1]))


def _marked(marks: Mapping[str, float]) -> tuple[float, float] | None:
    """Grind by the recorder's own states."""
    if "grinding" not in marks:
        return None
    end = marks.get("settling", marks.get("done"))
    return None if end is None or end <= marks["grinding"] else (marks["grinding"], end)


def choose(
    blocks: Blocks,
    rise: tuple[float, float] | None,
    marks: Mapping[str, float],
    *,
    threshold: float = 6.0,
    join_s: float = 3.0,
    guard_s: float = 0.4,
    lag_s: float = 2.0,
    floor: float | Floats = 1e-6,
    least_s: float = 3.0,
    expects_mass: bool = True,
) -> Stretches:
    """Quiet stretches and grind.

    Parameters
    ----------
    blocks : Blocks
        Of the charge, about half a second wide.
    rise : (float, float) or None
        From `mass_rise`.
    marks : mapping of str to float
        Times of the recorder's states, by name.
    threshold, join_s, floor
        As of `bursts`.
    guard_s : float
        Left free on both sides of the grind.
    lag_s : float
        The mass may show the grind this much late.
    least_s : float
        Shortest stretch worth having beyond a disturbance.
    expects_mass : bool
        False for a run that collects none: then marks rule where the charge is silent.
    """
    if not len(blocks):
        return NONE
    half = 0.5 * median(np.diff(blocks.time_s)) if len(blocks) > 1 else 0.0
    first, last = float(blocks.time_s[0]) - half, float(blocks.time_s[-1]) + half
    found, _ = bursts(blocks, threshold, join_s, floor)
    marked = _marked(marks)
    core, how = _core(found, rise, marked, lag_s, (first, last))
    start, end = core[0] - guard_s, core[1] + guard_s
    left_out, begin, finish = _disturbances(found, (start, end), (first, last), least_s)
    return Stretches((begin, max(begin, start)), (min(finish, end), finish), core, left_out, how, found)


def _core(
    found: Sequence[Burst],
    rise: tuple[float, float] | None,
    marked: tuple[float, float] | None,
    lag_s: float,
    ends: tuple[float, float],
) -> tuple[tuple[float, float], str]:
    """Span of the grind and what it rests on."""
    lasting = [b for b in found if not b.transient]
    if rise is not None:
        window = (rise[0] - lag_s, rise[1] + lag_s)
        ours = [b for b in lasting if b.start_s <= window[1] and b.end_s >= window[0]]
        if ours:
            start, end = min(b.start_s for b in ours), max(b.end_s for b in ours)
            return (min(start, rise[0]), max(end, rise[1])), "charge and mass"
        return (max(rise[0] - 0.5, ends[0]), rise[1]), "mass"
    if lasting:
        return (lasting[0].start_s, lasting[-1].end_s), "charge"
    if marked is not None:
        return marked, "marks"
    span = ends[1] - ends[0]
    return (ends[0] + min(10.0, 0.35 * span), ends[1] - min(12.0, 0.4 * span)), "assumed"


def _disturbances(
    found: Sequence[Burst], grind: tuple[float, float], ends: tuple[float, float], least_s: float
) -> tuple[tuple[tuple[float, float, str], ...], float, float]:
    """Parts to leave out, and the outer ends of the two stretches after steps that do not belong to the grind."""
    begin, finish = ends
    left_out = []
    for burst in found:
        if burst.end_s >= grind[0] and burst.start_s <= grind[1]:
            continue
        pad = (burst.start_s - PAD_S, burst.end_s + PAD_S)
        left_out.append((*pad, "transient" if burst.transient else "step"))
        if burst.transient:
            continue
        if burst.end_s < grind[0] and grind[0] - pad[1] >= least_s:
            begin = max(begin, pad[1])
        elif burst.start_s > grind[1] and pad[0] - grind[1] >= least_s:
            finish = min(finish, pad[0])
    return tuple(left_out), begin, finish

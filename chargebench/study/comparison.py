"""Compares two arms: within blocks where there are three and more, by Welch's test where there are not.

Owns the difference of two arms with its interval, p values and test of equivalence, and how several are told at once.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from chargebench.plain import absent, finite
from chargebench.processing.ratio import effective_dof
from chargebench.study.arms import Arm
from chargebench.study.intervals import half_width, holm, p_beyond, simultaneous_alpha, smallest_of
from chargebench.study.rows import Floats
from chargebench.study.scatter import LEAST_BLOCKS, block_means

__all__ = [
    "BlockAdjusted",
    "Contrast",
    "Difference",
    "DifferenceTested",
    "DifferenceUntested",
    "Inside",
    "compare",
    "contrast",
    "dunnett_p",
    "holm",
    "together",
]

Parts = tuple[tuple[float, float], ...]
Ends = tuple[float, float]
"""Of an interval."""


@dataclass(frozen=True)
class Inside:
    """Whether the 90 % interval of a difference lies inside ±band: the two one-sided tests at 5 %."""

    band_nC_per_g: float
    interval90_nC_per_g: Ends
    equivalent: bool


@dataclass(frozen=True)
class BlockAdjusted:
    """A difference taken within blocks."""

    blocks: int
    difference_nC_per_g: float
    ci95_nC_per_g: Ends
    p: float


@dataclass(frozen=True)
class DifferenceTested:
    """The difference ``first - second`` of two arms, put to tests.

    Attributes
    ----------
    difference_nC_per_g : float
    n : (int, int)
        Runs of either.
    basis : str
        Within how many blocks, or that runs were taken as independent; so are the following but for ``p_welch``.
    u_nC_per_g, dof, t, ci95_nC_per_g, p
    p_welch : float or None
        As if runs were independent; None where that cannot be had.
    p_permutation : float
        By exchanges, within blocks where there are such.
    block_adjusted : BlockAdjusted or None
    equivalence : Inside or None
        None without a band.
    p_holm, p_adjusted, simultaneous_ci95_nC_per_g
        Such that all differences of a list hold together; None where it stands alone.
    p_dunnett : float or None
        None where it was not asked for.
    """

    difference_nC_per_g: float
    n: tuple[int, int]
    basis: str
    u_nC_per_g: float
    dof: float | None
    t: float
    ci95_nC_per_g: Ends
    p: float
    p_welch: float | None
    p_permutation: float
    block_adjusted: BlockAdjusted | None
    equivalence: Inside | None
    p_holm: float | None = absent()
    p_adjusted: float | None = absent()
    simultaneous_ci95_nC_per_g: Ends | None = absent()
    p_dunnett: float | None = absent()


@dataclass(frozen=True)
class DifferenceUntested:
    """The difference of two arms that are too few, or too much alike, to be put to a test."""

    difference_nC_per_g: float
    n: tuple[int, int]
    p_dunnett: float | None = absent()


Difference = DifferenceTested | DifferenceUntested


@dataclass(frozen=True, eq=False)
class Contrast:
    """A difference of two arms.

    Attributes
    ----------
    first, second : Arm
    absolute : bool
        Whether of absolute values.
    difference_nC_per_g : float
        Within blocks where there are such.
    own : (u, degrees of freedom)
        From the scatter of the runs.
    shared : tuple of (u, degrees of freedom)
        Of causes common to all runs of an arm; what moves both alike has cancelled.
    blocks : int
        Number of blocks that hold both arms, or 0 where the difference is not taken within blocks.
    """

    first: Arm
    second: Arm
    absolute: bool
    difference_nC_per_g: float
    own: tuple[float, float]
    shared: Parts
    blocks: int

    @property
    def parts(self) -> Parts:
        """All independent parts of its uncertainty."""
        return (self.own, *self.shared)

    @property
    def u(self) -> float:
        """Standard uncertainty, nC/g."""
        return math.hypot(*(u for u, _ in self.parts))

    @cached_property
    def p(self) -> float:
        """Two-sided p of no difference."""
        return p_beyond(self.difference_nC_per_g, self.parts)

    def interval(self, alpha: float = 0.05) -> Ends:
        """1 - `alpha` interval, nC/g."""
        half = half_width(self.parts, alpha)
        return self.difference_nC_per_g - half, self.difference_nC_per_g + half

    def share_of(self, common: Arm) -> float:
        """Share of the variance that comes from one of the two arms."""
        u2 = {id(arm): arm.mean(self.absolute).u ** 2 for arm in (self.first, self.second)}
        total = sum(u2.values())
        return u2[id(common)] / total if total > 0 else 0.5


def _values(arm: Arm, absolute: bool) -> Floats:
    found: Floats = np.abs(arm.q_nC_per_g) if absolute else arm.q_nC_per_g
    return found


def _shared(first: Arm, second: Arm, absolute: bool) -> Parts:
    """Uncertainty of a difference from shared causes: what moves both alike cancels."""
    sign_a, sign_b = (np.sign(arm.q_nC_per_g.mean()) if absolute else 1.0 for arm in (first, second))
    found = []
    for cause in sorted({*first.shared_u_nC_per_g, *second.shared_u_nC_per_g}):
        a, b = (arm.shared_u_nC_per_g.get(cause, 0.0) for arm in (first, second))
        dof = min(arm.shared_dof.get(cause, math.inf) for arm in (first, second))
        if (u := abs(float(sign_a * a - sign_b * b))) > 0.0:
            found.append((u, dof))
    return tuple(found)


def gaps(first: Arm, second: Arm, absolute: bool) -> Floats | None:
    """Differences of the arms' means in each block that holds both; None with fewer than three, or all the same."""
    a, b = (block_means(_values(arm, absolute), arm.block) for arm in (first, second))
    both = [block for block in a if block in b]
    found = np.array([a[block] - b[block] for block in both])
    return found if len(both) >= LEAST_BLOCKS and found.std() > 0 else None


def _welch(first: Arm, second: Arm, absolute: bool) -> Contrast | None:
    a, b = (_values(arm, absolute) for arm in (first, second))
    if min(len(a), len(b)) < 2 or max(a.std(), b.std()) == 0:
        return None
    parts = [(float(x.var(ddof=1)) / len(x), len(x) - 1) for x in (a, b)]  # by hand: scipy warns where one arm is even
    own = math.sqrt(sum(part for part, _ in parts))
    dof = own**4 / sum(part**2 / free for part, free in parts)
    shared = _shared(first, second, absolute)
    return Contrast(first, second, absolute, float(a.mean() - b.mean()), (own, dof), shared, 0)


def _in_blocks(first: Arm, second: Arm, absolute: bool) -> Contrast | None:
    gap = gaps(first, second, absolute)
    if gap is None:
        return None
    n = len(gap)
    own = (float(gap.std(ddof=1)) / math.sqrt(n), n - 1.0)
    return Contrast(first, second, absolute, float(gap.mean()), own, _shared(first, second, absolute), n)


def contrast(first: Arm, second: Arm, absolute: bool) -> Contrast | None:
    """The difference ``first - second`` as it is told: within blocks, else Welch's; None where neither can be had."""
    return _in_blocks(first, second, absolute) or _welch(first, second, absolute)


def compare(first: Arm, second: Arm, band_nC_per_g: float | None, absolute: bool, seed: int) -> Difference:
    """Difference ``first - second``.

    Needs two runs in each arm, or three blocks that hold both, to be tested.
    """
    a, b = (_values(arm, absolute) for arm in (first, second))
    n = (len(a), len(b))
    told, welch = contrast(first, second, absolute), _welch(first, second, absolute)
    if told is None:
        return DifferenceUntested(float(a.mean() - b.mean()), n)
    d, ci95 = told.difference_nC_per_g, told.interval()
    return DifferenceTested(
        difference_nC_per_g=d,
        n=n,
        basis=f"within {told.blocks} blocks" if told.blocks else "runs taken as independent (Welch)",
        u_nC_per_g=told.u,
        dof=finite(effective_dof(told.parts)),
        t=d / told.u,
        ci95_nC_per_g=ci95,
        p=told.p,
        p_welch=None if welch is None else welch.p,
        p_permutation=_permutation_p(first, second, absolute, seed),
        block_adjusted=BlockAdjusted(told.blocks, d, ci95, told.p) if told.blocks else None,
        equivalence=None if band_nC_per_g is None else _inside(told, band_nC_per_g),
    )


def _inside(told: Contrast, band: float) -> Inside:
    low, high = told.interval(0.10)
    return Inside(band, (low, high), -band < low and high < band)


def _permutation_p(first: Arm, second: Arm, absolute: bool, seed: int) -> float:
    """p of the difference of means under exchange: of the arms within each block where there are blocks, else of runs.

    Exact up to 5,000 exchanges, else from as many drawn.
    """
    from scipy import stats

    def difference(x: Floats, y: Floats, axis: int = -1) -> Floats:
        found: Floats = np.mean(x, axis=axis) - np.mean(y, axis=axis)
        return found

    gap = gaps(first, second, absolute)
    kind = "independent" if gap is None else "samples"
    data = tuple(_values(arm, absolute) for arm in (first, second)) if gap is None else (gap, np.zeros(len(gap)))
    test = stats.permutation_test(
        data, difference, vectorized=True, n_resamples=5000, random_state=seed, permutation_type=kind
    )
    return float(test.pvalue)


def dunnett_p(arms: Sequence[Floats], control: Floats, seed: int) -> list[float]:
    """p values of each arm against the control (Dunnett 1955); assumes one scatter for all arms, and no blocks."""
    from scipy import stats

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of an arm without scatter, which the others make up for
        found: npt.NDArray[np.float64] = stats.dunnett(*arms, control=control, random_state=seed).pvalue
    return [float(value) for value in found]


def together(told: Sequence[Contrast], common: Arm) -> list[tuple[float, Ends]]:
    """p value and 95 % interval of each of several differences that share an arm, such that all hold together.

    After Dunnett, but each difference keeps its own variance and degrees of freedom: p is below 0.05 exactly where the
    interval leaves out zero.
    """
    shares = [(one.share_of(common), one.own[1]) for one in told]
    alpha = simultaneous_alpha(shares)
    alone = len(told) == 1
    return [
        (one.p if alone else max(one.p, smallest_of(max(one.p, 1e-15), shares)), one.interval(alpha)) for one in told
    ]

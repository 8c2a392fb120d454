"""Water against a finer setting: what the cup has at equal brew time. Pure, on rows; owns no claim about charge.

Whoever wants a slower brew can mist, or grind finer and stay dry. At equal setting the two cannot be told apart; at
equal brew time they can: by the extraction of the misted runs against that of dry runs of several settings.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from chargebench.plain import Number
from chargebench.study.brew import NAMES, brew_value, kind_words, kinds_of, setting_of
from chargebench.study.rows import Floats, StudyRun
from chargebench.study.worded import Worded

__all__ = ["EqualTime", "at_equal_brew_time"]

FEWEST_TIMES = 3


@dataclass(frozen=True)
class EqualTime(Worded):
    """Misted against dry, ground finer, at equal brew time, in one kind of brew.

    Attributes
    ----------
    quantity, unit, kind : str
    settings : tuple of str
        Of the dry runs.
    n_dry, n_misted : int
    outside : int
        Misted runs beyond the dry runs' brew times: nothing is extrapolated.
    brew_time_s : float
        Mean of the misted runs that compare.
    dry, misted : float
        Means at that brew time; NaN where nothing compares.
    difference : float or None
        Misted minus dry.
    ci95 : (float, float) or None
        None also where there is no scatter to tell from.
    reason : str
        Why nothing compares, or empty.
    """

    quantity: str
    unit: str
    kind: str
    settings: tuple[str, ...]
    n_dry: int
    n_misted: int
    outside: int = 0
    brew_time_s: Number = math.nan
    dry: Number = math.nan
    misted: Number = math.nan
    difference: float | None = None
    ci95: tuple[float, float] | None = None
    reason: str = ""

    @property
    def words(self) -> str:
        """The answer in plain words."""
        said = f"water against a finer setting, {kind_words(self.kind)}"
        if self.difference is None:
            return f"{said}: not compared at equal brew time; {self.reason}"
        beyond = f"; {self.outside} misted beyond their brew times left out" if self.outside else ""
        runs = f"{self.n_misted - self.outside} misted, {self.n_dry} dry runs at settings {', '.join(self.settings)}"
        name = NAMES[self.quantity][0]
        said += (
            f", at equal brew time ({self.brew_time_s:.3g} s): {name} misted {self.misted:.3g}, dry and finer "
            f"{self.dry:.3g} {self.unit}; {self._difference_words(name)} ({runs}{beyond})"
        )
        return said

    def _difference_words(self, name: str) -> str:
        points = "percentage points" if self.unit == "%" else self.unit
        size = f"{self.difference:+.2g} {points}"
        if self.ci95 is None:
            return f"the difference is {size}, but without any scatter no interval can be given"
        low, high = self.ci95
        span = f"{size}, 95 % interval {low:+.2g} to {high:+.2g}"
        if low > 0 or high < 0:
            return f"water is not the same as grinding finer: {name} differs by {span}"
        return f"no difference shown, {span}; that is not the same as no difference"


def at_equal_brew_time(rows: Sequence[StudyRun], quantity: str = "extraction_percent") -> list[EqualTime]:
    """Misted against dry, ground finer, at equal brew time, for each kind of brew that has both.

    A straight line of the quantity on brew time is fitted to the dry runs of all settings; each misted run is compared
    with that line at its own brew time, provided the dry runs reach it: nothing is extrapolated.
    """
    return [found for kind, own in kinds_of(rows) if (found := _of_kind(kind, own, quantity)) is not None]


def _of_kind(kind: str, rows: Sequence[StudyRun], quantity: str) -> EqualTime | None:
    """The comparison in one kind of brew; None where dry or misted runs carry no brew time."""
    timed = [row for row in rows if math.isfinite(brew_value(row, "brew_time_s"))]
    if not {"dry", "misted"} <= {row.treatment for row in timed}:
        return None
    told = [row for row in timed if math.isfinite(brew_value(row, quantity))]
    arms = {name: [row for row in told if row.treatment == name] for name in ("dry", "misted")}
    settings = tuple(sorted({setting_of(row) or "not told" for row in arms["dry"]}))
    dry, misted = (_brewed(arms[name], quantity) for name in ("dry", "misted"))
    inside = _within(dry, misted)
    empty = EqualTime(
        quantity, NAMES[quantity][1], kind, settings, len(dry), len(misted), len(misted) - int(inside.sum())
    )
    reason = _missing(empty, dry, quantity)
    return replace(empty, reason=reason) if reason else _fitted(empty, dry, misted[inside])


def _within(dry: Floats, misted: Floats) -> npt.NDArray[np.bool_]:
    """Which misted runs lie among the dry runs' brew times."""
    low, high = (dry[:, 0].min(), dry[:, 0].max()) if len(dry) else (math.inf, -math.inf)
    found: npt.NDArray[np.bool_] = (misted[:, 0] >= low) & (misted[:, 0] <= high)
    return found


def _missing(found: EqualTime, dry: Floats, quantity: str) -> str:
    """What is missing before anything compares, or an empty text."""
    name = NAMES[quantity][0]
    if not (found.n_dry and found.n_misted):
        return f"{name} was recorded of {found.n_dry} dry and {found.n_misted} misted runs with a brew time"
    if len(found.settings) < 2:
        return (
            f"dry runs at two settings at least are needed, one found ({found.settings[0]}); grind finer without water"
        )
    if len(np.unique(dry[:, 0])) < FEWEST_TIMES:
        return "dry runs at three brew times at least are needed; grind finer without water"
    if found.n_misted - found.outside < 2:
        return "fewer than two misted runs lie within the dry runs' brew times"
    return ""


def _fitted(empty: EqualTime, dry: Floats, misted: Floats) -> EqualTime:
    """One line for the dry runs, one parallel to it for the misted ones; least squares."""
    from scipy.special import stdtrit

    both = np.vstack([dry, misted])
    centre = float(misted[:, 0].mean())
    arm = np.r_[np.zeros(len(dry)), np.ones(len(misted))]
    design = np.column_stack([np.ones(len(both)), both[:, 0] - centre, arm])
    at, _, rank, _ = np.linalg.lstsq(design, both[:, 1], rcond=None)
    left = both[:, 1] - design @ at
    dof = len(both) - int(rank)
    u = math.sqrt(float(left @ left) / dof * float(np.linalg.pinv(design.T @ design)[2, 2]))
    half = float(stdtrit(float(dof), 0.975)) * u
    difference = float(at[2])
    told = u > 1e-9 * float(np.abs(both[:, 1]).max())
    ci95 = (difference - half, difference + half) if told else None
    dry_mean = float(at[0])
    return replace(
        empty, brew_time_s=centre, dry=dry_mean, misted=dry_mean + difference, difference=difference, ci95=ci95
    )


def _brewed(rows: Sequence[StudyRun], quantity: str) -> Floats:
    """Brew time and quantity (n, 2)."""
    pairs = [(brew_value(row, "brew_time_s"), brew_value(row, quantity)) for row in rows]
    return np.array(pairs, dtype=float).reshape(-1, 2)

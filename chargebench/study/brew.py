"""Whether it matters in the cup: brew times, extraction, clumps and particle sizes, misted against dry. Pure, on rows.

Brew records travel as tags of the run that made the grounds: ``brew_time_s``, ``beverage_g``, ``tds_percent``,
``d10_um`` …. A grinder's setting moves them more than water does, so runs compare only within one setting; espresso
and filter brews never compare with each other. Owns no claim about charge.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from chargebench.errors import StudyError
from chargebench.plain import Number
from chargebench.runs.tags import BREWS
from chargebench.study.intervals import runs_for_difference
from chargebench.study.rows import Floats, StudyRun, usable
from chargebench.study.worded import Worded

__all__ = [
    "KINDS",
    "Shift",
    "brew_kind",
    "brew_shifts",
    "brew_value",
    "compared",
    "extraction_percent",
    "impossible_brew",
    "kind_words",
    "kinds_of",
    "setting_of",
    "size_shifts",
]

KINDS: Final = (*BREWS, "")
"""Kinds of brew in the order they are told; the last is a brew whose kind is not told."""
SIZES: Final = ("d10_um", "d50_um", "d90_um", "below_100um_percent")
FEWEST_PAIRS: Final = 3
NAMES: Final = {
    "brew_time_s": ("brew time", "s"),
    "extraction_percent": ("extraction", "%"),
    "tds_percent": ("dissolved solids", "%"),
    "clump_mass_g": ("clump mass", "g"),
    "d10_um": ("d10", "µm"),
    "d50_um": ("d50", "µm"),
    "d90_um": ("d90", "µm"),
    "below_100um_percent": ("finer than 100 µm", "%"),
}
"""Quantities in words, with their units."""

Stratum = tuple[Floats, Floats]
"""Dry and misted values of runs that compare."""


@dataclass(frozen=True)
class Shift(Worded):
    """Misted against dry of one quantity, in one kind of brew, at equal grinder setting.

    Attributes
    ----------
    quantity, unit, kind : str
    settings : tuple of str
        Settings at which both were seen.
    dry, misted : float
        Means over those settings, both weighted alike.
    difference, ratio : float
        Misted minus dry; misted over dry (NaN where a value is not positive).
    difference_ci95, ratio_ci95 : (float, float)
        Infinite where there is no scatter to tell from.
    p : float
        Two-sided, of no difference.
    dof : float
    n_dry, n_misted : int
        Runs, or pairs within a block.
    left_out : int
        Runs at settings that only one of the two has, or in blocks without a pair.
    paired : bool
        Whether runs were paired within block.
    repeats_needed : int or None
        Runs a group that would show a tenth of the dry value with 80 % power, where this comparison is inconclusive.
    reason : str
        Why nothing can be compared, or empty; all numbers are NaN then.
    """

    quantity: str
    unit: str
    kind: str
    settings: tuple[str, ...] = ()
    dry: Number = math.nan
    misted: Number = math.nan
    difference: Number = math.nan
    difference_ci95: tuple[Number, Number] = (math.nan, math.nan)
    ratio: Number = math.nan
    ratio_ci95: tuple[Number, Number] = (math.nan, math.nan)
    p: Number = math.nan
    dof: Number = math.nan
    n_dry: int = 0
    n_misted: int = 0
    left_out: int = 0
    paired: bool = False
    repeats_needed: int | None = None
    reason: str = ""

    @property
    def conclusive(self) -> bool:
        """Whether the interval of the difference leaves zero out."""
        return self.difference_ci95[0] > 0.0 or self.difference_ci95[1] < 0.0

    @property
    def words(self) -> str:
        """The conclusion in plain words."""
        name = f"{NAMES[self.quantity][0]}, {kind_words(self.kind)}"
        if self.reason:
            return f"{name}: {self.reason}"
        said = f"{name}, {_settings_words(self.settings)}: misted {self.misted:.3g}, dry {self.dry:.3g} {self.unit}; "
        return said + self._difference_words() + self._count_words()

    def _difference_words(self) -> str:
        low, high = self.difference_ci95
        size = f"{self.difference:+.3g} {self.unit}"
        if not math.isfinite(low):
            return f"the difference is {size}, but without any scatter no interval can be given"
        span = f"{size}, 95 % interval {low:+.3g} to {high:+.3g}"
        if self.conclusive:
            return f"misted differs from dry by {span}"
        more = f"; {self.repeats_needed} runs of each would show a tenth" if self.repeats_needed else ""
        return f"no difference shown, {span}; that is not the same as no difference{more}"

    def _count_words(self) -> str:
        runs = f"{self.n_dry} pairs within blocks" if self.paired else f"{self.n_dry} dry, {self.n_misted} misted runs"
        return f" ({runs}; {self.left_out} without a counterpart left out)" if self.left_out else f" ({runs})"


def kind_words(kind: str) -> str:
    """A kind of brew in words."""
    return kind or "kind of brew not told"


def _settings_words(settings: Sequence[str]) -> str:
    named = ", ".join(setting or "not told" for setting in settings)
    return f"setting {named}" if len(settings) == 1 else f"at equal setting ({named})"


def brew_kind(row: StudyRun) -> str:
    """``espresso`` or ``filter``: as the tag ``brew_method`` says, else the setting; empty where neither does."""
    told = row.tags.get("brew_method")
    if told in BREWS:
        return str(told)
    said = [kind for kind in BREWS if kind in row.setting.lower()]
    return said[0] if len(said) == 1 else ""


def kinds_of(rows: Iterable[StudyRun]) -> list[tuple[str, list[StudyRun]]]:
    """Runs that count, by kind of brew."""
    counted = usable(rows)
    by_kind = ((kind, [row for row in counted if brew_kind(row) == kind]) for kind in KINDS)
    return [(kind, own) for kind, own in by_kind if own]


def setting_of(row: StudyRun) -> str:
    """The setting without differences of spacing and capitals."""
    return " ".join(row.setting.lower().split())


def extraction_percent(tds_percent: float, beverage_g: float, dose_g: float) -> float:
    """Extraction yield: dissolved coffee in the cup per coffee put in, %.

    Raises
    ------
    StudyError
        When a mass is not above zero or TDS lies outside 0 to 40 %.
    """
    if not (dose_g > 0 and beverage_g > 0):
        raise StudyError(f"extraction: dose {dose_g!r} g and beverage {beverage_g!r} g found, both above 0 are allowed")
    if not 0 <= tds_percent <= 40:
        raise StudyError(f"extraction: TDS {tds_percent!r} % found, 0 to 40 is allowed")
    return tds_percent * beverage_g / dose_g


def _extraction(row: StudyRun) -> float:
    """Extraction of a run; NaN where it was not recorded.

    Raises
    ------
    StudyError
        When it is no possible brew.
    """
    parts = [row.tags.get("tds_percent"), row.tags.get("beverage_g"), row.dose_g]
    numbers = [float(part) for part in parts if isinstance(part, int | float) and math.isfinite(part)]
    return extraction_percent(*numbers) if len(numbers) == len(parts) else math.nan


def impossible_brew(row: StudyRun) -> str:
    """What makes the brew of a run impossible, or an empty text."""
    try:
        _extraction(row)
    except StudyError as error:
        return str(error)
    return ""


def brew_value(row: StudyRun, quantity: str) -> float:
    """A brew quantity of a run: a tag, or ``extraction_percent`` from three of them; NaN where it cannot be had."""
    if quantity == "extraction_percent":
        return math.nan if impossible_brew(row) else _extraction(row)
    value = row.tags.get(quantity)
    return float(value) if isinstance(value, int | float) else math.nan


def brew_shifts(rows: Sequence[StudyRun], quantity: str = "brew_time_s") -> list[Shift]:
    """Misted against dry of a quantity at equal setting, for each kind of brew that has both.

    Runs are paired within block and setting where at least three such places hold both; else dry and misted runs of
    each setting are compared, the settings weighed by their runs, each treatment with a scatter of its own (Welch's
    comparison where there is one setting). The ratio and its interval come from the same comparison on logarithms.
    """
    unit = NAMES[quantity][1]
    found = (_shift_of(quantity, unit, kind, own) for kind, own in kinds_of(rows))
    return [shift for shift in found if shift is not None]


def size_shifts(rows: Sequence[StudyRun]) -> list[Shift]:
    """Shift of every particle-size figure that both arms carry."""
    return [shift for name in SIZES for shift in brew_shifts(rows, name)]


def _shift_of(quantity: str, unit: str, kind: str, rows: Sequence[StudyRun]) -> Shift | None:
    """The shift in one kind of brew, or why there is none; None where dry or misted runs carry no such value."""
    values = [(row, value) for row in rows if math.isfinite(value := brew_value(row, quantity))]
    values = [(row, value) for row, value in values if row.treatment in ("dry", "misted")]
    if len({row.treatment for row, _ in values}) < 2:
        return None
    at_setting = _strata(values, blocks=False)
    in_block = {place: s for place, s in _strata(values, blocks=True).items() if place[0]}
    paired = len(in_block) >= FEWEST_PAIRS
    places = in_block if paired else at_setting
    if not at_setting:
        said = "no grinder setting has both dry and misted runs, and they compare at equal setting only"
        return Shift(quantity, unit, kind, reason=said)
    strata = list(places.values())
    counts = [sum(len(s[arm]) for s in strata) for arm in (0, 1)]
    if min(counts) < 2:
        said = f"{counts[0]} dry and {counts[1]} misted runs at equal setting found, two of each are needed"
        return Shift(quantity, unit, kind, reason=said)
    if not paired and len(strata) >= FEWEST_PAIRS and max(len(a) for s in strata for a in s) == 1:
        paired = True  # one of each at every setting: the pairs are all there is
    left_out = len(values) - sum(counts)
    settings = tuple(sorted({setting for _, setting in places}))
    return _shift(Shift(quantity, unit, kind, settings, left_out=left_out, paired=paired), strata)


def _strata(values: Iterable[tuple[StudyRun, float]], *, blocks: bool) -> dict[tuple[str, str], Stratum]:
    """Dry and misted values by block (if asked) and setting, where there are both."""
    found: dict[tuple[str, str], dict[str, list[float]]] = {}
    for row, value in values:
        place = (row.block if blocks else "", setting_of(row))
        found.setdefault(place, {"dry": [], "misted": []})[row.treatment].append(value)
    return {place: (np.array(s["dry"]), np.array(s["misted"])) for place, s in found.items() if all(s.values())}


def _shift(shift: Shift, strata: Sequence[Stratum]) -> Shift:
    """A shift with its numbers filled in."""
    from dataclasses import replace

    if shift.paired:
        strata = [(np.array([dry.mean()]), np.array([misted.mean()])) for dry, misted in strata]
    test = compared(strata, paired=shift.paired)
    ratio, ratio_ci95 = math.nan, (math.nan, math.nan)
    if min(float(arm.min()) for stratum in strata for arm in stratum) > 0:
        logs = compared([(np.log(dry), np.log(misted)) for dry, misted in strata], paired=shift.paired)
        ratio, ratio_ci95 = _exp(logs.difference), (_exp(logs.ci95[0]), _exp(logs.ci95[1]))
    low, high = test.ci95
    needed = None if low > 0.0 or high < 0.0 else _repeats(0.1 * abs(test.dry), test.sd, shift.paired)
    return replace(
        shift, dry=test.dry, misted=test.dry + test.difference, difference=test.difference, difference_ci95=test.ci95,
        ratio=ratio, ratio_ci95=ratio_ci95, p=test.p, dof=test.dof, repeats_needed=needed,
        n_dry=sum(len(dry) for dry, _ in strata), n_misted=sum(len(misted) for _, misted in strata),
    )  # fmt: skip


def _exp(value: float) -> float:
    """Exponential; infinite where it is too large."""
    return math.exp(value) if value < 700 else math.inf


def _repeats(difference: float, sd: float, paired: bool) -> int | None:
    """Runs a group (or pairs) that show a difference with 80 % power; None where no scatter was seen."""
    return runs_for_difference(difference / sd, paired=paired) if sd > 0 and difference > 0 else None


class Compared(NamedTuple):
    """A difference, second minus first, within strata; `sd` is that of single runs, or of differences of pairs."""

    dry: float
    difference: float
    ci95: tuple[float, float]
    p: float
    dof: float
    sd: float


def compared(strata: Sequence[Stratum], *, paired: bool) -> Compared:
    """Difference of two arms within strata, its 95 % interval, p and degrees of freedom.

    Values without any scatter (rounded times) say nothing of their error: the interval is then unbounded, p NaN.
    """
    from scipy.special import stdtr, stdtrit

    size = np.array([[len(a), len(b)] for a, b in strata], dtype=float)
    mean = np.array([[a.mean(), b.mean()] for a, b in strata])
    weight = np.ones(len(strata)) if paired else size[:, 0] * size[:, 1] / size.sum(axis=1)
    weight = weight / weight.sum()
    first, difference = float(weight @ mean[:, 0]), float(weight @ (mean[:, 1] - mean[:, 0]))
    variance, dof, sd = _paired(mean) if paired else _pooled(strata, size, weight)
    u = math.sqrt(variance)
    if not (dof > 0 and u > 1e-9 * float(np.abs(mean).max())):
        return Compared(first, difference, (-math.inf, math.inf), math.nan, math.nan, math.nan)
    half = float(stdtrit(dof, 0.975)) * u
    p = 2 * float(stdtr(dof, -abs(difference) / u))
    return Compared(first, difference, (difference - half, difference + half), p, dof, sd)


def _paired(mean: Floats) -> tuple[float, float, float]:
    gap = mean[:, 1] - mean[:, 0]
    sd = float(gap.std(ddof=1))
    return sd * sd / len(gap), len(gap) - 1.0, sd


def _pooled(strata: Sequence[Stratum], size: Floats, weight: Floats) -> tuple[float, float, float]:
    """Variance, degrees of freedom (Welch and Satterthwaite) and scatter of single runs.

    Each arm has a scatter of its own over all strata; an arm that repeats nothing borrows the other's.
    """
    squares = np.array([sum(float(((s[arm] - s[arm].mean()) ** 2).sum()) for s in strata) for arm in (0, 1)])
    free = size.sum(axis=0) - len(strata)
    if free.min() < 1:
        squares, free = np.full(2, squares.sum()), np.full(2, free.sum())
    if free.min() < 1:
        return 0.0, 0.0, 0.0
    each = squares / free
    part = each * (weight[:, None] ** 2 / size).sum(axis=0)
    total = float(part.sum())
    dof = total**2 / float((part**2 / free).sum()) if total > 0 else 0.0
    return total, dof, math.sqrt(float(each.mean()))

"""Whether it matters in the cup: brew times, extraction, particle sizes, grinders with a bottleneck. Pure, on rows.

Brew records travel as tags of the run that made the grounds: ``brew_time_s``, ``beverage_g``, ``tds_percent``,
``d10_um`` …. Owns no claim about charge.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from chargebench.errors import StudyError
from chargebench.study.rows import Floats, StudyRun, usable

__all__ = [
    "FEW_GRINDERS",
    "Bottleneck",
    "Shift",
    "association",
    "at_equal_brew_time",
    "bottleneck_ratio",
    "brew_shift",
    "extraction_percent",
    "size_shifts",
]

FEW_GRINDERS: Final = 6
"""Below this many grinders a rank correlation cannot reach p < 0.05 with any honesty."""
SIZES: Final = ("d10_um", "d50_um", "d90_um", "below_100um_percent")


@dataclass(frozen=True)
class Shift:
    """Misted against dry of one quantity.

    Attributes
    ----------
    quantity, unit : str
    dry, misted : float
        Means.
    difference, ratio : float
        Misted minus dry; misted over dry (NaN where a value is not positive).
    difference_ci95, ratio_ci95 : (float, float)
    p : float
        Two-sided, of no difference.
    dof : float
    n_dry, n_misted : int
    paired : bool
        Whether runs were paired within block.
    repeats_needed : int or None
        Runs a group that would show a tenth of the dry value with 80 % power, where this comparison is inconclusive.
    """

    quantity: str
    unit: str
    dry: float
    misted: float
    difference: float
    difference_ci95: tuple[float, float]
    ratio: float
    ratio_ci95: tuple[float, float]
    p: float
    dof: float
    n_dry: int
    n_misted: int
    paired: bool
    repeats_needed: int | None

    @property
    def conclusive(self) -> bool:
        """Whether the interval of the difference leaves zero out."""
        return self.difference_ci95[0] > 0.0 or self.difference_ci95[1] < 0.0

    @property
    def words(self) -> str:
        """The conclusion in plain words."""
        low, high = self.difference_ci95
        if not math.isfinite(low):
            return (
                f"{self.quantity}: {self.difference:+.3g} {self.unit}, but without any scatter no interval can be given"
            )
        span = f"{self.difference:+.3g} {self.unit} [{low:+.3g}, {high:+.3g}]"
        if self.conclusive:
            return f"{self.quantity}: misted differs from dry by {span}"
        more = f"; {self.repeats_needed} runs of each would show a tenth" if self.repeats_needed else ""
        return f"{self.quantity}: no difference shown, {span}; that is not the same as no difference{more}"


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


def brew_value(row: StudyRun, quantity: str) -> float:
    """A brew quantity of a run: a tag, or ``extraction_percent`` from three of them; NaN where it is missing."""
    if quantity == "extraction_percent":
        parts = [row.tags.get("tds_percent"), row.tags.get("beverage_g"), row.dose_g]
        if not all(isinstance(part, int | float) and math.isfinite(part) for part in parts):
            return math.nan
        return extraction_percent(*(float(part) for part in parts))  # type: ignore[arg-type]
    value = row.tags.get(quantity)
    return float(value) if isinstance(value, int | float) else math.nan


def brew_shift(rows: Sequence[StudyRun], quantity: str = "brew_time_s", unit: str = "s") -> Shift | None:
    """Misted against dry of a brew quantity; None where either has fewer than two runs.

    Runs are paired within block (block means) where at least three blocks hold both; else Welch's comparison. The ratio
    and its interval come from the same comparison on logarithms.
    """
    groups = {arm: _by_block(rows, arm, quantity) for arm in ("dry", "misted")}
    both = sorted(set(groups["dry"]) & set(groups["misted"]) - {""})
    if len(both) >= 3:
        means = [np.array([np.mean(groups[arm][block]) for block in both]) for arm in ("dry", "misted")]
        return _shift(quantity, unit, means[0], means[1], paired=True)
    flat = [np.array([v for values in groups[arm].values() for v in values]) for arm in ("dry", "misted")]
    if min(len(values) for values in flat) < 2:
        return None
    return _shift(quantity, unit, flat[0], flat[1], paired=False)


def size_shifts(rows: Sequence[StudyRun]) -> list[Shift]:
    """Shift of every particle-size figure that both arms carry."""
    found = (brew_shift(rows, name, "%" if name.endswith("percent") else "µm") for name in SIZES)
    return [shift for shift in found if shift is not None]


def _by_block(rows: Sequence[StudyRun], treatment: str, quantity: str) -> dict[str, list[float]]:
    blocks: dict[str, list[float]] = {}
    for row in usable(rows):
        value = brew_value(row, quantity)
        if row.treatment == treatment and math.isfinite(value):
            blocks.setdefault(row.block, []).append(value)
    return blocks


def _shift(quantity: str, unit: str, dry: Floats, misted: Floats, *, paired: bool) -> Shift:
    test = _compare(dry, misted, paired)
    ratio, ratio_ci95 = math.nan, (math.nan, math.nan)
    if min(dry.min(), misted.min()) > 0:
        logs = _compare(np.log(dry), np.log(misted), paired)
        ratio, ratio_ci95 = math.exp(logs[0]), (math.exp(logs[1][0]), math.exp(logs[1][1]))
    low, high = test[1]
    needed = None if low > 0.0 or high < 0.0 else repeats_for(0.1 * abs(float(dry.mean())), dry, misted, paired)
    return Shift(
        quantity, unit, float(dry.mean()), float(misted.mean()), test[0], (low, high), ratio, ratio_ci95,
        test[2], test[3], len(dry), len(misted), paired, needed,
    )  # fmt: skip


def _compare(dry: Floats, misted: Floats, paired: bool) -> tuple[float, tuple[float, float], float, float]:
    """Difference, its 95 % interval, p and degrees of freedom.

    Readings without any scatter (rounded times) say nothing of their error: the interval is then unbounded, p NaN.
    """
    from scipy import stats

    difference = float(misted.mean() - dry.mean())
    spread = float(np.ptp(misted - dry)) if paired else float(max(np.ptp(dry), np.ptp(misted)))
    if spread <= 1e-9 * float(np.abs(dry).max()):
        return difference, (-math.inf, math.inf), math.nan, math.nan
    test = stats.ttest_rel(misted, dry) if paired else stats.ttest_ind(misted, dry, equal_var=False)
    interval = test.confidence_interval(0.95)
    return difference, (float(interval.low), float(interval.high)), float(test.pvalue), float(test.df)


def repeats_for(difference: float, dry: Floats, misted: Floats, paired: bool) -> int | None:
    """Runs a group (or pairs) needed to show a difference with 80 % power at 5 %, from the scatter seen so far."""
    from statsmodels.stats.power import TTestIndPower, TTestPower

    spread = float(np.std(misted - dry, ddof=1)) if paired else math.sqrt((dry.var(ddof=1) + misted.var(ddof=1)) / 2)
    if not (spread > 0 and difference > 0):
        return None
    effect = difference / spread
    if effect > 20:  # two runs already show it; the power routine cannot start so far out
        return 2
    power = TTestPower() if paired else TTestIndPower()
    return max(2, math.ceil(float(power.solve_power(effect_size=effect, alpha=0.05, power=0.8))))


@dataclass(frozen=True)
class Bottleneck:
    """Espresso over filter grind time of a grinder at equal dose; well above 1: its burrs are the bottleneck."""

    grinder: str
    ratio: float
    ci95: tuple[float, float]
    n_espresso: int
    n_filter: int


def bottleneck_ratio(rows: Sequence[StudyRun], grinder: str) -> Bottleneck | None:
    """Ratio of grind times per gram of dose between runs whose setting says ``espresso`` and ``filter``.

    Welch's comparison of logarithms; None with fewer than two dry runs at either setting. Misted runs are left out,
    since water itself may slow a grinder.
    """
    times: dict[str, list[float]] = {"espresso": [], "filter": []}
    for row in usable(rows):
        kind = next((kind for kind in times if kind in row.setting.lower()), None)
        if row.grinder == grinder and row.treatment == "dry" and kind and row.grind_time_s > 0 and row.dose_g > 0:
            times[kind].append(math.log(row.grind_time_s / row.dose_g))
    if min(len(values) for values in times.values()) < 2:
        return None
    slow, fast = np.array(times["espresso"]), np.array(times["filter"])
    difference, (low, high), _, _ = _compare(fast, slow, paired=False)
    ci95 = (math.exp(low), math.exp(high))
    return Bottleneck(grinder, math.exp(difference), ci95, len(slow), len(fast))


def association(bottleneck: Mapping[str, float], effect: Mapping[str, float]) -> dict[str, Any]:
    """Rank correlation, across grinders, of the bottleneck ratio with the effect of misting.

    Returns
    -------
    dict
        ``grinders, rho, p`` (exact, over all orders where there are at most 9 grinders, else over 100,000 drawn ones)
        and ``warning`` (empty from `FEW_GRINDERS` grinders on). ``rho`` and ``p`` are None below three grinders.
    """
    from scipy import stats

    names = sorted(set(bottleneck) & set(effect))
    warning = ""
    if len(names) < FEW_GRINDERS:
        warning = f"{len(names)} grinders: far too few to show an association; take this as a picture, not as a finding"
    if len(names) < 3:
        return {"grinders": len(names), "rho": None, "p": None, "warning": warning}
    x, y = np.array([bottleneck[n] for n in names]), np.array([effect[n] for n in names])
    if np.ptp(x) == 0 or np.ptp(y) == 0:
        return {"grinders": len(names), "rho": None, "p": None, "warning": warning or "all grinders are alike"}
    count = math.factorial(len(names)) if len(names) <= 9 else 100_000
    test = stats.permutation_test(
        (x,),
        lambda order: stats.spearmanr(order, y).statistic,
        permutation_type="pairings",
        n_resamples=count if len(names) > 9 else np.inf,
        rng=np.random.default_rng(1),
    )
    return {"grinders": len(names), "rho": float(test.statistic), "p": float(test.pvalue), "warning": warning}


def at_equal_brew_time(rows: Sequence[StudyRun], quantity: str = "extraction_percent") -> dict[str, Any]:
    """Misted against dry, ground finer, at equal brew time.

    A straight line of the quantity on brew time is fitted to the dry runs of all settings; each misted run is compared
    with that line at its own brew time, provided the dry runs reach it: nothing is extrapolated.

    Returns
    -------
    dict
        ``n_dry, n_misted, outside`` (misted runs beyond the tested dry range), ``difference, ci95`` (None where fewer
        than three dry brew times or two misted runs are left), ``reason``.
    """
    import statsmodels.api as sm

    points = {arm: _brewed(rows, arm, quantity) for arm in ("dry", "misted")}
    dry, misted = points["dry"], points["misted"]
    empty = {"n_dry": len(dry), "n_misted": len(misted), "outside": 0, "difference": None, "ci95": None}
    if len(np.unique(dry[:, 0])) < 3:
        return {**empty, "reason": "dry runs at three brew times at least are needed; grind finer without water"}
    inside = (misted[:, 0] >= dry[:, 0].min()) & (misted[:, 0] <= dry[:, 0].max())
    outside = int((~inside).sum())
    if inside.sum() < 2:
        return {**empty, "outside": outside, "reason": "fewer than two misted runs within the dry runs' brew times"}
    both = np.vstack([dry, misted[inside]])
    arm = np.r_[np.zeros(len(dry)), np.ones(int(inside.sum()))]
    fit = sm.OLS(both[:, 1], np.column_stack([np.ones(len(both)), both[:, 0], arm])).fit()
    low, high = (float(v) for v in fit.conf_int(0.05)[2])
    return {**empty, "outside": outside, "difference": float(fit.params[2]), "ci95": [low, high], "reason": ""}


def _brewed(rows: Sequence[StudyRun], treatment: str, quantity: str) -> Floats:
    pairs = [(brew_value(r, "brew_time_s"), brew_value(r, quantity)) for r in usable(rows) if r.treatment == treatment]
    kept = [pair for pair in pairs if all(math.isfinite(v) for v in pair)]
    return np.array(kept, dtype=float).reshape(-1, 2)

"""Four numbers from many people: grinder, bottleneck or not, brew time dry and misted. Checked row by row, then pooled.

Owns the noun `Contribution` and the random-effects pooling over contributors. Opens no file.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from chargebench.errors import StudyError

__all__ = [
    "COLUMNS",
    "Contribution",
    "Contributor",
    "Pooled",
    "TooFew",
    "Volunteers",
    "contribution",
    "pooled",
    "read_contributions",
]

COLUMNS: Final = ("grinder", "bottleneck", "dry_s", "misted_s")
"""Columns a contribution must have; ``contributor`` may stand beside them."""
ANSWERS: Final = ("yes", "no", "unknown")
TIMES_S: Final = (2.0, 1800.0)
_NUMBER: Final = re.compile(r"\d+(?:[.,]\d+)?", re.ASCII)


@dataclass(frozen=True)
class Contribution:
    """One brew pair of one person.

    Attributes
    ----------
    contributor : str
        Who; empty where not told, and then a contributor of its own.
    grinder : str
    bottleneck : str
        ``yes``, ``no`` or ``unknown``.
    dry_s, misted_s : float
        Brew times at equal dose and setting.
    """

    contributor: str
    grinder: str
    bottleneck: str
    dry_s: float
    misted_s: float

    @property
    def log_ratio(self) -> float:
        """Logarithm of misted over dry."""
        return math.log(self.misted_s / self.dry_s)


@dataclass(frozen=True)
class Contributor:
    """What one contributor found: pairs, ratio of misted over dry, u of its logarithm where anybody repeated a pair."""

    name: str
    pairs: int
    ratio: float
    u_log: float | None


@dataclass(frozen=True)
class Pooled:
    """Misted over dry brew time across contributors.

    Attributes
    ----------
    contributors : int
    ratio : float
    ci95 : (float, float)
    tau : float
        Spread between contributors, of the logarithm.
    i2 : float or None
        Share of the variance that is between them; None where nobody repeated a pair.
    rows : tuple of Contributor
        For a forest plot.
    """

    contributors: int
    ratio: float
    ci95: tuple[float, float]
    tau: float
    i2: float | None
    rows: tuple[Contributor, ...]


@dataclass(frozen=True)
class TooFew:
    """Contributors that cannot be pooled, and why."""

    contributors: int
    reason: str


@dataclass(frozen=True)
class Volunteers:
    """What a file of contributions says: how many there are, a sentence for each bad row, and the pooled brew times."""

    contributions: int
    bad_rows: tuple[str, ...]
    pooled: Mapping[str, Pooled | TooFew]


def contribution(cells: Mapping[str, str]) -> Contribution:
    """One contribution from its cells.

    Raises
    ------
    StudyError
        When a cell is missing or not allowed; names the column, what was found and what is allowed.
    """
    missing = [name for name in COLUMNS if not cells.get(name, "").strip()]
    if missing:
        raise StudyError(f"column {missing[0]}: nothing found; needed are {', '.join(COLUMNS)}")
    bottleneck = cells["bottleneck"].strip().lower()
    if bottleneck not in ANSWERS:
        raise StudyError(f"column bottleneck: {cells['bottleneck']!r} found, {', '.join(ANSWERS)} are allowed")
    grinder = cells["grinder"].strip()
    if len(grinder) > 100:
        raise StudyError(f"column grinder: {len(grinder)} characters found, 100 are allowed")
    dry_s, misted_s = (_time_s(name, cells[name]) for name in ("dry_s", "misted_s"))
    return Contribution(cells.get("contributor", "").strip()[:100], grinder, bottleneck, dry_s, misted_s)


def _time_s(name: str, text: str) -> float:
    low, high = TIMES_S
    value = float(text.strip().replace(",", ".")) if _NUMBER.fullmatch(text.strip()) else math.nan
    if not low <= value <= high:
        raise StudyError(f"column {name}: {text!r} found, {low:g} to {high:g} seconds are allowed")
    return value


def read_contributions(
    rows: Iterable[tuple[int, Mapping[str, str]]],
) -> tuple[list[Contribution], list[str]]:
    """Contributions of many rows, each with its line number; bad rows are named and the rest is kept."""
    good: list[Contribution] = []
    bad: list[str] = []
    for line, cells in rows:
        try:
            good.append(contribution(cells))
        except StudyError as error:
            bad.append(f"line {line}: {error}")
    return good, bad


def pooled(contributions: Iterable[Contribution]) -> dict[str, Pooled | TooFew]:
    """Misted over dry brew time across contributors, random effects; once for all, once for each bottleneck answer.

    Returns
    -------
    dict
        By ``all``, ``yes``, ``no``, ``unknown``; `TooFew` where fewer than three contributors are left.

    Notes
    -----
    Each contributor's effect is the mean log ratio of their pairs. Its variance comes from the scatter of pairs within
    contributors, pooled over all of them; where nobody repeated a pair, contributors count equally and only the spread
    between them speaks. Between-contributor variance by Paule and Mandel, interval by Hartung, Knapp, Sidik and Jonkman
    with Student t (statsmodels).
    """
    everyone = list(contributions)
    groups = {"all": everyone, **{a: [c for c in everyone if c.bottleneck == a] for a in ANSWERS}}
    scatter = _scatter_within(everyone)
    return {name: _pool(group, scatter) for name, group in groups.items()}


def _by_contributor(group: list[Contribution]) -> dict[str, list[float]]:
    effects: dict[str, list[float]] = {}
    for number, entry in enumerate(group, 1):
        name = f"{entry.contributor} · {entry.grinder}" if entry.contributor else f"#{number} · {entry.grinder}"
        effects.setdefault(name, []).append(entry.log_ratio)
    return effects


def _scatter_within(group: list[Contribution]) -> float | None:
    """Variance of one log ratio within contributors, or None where nobody repeated."""
    repeated = [values for values in _by_contributor(group).values() if len(values) > 1]
    freedom = sum(len(values) - 1 for values in repeated)
    if not freedom:
        return None
    return float(sum(np.var(values) * len(values) for values in repeated)) / freedom


def _pool(group: list[Contribution], scatter: float | None) -> Pooled | TooFew:
    effects = _by_contributor(group)
    if len(effects) < 3:
        return TooFew(len(effects), "three contributors at least are needed to pool")
    means = np.array([float(np.mean(values)) for values in effects.values()])
    variances = np.array([(scatter or 0.0) / len(values) for values in effects.values()])
    mean, half, tau, i2 = _random_effects(means, variances)
    rows = tuple(
        Contributor(name, len(values), math.exp(m), math.sqrt(v) if scatter else None)
        for (name, values), m, v in zip(effects.items(), means, variances, strict=True)
    )
    ci95 = (math.exp(mean - half), math.exp(mean + half))
    return Pooled(len(effects), math.exp(mean), ci95, tau, i2, rows)


def _random_effects(means: Any, variances: Any) -> tuple[float, float, float, float | None]:
    """Mean, half width of its 95 % interval, spread between contributors, share of variance between them."""
    from scipy import stats

    t = float(stats.t.ppf(0.975, len(means) - 1))
    if not variances.all():
        spread = float(np.std(means, ddof=1))
        return float(means.mean()), t * spread / math.sqrt(len(means)), spread, None
    from statsmodels.stats.meta_analysis import combine_effects

    found = combine_effects(means, variances, method_re="iterated")
    half = t * float(found.sd_eff_w_re_hksj)
    return float(found.mean_effect_re), half, math.sqrt(max(float(found.tau2), 0.0)), max(float(found.i2), 0.0)

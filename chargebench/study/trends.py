"""What else may have moved the charge: water left by the run before, order, humidity, temperature. Tested, not assumed.

Works on the rows of one coffee on one grinder. Owns no conclusion about doses.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from chargebench.plain import Number
from chargebench.study.brew import compared
from chargebench.study.intervals import holm
from chargebench.study.rows import Floats, StudyRun, usable
from chargebench.study.worded import Worded

__all__ = ["Trend", "carry_over", "dry_after_wet", "trends"]

LEVEL: Final = 0.05
HIGHEST_LEVERAGE: Final = 0.95


@dataclass(frozen=True)
class Trend(Worded):
    """One covariate's effect on charge-to-mass, beside what the dose does.

    Attributes
    ----------
    name : str
        ``previous dose``, ``order``, ``humidity``, ``temperature`` or ``dry after wet``.
    slope, u : float
        nC/g per unit of the covariate.
    unit : str
    p, p_holm : float
        Two-sided; after Holm's correction over the trends tested together.
    n : int
        Runs behind it.
    """

    name: str
    slope: Number
    u: Number
    unit: str
    p: Number
    p_holm: Number
    n: int

    @property
    def words(self) -> str:
        """The finding in plain words."""
        amount = f"{self.slope:+.3g} {self.unit}, u {self.u:.2g} (p {self.p_holm:.2g} after Holm, {self.n} runs)"
        if self.p_holm < LEVEL:
            return f"{self.name}: moved the charge by {amount}; the dose curve is suspect until this is mended"
        return f"{self.name}: no effect shown, {amount}"


def trends(rows: Sequence[StudyRun]) -> list[Trend]:
    """Every trend that the rows can be asked for, corrected together.

    Parameters
    ----------
    rows : sequence of StudyRun
        In any order; runs that are excluded still count as "the run before", since their water was there.
    """
    ordered = sorted(rows, key=lambda row: (row.order, row.run_id))
    asked = [
        carry_over(ordered),
        dry_after_wet(ordered),
        _covariate(ordered, "order", "nC/g per run", lambda row: float(row.order)),
        _covariate(ordered, "humidity", "nC/g per %", lambda row: row.humidity_percent),
        _covariate(ordered, "temperature", "nC/g per °C", lambda row: row.temperature_C),
    ]
    found = [trend for trend in asked if trend is not None]
    return [replace(trend, p_holm=p) for trend, p in zip(found, holm([t.p for t in found]), strict=True)]


def carry_over(ordered: Sequence[StudyRun]) -> Trend | None:
    """Dose of the run before as a covariate; a purge in between counts as a dry run before."""
    before = _before(ordered)
    return _covariate(ordered, "previous dose", "nC/g per µL/g", lambda row: before.get(row.run_id, math.nan))


def dry_after_wet(ordered: Sequence[StudyRun]) -> Trend | None:
    """Dry runs that follow a wet one against dry runs that follow a dry one (Welch)."""
    before = _before(ordered)
    dry = [row for row in usable(ordered) if row.treatment == "dry" and row.run_id in before]
    groups = [np.array([_q(r) for r in dry if (before[r.run_id] > 0) is wet]) for wet in (False, True)]
    if min(map(len, groups)) < 2:
        return None
    test = compared([(groups[0], groups[1])], paired=False)
    if math.isnan(test.p):
        return None
    u = math.sqrt(sum(float(np.var(g, ddof=1)) / len(g) for g in groups))
    return Trend("dry after wet", test.difference, u, "nC/g", test.p, math.nan, len(dry))


def _q(row: StudyRun) -> float:
    assert row.charge_to_mass is not None
    return row.charge_to_mass.value


def _before(ordered: Sequence[StudyRun]) -> dict[str, float]:
    """Water dose of whatever the same grinder ground last, by run; the first of a grinder has none."""
    last: dict[str, float] = {}
    found: dict[str, float] = {}
    for row in ordered:
        if row.grinder in last:
            found[row.run_id] = last[row.grinder]
        last[row.grinder] = row.water_uL_per_g
    return found


def _covariate(ordered: Sequence[StudyRun], name: str, unit: str, of: Callable[[StudyRun], float]) -> Trend | None:
    """Slope of charge-to-mass on a covariate, each dose and treatment with a level of its own (least squares, HC3).

    Levels with a single run say nothing of a slope. None where a run alone decides part of the fit.
    """
    import statsmodels.api as sm

    told = [row for row in usable(ordered) if math.isfinite(of(row))]
    runs_at = Counter((row.treatment, row.water_uL_per_g) for row in told)
    rows = [row for row in told if runs_at[row.treatment, row.water_uL_per_g] > 1]
    design = _levels(rows)
    x = np.array([of(row) for row in rows])
    if len(rows) < design.shape[1] + 3:
        return None
    centred = x - design @ (np.linalg.pinv(design) @ x)
    if np.ptp(centred) <= 1e-9 * max(1.0, float(np.abs(x).max())):
        return None
    y = np.array([_q(row) for row in rows])
    design = np.column_stack([design, centred])
    if float(np.einsum("np,pn->n", design, np.linalg.pinv(design)).max()) > HIGHEST_LEVERAGE:
        return None
    fit = sm.OLS(y, design).fit(cov_type="HC3", use_t=True)
    slope, u, p = (float(values[-1]) for values in (fit.params, fit.bse, fit.pvalues))
    return Trend(name, slope, u, unit, p, math.nan, len(rows)) if u > 0 else None


def _levels(rows: Sequence[StudyRun]) -> Floats:
    """One column of ones for every treatment and dose."""
    names = sorted({(row.treatment, row.water_uL_per_g) for row in rows})
    return np.array([[float((row.treatment, row.water_uL_per_g) == name) for name in names] for row in rows]).reshape(
        len(rows), len(names)
    )

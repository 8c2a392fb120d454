"""Runs treated alike: the arms of a study, their means where runs of a block hang together, what the ioniser brought.

Owns the arms. Takes nothing off a run: what an ioniser's ions bring was taken off in the run's outcome, once.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from chargebench.plain import finite, finite_pair
from chargebench.processing.outcome import Flag
from chargebench.processing.ratio import effective_dof
from chargebench.study.equivalence import tolerance_factor
from chargebench.study.intervals import half_width
from chargebench.study.rows import SIGNED_SHARES, Floats, StudyRun, dose_levels, usable
from chargebench.study.scatter import Mean, mean_of_runs

__all__ = ["Arm", "ArmFound", "Ions", "arms_of", "ions_taken_off", "remarks_on_arms"]

OpenEnds = tuple[float | None, float | None]
"""Of an interval; None where it cannot be had."""

TREATMENTS = ("dry", "misted", "ionised", "misted+ionised")


@dataclass(frozen=True)
class ArmFound:
    """An arm in numbers: signed mean with its interval, absolute mean, RMS, tolerance interval, runs of either sign."""

    name: str
    treatment: str
    dose_uL_per_g: float | None
    n: int
    blocks: int
    mean_nC_per_g: float
    sd_nC_per_g: float | None
    u_nC_per_g: float | None
    dof: float | None
    ci95_nC_per_g: OpenEnds
    mean_absolute_nC_per_g: float
    rms_nC_per_g: float
    tolerance_nC_per_g: OpenEnds
    signs: tuple[int, int]


@dataclass(frozen=True)
class Ions:
    """What the outcomes of ionised runs say was taken off them for the ioniser's ions.

    Attributes
    ----------
    charge_nC : float
        Mean over runs.
    u_nC : float
        Of it.
    dof : float or None
        Of the least known; None for infinitely many.
    blanks : int
        What it rests on; 0 where that is not told.
    sources : tuple of str
    runs, contained_in : int
        Runs it was taken off, and others.
    """

    charge_nC: float
    u_nC: float
    dof: float | None
    blanks: int
    sources: tuple[str, ...]
    runs: int
    contained_in: int


@dataclass(frozen=True, eq=False)
class Arm:
    """Runs treated alike.

    Attributes
    ----------
    name : str
        Treatment, with the dose where water was given.
    treatment : str
    dose_uL_per_g : float
    q_nC_per_g : float64 array (n,)
        Signed.
    block : tuple of str
    shared_u_nC_per_g : mapping of str to float
        Uncertainty common to all runs of the arm, by cause, with the sign of its effect.
    runs : tuple of StudyRun
    shared_dof : mapping of str to float
        Degrees of freedom of those; infinite where none are told.
    """

    name: str
    treatment: str
    dose_uL_per_g: float
    q_nC_per_g: Floats
    block: tuple[str, ...]
    shared_u_nC_per_g: Mapping[str, float] = field(default_factory=dict)
    runs: tuple[StudyRun, ...] = ()
    shared_dof: Mapping[str, float] = field(default_factory=dict)

    def mean(self, absolute: bool = False) -> Mean:
        """Mean of the runs, of their absolute values on demand, and how sure it is without what all share."""
        return mean_of_runs(np.abs(self.q_nC_per_g) if absolute else self.q_nC_per_g, self.block)

    @property
    def shared(self) -> list[tuple[float, float]]:
        """Each shared ``(u, degrees of freedom)``."""
        return [(abs(u), self.shared_dof.get(cause, math.inf)) for cause, u in self.shared_u_nC_per_g.items()]

    def found(self) -> ArmFound:
        """The arm in numbers."""
        q, n, mean = self.q_nC_per_g, len(self.q_nC_per_g), self.mean()
        sd = float(q.std(ddof=1)) if n > 1 else math.nan
        half = tolerance_factor(n) * sd if n > 1 else math.nan
        parts = [(mean.u, mean.dof), *self.shared]
        half95 = half_width(parts) if mean.dof > 0 else math.nan
        return ArmFound(
            name=self.name,
            treatment=self.treatment,
            dose_uL_per_g=finite(self.dose_uL_per_g),
            n=n,
            blocks=mean.blocks,
            mean_nC_per_g=mean.value,
            sd_nC_per_g=finite(sd),
            u_nC_per_g=finite(math.hypot(*(u for u, _ in parts))),
            dof=finite(effective_dof(parts)) if mean.dof > 0 else None,
            ci95_nC_per_g=finite_pair((mean.value - half95, mean.value + half95)),
            mean_absolute_nC_per_g=float(np.abs(q).mean()),
            rms_nC_per_g=float(np.sqrt((q**2).mean())),
            tolerance_nC_per_g=finite_pair((float(q.mean()) - half, float(q.mean()) + half)),
            signs=(int((q < 0).sum()), int((q > 0).sum())),
        )


def arms_of(rows: Sequence[StudyRun]) -> tuple[Arm, ...]:
    """Arms of all grinds that count: dry first, then misted by dose, then those with the ioniser."""
    return tuple(_arm(runs) for runs in _alike(usable(rows)))


def _alike(rows: Sequence[StudyRun]) -> Iterator[list[StudyRun]]:
    """Runs of one treatment and dose level together, in the order of `TREATMENTS` and dose."""
    for treatment in TREATMENTS:
        own = [row for row in rows if row.treatment == treatment]
        wet = "misted" in treatment
        level = (
            dose_levels(np.array([row.water_uL_per_g for row in own])) if wet else np.zeros(len(own), dtype=np.int64)
        )
        for number in np.unique(level):
            yield [row for row, at in zip(own, level, strict=True) if at == number]


def _arm(runs: list[StudyRun]) -> Arm:
    q = np.array([row.charge_to_mass.value for row in runs if row.charge_to_mass is not None])
    causes = sorted({cause for row in runs for cause in row.shared_u})
    sign = float(np.sign(q.mean()))
    shared = {
        c: (sign if c in SIGNED_SHARES else 1.0) * float(np.mean([r.shared_u.get(c, 0.0) for r in runs]))
        for c in causes
    }
    dof = {c: min(row.shared_dof.get(c, math.inf) for row in runs if c in row.shared_u) for c in causes}
    wet, treatment = "misted" in runs[0].treatment, runs[0].treatment
    dose = float(np.median([row.water_uL_per_g for row in runs])) if wet else 0.0
    told = f"{dose:.3g} µL/g" if math.isfinite(dose) else "dose not told"
    name = f"{treatment} {told}" if wet else treatment
    return Arm(name, treatment, dose, q, tuple(row.block for row in runs), shared, tuple(runs), dof)


def _ionised(rows: Sequence[StudyRun]) -> list[StudyRun]:
    return [row for row in usable(rows) if "ionised" in row.treatment]


def ions_taken_off(rows: Sequence[StudyRun]) -> Ions:
    """What the outcomes of the ionised runs say was taken off them for the ioniser's ions."""
    ionised = _ionised(rows)
    told = [row.ions for row in ionised if row.ions is not None]
    dof = min((ions.dof for ions in told), default=math.inf)
    return Ions(
        charge_nC=float(np.mean([ions.charge_nC for ions in told])) if told else 0.0,
        u_nC=max((ions.u_nC for ions in told), default=0.0),
        dof=finite(dof),
        blanks=round(dof) + 1 if math.isfinite(dof) else 0,
        sources=tuple(sorted({ions.source for ions in told if ions.source})),
        runs=len(told),
        contained_in=len(ionised) - len(told),
    )


def remarks_on_arms(rows: Sequence[StudyRun]) -> list[Flag]:
    """Ionised runs that contain the ions; blocks too few to say how far blocks differ."""
    found, ions = [], ions_taken_off(rows)
    if contained := ions.contained_in:
        text = (
            f"The charge of {contained} of {ions.runs + contained} ionised runs contains what the ioniser's ions "
            "bring: neither a check of it nor two null grinds with it on tell that. Make some."
        )
        found.append(Flag("ions-included", "doubt", text, {"runs": contained, "of": ions.runs + contained}))
    blocks = {row.block for row in usable(rows)}
    repeated = (
        [a.name for a in arms_of(rows) if len(set(a.block)) == 2 and len(a.block) > 2] if len(blocks) == 2 else []
    )
    if repeated:
        text = (
            f"Two blocks tell little of how far blocks differ, and {', '.join(repeated)} was repeated within them: "
            "intervals take those runs as independent. Add a third block."
        )
        found.append(Flag("two-blocks", "doubt", text, {"blocks": 2, "needed": 3}))
    return found

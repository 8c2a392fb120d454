"""The nouns a study counts in: one run as one row, what was asked, and rows laid out as arrays.

Owns `StudyRun`, `Question` and `Points`. Opens no file and fits nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from chargebench.errors import StudyError
from chargebench.processing.outcome import Estimate

__all__ = [
    "CURVE_TREATMENTS",
    "SAME_DOSE",
    "SIGNED_SHARES",
    "Floats",
    "Points",
    "Question",
    "StudyRun",
    "TakenOff",
    "dose_levels",
    "points_of",
    "usable",
    "why_not",
]

Floats = npt.NDArray[np.float64]

SAME_DOSE = 0.06
"""Doses that differ by no more than this part are repeats of one level."""

CURVE_TREATMENTS = ("dry", "misted")
"""Treatments whose runs lie on one dose curve."""

SIGNED_SHARES = ("gain", "scale", "mass")
"""Causes of shared error in proportion to the charge itself: their shift has the sign of the run's own charge.

Leakage is none of them: near zero it is the bias current's error, which shifts every run the same way.
"""


@dataclass(frozen=True)
class TakenOff:
    """What was taken off a run's charge in its outcome: value, u common to all runs, its degrees of freedom, whence."""

    charge_nC: float
    u_nC: float
    dof: float = float("inf")
    source: str = ""


@dataclass(frozen=True)
class StudyRun:
    """One grind as the study sees it.

    Attributes
    ----------
    run_id, started : str
        Name of the run and its start (UTC, ISO 8601).
    coffee, grinder, setting, block : str
    treatment : str
        ``dry``, ``misted``, ``ionised`` or ``misted+ionised``.
    purpose : str
        ``grind``, ``blank`` or ``purge``.
    water_uL_per_g : float
        Dose: microlitres of water per gram of coffee.
    tells_water : bool
        False where nobody said what was done with water, and the dose is taken to be 0.
    dose_g : float
        Coffee put in; NaN where not told.
    order : int
        Place in the sequence of the session, from 0.
    charge_to_mass : Estimate or None
        Signed, nC/g; the part of its uncertainty that is the run's own.
    shared_u : mapping of str to float
        Standard uncertainties common to several runs, nC/g by cause; they do not average down.
    shared_dof : mapping of str to float
        Their degrees of freedom; infinite where none are told.
    ions : TakenOff or None
        What the outcome has taken off for the ions of an ioniser; nothing else ever takes off more.
    net_charge_nC, collected_mass_g, recovery_percent, grind_time_s, humidity_percent, temperature_C : float
        NaN where the run does not carry them.
    positive_charge_nC, negative_charge_nC : float
        What came in with either sign; NaN where it was not told apart.
    tags : mapping
        All tags as written.
    flags : tuple of str
        Codes.
    worst : str
        Gravest severity among the flags: ``reject``, ``doubt``, ``note`` or empty.
    excluded : str
        Reason for leaving the run out; empty when it counts.
    """

    run_id: str
    started: str
    coffee: str
    grinder: str
    setting: str
    treatment: str
    purpose: str
    water_uL_per_g: float
    dose_g: float
    block: str
    order: int
    charge_to_mass: Estimate | None
    shared_u: Mapping[str, float] = field(default_factory=dict)
    net_charge_nC: float = float("nan")
    collected_mass_g: float = float("nan")
    recovery_percent: float = float("nan")
    grind_time_s: float = float("nan")
    humidity_percent: float = float("nan")
    temperature_C: float = float("nan")
    positive_charge_nC: float = float("nan")
    negative_charge_nC: float = float("nan")
    tags: Mapping[str, str | float] = field(default_factory=dict)
    flags: tuple[str, ...] = ()
    worst: str = ""
    excluded: str = ""
    tells_water: bool = True
    shared_dof: Mapping[str, float] = field(default_factory=dict)
    ions: TakenOff | None = None


@dataclass(frozen=True)
class Question:
    """What was fixed before the runs.

    Attributes
    ----------
    band_nC_per_g : float or None
        Equivalence band Δ; None takes the larger of the detection limit and 5 % of the dry value.
    detection_limit_nC_per_g : float or None
        Of the bench, for the dose in use.
    fraction : float
        Part of the dry |Q/m| that counts as neutralised in the ``fraction`` definition.
    blocks : str
        ``random``, ``fixed`` or ``none``.
    resamples : int
        Bootstrap resamples; 0 leaves the bootstrap out (a live update).
    seed : int
        Of the bootstrap and the permutation tests.
    stop_width_uL_per_g, most_runs : float, int or None
        Stopping rule: width of the 95 % interval of the dose that is narrow enough, number of runs at which to end.
    spray_step_uL_per_g : float or None
        Dose of one spray, where only whole sprays can be given.
    """

    band_nC_per_g: float | None = None
    detection_limit_nC_per_g: float | None = None
    fraction: float = 0.1
    blocks: str = "random"
    resamples: int = 10_000
    seed: int = 20_260_301
    stop_width_uL_per_g: float | None = None
    most_runs: int | None = None
    spray_step_uL_per_g: float | None = None

    def __post_init__(self) -> None:
        """Hold the numbers to their ranges.

        Raises
        ------
        StudyError
            When the band or limit is not positive, or the fraction lies outside 0.01 to 0.9.
        """
        for name in ("band_nC_per_g", "detection_limit_nC_per_g"):
            value = getattr(self, name)
            if value is not None and not value > 0:
                raise StudyError(f"{name}: {value!r} found, a positive number is allowed")
        if not 0.01 <= self.fraction <= 0.9:
            raise StudyError(f"fraction: {self.fraction!r} found, 0.01 to 0.9 is allowed")
        if self.blocks not in ("random", "fixed", "none"):
            raise StudyError(f"blocks: {self.blocks!r} found, random, fixed or none is allowed")


@dataclass(frozen=True, eq=False)
class Points:
    """Runs of one dose curve as arrays, ordered by dose.

    Attributes
    ----------
    dose_uL_per_g, q_nC_per_g, u_nC_per_g : float64 arrays (n,)
        Dose, signed charge-to-mass, the run's own standard uncertainty.
    block : int64 array (n,)
        Number of the block, from 0.
    shared : mapping of str to float64 array (n,)
        For each cause the shift of every run when that cause is one standard uncertainty off.
    run_id : tuple of str
    shared_dof : mapping of str to float
        Degrees of freedom of each cause; infinite where none are told.
    """

    dose_uL_per_g: Floats
    q_nC_per_g: Floats
    u_nC_per_g: Floats
    block: npt.NDArray[np.int64]
    shared: Mapping[str, Floats] = field(default_factory=dict)
    run_id: tuple[str, ...] = ()
    shared_dof: Mapping[str, float] = field(default_factory=dict)

    @cached_property
    def level(self) -> npt.NDArray[np.int64]:
        """Number of the dose level of every run, as `dose_levels` has it; curves are fitted to the doses themselves."""
        return dose_levels(self.dose_uL_per_g)

    @cached_property
    def doses(self) -> Floats:
        """Dose of every level (median of its runs), ascending."""
        return np.array([np.median(self.dose_uL_per_g[self.level == i]) for i in range(int(self.level.max()) + 1)])


def dose_levels(dose_uL_per_g: Floats) -> npt.NDArray[np.int64]:
    """Number of the level of each dose (n,), from 0, ascending.

    Water that is weighed differs a little from run to run: doses within `SAME_DOSE` of the lowest of a level are that
    level. Dry is a level of its own.
    """
    distinct, index = np.unique(dose_uL_per_g, return_inverse=True)
    number, start = np.zeros(len(distinct), dtype=np.int64), 0
    for i in range(1, len(distinct)):
        apart = not distinct[i] <= distinct[start] * (1 + SAME_DOSE)  # NaN, a dose not told, is apart from all
        number[i], start = number[i - 1] + apart, i if apart else start
    found: npt.NDArray[np.int64] = number[index]
    return found


def why_not(row: StudyRun) -> str:
    """Why a run neither counts in an answer nor completes a step of a plan; empty where it may."""
    if row.excluded:
        return row.excluded
    if row.worst == "reject":
        return "rejected: " + " ".join(row.flags)
    return f"not complete: {row.tags['incomplete']}" if "incomplete" in row.tags else ""


def usable(rows: Iterable[StudyRun]) -> list[StudyRun]:
    """Rows that count: a whole grind, not excluded, with a charge-to-mass and no rejecting flag."""
    return [row for row in rows if row.purpose == "grind" and not why_not(row) and row.charge_to_mass is not None]


def points_of(rows: Sequence[StudyRun]) -> Points:
    """Rows as arrays.

    Raises
    ------
    StudyError
        When a row has no charge-to-mass.
    """
    ordered = sorted(rows, key=lambda row: (row.water_uL_per_g, row.order, row.run_id))
    missing = next((row.run_id for row in ordered if row.charge_to_mass is None), None)
    if missing is not None:
        raise StudyError(f"run {missing}: no charge-to-mass found; only runs with one can lie on a dose curve")
    estimates = [row.charge_to_mass for row in ordered if row.charge_to_mass is not None]
    q = np.array([e.value for e in estimates])
    names = sorted({row.block for row in ordered})
    causes = sorted({cause for row in ordered for cause in row.shared_u})
    shared = {cause: np.array([row.shared_u.get(cause, 0.0) for row in ordered]) for cause in causes}
    return Points(
        dose_uL_per_g=np.array([row.water_uL_per_g for row in ordered]),
        q_nC_per_g=q,
        u_nC_per_g=np.array([e.u for e in estimates]),
        block=np.array([names.index(row.block) for row in ordered], dtype=np.int64),
        shared={cause: u * np.sign(q) if cause in SIGNED_SHARES else u for cause, u in shared.items()},
        run_id=tuple(row.run_id for row in ordered),
        shared_dof={
            cause: min(row.shared_dof.get(cause, math.inf) for row in ordered if cause in row.shared_u)
            for cause in causes
        },
    )

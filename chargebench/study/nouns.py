"""What a study's answer is made of: frozen classes that report and screens read, and that go to JSON as they stand.

Owns the shape of ``study --json``; its keys are the fields, in this order. Computes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from chargebench.plain import absent
from chargebench.processing.outcome import Flag, Used
from chargebench.study.band import Band
from chargebench.study.bottleneck import Association, Bottleneck
from chargebench.study.brew import Shift
from chargebench.study.finer import EqualTime
from chargebench.study.fit import LackOfFit
from chargebench.study.next import Next
from chargebench.study.rows import Question
from chargebench.study.sensitivity import Isotonic, Robust
from chargebench.study.treatments import Treatments
from chargebench.study.trends import Trend
from chargebench.study.volunteers import Pooled, TooFew

__all__ = [
    "AboutStudy",
    "Answer",
    "CurveFound",
    "CurvePoints",
    "DoseFound",
    "Doses",
    "Group",
    "LevelFound",
    "NoCurve",
    "NoStudy",
    "Parameter",
    "Residuals",
    "RunRow",
    "ScatterFound",
    "SetAside",
    "StudyAnswer",
]

OpenEnds = tuple[float | None, float | None]
"""Ends of an interval; None where it is open."""


@dataclass(frozen=True)
class SetAside:
    """A run that does not count, and why."""

    run: str
    reason: str


@dataclass(frozen=True)
class LevelFound:
    """All runs at one dose, as `chargebench.study.equivalence.Level` has them; None is what a single run cannot tell.

    ``interval90_nC_per_g``, ``neutral`` and ``sign_changes`` are there where the level was put to a band.
    """

    dose_uL_per_g: float
    n: int
    mean_nC_per_g: float
    sd_nC_per_g: float | None
    rms_nC_per_g: float
    u_nC_per_g: float | None
    dof: float | None
    shared_u_nC_per_g: float
    tolerance_nC_per_g: tuple[float, float] | None
    signs: tuple[int, int]
    blocks: int
    ci95_nC_per_g: OpenEnds | None
    interval90_nC_per_g: OpenEnds | None = absent()
    neutral: bool | None = absent()
    sign_changes: bool | None = absent()


@dataclass(frozen=True)
class ScatterFound:
    """The scatter law of runs, and the variance between blocks over that of runs within."""

    constant_nC_per_g: float
    proportional: float
    dof: int | float | None
    block_ratio: float


@dataclass(frozen=True)
class Parameter:
    """A parameter of a curve; u is None where the runs do not determine it."""

    value: float
    u: float | None


@dataclass(frozen=True)
class CurvePoints:
    """The curve and its pointwise 95 % band, up to the highest tested dose, for figures."""

    dose_uL_per_g: tuple[float, ...]
    mean_nC_per_g: tuple[float | None, ...]
    low_nC_per_g: tuple[float | None, ...]
    high_nC_per_g: tuple[float | None, ...]


@dataclass(frozen=True)
class Residuals:
    """Every run minus the curve."""

    dose_uL_per_g: tuple[float, ...]
    residual_nC_per_g: tuple[float, ...]
    run: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class CurveFound:
    """The curve that doses are read from.

    Attributes
    ----------
    name : str
    interval_spans : tuple of str
        Curves whose intervals are spanned, this one first.
    parameters : mapping of str to Parameter
    dof : int
    residual_scale : float
        Residual standard deviation over that of repeats.
    weights, aicc : mapping of str to float
        Of every curve that was fitted.
    not_fitted : tuple of str
        Why others were not.
    lack_of_fit : LackOfFit or None
    scatter : ScatterFound
    points : CurvePoints
    residuals : Residuals
    bootstrap_selected : mapping of str to float
        How often each curve was selected, in a full answer.
    robust : Robust
        In a full answer.
    isotonic : Isotonic or None
    """

    name: str
    interval_spans: tuple[str, ...]
    parameters: Mapping[str, Parameter]
    dof: int
    residual_scale: float
    weights: Mapping[str, float]
    aicc: Mapping[str, float | None]
    not_fitted: tuple[str, ...]
    lack_of_fit: LackOfFit | None
    scatter: ScatterFound
    points: CurvePoints
    residuals: Residuals
    bootstrap_selected: Mapping[str, float] | None = absent()
    robust: Robust | None = absent()
    isotonic: Isotonic | None


@dataclass(frozen=True)
class NoCurve:
    """Runs that no curve can be fitted to, and what is missing; ``weights`` and ``parameters`` are empty."""

    name: None
    missing: str
    weights: Mapping[str, float]
    parameters: Mapping[str, Parameter]
    scatter: ScatterFound
    not_fitted: tuple[str, ...]
    isotonic: Isotonic | None


@dataclass(frozen=True)
class DoseFound:
    """A neutralising dose by one definition, as `chargebench.study.dose.DoseAnswer` has it.

    The bootstrap interval, and whether it disagrees with the other, are there in a full answer that has both.
    """

    status: str
    value: float | None
    ci95: OpenEnds | None
    bracket: OpenEnds | None
    unit: str
    text: str
    method: str
    bootstrap_ci95: OpenEnds | None = absent()
    intervals_disagree: bool | None = absent()


@dataclass(frozen=True)
class Doses:
    """The neutralising dose by its four definitions."""

    equivalence: DoseFound
    fraction: DoseFound
    limit: DoseFound
    crossing: DoseFound

    def by_name(self) -> Mapping[str, DoseFound]:
        """Each by the name of its definition, the primary one first."""
        return {
            "equivalence": self.equivalence,
            "fraction": self.fraction,
            "limit": self.limit,
            "crossing": self.crossing,
        }


@dataclass(frozen=True)
class Group:
    """What the runs of one coffee on one grinder say.

    Attributes
    ----------
    coffee, grinder : str
    runs : int
        That count.
    set_aside : tuple of SetAside
    dry : LevelFound or None
    levels : tuple of LevelFound
        By dose.
    band : Band or None
    curve : CurveFound or NoCurve or None
        None where no dry or misted run counts; so are ``neutralising_dose`` and ``next``.
    neutralising_dose : Doses or None
    treatments : Treatments or None
        None where no run counts.
    flags : tuple of Flag
    next : Next or None
    trends : tuple of Trend
    brew, particle_sizes : tuple of Shift
    equal_brew_time : tuple of EqualTime
    bottleneck : Bottleneck or None
    """

    coffee: str
    grinder: str
    runs: int
    set_aside: tuple[SetAside, ...]
    dry: LevelFound | None
    levels: tuple[LevelFound, ...]
    band: Band | None
    curve: CurveFound | NoCurve | None
    neutralising_dose: Doses | None
    treatments: Treatments | None
    flags: tuple[Flag, ...]
    next: Next | None
    trends: tuple[Trend, ...] = ()
    brew: tuple[Shift, ...] = ()
    particle_sizes: tuple[Shift, ...] = ()
    equal_brew_time: tuple[EqualTime, ...] = ()
    bottleneck: Bottleneck | None = None

    @property
    def doses(self) -> Mapping[str, DoseFound]:
        """The neutralising dose by the name of each definition; empty where there is none."""
        return {} if self.neutralising_dose is None else self.neutralising_dose.by_name()


@dataclass(frozen=True)
class Answer:
    """The answer to a question: one group for each coffee and grinder in order of first run."""

    question: Question
    groups: tuple[Group, ...]
    across_grinders: Association | None


@dataclass(frozen=True)
class NoStudy:
    """No study file was named."""


@dataclass(frozen=True)
class AboutStudy:
    """What a study file says of its study, and what of its archive it did not ask for.

    Attributes
    ----------
    fixed_on : str or None
        ISO date.
    other_runs, other_runs_of
        How many runs belong to no arm of the study, and of which coffee on which grinder.
    unknown_exclusions : tuple of str
        A sentence for each run that is set aside and not there.
    """

    name: str
    question: str
    archive: str
    band_nC_per_g: float | None
    detection_limit_nC_per_g: float | None
    fraction: float
    fixed_on: str | None
    blocks: int
    dry_per_block: int
    seed: int
    other_runs: int
    other_runs_of: tuple[str, ...]
    unknown_exclusions: tuple[str, ...]


@dataclass(frozen=True)
class RunRow:
    """A run of a study, for tables and figures, with the hash of its raw data; numbers that it has not are None."""

    run: str
    started: str
    coffee: str
    grinder: str
    setting: str
    treatment: str
    purpose: str
    block: str
    order: int
    excluded: str
    worst: str
    water_uL_per_g: float | None
    dose_g: float | None
    collected_mass_g: float | None
    recovery_percent: float | None
    grind_time_s: float | None
    charge_to_mass_nC_per_g: float | None
    u_nC_per_g: float | None
    U95_nC_per_g: float | None
    counts: bool
    flags: tuple[str, ...]
    raw_sha256: str
    recipe: str
    software: str


@dataclass(frozen=True)
class StudyAnswer(Answer):
    """Everything a study says: what ``study --json`` prints and a report is made from.

    Attributes
    ----------
    study : AboutStudy or NoStudy
    runs : tuple of RunRow
    remarks : mapping of str to str
        What each code among the flags of the runs means.
    bench : mapping of str to Used
        What the newest run knew of its bench.
    software : str
    band : str
        Which equivalence band was used and when it was fixed, in words.
    volunteers : mapping of str to Pooled or TooFew
        Where a file of theirs was named.
    """

    study: AboutStudy | NoStudy
    runs: tuple[RunRow, ...]
    remarks: Mapping[str, str]
    bench: Mapping[str, Used]
    software: str
    band: str
    volunteers: Mapping[str, Pooled | TooFew] | None = absent()

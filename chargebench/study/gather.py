"""From an archive to the rows of a study: the one file of this room that opens an `Archive`.

Owns what an outcome looks like as a `StudyRun`. Decides nothing about doses or treatments.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path

from chargebench.archive.archive import Archive, Wanted
from chargebench.errors import RunFileError
from chargebench.plain import finite
from chargebench.processing.outcome import BudgetTerm, Estimate, Outcome, ResultKey, Used
from chargebench.processing.ratio import effective_dof
from chargebench.runs.water import number_of, tells_water, water_dose_uL_per_g
from chargebench.study.nouns import AboutStudy, NoStudy, RunRow
from chargebench.study.plan import make_plan
from chargebench.study.progress import Progress, progress
from chargebench.study.rows import Question, StudyRun, TakenOff, usable
from chargebench.study.sprays import portion
from chargebench.study.studyfile import StudyFile

__all__ = [
    "about_study",
    "detection_limit_nC_per_g",
    "gather",
    "known_of_bench",
    "of_arms",
    "question_of",
    "remarks_of",
    "row_of_outcome",
    "runs_table",
    "study_archive",
    "study_progress",
    "unknown_exclusions",
]


def gather(
    archive: Archive, where: Mapping[str, Wanted] | None = None, excluded: Mapping[str, str] | None = None
) -> tuple[list[StudyRun], list[str]]:
    """Rows of every run of an archive whose tags are as wanted, in order of time.

    Parameters
    ----------
    archive : Archive
        Where the runs are.
    where : mapping of str to value or (low, high), optional
        Tags the runs must have.
    excluded : mapping of str to str, optional
        Reason by run id; such runs stay among the rows, marked.

    Returns
    -------
    rows : list of StudyRun
    problems : list of str
        One sentence for each file that could not be read, and for each that holds the same readings as an earlier one
        that counts, and is not counted again; the others are not held up by it.
    """
    reasons = excluded or {}
    rows: list[StudyRun] = []
    problems = [entry.problem for entry in archive.entries() if entry.problem]
    seen: dict[str, Path] = {}
    for entry in archive.find(where):
        try:
            outcome = archive.outcome(entry.path, set_aside=reasons.keys())
        except RunFileError as error:
            problems.append(str(error))
            continue
        reason = reasons.get(outcome.run_id, "")
        first = entry.path if reason else seen.setdefault(outcome.provenance.raw_sha256, entry.path)
        if first != entry.path:
            problems.append(f"{entry.path}: holds the same readings as {first.name}; it is not counted again")
            continue
        rows.append(row_of_outcome(outcome, order=len(rows), excluded=reason))
    return rows, problems


def of_arms(study: StudyFile, rows: Iterable[StudyRun]) -> tuple[list[StudyRun], list[StudyRun]]:
    """Rows that a study asked for, and the others: coffee, grinder and (where the arm names one) setting of an arm.

    Blanks belong to every arm on their grinder.
    """
    asked: list[StudyRun] = []
    others: list[StudyRun] = []
    for row in rows:
        on_grinder = [arm for arm in study.arm if arm.grinder == row.grinder and arm.setting in ("", row.setting)]
        mine = any(row.purpose == "blank" or arm.coffee == row.coffee for arm in on_grinder)
        (asked if mine else others).append(row)
    return asked, others


def unknown_exclusions(archive: Archive, study: StudyFile) -> list[str]:
    """One sentence for each run that a study sets aside and its archive does not hold: it sets nothing aside."""
    known = {entry.run_id for entry in archive.entries() if entry.run_id}
    said = []
    for run in study.excluded:
        if run not in known:
            near = get_close_matches(run, known, 1, 0.8)
            hint = f"; did you mean {near[0]}?" if near else ""
            said.append(f"[[exclude]] names {run!r}, which is no run of {archive.folder}: nothing is set aside{hint}")
    return said


def row_of_outcome(outcome: Outcome, order: int = 0, excluded: str = "") -> StudyRun:
    """The row of one outcome.

    The uncertainty of charge-to-mass is split by the budget: terms that name a shared cause are kept apart, since they
    do not average down over runs; the rest is the run's own.
    """
    tags = outcome.tags
    ratio, (shared, shared_dof) = outcome.result["charge_to_mass_nC_per_g"], shared_of(outcome.budget)
    own = None
    if ratio is not None:
        common = sum(u * u for u in shared.values())
        own = Estimate(ratio.value, math.sqrt(max(ratio.u**2 - common, 0.0)), ratio.dof or math.inf)
    return StudyRun(
        run_id=outcome.run_id,
        started=outcome.started,
        coffee=str(tags.get("coffee", "")),
        grinder=str(tags.get("grinder", "")),
        setting=str(tags.get("setting", "")),
        treatment=_treatment(tags),
        purpose=str(tags.get("purpose", "grind")),
        water_uL_per_g=water_dose_uL_per_g(tags),
        dose_g=_number(tags, "dose_g"),
        block=str(tags.get("block", "")),
        order=order,
        charge_to_mass=own,
        shared_u=shared,
        net_charge_nC=_value(outcome, "net_charge_nC"),
        positive_charge_nC=_value(outcome, "positive_charge_nC"),
        negative_charge_nC=_value(outcome, "negative_charge_nC"),
        collected_mass_g=_value(outcome, "collected_mass_g"),
        recovery_percent=_value(outcome, "recovery_percent"),
        grind_time_s=_value(outcome, "grind_time_s"),
        humidity_percent=_number(tags, "humidity_percent"),
        temperature_C=_number(tags, "temperature_C"),
        tags=tags,
        flags=tuple(flag.code for flag in outcome.flags),
        worst=outcome.worst or "",
        excluded=excluded,
        tells_water=tells_water(tags),
        shared_dof=shared_dof,
        ions=ions_of(outcome),
    )


def shared_of(budget: Iterable[BudgetTerm]) -> tuple[dict[str, float], dict[str, float]]:
    """Standard uncertainty in nC/g of each shared cause of a budget, and its degrees of freedom where they are few."""
    parts: dict[str, list[tuple[float, float]]] = {}
    for term in budget:
        if term.shared:
            parts.setdefault(term.shared, []).append((abs(term.sensitivity * term.u), term.dof))
    u = {cause: math.hypot(*(part for part, _ in found)) for cause, found in parts.items()}
    return u, {cause: dof for cause, found in parts.items() if math.isfinite(dof := effective_dof(found))}


def ions_of(outcome: Outcome) -> TakenOff | None:
    """What an outcome says that it has taken off for the ions of an ioniser."""
    told = outcome.details.get("ioniser_background")
    if told is None:
        return None
    return TakenOff(told["charge_nC"], told["u_nC"], told["dof"] or math.inf, told["source"])


def _treatment(tags: Mapping[str, str | float]) -> str:
    """As tagged, else what the water says."""
    if "treatment" in tags:
        return str(tags["treatment"])
    return "misted" if water_dose_uL_per_g(tags) > 0 else "dry"


def _number(tags: Mapping[str, str | float], key: str) -> float:
    """A tag's number, NaN where there is none."""
    found = number_of(tags, key)
    return math.nan if found is None else found


def _value(outcome: Outcome, key: ResultKey) -> float:
    estimate = outcome.result[key]
    return math.nan if estimate is None else estimate.value


def study_archive(study: StudyFile, file: Path, archive: Path | None = None) -> Archive:
    """The archive of a study: the one given, else the one its file names, relative to that file.

    Raises
    ------
    ArchiveError
        When there is no such folder.
    """
    return Archive(archive if archive is not None else file.parent / study.study.archive)


def study_progress(study: StudyFile, file: Path, archive: Path | None = None) -> Progress:
    """How far a study's plan has come, by the runs of its archive; an archive that does not exist yet holds none.

    Raises
    ------
    ArchiveError
        When `archive` is given and there is no such folder.
    """
    plan = make_plan(study)
    if archive is None and not (file.parent / study.study.archive).exists():
        return progress(plan, (), study.skipped)
    rows, _ = gather(study_archive(study, file, archive), {"plan": plan.name}, study.excluded)
    return progress(plan, rows, study.skipped)


def detection_limit_nC_per_g(archive: Archive, rows: Iterable[StudyRun]) -> float | None:
    """Largest detection limit of charge-to-mass among the rows: what the bench was known to detect, over the mass.

    None where no run knew the limit of its bench.
    """
    limits, rows = [], list(rows)
    for row in rows:
        known = _outcome(archive, row, rows).provenance.knowledge.get("detection_limit_nC")
        if known is not None and row.collected_mass_g > 0:
            limits.append(float(known.value) / row.collected_mass_g)
    return max(limits, default=None)


def runs_table(archive: Archive, rows: Iterable[StudyRun]) -> tuple[RunRow, ...]:
    """Every run of a study, for tables and figures, with the hash of its raw data."""
    rows = list(rows)
    return tuple(_table_row(row, _outcome(archive, row, rows)) for row in rows)


def _outcome(archive: Archive, row: StudyRun, rows: Iterable[StudyRun]) -> Outcome:
    """The outcome of a run of a study, in which runs that the study sets aside do not speak."""
    return archive.outcome(row.run_id, set_aside=[other.run_id for other in rows if other.excluded])


def _table_row(row: StudyRun, outcome: Outcome) -> RunRow:
    ratio, made = outcome.result["charge_to_mass_nC_per_g"], outcome.provenance
    return RunRow(
        run=row.run_id,
        started=row.started,
        coffee=row.coffee,
        grinder=row.grinder,
        setting=row.setting,
        treatment=row.treatment,
        purpose=row.purpose,
        block=row.block,
        order=row.order,
        excluded=row.excluded,
        worst=row.worst,
        water_uL_per_g=finite(row.water_uL_per_g),
        dose_g=finite(row.dose_g),
        collected_mass_g=finite(row.collected_mass_g),
        recovery_percent=finite(row.recovery_percent),
        grind_time_s=finite(row.grind_time_s),
        charge_to_mass_nC_per_g=None if ratio is None else ratio.value,
        u_nC_per_g=None if ratio is None else ratio.u,
        U95_nC_per_g=None if ratio is None else ratio.U95,
        counts=bool(usable([row])),
        flags=row.flags,
        raw_sha256=made.raw_sha256,
        recipe=f"{made.recipe} {made.recipe_version}",
        software=made.software,
    )


def remarks_of(archive: Archive, rows: Iterable[StudyRun]) -> dict[str, str]:
    """What each code among the flags of these runs means, in the words of the first run that carries it."""
    said: dict[str, str] = {}
    rows = list(rows)
    for row in rows:
        for flag in _outcome(archive, row, rows).flags:
            said.setdefault(flag.code, flag.text)
    return said


def known_of_bench(archive: Archive, rows: Sequence[StudyRun]) -> Mapping[str, Used]:
    """What the newest of the runs knew of its bench: calibrations, limits, each with source and validity."""
    if not rows:
        return {}
    return _outcome(archive, rows[-1], rows).provenance.knowledge


def about_study(study: StudyFile | None, others: Sequence[StudyRun], unknown: Sequence[str]) -> AboutStudy | NoStudy:
    """What a study file says, with the runs that it did not ask for and the runs set aside that are not there."""
    if study is None:
        return NoStudy()
    names = {f"{row.coffee or '(no coffee)'} on {row.grinder or '(no grinder)'}" for row in others}
    told = study.study
    return AboutStudy(
        name=told.name,
        question=told.question,
        archive=told.archive,
        band_nC_per_g=told.band_nC_per_g,
        detection_limit_nC_per_g=told.detection_limit_nC_per_g,
        fraction=told.fraction,
        fixed_on=None if told.fixed_on is None else told.fixed_on.isoformat(),
        blocks=told.blocks,
        dry_per_block=told.dry_per_block,
        seed=told.seed,
        other_runs=len(others),
        other_runs_of=tuple(sorted(names)),
        unknown_exclusions=tuple(unknown),
    )


def question_of(study: StudyFile) -> Question:
    """What a study file fixed beforehand; with a known spray, the next dose is one of whole sprays on the first arm."""
    spray_g = study.water.spray_g
    one = None if spray_g is None else portion(1e-9, study.arm[0].dose_g, spray_g, 0.0, study.water.temperature_C)
    return Question(
        band_nC_per_g=study.study.band_nC_per_g,
        detection_limit_nC_per_g=study.study.detection_limit_nC_per_g,
        fraction=study.study.fraction,
        stop_width_uL_per_g=study.stop.width_uL_per_g,
        most_runs=study.stop.most_runs,
        spray_step_uL_per_g=None if one is None else one.reached_uL_per_g,
    )

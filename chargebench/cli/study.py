"""``chargebench study``: what the runs of a study, or of an archive, say about the dose."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from chargebench import __version__
from chargebench.cli.options import (
    add_archive,
    add_json,
    complain,
    given_tags,
    note_odd_tags,
    positive_number,
    print_json,
)
from chargebench.errors import EXIT_COULD_NOT, EXIT_DONE, StudyError, UsageError

if TYPE_CHECKING:
    from chargebench.archive.archive import Archive, Wanted
    from chargebench.study.nouns import AboutStudy, Answer, Group, NoStudy, RunRow, StudyAnswer
    from chargebench.study.rows import Question
    from chargebench.study.studyfile import StudyFile


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``study``."""
    add_question(parser)
    add_json(parser)


def add_question(parser: argparse.ArgumentParser) -> None:
    """What is asked, of which runs: shared with ``report``."""
    parser.add_argument("study", type=Path, nargs="?", metavar="STUDY", help="the study file (TOML)")
    add_archive(parser, required=False)
    parser.add_argument(
        "--where", action="append", default=[], metavar="KEY=VALUE", help="only runs with this tag (repeatable)"
    )
    parser.add_argument(
        "--band",
        type=positive_number,
        metavar="NC_PER_G",
        help="equivalence band, fixed before the runs (default: the study's, else the larger of the detection limit "
        "and 5 %% of the dry value)",
    )
    parser.add_argument("--volunteers", type=Path, metavar="FILE", help="a CSV of volunteers' brew pairs to pool too")


def run(args: argparse.Namespace) -> int:
    """Gather, answer, print."""
    from chargebench.plain import to_json

    found, problems = answered(args.study, args.archive, args.where, args.band, args.volunteers)
    for problem in problems:
        complain(problem)
    if args.json:
        print_json(to_json(found))
    else:
        print(words(found))
    return EXIT_COULD_NOT if problems else EXIT_DONE


def answered(
    study_file: Path | None,
    archive_folder: Path | None,
    where: Iterable[str] = (),
    band_nC_per_g: float | None = None,
    volunteers: Path | None = None,
) -> tuple[StudyAnswer, list[str]]:
    """The whole answer, and a sentence for each run file that could not be read.

    Raises
    ------
    UsageError
        When neither a study nor an archive is named, or a tag is not acceptable.
    StudyError, ArchiveError, TraceFileError
        When the study file, the archive or the volunteers' file is not acceptable, or no grind is found.
    """
    from dataclasses import replace

    from chargebench.cli.volunteers import contributions_of
    from chargebench.study.volunteers import pooled

    study, archive, question = _asked(study_file, archive_folder)
    if band_nC_per_g is not None:
        question = replace(question, band_nC_per_g=band_nC_per_g)
    found, problems = answer_of(archive, study, question, where)
    if volunteers is not None:
        good, bad = contributions_of(volunteers)
        found = replace(found, volunteers=pooled(good))
        problems += bad
    return found, problems


def answer_of(
    archive: Archive, study: StudyFile | None, question: Question, where: Iterable[str] = ()
) -> tuple[StudyAnswer, list[str]]:
    """The whole answer of an archive's runs, and a sentence for each run file that could not be read.

    Raises
    ------
    StudyError, TagError
        When no grind is found, or a tag in `where` is not acceptable.
    """
    from dataclasses import replace

    from chargebench.study.gather import (
        about_study,
        detection_limit_nC_per_g,
        gather,
        known_of_bench,
        of_arms,
        remarks_of,
        runs_table,
        unknown_exclusions,
    )
    from chargebench.study.nouns import StudyAnswer
    from chargebench.study.whole import whole_answer

    rows, problems = gather(archive, _wanted(where), {} if study is None else study.excluded)
    rows, others = (rows, []) if study is None else of_arms(study, rows)
    if not any(row.purpose == "grind" for row in rows):
        which = f" with {' '.join(where)}" if where else ""
        raise StudyError(f"{archive.folder}: no grinds found{which}; record some, or ask for others")
    limit = question.detection_limit_nC_per_g or detection_limit_nC_per_g(archive, rows)
    question = replace(question, detection_limit_nC_per_g=limit)
    found = whole_answer(rows, question)
    about = about_study(study, others, [] if study is None else unknown_exclusions(archive, study))
    runs = runs_table(archive, rows)
    whole = StudyAnswer(
        question=found.question,
        groups=found.groups,
        across_grinders=found.across_grinders,
        study=about,
        runs=runs,
        remarks=remarks_of(archive, rows),
        bench=known_of_bench(archive, rows),
        software=__version__,
        band=band_words(found, about, runs),
    )
    return whole, problems


def _asked(study_file: Path | None, archive_folder: Path | None) -> tuple[StudyFile | None, Archive, Question]:
    """Study, archive and question from what was named on the command line."""
    from chargebench.archive.archive import Archive
    from chargebench.study.gather import question_of, study_archive
    from chargebench.study.rows import Question
    from chargebench.study.studyfile import read_study

    if study_file is not None:
        study = read_study(study_file)
        return study, study_archive(study, study_file, archive_folder), question_of(study)
    if archive_folder is None:
        raise UsageError("study: name a study file, or an archive with --archive DIR")
    return None, Archive(archive_folder), Question()


def _wanted(where: Iterable[str]) -> Mapping[str, Wanted]:
    wanted = given_tags(list(where), "--where")
    note_odd_tags(wanted, "--where", "no tag that the program knows")
    return wanted


def band_words(found: Answer, study: AboutStudy | NoStudy, runs: Sequence[RunRow]) -> str:
    """Which equivalence band was used and when it was fixed, as far as that is known."""
    from chargebench.study.nouns import AboutStudy

    used = found.question.band_nC_per_g
    if used is None:
        taken = {f"±{g.band.half_width_nC_per_g:.3g} nC/g ({g.band.origin})" for g in found.groups if g.band}
        return (
            f"Equivalence band: none was fixed before the runs; taken from them: {', '.join(sorted(taken)) or 'none'}."
        )
    words = f"Equivalence band: ±{used:g} nC/g"
    told, fixed_on = (study.band_nC_per_g, study.fixed_on) if isinstance(study, AboutStudy) else (None, None)
    if used != told:
        fixed = f"; the study says ±{told:g}" if told else ""
        return f"{words}, given for this answer only{fixed}."
    if not fixed_on:
        return f"{words}, from the study file, which does not say when it was fixed."
    first = min(run.started for run in runs)[:10]
    if fixed_on > first:
        return f"{words}, fixed on {fixed_on}, after the first run ({first}): not before the runs."
    when = "on the day of" if fixed_on == first else "before"
    return f"{words}, fixed on {fixed_on}, {when} the first run ({first})."


def words(found: StudyAnswer) -> str:
    """The answer for people."""
    from chargebench.cli.volunteers import pooled_words
    from chargebench.cli.words import printable, wrapped
    from chargebench.plain import with_texts
    from chargebench.study.nouns import AboutStudy

    found = with_texts(found, printable)  # line ends too: a name may not pass for a line
    parts = [wrapped(found.band)]
    if isinstance(found.study, AboutStudy):
        parts += [wrapped(f"doubt: {text}") for text in found.study.unknown_exclusions]
    parts += [_group(group) for group in found.groups]
    if isinstance(found.study, AboutStudy) and found.study.other_runs:
        kinds = ", ".join(found.study.other_runs_of)
        count = found.study.other_runs
        parts.append(wrapped(f"{count} runs of this archive belong to no arm of the study and were left out: {kinds}"))
    if found.volunteers is not None:
        parts.append(pooled_words(found.volunteers))
    return "\n\n".join(parts)


def _group(group: Group) -> str:
    from chargebench.cli.words import aligned, counted, wrapped
    from chargebench.report.tables import TREATMENTS_TITLE, inside_words, set_aside_rows, treatment_rows
    from chargebench.units import value_and_u

    name = f"{group.coffee or '(coffee not told)'} on {group.grinder or '(grinder not told)'}"
    lines = [wrapped(f"{name}: {counted(group.runs, 'run')}, {len(group.set_aside)} set aside")]
    if group.dry:
        lines.append(f"  dry: {value_and_u(group.dry.mean_nC_per_g, group.dry.u_nC_per_g, 'nC/g')}")
    levels = [("µL/g", "runs", "mean nC/g", "RMS nC/g", "inside the band")]
    for level in group.levels:
        mean, rms = f"{level.mean_nC_per_g:+.2f}", f"{level.rms_nC_per_g:.2f}"
        levels.append((f"{level.dose_uL_per_g:g}", str(level.n), mean, rms, inside_words(level)))
    if len(levels) > 1:
        lines.append(aligned(levels, indent=2))
    for name, dose in group.doses.items():
        lines.append(wrapped(f"  {name}: {dose.status}. {dose.text}"))
    treatments = treatment_rows(group.treatments)
    if treatments:
        lines += [wrapped(f"  {TREATMENTS_TITLE}"), aligned(treatments, indent=2)]
    lines += [wrapped(f"  {item}") for item in _beside(group)]
    aside = set_aside_rows(group)
    if aside:
        lines.append(aligned(aside, indent=2))
    if group.next:
        lines.append(wrapped(f"  next: {group.next.text}"))
    return "\n".join(lines)


def _beside(group: Group) -> Iterator[str]:
    """What else the runs say: the cup, the burrs, trends, and what to know before believing any of it."""
    yield from (item.words for item in (*group.brew, *group.equal_brew_time, *group.particle_sizes))
    if group.bottleneck:
        yield group.bottleneck.words
    yield from (item.words for item in group.trends)
    yield from (f"{flag.severity}: {flag.text}" for flag in group.flags)

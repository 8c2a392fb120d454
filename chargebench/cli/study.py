"""``chargebench study``: what the runs of a study, or of an archive, say about the dose."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

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
    from chargebench.archive.archive import Archive
    from chargebench.study.rows import Question, StudyRun
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
    found, problems = answered(args.study, args.archive, args.where, args.band, args.volunteers)
    for problem in problems:
        complain(problem)
    if args.json:
        print_json(found)
    else:
        print(words(found))
    return EXIT_COULD_NOT if problems else EXIT_DONE


def answered(
    study_file: Path | None,
    archive_folder: Path | None,
    where: Iterable[str] = (),
    band_nC_per_g: float | None = None,
    volunteers: Path | None = None,
) -> tuple[dict[str, Any], list[str]]:
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
        found["volunteers"] = pooled(good)
        problems += bad
    return found, problems


def answer_of(
    archive: Archive, study: StudyFile | None, question: Question, where: Iterable[str] = ()
) -> tuple[dict[str, Any], list[str]]:
    """The whole answer of an archive's runs, and a sentence for each run file that could not be read.

    Raises
    ------
    StudyError, TagError
        When no grind is found, or a tag in `where` is not acceptable.
    """
    from dataclasses import replace

    from chargebench.study.gather import (
        detection_limit_nC_per_g,
        gather,
        known_of_bench,
        remarks_of,
        runs_table,
        unknown_exclusions,
    )
    from chargebench.study.whole import whole_answer

    rows, problems = gather(archive, _wanted(where), {} if study is None else study.excluded)
    rows, about = _of_study(study, rows)
    if study is not None:
        about["unknown_exclusions"] = unknown_exclusions(archive, study)
    if not any(row.purpose == "grind" for row in rows):
        which = f" with {' '.join(where)}" if where else ""
        raise StudyError(f"{archive.folder}: no grinds found{which}; record some, or ask for others")
    limit = question.detection_limit_nC_per_g or detection_limit_nC_per_g(archive, rows)
    question = replace(question, detection_limit_nC_per_g=limit)
    found = whole_answer(rows, question)
    beside = {"study": about, "runs": runs_table(archive, rows), "remarks": remarks_of(archive, rows)}
    found = {**found, **beside, "bench": known_of_bench(archive, rows), "software": __version__}
    return {**found, "band": band_words(found)}, problems


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


def _wanted(where: Iterable[str]) -> Mapping[str, Any]:
    wanted = given_tags(list(where), "--where")
    note_odd_tags(wanted, "--where", "no tag that the program knows")
    return wanted


def _of_study(study: StudyFile | None, rows: list[StudyRun]) -> tuple[list[StudyRun], dict[str, Any]]:
    """Rows that the study asked for, and what its file says of it, with the other runs of the archive counted."""
    from chargebench.study.gather import of_arms

    if study is None:
        return rows, {}
    asked, others = of_arms(study, rows)
    names = {f"{row.coffee or '(no coffee)'} on {row.grinder or '(no grinder)'}" for row in others}
    about = {"other_runs": len(others), "other_runs_of": sorted(names)}
    return asked, {**study.study.model_dump(mode="json"), **about}


def band_words(found: Mapping[str, Any]) -> str:
    """Which equivalence band was used and when it was fixed, as far as that is known."""
    study, used = found["study"], found["question"]["band_nC_per_g"]
    if used is None:
        taken = {
            f"±{g['band']['half_width_nC_per_g']:.3g} nC/g ({g['band']['origin']})"
            for g in found["groups"]
            if g["band"]
        }
        return (
            f"Equivalence band: none was fixed before the runs; taken from them: {', '.join(sorted(taken)) or 'none'}."
        )
    words = f"Equivalence band: ±{used:g} nC/g"
    if used != study.get("band_nC_per_g"):
        fixed = f"; the study says ±{study['band_nC_per_g']:g}" if study.get("band_nC_per_g") else ""
        return f"{words}, given for this answer only{fixed}."
    if not study.get("fixed_on"):
        return f"{words}, from the study file, which does not say when it was fixed."
    first = min(run["started"] for run in found["runs"])[:10]
    if study["fixed_on"] > first:
        return f"{words}, fixed on {study['fixed_on']}, after the first run ({first}): not before the runs."
    when = "on the day of" if study["fixed_on"] == first else "before"
    return f"{words}, fixed on {study['fixed_on']}, {when} the first run ({first})."


def words(found: Mapping[str, Any]) -> str:
    """The answer for people."""
    from chargebench.cli.volunteers import pooled_words

    found = _printable(found)
    from chargebench.cli.words import wrapped

    parts = [wrapped(found["band"])]
    parts += [wrapped(f"doubt: {text}") for text in found["study"].get("unknown_exclusions", ())]
    parts += [_group(group) for group in found["groups"]]
    others = found["study"].get("other_runs")
    if others:
        kinds = ", ".join(found["study"]["other_runs_of"])
        parts.append(wrapped(f"{others} runs of this archive belong to no arm of the study and were left out: {kinds}"))
    if "volunteers" in found:
        parts.append(pooled_words(found["volunteers"]))
    return "\n\n".join(parts)


def _printable(found: Any) -> Any:
    """Every text in an answer made harmless for a terminal, line ends included: a name may not pass for a line."""
    from chargebench.cli.words import printable

    if isinstance(found, str):
        return printable(found)
    if isinstance(found, Mapping):
        return {key: _printable(value) for key, value in found.items()}
    return [_printable(value) for value in found] if isinstance(found, list | tuple) else found


def _group(group: Mapping[str, Any]) -> str:
    from chargebench.cli.words import aligned, counted, wrapped
    from chargebench.report.tables import TREATMENTS_TITLE, set_aside_rows, treatment_rows
    from chargebench.units import value_and_u

    coffee, grinder = (group[key] or f"({key} not told)" for key in ("coffee", "grinder"))
    lines = [wrapped(f"{coffee} on {grinder}: {counted(group['runs'], 'run')}, {len(group['set_aside'])} set aside")]
    if group["dry"]:
        dry = group["dry"]
        lines.append(f"  dry: {value_and_u(dry['mean_nC_per_g'], dry['u_nC_per_g'], 'nC/g')}")
    levels = [("µL/g", "runs", "mean nC/g", "RMS nC/g", "inside the band")]
    for level in group["levels"]:
        inside = {True: "yes", False: "no", None: "—"}[level.get("neutral")]
        if level.get("sign_changes"):
            inside = "not neutral: sign changes from run to run"
        mean, rms = f"{level['mean_nC_per_g']:+.2f}", f"{level['rms_nC_per_g']:.2f}"
        levels.append((f"{level['dose_uL_per_g']:g}", str(level["n"]), mean, rms, inside))
    if len(levels) > 1:
        lines.append(aligned(levels, indent=2))
    for name, dose in (group["neutralising_dose"] or {}).items():
        lines.append(wrapped(f"  {name}: {dose['status']}. {dose['text']}"))
    treatments = treatment_rows(group["treatments"])
    if treatments:
        lines += [wrapped(f"  {TREATMENTS_TITLE}"), aligned(treatments, indent=2)]
    lines += [wrapped(f"  {item}") for item in _beside(group)]
    aside = set_aside_rows(group)
    if aside:
        lines.append(aligned(aside, indent=2))
    if group.get("next"):
        lines.append(wrapped(f"  next: {group['next']['text']}"))
    return "\n".join(lines)


def _beside(group: Mapping[str, Any]) -> Iterator[str]:
    """What else the runs say: the cup, the burrs, trends, and what to know before believing any of it."""
    for key in ("brew", "equal_brew_time", "particle_sizes"):
        yield from (item["text"] for item in group[key])
    if group["bottleneck"]:
        yield group["bottleneck"]["text"]
    yield from (item["text"] for item in group["trends"])
    yield from (f"{flag['severity']}: {flag['text']}" for flag in group["flags"])

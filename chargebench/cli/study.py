"""``chargebench study``: what the runs of a study, or of an archive, say about the dose."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from chargebench import __version__
from chargebench.cli.options import add_archive, add_json, positive_number, print_json
from chargebench.errors import EXIT_COULD_NOT, EXIT_DONE, UsageError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``study``."""
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
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Gather, answer, print."""
    found, problems = answered(args.study, args.archive, args.where, args.band)
    for problem in problems:
        print(f"chargebench: {problem}", file=sys.stderr)
    if args.json:
        print_json(found)
    else:
        print(words(found))
    return EXIT_COULD_NOT if problems else EXIT_DONE


def answered(
    study_file: Path | None, archive_folder: Path | None, where: Iterable[str], band_nC_per_g: float | None
) -> tuple[dict[str, Any], list[str]]:
    """The whole answer, and a sentence for each run file that could not be read.

    Raises
    ------
    UsageError
        When neither a study nor an archive is named.
    StudyError, ArchiveError, TagError
        When the study file, the archive or a tag is not acceptable.
    """
    from dataclasses import replace

    from chargebench.archive.archive import Archive
    from chargebench.runs.tags import read_tags
    from chargebench.study.gather import (
        detection_limit_nC_per_g,
        gather,
        known_of_bench,
        question_of,
        runs_table,
        study_archive,
    )
    from chargebench.study.rows import Question
    from chargebench.study.studyfile import read_study
    from chargebench.study.whole import whole_answer

    wanted: Mapping[str, Any] = read_tags(list(where))
    study = None if study_file is None else read_study(study_file)
    if study is not None and study_file is not None:
        archive, excluded, question = (
            study_archive(study, study_file, archive_folder),
            study.excluded,
            question_of(study),
        )
    elif archive_folder is not None:
        archive, excluded, question = Archive(archive_folder), {}, Question()
    else:
        raise UsageError("study: name a study file, or an archive with --archive DIR")
    rows, problems = gather(archive, wanted, excluded)
    limit = detection_limit_nC_per_g(archive, rows)
    question = replace(question, detection_limit_nC_per_g=question.detection_limit_nC_per_g or limit)
    if band_nC_per_g is not None:
        question = replace(question, band_nC_per_g=band_nC_per_g)
    found = whole_answer(rows, question)
    about = {} if study is None else study.study.model_dump(mode="json")
    beside = {"study": about, "runs": runs_table(archive, rows), "bench": known_of_bench(archive, rows)}
    return {**found, **beside, "software": __version__}, problems


def words(found: Mapping[str, Any]) -> str:
    """The answer for people."""
    from chargebench.cli.words import printable

    parts = [_group(group) for group in found["groups"]]
    return printable_lines("\n\n".join(parts), printable) if parts else "no grinds found; record some, or widen --where"


def printable_lines(text: str, printable: Any) -> str:
    """Every line made harmless for a terminal."""
    return "\n".join(printable(line) for line in text.splitlines())


def _group(group: Mapping[str, Any]) -> str:
    from chargebench.cli.words import aligned
    from chargebench.units import value_text

    lines = [f"{group['coffee']} on {group['grinder']}: {group['runs']} runs, {len(group['set_aside'])} set aside"]
    if group["dry"]:
        dry = group["dry"]
        lines.append(f"  dry: {value_text(dry['mean_nC_per_g'], dry['u_nC_per_g'], 'nC/g')}")
    levels = [("  µL/g", "runs", "mean nC/g", "RMS nC/g", "inside the band")]
    for level in group["levels"]:
        inside = {True: "yes", False: "no", None: "—"}[level.get("neutral")]
        if level.get("sign_changes"):
            inside = "not neutral: sign changes from run to run"
        mean, rms = f"{level['mean_nC_per_g']:+.2f}", f"{level['rms_nC_per_g']:.2f}"
        levels.append((f"  {level['dose_uL_per_g']:g}", str(level["n"]), mean, rms, inside))
    lines.append(aligned(levels))
    for name, dose in (group["neutralising_dose"] or {}).items():
        lines.append(f"  {name}: {dose['status']}. {dose['text']}")
    lines += [f"  {item['text']}" for key in ("brew", "particle_sizes", "trends") for item in group[key]]
    lines += [f"  {flag['severity']}: {flag['text']}" for flag in group["flags"]]
    if group.get("next"):
        lines.append(f"  next: {group['next']['text']}")
    return "\n".join(lines)

"""``chargebench plan``: the runs of a study in order, what is done, what comes next."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from chargebench.cli.options import add_json, complain, positive_number, print_json, whole_number
from chargebench.errors import EXIT_DONE, ArchiveError, StudyError, UsageError

if TYPE_CHECKING:
    from chargebench.study.progress import Progress
    from chargebench.study.repeats import Need
    from chargebench.study.studyfile import StudyFile
    from chargebench.study.told import Upcoming


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``plan``."""
    parser.add_argument("study", type=Path, metavar="STUDY", help="the study file (TOML)")
    parser.add_argument("--archive", type=Path, metavar="DIR", help="the folder of runs (default: as the study says)")
    parser.add_argument("--next", action="store_true", help="only the next run and what comes before it")
    parser.add_argument(
        "--skip", type=whole_number, metavar="STEP", help="note in the study that this step is left out"
    )
    parser.add_argument("--set-aside", metavar="RUN", help="note in the study that this run does not count")
    parser.add_argument("--reason", metavar="TEXT", help="why, for --skip and --set-aside")
    parser.add_argument(
        "--difference", type=positive_number, metavar="NC_PER_G", help="count the repeats that show this difference"
    )
    parser.add_argument(
        "--scatter",
        type=positive_number,
        metavar="NC_PER_G",
        help="scatter between runs to count repeats with (default: what the archive has shown)",
    )
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Note what is to be noted, then print the plan."""
    from chargebench.plain import to_json
    from chargebench.study.gather import study_progress
    from chargebench.study.studyfile import read_study
    from chargebench.study.told import next_told, plan_told

    study = read_study(args.study)
    if args.skip is not None or args.set_aside:
        study = _note(args, study)
    found = study_progress(study, args.study, args.archive)
    for text in _unknown(args, study):
        complain(text)
    needs = [] if args.next else _needs(args, study)
    if args.json:
        print_json(to_json(next_told(found, needs) if args.next else plan_told(found, needs)))
    elif args.next:
        _print_next(found)
    else:
        _print_plan(found)
        for need in needs:
            print(f"repeats {need.words}")
    return EXIT_DONE


def _needs(args: argparse.Namespace, study: StudyFile) -> list[Need]:
    """Repeats for the difference asked for and for the study's band, where a scatter is stated or was seen."""
    from chargebench.study.gather import gather, study_archive
    from chargebench.study.repeats import for_difference, for_equivalence, scatter_seen

    if args.scatter is not None:
        scatters = [(args.scatter, "stated")] * 2
    else:
        try:
            rows, _ = gather(study_archive(study, args.study, args.archive), None, study.excluded)
            scatters = [scatter_seen(rows), scatter_seen(rows, near_zero=True)]
        except (ArchiveError, StudyError) as error:
            if args.difference is None:
                return []
            raise UsageError(f"--difference needs --scatter NC_PER_G here: {error}") from error
    band = study.study.band_nC_per_g
    asked = [] if args.difference is None else [for_difference(args.difference, *scatters[0])]
    return asked if band is None else [*asked, for_equivalence(band, *scatters[1])]


def _unknown(args: argparse.Namespace, study: StudyFile) -> list[str]:
    """What the study sets aside and its archive, if there is one yet, does not hold."""
    from chargebench.study.gather import study_archive, unknown_exclusions

    try:
        return unknown_exclusions(study_archive(study, args.study, args.archive), study)
    except ArchiveError:
        return []


def _note(args: argparse.Namespace, study: StudyFile) -> StudyFile:
    """Add what is left out to the study file, once it is sure that there is such a thing."""
    from chargebench.study.gather import study_archive
    from chargebench.study.plan import make_plan
    from chargebench.study.studyfile import append_entry

    if not args.reason:
        raise UsageError("--skip and --set-aside need --reason TEXT: what is left out is left out for a reason")
    if args.skip is not None:
        steps = {step.number for step in make_plan(study).steps if step.recorded}
        if args.skip not in steps or args.skip in study.skipped:
            state = "is skipped already" if args.skip in study.skipped else "is no run of this plan"
            raise UsageError(f"{args.study}: step {args.skip} {state}; runs are steps {_ranges(steps)}")
        study = append_entry(args.study, "skip", {"step": args.skip, "reason": args.reason})
    if args.set_aside:
        archive = study_archive(study, args.study, args.archive)
        try:
            run = archive.path_of(args.set_aside).stem
        except ArchiveError as error:
            raise UsageError(f"--set-aside: {error}") from error
        if run in study.excluded:
            raise UsageError(f"{args.study}: run {run} is set aside already: {study.excluded[run]}")
        study = append_entry(args.study, "exclude", {"run": run, "reason": args.reason})
    print(f"noted in {args.study}: {args.reason}", file=sys.stderr)
    return study


def _ranges(numbers: Iterable[int]) -> str:
    """Whole numbers in words: ``1–3, 5``."""
    parts: list[list[int]] = []
    for number in sorted(numbers):
        if parts and number == parts[-1][-1] + 1:
            parts[-1].append(number)
        else:
            parts.append([number])
    return ", ".join(str(p[0]) if len(p) == 1 else f"{p[0]}–{p[-1]}" for p in parts)


def _print_plan(found: Progress) -> None:
    from chargebench.cli.words import aligned, printable, said_once

    rows = [("step", "block", "coffee", "grinder", "what to do", "state", "runs")]
    for standing in found.standings:
        step = standing.step
        state = standing.state if step.recorded else ""
        why = f" ({printable(standing.reason)})" if standing.reason else ""
        names = (printable(step.coffee), printable(step.grinder))
        rows.append((str(step.number), str(step.block), *names, step.words, state + why, " ".join(standing.runs)))
    arm, rest = said_once(rows, (2, 3))
    print("\n".join([*([" on ".join(arm)] if arm else []), aligned(rest)]))
    plan = found.plan
    grams = ", ".join(f"{mass_g:g} g of {printable(coffee)}" for coffee, mass_g in plan.coffee_g.items())
    minutes = f"about {found.left_s / 60:.0f} of {plan.bench_time_s / 60:.0f} min at the bench are left"
    print(f"\n{found.done} of {plan.runs} runs done; {minutes}; {grams} in all")
    for remark in plan.remarks:
        print(f"doubt: {printable(remark)}")
    errors = [s.step.water.error_uL_per_g for s in found.standings if s.step.water.sprays]
    if errors:
        print(
            f"whole sprays miss the wanted dose by at most {max(map(abs, errors)):.1f} µL/g; tags say what is reached"
        )
    _print_next(found)


def _print_next(found: Progress) -> None:
    following = found.next_run()
    if following is None:
        print("nothing left to record in this plan")
        return
    for step in found.before_next():
        print(f"before it: {step.words}")
    print(f"next: step {following.number}, {following.coffee} on {following.grinder}, {following.words}")


def upcoming(study_file: Path, archive: Path | None = None) -> Upcoming:
    """What comes next in a plan.

    Raises
    ------
    StudyError, ArchiveError
        When the study or its archive cannot be read.
    """
    from chargebench.study.gather import study_progress
    from chargebench.study.studyfile import read_study
    from chargebench.study.told import upcoming_told

    return upcoming_told(study_progress(read_study(study_file), study_file, archive))

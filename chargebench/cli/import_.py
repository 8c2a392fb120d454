"""``chargebench import``: runs made of plain traces from other loggers, one at a time or a list of them."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING

from chargebench.cli.options import add_archive, add_json, add_tags, complain, given_tags, note_odd_tags, print_json
from chargebench.errors import EXIT_COULD_NOT, EXIT_DONE, TraceFileError, UsageError

if TYPE_CHECKING:
    from chargebench.archive.archive import Archive
    from chargebench.archive.import_traces import Imported
    from chargebench.processing.outcome import Outcome
    from chargebench.runs.run import TagValue


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``import``."""
    add_archive(parser)
    parser.add_argument(
        "--charge", type=Path, metavar="FILE", help="charge or current: columns time_s and charge_nC or current_nA"
    )
    parser.add_argument("--mass", type=Path, metavar="FILE", help="mass on the same clock: columns time_s and mass_g")
    parser.add_argument(
        "--list",
        type=Path,
        metavar="FILE",
        help="many at once: columns charge_file, mass_file, started and any tags, one run a row",
    )
    parser.add_argument(
        "--started", metavar="TIME", help="when the run began, such as 2026-03-14T09:15:00Z (default: now)"
    )
    parser.add_argument(
        "--bench", type=Path, metavar="FILE", help="the bench file whose calibration holds for these traces"
    )
    add_tags(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Import and answer; in a list, a bad row is named and the rest is done."""
    from chargebench.archive.archive import Archive
    from chargebench.archive.import_traces import start_words

    if (args.charge is None) == (args.list is None):
        raise UsageError("import: give either --charge FILE or --list FILE")
    if args.list is not None and (args.mass or args.started):
        raise UsageError("import: with --list, mass files and start times stand in the list")
    try:
        start_words(args.started)
    except TraceFileError as error:
        raise UsageError(f"--{error}") from error
    tags = given_tags(args.tag)
    note_odd_tags(tags)
    archive = Archive(args.archive, create=True)
    code, shown = EXIT_DONE, []
    for item in _imported(args, archive, tags):
        if words := item.problem or item.note:
            complain(words)
        if item.path is None:
            code = EXIT_COULD_NOT
        else:
            shown.append(archive.outcome(item.path))
            _show(shown[-1], args.json, single=args.list is None)
    if args.list is not None and not args.json:
        from chargebench.cli.words import runs_table

        print(runs_table(shown) if shown else "no run was imported")
    return code


def _imported(args: argparse.Namespace, archive: Archive, tags: dict[str, TagValue]) -> Iterator[Imported]:
    """What became of each run."""
    from chargebench.archive.import_traces import Importer, import_list, run_from_traces
    from chargebench.instruments.benchfile import read_bench

    bench = None if args.bench is None else read_bench(args.bench)
    text = "" if bench is None else bench.text
    known = None if bench is None else cache(partial(archive.knowledge, bench))
    if args.list is None:
        run = run_from_traces(args.charge, args.mass, tags, args.started, text, known)
        yield Importer(archive)(run, args.started)
    else:
        yield from import_list(archive, args.list, tags, text, known)


def _show(outcome: Outcome, as_json: bool, single: bool) -> None:
    if as_json:
        print_json(outcome.as_json())
    elif single:
        from chargebench.cli.words import run_card

        print(run_card(outcome))

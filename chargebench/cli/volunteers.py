"""``chargebench volunteers``: brew pairs of many people, checked row by row and pooled."""

from __future__ import annotations

import argparse
import csv
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from chargebench.cli.options import add_json, complain, print_json
from chargebench.cli.words import counted, wrapped
from chargebench.errors import EXIT_COULD_NOT, EXIT_DONE, StudyError, UsageError
from chargebench.runs.text import safe_in_a_table, visible

if TYPE_CHECKING:
    from chargebench.study.volunteers import Contribution, Pooled, TooFew


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``volunteers``."""
    parser.add_argument(
        "file",
        type=Path,
        metavar="FILE",
        help="CSV with the columns grinder, bottleneck, dry_s, misted_s (contributor)",
    )
    parser.add_argument(
        "--add",
        nargs=4,
        metavar=("GRINDER", "BOTTLENECK", "DRY_S", "MISTED_S"),
        help="add one pair to the file first; bottleneck is yes, no or unknown",
    )
    parser.add_argument("--contributor", default="", metavar="NAME", help="who measured the pair that is added")
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Add a pair if asked to, then pool the file.

    Raises
    ------
    UsageError
        When a contributor is named, but no pair to add.
    """
    from chargebench.plain import to_json
    from chargebench.study.volunteers import COLUMNS, Volunteers, pooled

    if args.contributor and not args.add:
        raise UsageError("--contributor: says who measured the pair that is added; give --add with it")
    if args.add:
        add_pair(args.file, dict(zip(COLUMNS, args.add, strict=True)), args.contributor)
    good, bad = contributions_of(args.file)
    for problem in bad:
        complain(problem)
    found = Volunteers(len(good), tuple(bad), pooled(good))
    if args.json:
        print_json(to_json(found))
    else:
        print(f"{counted(len(good), 'brew pair')}\n{pooled_words(found.pooled)}")
    return EXIT_COULD_NOT if bad else EXIT_DONE


def contributions_of(file: Path) -> tuple[list[Contribution], list[str]]:
    """Good contributions of a CSV file, and a sentence for each bad row.

    Raises
    ------
    TraceFileError, StudyError
        When the file cannot be read as a table, or a column is missing.
    """
    from chargebench.archive.trace_file import read_table
    from chargebench.study.volunteers import COLUMNS, read_contributions

    table = read_table(file, ragged=True)
    missing = [name for name in COLUMNS if name not in table.header]
    if missing:
        raise StudyError(f"{file}: no column {missing[0]!r} in the header; needed are {', '.join(COLUMNS)}")
    width = len(table.header)
    ragged = {
        line: f"line {line}: {counted(len(cells), 'cell')} found where the header has {width}"
        for line, cells in table.rows
        if len(cells) != width
    }
    whole = ((line, dict(zip(table.header, cells, strict=True))) for line, cells in table.rows if line not in ragged)
    good, bad = read_contributions(whole)
    return good, [f"{file}: {problem}" for problem in (*bad, *ragged.values())]


def add_pair(file: Path, cells: Mapping[str, str], contributor: str) -> None:
    """Append one checked pair, in the columns of the file; a new file gets its header line.

    Raises
    ------
    StudyError
        When the pair is not acceptable, a name would act in a spreadsheet, or the file has no column to keep the
        contributor in.
    """
    from chargebench.archive.trace_file import read_table
    from chargebench.study.volunteers import COLUMNS, contribution

    contribution(cells)
    for what, name in (("contributor", contributor), ("grinder", cells["grinder"])):
        if not safe_in_a_table(name):
            raise StudyError(
                f"{what} {visible(name, 60)!r}: a spreadsheet would not take it for a name; allowed is text that "
                "begins with none of = + - @ and holds no control characters"
            )
    new = not file.exists()
    table = None if new else read_table(file, ragged=True)
    names = ("contributor", *COLUMNS) if table is None else table.header
    if contributor and "contributor" not in names:
        found = ", ".join(names)
        raise StudyError(
            f"{file}: no column 'contributor' to keep {contributor!r} in, found {found}; add it to the file"
        )
    delimiter = "," if table is None else table.delimiter
    with file.open("a", encoding="utf-8", newline="") as out:
        writer = csv.DictWriter(out, names, extrasaction="ignore", delimiter=delimiter, lineterminator="\n")
        if new:
            writer.writeheader()
        writer.writerow({"contributor": contributor, **cells})


def pooled_words(pooled: Mapping[str, Pooled | TooFew]) -> str:
    """Pooled brew times in words, over all contributors and by what they say of their grinder."""
    lines = ["misted over dry brew time, random effects over contributors"]
    from chargebench.study.volunteers import TooFew

    for name, group in pooled.items():
        who = counted(group.contributors, "contributor")
        label = "all" if name == "all" else f"bottleneck {name}"
        if isinstance(group, TooFew):
            lines.append(f"  {label:<19} {who}: {group.reason}")
            continue
        low, high = group.ci95
        spread = f"spread between people {100 * group.tau:.0f} %"
        ratio = f"{group.ratio:.3f}, 95 % interval {low:.3f} to {high:.3f}"
        lines.append(f"  {label:<19} {who}: {ratio}, {spread}")
    return wrapped("\n".join(lines))

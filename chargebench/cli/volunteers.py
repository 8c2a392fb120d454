"""``chargebench volunteers``: brew pairs of many people, checked row by row and pooled."""

from __future__ import annotations

import argparse
import csv
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from chargebench.cli.options import add_json, print_json
from chargebench.errors import EXIT_COULD_NOT, EXIT_DONE, StudyError

if TYPE_CHECKING:
    from chargebench.study.volunteers import Contribution


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
    """Add a pair if asked to, then pool the file."""
    from chargebench.study.volunteers import COLUMNS, pooled

    if args.add:
        _add(args.file, dict(zip(COLUMNS, args.add, strict=True)), args.contributor)
    good, bad = contributions_of(args.file)
    for problem in bad:
        print(f"chargebench: {problem}", file=sys.stderr)
    found: dict[str, Any] = {"contributions": len(good), "bad_rows": bad, "pooled": pooled(good)}
    if args.json:
        print_json(found)
    else:
        print(f"{len(good)} brew pairs\n{pooled_words(found['pooled'])}")
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

    table = read_table(file)
    missing = [name for name in COLUMNS if name not in table.header]
    if missing:
        raise StudyError(f"{file}: no column {missing[0]!r} in the header; needed are {', '.join(COLUMNS)}")
    rows = ((line, dict(zip(table.header, cells, strict=True))) for line, cells in table.rows)
    good, bad = read_contributions(rows)
    return good, [f"{file}: {problem}" for problem in bad]


def _add(file: Path, cells: Mapping[str, str], contributor: str) -> None:
    """Append one checked pair, in the columns of the file; a new file gets its header line."""
    from chargebench.archive.trace_file import read_table
    from chargebench.study.volunteers import COLUMNS, contribution

    contribution(cells)
    new = not file.exists()
    table = None if new else read_table(file)
    names = ("contributor", *COLUMNS) if table is None else table.header
    delimiter = "," if table is None else table.delimiter
    with file.open("a", encoding="utf-8", newline="") as out:
        writer = csv.DictWriter(out, names, extrasaction="ignore", delimiter=delimiter, lineterminator="\n")
        if new:
            writer.writeheader()
        writer.writerow({"contributor": contributor, **cells})


def pooled_words(pooled: Mapping[str, Any]) -> str:
    """Pooled brew times in words, over all contributors and by what they say of their grinder."""
    lines = ["misted over dry brew time, random effects over contributors, 95 % intervals"]
    for name, group in pooled.items():
        label = "all" if name == "all" else f"bottleneck {name}"
        if "reason" in group:
            lines.append(f"  {label:<19} {group['contributors']} contributors: {group['reason']}")
            continue
        low, high = group["ci95"]
        spread = f"spread between people {100 * group['tau']:.0f} %"
        ratio = f"{group['ratio']:.3f} [{low:.3f}, {high:.3f}]"
        lines.append(f"  {label:<19} {group['contributors']} contributors: {ratio}, {spread}")
    return "\n".join(lines)

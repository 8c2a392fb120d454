"""``chargebench report``: a study written up as one self-contained HTML file or a PDF."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from chargebench.cli.options import complain
from chargebench.cli.study import add_question, answered
from chargebench.errors import EXIT_COULD_NOT, EXIT_DONE, UsageError
from chargebench.files import replace_file

if TYPE_CHECKING:
    from chargebench.study.nouns import StudyAnswer


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``report``."""
    add_question(parser)
    parser.add_argument("--out", type=Path, required=True, metavar="FILE", help="what to write: NAME.html or NAME.pdf")


def run(args: argparse.Namespace) -> int:
    """Write the report; a file of that name is replaced only once the new one is whole."""
    kind = args.out.suffix.lower()
    if kind not in (".html", ".pdf"):
        raise UsageError(f"--out {args.out}: found the ending {kind!r}, .html and .pdf are allowed")
    if not args.out.parent.is_dir():
        raise UsageError(f"--out {args.out}: there is no folder {args.out.parent}; make it first, or name another")
    found, problems = answered(args.study, args.archive, args.where, args.band, args.volunteers)
    replace_file(args.out, _made(found, kind))
    for problem in problems:
        complain(problem)
    print(args.out)
    return EXIT_COULD_NOT if problems else EXIT_DONE


def _made(found: StudyAnswer, kind: str) -> bytes:
    if kind == ".pdf":
        from chargebench.report.paper import pdf

        return pdf(found)
    from chargebench.report.page import html

    return html(found).encode("utf-8")

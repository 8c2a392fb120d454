"""``chargebench archive``: look after a folder of runs. One word for each thing that can be done with it."""

from __future__ import annotations

import argparse

from chargebench.cli.options import add_archive, add_json, print_json
from chargebench.errors import EXIT_COULD_NOT, EXIT_DONE


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``archive`` and its words."""
    words = parser.add_subparsers(dest="word", metavar="WORD", required=True)
    text = "name every damaged, doubled or strange file of an archive; nothing is changed"
    verify = words.add_parser("verify", help=text, description=text[0].upper() + text[1:] + ".")
    add_archive(verify)
    verify.add_argument(
        "--deep", action="store_true", help="assemble each run from its own journal again and compare (slower)"
    )
    add_json(verify)


def run(args: argparse.Namespace) -> int:
    """Verify; 1 where anything was found."""
    from chargebench.archive.archive import Archive
    from chargebench.archive.verify import verify
    from chargebench.cli.lines import FindingLine
    from chargebench.cli.words import counted, printable, wrapped
    from chargebench.plain import to_json

    archive, found = Archive(args.archive), 0
    for finding in verify(archive, args.deep):
        found += 1
        if args.json:
            print_json(to_json(FindingLine(str(finding.path), finding.text)))
        else:
            text = finding.text.replace(f"{finding.path}: ", "")  # an error names its file itself
            print(wrapped(f"{printable(finding.path.name)}: {printable(text)}"))
    if not args.json:
        depth = "assembled from their journals again" if args.deep else "checked"
        runs = len(archive.run_paths())
        print(f"{counted(runs, 'run file')} {depth}: " + (counted(found, "finding") if found else "nothing found"))
    return EXIT_COULD_NOT if found else EXIT_DONE

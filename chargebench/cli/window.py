"""``chargebench window``: the window over an archive, with a bench file if there is one."""

from __future__ import annotations

import argparse
from pathlib import Path

from chargebench.cli.options import add_archive

THEMES = ("light", "dark")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``window``."""
    parser.add_argument(
        "--bench", type=Path, metavar="FILE", help="the bench file (TOML); can be chosen in the window too"
    )
    add_archive(parser, required=False)
    parser.add_argument("--plan", type=Path, metavar="STUDY", help="a study whose plan is followed")
    parser.add_argument("--theme", choices=THEMES, help="light or dark (default: as the desktop has it)")


def run(args: argparse.Namespace) -> int:
    """Open the window and return when it is closed."""
    from chargebench.desktop.app import run_window

    return run_window(args.bench, args.archive, plan=args.plan, theme=args.theme)

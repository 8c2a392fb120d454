"""``chargebench show``: what a run, or every run of a folder, says."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from chargebench.cli.options import add_json, complain, print_json
from chargebench.errors import EXIT_COULD_NOT, EXIT_DONE, ArchiveError, ChargebenchError, RunFileError

if TYPE_CHECKING:
    from chargebench.processing.outcome import Outcome


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``show``."""
    parser.add_argument(
        "path", type=Path, nargs="+", metavar="PATH", help="a run file, or a folder of them (repeatable)"
    )
    add_json(parser)
    parser.add_argument("--budget", action="store_true", help="print the uncertainty budget of each run as well")
    parser.add_argument(
        "--recipe", type=Path, metavar="FILE", help="a recipe (TOML) to process with instead of the built-in one"
    )


def run(args: argparse.Namespace) -> int:
    """Show one run or many; a run that cannot be read is named and the rest is shown."""
    files, code = list(dict.fromkeys(file for path in args.path for file in run_files(path))), EXIT_DONE
    shown: list[Outcome] = []
    for outcome in _outcomes(files, args.recipe):
        if isinstance(outcome, ChargebenchError):
            complain(str(outcome))
            code = EXIT_COULD_NOT
        elif args.json:
            print_json(outcome.as_json())
        else:
            shown.append(outcome)
    _print_words(shown, single=len(files) == 1, budget=args.budget)
    return code


def run_files(path: Path) -> list[Path]:
    """The run file named, or those of the folder named, in order of time.

    Raises
    ------
    RunFileError, ArchiveError
        When there is nothing of that name, or no run in the folder.
    """
    if path.is_dir():
        from chargebench.recording.segments import journals_in

        files = sorted(path.glob("*.h5"))
        if files:
            return files
        if journals_in(path):
            raise ArchiveError(
                f"{path}: no run file (*.h5) yet, but a journal waits to be sealed; "
                "'chargebench record' does that when it starts"
            )
        raise ArchiveError(f"{path}: no run file (*.h5) in this folder; record one with 'chargebench record'")
    if not path.exists():
        raise RunFileError(f"{path}: no such file or folder; expected a run file (*.h5) or a folder of them")
    return [path]


def _outcomes(files: list[Path], recipe_file: Path | None) -> Iterator[Outcome | ChargebenchError]:
    """The outcome of each run, or the error in its place."""
    from chargebench.archive.archive import Archive
    from chargebench.processing.recipe import DEFAULT, process, read_recipe
    from chargebench.runs.load import load_run

    recipe = DEFAULT if recipe_file is None else read_recipe(recipe_file)
    for file in files:
        try:
            if len(files) > 1:  # a whole archive: outcomes kept beside their runs are the same, and there at once
                yield Archive(file.parent).outcome(file, recipe)
            else:
                yield process(load_run(file), recipe)
        except (RunFileError, ArchiveError) as error:
            yield error


def _print_words(outcomes: list[Outcome], *, single: bool, budget: bool) -> None:
    from chargebench.cli.words import budget_table, printable, run_card, runs_table, wrapped

    if not outcomes:
        return
    if not single:
        print(runs_table(outcomes))
    for outcome in outcomes:
        if single:
            print(run_card(outcome))
        if budget:
            print("\n" + wrapped(f"uncertainty budget of charge to mass, {printable(outcome.run_id)}"))
            print(budget_table(outcome))

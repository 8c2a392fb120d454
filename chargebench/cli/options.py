"""Options that several commands share, and how they are read. Imports nothing heavy."""

from __future__ import annotations

import argparse
import json
import math
import os
import signal
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from chargebench.errors import TagError, UsageError

if TYPE_CHECKING:
    from chargebench.runs.tags import TagValue

__all__ = [
    "SPEEDS",
    "add_archive",
    "add_bench",
    "add_json",
    "add_tags",
    "complain",
    "given_tags",
    "note_odd_tags",
    "number_in",
    "positive_number",
    "print_json",
    "signals_as_ctrl_c",
    "silence_stdout",
    "whole_number",
]

_AMBIGUOUS = ("mass", "below", "brew")
"""First words that more than one known tag begins with, or that say too little."""
SPEEDS = (1.0, 50.0)
"""Times real speed that the virtual bench can run at."""


def add_bench(parser: argparse.ArgumentParser) -> None:
    """``--bench FILE``."""
    parser.add_argument("--bench", type=Path, required=True, metavar="FILE", help="the bench file (TOML)")


def add_archive(parser: argparse.ArgumentParser, *, required: bool = True) -> None:
    """``--archive DIR``."""
    parser.add_argument("--archive", type=Path, required=required, metavar="DIR", help="the folder that keeps the runs")


def add_tags(parser: argparse.ArgumentParser) -> None:
    """``--tag KEY=VALUE``, any number of them."""
    parser.add_argument(
        "--tag",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help="what the run is: coffee, grinder, setting, dose_g, water_uL_per_g, treatment, block, … (repeatable)",
    )


def given_tags(words: Iterable[str], option: str = "--tag") -> dict[str, TagValue]:
    """Tags of an option that was given any number of times.

    Raises
    ------
    UsageError
        When one is not acceptable.
    """
    from chargebench.runs.tags import read_tags

    try:
        return read_tags(words)
    except TagError as error:
        raise UsageError(f"{option}: {error}; `chargebench tags` lists them") from error


def complain(text: str) -> None:
    """A sentence on standard error, wrapped where that is a terminal, one line where it is not."""
    text = "chargebench: " + " ".join(text.split())
    if sys.stderr.isatty():
        from chargebench.cli.words import wrapped

        text = wrapped(text, os.get_terminal_size(sys.stderr.fileno()).columns)
    print(text, file=sys.stderr)


def note_odd_tags(keys: Iterable[str], option: str = "--tag", what: str = "kept as a tag of your own") -> None:
    """A note on standard error for each tag that is kept as it is, but nearly has the name of one that is known."""
    from difflib import get_close_matches

    from chargebench.runs.tags import TAGS

    lower = {key.lower(): key for key in TAGS}
    bare = {key.partition("_")[0]: key for key in TAGS if "_" in key and key.partition("_")[0] not in _AMBIGUOUS}
    for key in keys:
        if key in TAGS:
            continue
        near = get_close_matches(key.lower(), lower, 1, 0.8)
        known = bare.get(key.lower()) or (lower[near[0]] if near else "")
        if known:
            complain(f"{option} {key}: {what}; did you mean {known}?")


def add_json(parser: argparse.ArgumentParser) -> None:
    """``--json`` and ``--json-schema``, which needs no other argument."""
    parser.add_argument("--json", action="store_true", help="one JSON object a line on standard output")
    parser.add_argument(
        "--json-schema", action=_PrintSchema, nargs=0, help="print the schema of such an object, with its version"
    )


class _PrintSchema(argparse.Action):
    """Prints the schema of the parser's command and ends, as ``--help`` does."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from importlib.resources import files

        command = parser.prog.split()[1]
        text = files("chargebench.cli").joinpath("schemas", f"{command}.json").read_text(encoding="utf-8")
        sys.stdout.write(text)
        parser.exit()


def positive_number(text: str) -> float:
    """A finite number above zero, for argparse."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0 < value < math.inf:
        raise argparse.ArgumentTypeError(f"{text!r}: expected a number above 0")
    return value


def number_in(low: float, high: float) -> Callable[[str], float]:
    """A number of a range, both ends allowed, for argparse."""

    def read(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(f"{text!r}: expected a number from {low:g} to {high:g}")
        return value

    return read


def whole_number(text: str) -> int:
    """A whole number from 0, for argparse."""
    if not (text.isascii() and text.isdigit()):
        raise argparse.ArgumentTypeError(f"{text!r}: expected a whole number from 0")
    return int(text)


def print_json(value: Mapping[str, Any]) -> None:
    """One object on one line, flushed, so that a reader of the pipe has it at once."""
    sys.stdout.write(json.dumps(value, allow_nan=False) + "\n")
    sys.stdout.flush()


@contextmanager
def signals_as_ctrl_c() -> Iterator[None]:
    """Inside, a polite request to end and a closed terminal are taken as Ctrl-C."""

    def interrupt(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    names = [name for name in ("SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, name)]
    before = {name: signal.signal(getattr(signal, name), interrupt) for name in names}
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)


def silence_stdout() -> None:
    """Point standard output at nothing, so that the interpreter's last flush does not complain about a closed pipe."""
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, sys.stdout.fileno())
    os.close(nothing)

"""The command line: which commands there are, and how every one of them ends.

Owns the table of commands, exit codes in practice (see `chargebench.errors`), broken pipes, Ctrl-C and what no one
foresaw (one line, and the rest in a log). A command lives in a module of its own with ``add_arguments(parser)`` and
``run(args) -> int``; only the module of the command that was asked for is imported, so that ``--help`` answers without
numpy, HDF5 or Qt.
"""

from __future__ import annotations

import argparse
import importlib
import sys
from collections.abc import Mapping, Sequence
from types import ModuleType
from typing import Final

from chargebench import __version__
from chargebench.cautions import IN_BRIEF
from chargebench.cli.options import complain, silence_stdout
from chargebench.errors import EXIT_COULD_NOT, EXIT_DONE, EXIT_USAGE, ChargebenchError
from chargebench.unforeseen import threads_told, told

__all__ = ["main"]

COMMANDS: Final[Mapping[str, tuple[str, str]]] = {
    "demo": ("chargebench.cli.demo", "record a short series on the built-in virtual bench and answer it"),
    "record": ("chargebench.cli.record", "record runs from the bench's instruments into an archive"),
    "show": ("chargebench.cli.show", "show what a run, or every run of a folder, says"),
    "tags": ("chargebench.cli.tags", "list the tags a run can have, with unit, range and use"),
    "archive": ("chargebench.cli.archive", "look after a folder of runs: verify what it holds"),
    "qualify": ("chargebench.cli.qualify", "check the bench: zero, leakage, gain, sprayer, ioniser or blank"),
    "import": ("chargebench.cli.import_", "make sealed runs of plain traces (CSV) from other loggers"),
    "plan": ("chargebench.cli.plan", "list a study's runs in fair order, what is done and what comes next"),
    "study": ("chargebench.cli.study", "say what the runs of a study, or of an archive, tell about the dose"),
    "report": ("chargebench.cli.report", "write a study up as one HTML file or PDF, with figures"),
    "volunteers": ("chargebench.cli.volunteers", "check and pool brew times, dry and misted, of many people"),
    "window": ("chargebench.cli.window", "open the window: live traces, tags, answers"),
    "virtual": ("chargebench.cli.virtual", "serve the virtual bench on ports of its own, to practise with"),
}

_DESCRIPTION = "Measures the static charge of freshly ground coffee, from bytes on a wire to a dose with its interval."


class _Parser(argparse.ArgumentParser):
    """A parser that never guesses at shortened options and answers wrong usage with exit code 2."""

    def __init__(self, **options: object) -> None:
        super().__init__(allow_abbrev=False, **options)  # type: ignore[arg-type]


def build_parser(chosen: str | None) -> tuple[argparse.ArgumentParser, ModuleType | None]:
    """The whole parser, with the arguments of the chosen command only, and that command's module."""
    parser = _Parser(prog="chargebench", description=_DESCRIPTION, epilog=IN_BRIEF)
    parser.add_argument("--version", action="version", version=f"chargebench {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    module = None
    for name, (module_name, text) in COMMANDS.items():
        command = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".", epilog=IN_BRIEF)
        if name == chosen:
            module = importlib.import_module(module_name)
            module.add_arguments(command)
    return parser, module


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code: 0 done, 1 could not do it, 2 wrong usage."""
    words = list(sys.argv[1:] if argv is None else argv)
    chosen = next((word for word in words if not word.startswith("-")), None)
    _speak_utf8()
    with threads_told(lambda line: _say(line, EXIT_COULD_NOT)):
        return _run(words, chosen)


def _run(words: Sequence[str], chosen: str | None) -> int:
    try:
        parser, module = build_parser(chosen)
        args = parser.parse_args(words)
        if module is None:
            return EXIT_USAGE
        code = int(module.run(args))
        sys.stdout.flush()
    except ChargebenchError as error:
        return _say(str(error), error.exit_code)
    except BrokenPipeError:
        silence_stdout()
        return EXIT_DONE
    except KeyboardInterrupt:
        return _say("stopped by Ctrl-C; what had been recorded is kept", EXIT_COULD_NOT)
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        return _say(f"{where}{error.strerror or error}; check the path, its permissions and the disk", EXIT_COULD_NOT)
    except Exception as error:  # noqa: BLE001 - whatever it is, a person gets one line and the log the rest
        return _say(told((type(error), error, error.__traceback__)), EXIT_COULD_NOT)
    return code


def _say(text: str, code: int) -> int:
    """One sentence on standard error."""
    complain(text)
    return code


def _speak_utf8() -> None:
    """Write UTF-8 whatever the locale says, so that ``µ`` and ``±`` never end a run."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="replace")

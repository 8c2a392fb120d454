"""``chargebench record``: the recorder process. It alone owns the ports and writes the journal.

This file joins the rooms: bench file and tags in, the recorder in the middle, the finishing child behind it, words or
JSON lines out, for whose reader nothing here waits. The window starts this very command with ``--json --control`` and
speaks to it in lines of JSON.
"""

from __future__ import annotations

import argparse
import json
import signal
import sys
import threading
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

from chargebench.bounded import JsonObject
from chargebench.cli.keyboard import lines, listen, somebody_types
from chargebench.cli.options import (
    add_archive,
    add_bench,
    add_json,
    add_tags,
    complain,
    given_tags,
    note_odd_tags,
    positive_number,
    print_json,
    whole_number,
)
from chargebench.cli.printer import Printer
from chargebench.cli.screen import Screen
from chargebench.cli.todo import Todo
from chargebench.cli.words import counted
from chargebench.errors import EXIT_COULD_NOT, EXIT_DONE, UsageError

if TYPE_CHECKING:
    from chargebench.cli.finisher import Finisher
    from chargebench.cli.planned import Planned
    from chargebench.recording.segments import Row

SET_BY_PLAN = frozenset({"coffee", "grinder", "setting", "dose_g", "treatment", "purpose", "water_uL_per_g", "block"})

Commands = SimpleQueue[JsonObject]
Event = Mapping[str, Any]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``record``."""
    add_bench(parser)
    add_archive(parser)
    add_tags(parser)
    parser.add_argument(
        "--runs",
        type=whole_number,
        metavar="N",
        help="stop after N runs (default: go on until Ctrl-C; 0 only seals what an earlier recorder left behind)",
    )
    parser.add_argument(
        "--give-up",
        type=positive_number,
        metavar="SECONDS",
        help="give up when a run has not ended this long after it was waited for",
    )
    parser.add_argument(
        "--without",
        action="append",
        default=[],
        metavar="INSTRUMENT",
        help="go on although this instrument of the bench file delivers nothing (repeatable)",
    )
    parser.add_argument(
        "--timed",
        type=positive_number,
        metavar="SECONDS",
        help="begin a run that cannot be seen (a blank, a bench without a scale) by itself when ready, and end it so "
        " long after",
    )
    parser.add_argument("--plan", type=Path, metavar="STUDY", help="take the runs of this study's plan in order")
    parser.add_argument("--repeat", metavar="STEP", help="begin by repeating this step of the plan")
    parser.add_argument("--reason", metavar="TEXT", help="why the step is repeated; kept with the run")
    add_json(parser)
    parser.add_argument(
        "--control", action="store_true", help="take commands as JSON lines on standard input (used by the window)"
    )


def run(args: argparse.Namespace) -> int:
    """Recover what an earlier recorder left, then record."""
    from chargebench.cli.finisher import Finisher
    from chargebench.instruments.benchfile import read_bench
    from chargebench.recording.recover import fallback_folder, recover
    from chargebench.runs.disk import make_folder

    if args.repeat and not (args.plan and args.reason):
        raise UsageError("--repeat needs --plan STUDY and --reason TEXT: a repeat is recorded with its reason")
    tags = given_tags(args.tag)
    note_odd_tags(tags)
    bench = read_bench(args.bench)
    asks = not (args.json or args.control) and somebody_types()
    todo = _todo(args, bench, tags, asks=asks)
    make_folder(args.archive)
    commands: Commands = SimpleQueue()
    screen = Screen(todo)
    show, rest = (print_json, lambda: None) if args.json else (screen.show, screen.rest)
    emit = Printer(show, gone=lambda: commands.put({"do": "stop"}), rest=rest)
    finisher = Finisher()
    try:
        failed = recover((args.archive, fallback_folder()), finisher, emit)
        if args.runs == 0:
            return EXIT_COULD_NOT if failed else EXIT_DONE
        return _follow(args, bench, tags, finisher, _Ears(todo, emit, commands, args.timed), asks=asks)
    except KeyboardInterrupt:  # before recording has begun to listen for it
        finisher.close(at_once=True)
        raise
    finally:
        finisher.close()
        emit.close()


def _todo(args: argparse.Namespace, bench: Any, tags: Mapping[str, str | float], *, asks: bool) -> Todo:
    """What a person is led by.

    Raises
    ------
    UsageError
        When the bench has no instrument of the name to go on without, or nobody can begin and end a blank.
    """
    for name in args.without:
        if name not in bench.instruments:
            raise UsageError(
                f"--without {name}: {args.bench} has no such instrument; it has {', '.join(bench.instruments)}"
            )
    weighs = any("mass" in i.carries for n, i in bench.instruments.items() if n not in args.without)
    purpose = str(tags.get("purpose", "grind"))
    if purpose == "blank":
        _check_blanks(args, asks=asks)
    return Todo(asks=asks, weighs=weighs, purpose=purpose, timed_s=args.timed, study=str(args.plan or ""))


def _check_blanks(args: argparse.Namespace, *, asks: bool) -> None:
    if not (asks or args.control or args.timed):
        raise UsageError(
            "a blank is begun and ended with Enter, and no terminal is here to press it: add --timed SECONDS"
        )


def _follow(
    args: argparse.Namespace,
    bench: Any,
    tags: Mapping[str, str | float],
    finisher: Finisher,
    ears: _Ears,
    *,
    asks: bool,
) -> int:
    """Record, following a plan where there is one."""
    if args.plan is None:
        return _record(args, bench, tags, finisher, ears, None, asks=asks)
    from chargebench.cli.planned import Planned

    _check_plan(args, tags)
    planned = Planned(finisher, args.plan, args.archive, tags, ears, ears.commands, asks=asks or args.control)
    first = planned.first(args.repeat, args.reason)
    if planned.through:
        ears.close()
        print(f"{args.plan}: nothing is left to record; --repeat STEP does one again", file=sys.stderr)
        return EXIT_DONE
    if planned.blanks:
        _check_blanks(args, asks=asks)
    return _record(args, bench, first, planned, ears, planned, asks=asks)


class _Ears:
    """Hears every event before it is printed: what is to be done next follows from it, and what the clock begins."""

    def __init__(self, todo: Todo, emit: Printer, commands: Commands, timed_s: float | None) -> None:
        self.todo, self.commands, self.unsealed = todo, commands, 0
        self._emit, self._timed_s = emit, timed_s

    def __call__(self, event: Event) -> None:
        """Take one event."""
        self.todo.hear(event)
        self.unsealed += event.get("code") == "not-sealed"
        if event.get("state") == "armed" and self._timed_s is not None and self.todo.unseen:
            self.commands.put({"do": "start", "seconds": self._timed_s})
        self._emit(event)

    def answer(self, words: str) -> None:
        """Answer what was typed, line by line."""
        for line in words.splitlines():
            self({"event": "typed", "text": line})

    def close(self) -> None:
        """Wait until all is printed."""
        self._emit.close()


def _record(
    args: argparse.Namespace,
    bench: Any,
    tags: Mapping[str, str | float],
    finish: Callable[[Row], JsonObject],
    ears: _Ears,
    planned: Planned | None,
    *,
    asks: bool,
) -> int:
    from chargebench.archive.archive import Archive
    from chargebench.recording.ready import Ready
    from chargebench.recording.recorder import Recorder

    knowledge = Archive(args.archive).knowledge(bench, datetime.now(UTC).date())
    ready = Ready(bench.instruments, args.without, planned=planned is not None)
    recorder = Recorder(bench, args.archive, tags, knowledge, finish, ears, ears.commands, ready)
    _stop_on_signals(ears.commands)
    if args.control:
        words = lines(sys.stdin.fileno())
        threading.Thread(target=_listen, args=(words, ears.commands), daemon=True, name="control").start()
    elif asks:
        listen(ears.todo, ears.commands.put, ears.answer)
    done = recorder.record(runs=args.runs, give_up_s=args.give_up)
    ears.close()
    if ears.unsealed:
        complain(f"not sealed: {ears.unsealed}; what there is of them is sealed at the next start")
        return EXIT_COULD_NOT
    if args.runs is not None and done < args.runs and not (planned and planned.through):
        complain(f"stopped after {done} of {counted(args.runs, 'run')}; start again to go on")
        return EXIT_COULD_NOT
    return EXIT_DONE


def _check_plan(args: argparse.Namespace, tags: Mapping[str, str | float]) -> None:
    """Runs of a plan go where its study looks for them, and their tags are the plan's.

    Raises
    ------
    UsageError
        When the archive is not the study's, or a tag is given that the plan sets.
    """
    from chargebench.study.studyfile import read_study

    own = args.plan.parent / read_study(args.plan).study.archive
    if own.resolve() != args.archive.resolve():
        raise UsageError(
            f"--archive {args.archive}: {args.plan} keeps its runs in {own}; record there, or change the study"
        )
    taken = sorted(SET_BY_PLAN & set(tags))
    if taken and not args.control:  # the window hands over its form, which the plan then fills
        raise UsageError(f"--tag {taken[0]}: the plan sets it; leave it out, or record without --plan")


def _stop_on_signals(commands: Commands) -> None:
    """Ctrl-C, a polite end and a closed terminal all stop the recorder in good order."""

    def stop(number: int, frame: object) -> None:
        commands.put({"do": "stop"})

    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), stop)


def _listen(lines: Iterable[str], commands: Commands) -> None:
    """Pass on commands line by line; the end of the input means that nobody is left to command."""
    for line in lines:
        try:
            command = json.loads(line)
        except ValueError:
            command = None
        if isinstance(command, dict) and isinstance(command.get("do"), str):
            commands.put(command)
        else:
            complain(f'command {line.strip()[:200]!r}: expected a JSON object with "do"')
    commands.put({"do": "stop"})

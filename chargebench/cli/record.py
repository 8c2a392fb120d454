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
from typing import Any

from chargebench.cli.options import (
    add_archive,
    add_bench,
    add_json,
    add_tags,
    note_odd_tags,
    positive_number,
    print_json,
    whole_number,
)
from chargebench.cli.printer import Printer
from chargebench.errors import EXIT_COULD_NOT, EXIT_DONE, StudyError, UsageError

SET_BY_PLAN = frozenset({"coffee", "grinder", "setting", "dose_g", "treatment", "purpose", "water_uL_per_g", "block"})

Commands = SimpleQueue[dict[str, Any]]
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
    from chargebench.cli.planned import Planned
    from chargebench.instruments.benchfile import read_bench
    from chargebench.recording.disk import make_folder
    from chargebench.recording.recover import fallback_folder, recover
    from chargebench.runs.tags import read_tags

    if args.repeat and not (args.plan and args.reason):
        raise UsageError("--repeat needs --plan STUDY and --reason TEXT: a repeat is recorded with its reason")
    tags = read_tags(args.tag)
    note_odd_tags(tags)
    bench = read_bench(args.bench)
    make_folder(args.archive)
    commands: Commands = SimpleQueue()
    emit = Printer(print_json if args.json else _words, gone=lambda: commands.put({"do": "stop"}))
    finisher = Finisher()
    try:
        failed = recover((args.archive, fallback_folder()), finisher, emit)
        if args.runs == 0:
            return EXIT_COULD_NOT if failed else EXIT_DONE
        if args.plan is None:
            return _record(args, bench, tags, finisher, emit, commands)
        _check_plan(args, tags)
        planned = Planned(finisher, args.plan, args.archive, tags, emit, commands)
        return _record(args, bench, planned.first(args.repeat, args.reason), planned, emit, commands)
    except KeyboardInterrupt:  # before recording has begun to listen for it
        finisher.close(at_once=True)
        raise
    finally:
        finisher.close()
        emit.close()


def _record(
    args: argparse.Namespace,
    bench: Any,
    tags: Mapping[str, str | float],
    finisher: Callable[[Path], dict[str, Any]],
    emit: Printer,
    commands: Commands,
) -> int:
    from chargebench.archive.archive import Archive
    from chargebench.recording.recorder import Recorder

    knowledge = Archive(args.archive).knowledge(bench, datetime.now(UTC).date())
    unsealed: list[Event] = []

    def watched(event: Event) -> None:
        if event.get("code") == "not-sealed":
            unsealed.append(event)
        emit(event)

    recorder = Recorder(bench, args.archive, tags, knowledge, finish=finisher, emit=watched, commands=commands)
    _stop_on_signals(commands)
    if args.control:
        threading.Thread(target=_listen, args=(sys.stdin, commands), daemon=True, name="control").start()
    done = recorder.record(runs=args.runs, give_up_s=args.give_up)
    emit.close()
    if unsealed:
        print(
            f"chargebench: not sealed: {len(unsealed)}; what there is of them is sealed at the next start",
            file=sys.stderr,
        )
        return EXIT_COULD_NOT
    if args.runs is not None and done < args.runs:
        print(f"chargebench: stopped after {done} of {args.runs} runs; start again to go on", file=sys.stderr)
        return EXIT_COULD_NOT
    return EXIT_DONE


def _check_plan(args: argparse.Namespace, tags: Mapping[str, str | float]) -> None:
    """Runs of a plan go where its study looks for them, and their tags are the plan's.

    Raises
    ------
    StudyError
        When the archive is not the study's.
    UsageError
        When a tag is given that the plan sets.
    """
    from chargebench.study.studyfile import read_study

    own = args.plan.parent / read_study(args.plan).study.archive
    if own.resolve() != args.archive.resolve():
        raise StudyError(
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
            print(f'chargebench: command {line.strip()[:200]!r}: expected a JSON object with "do"', file=sys.stderr)
    commands.put({"do": "stop"})


def _words(event: Event) -> None:
    """One event for a person at a terminal."""
    from chargebench.cli.words import printable, run_card

    if "quiet_s" in event:  # said again each second for whoever counts; a terminal would only scroll
        return
    if "result" in event:
        text = run_card(event)
    elif event["event"] == "state":
        text = f"{event['state']:<9} {event.get('text', '')}"
    elif event["event"] in ("recovered", "sealed", "journal"):
        text = {"recovered": "recovered", "sealed": "sealed", "journal": "recording to"}[
            event["event"]
        ] + f" {printable(event['path'])}"
    else:
        words = [str(event[key]) for key in ("instrument", "severity", "text") if event.get(key)]
        told = len(words) > 1 and words[-1].startswith(f"{words[0]}: ")  # the text names the instrument itself
        text = printable(": ".join(words[1:] if told else words))
    print(text, flush=True)

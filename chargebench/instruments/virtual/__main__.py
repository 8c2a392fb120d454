"""The virtual bench in a process of its own, commanded by JSON lines on stdin and answering in JSON lines on stdout.

First comes ``{"event": "ready", "bench": …, "truth": …}``; each command gives ``{"event": "done", "do": …, …}`` with
what it truly did, or ``{"event": "error", "text": …}``; a bench that cannot begin says such an error first, and ends
with 1. Commands::

    {"do": "grind", "dose_g": 18, "water_uL_per_g": 20, "treatment": "misted", "purpose": "grind", "setting": "filter"}
    {"do": "empty_cup"}   {"do": "inject", "charge_nC": 100}   {"do": "set_ioniser", "on": true}
    {"do": "spray", "count": 10}   {"do": "touch"}   {"do": "zero"}   {"do": "restart", "off_s": 1.0}
    {"do": "now"}   {"do": "stop"}

The end of stdin means stop, and so does a reader of stdout that went away.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from pathlib import Path
from typing import Any

from chargebench.errors import EXIT_COULD_NOT, EXIT_DONE, ChargebenchError
from chargebench.instruments.virtual import SCENARIOS, VirtualBench

_COMMANDS: dict[str, frozenset[str]] = {
    "grind": frozenset({"dose_g", "water_uL_per_g", "treatment", "purpose", "setting"}),
    "empty_cup": frozenset(),
    "inject": frozenset({"charge_nC"}),
    "spray": frozenset({"count"}),
    "set_ioniser": frozenset({"on"}),
    "touch": frozenset(),
    "zero": frozenset(),
    "restart": frozenset({"off_s"}),
}


def _say(event: str, **values: Any) -> None:
    print(json.dumps({"event": event, **values}), flush=True)


def _obey(bench: VirtualBench, line: str) -> bool:
    """Do one command and answer; False for stop."""
    try:
        command = json.loads(line)
        do = command.pop("do")
    except (ValueError, AttributeError, KeyError):
        _say("error", text=f'command {line.strip()!r}: expected a JSON object with "do"')
        return True
    if do == "stop":
        return False
    if do == "now":
        _say("done", do=do, now_s=bench.now_s, dropped_bytes=bench.dropped_bytes)
        return True
    if do not in _COMMANDS or not _COMMANDS[do].issuperset(command):
        allowed = "; ".join(f"{name} {', '.join(sorted(keys))}".strip() for name, keys in _COMMANDS.items())
        _say("error", text=f"command {line.strip()!r}: allowed {allowed}; now; stop")
        return True
    try:
        _say("done", do=do, **getattr(bench, do)(**command))
    except (ChargebenchError, TypeError) as error:
        _say("error", text=str(error))
    return True


def main(arguments: list[str] | None = None) -> int:
    """Run until told to stop; returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m chargebench.instruments.virtual", description=__doc__)
    parser.add_argument("--folder", type=Path, required=True, help="where bench.toml and truth.jsonl go")
    parser.add_argument("--speed", type=float, default=10.0, help="virtual seconds per second, 1 to 50")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--scenario", choices=sorted(SCENARIOS), default="quarry")
    parser.add_argument("--transport", choices=("auto", "pty", "socket"), default="auto")
    given = parser.parse_args(arguments)
    try:
        return _serve(given)
    except ChargebenchError as error:
        _say("error", text=str(error))
        return error.exit_code
    except OSError as error:
        where = error.filename or given.folder
        _say("error", text=f"{where}: {error.strerror or error}; choose a folder that can be written")
        return EXIT_COULD_NOT


def _serve(given: argparse.Namespace) -> int:
    """The bench, until it is told to stop or nobody is left to tell."""
    options = {name: getattr(given, name) for name in ("scenario", "seed", "speed", "transport")}
    with VirtualBench(given.folder, **options) as bench:
        try:
            _say("ready", bench=str(bench.bench_path), truth=str(bench.truth_path))
            for line in sys.stdin:
                if line.strip() and not _obey(bench, line):
                    break
            _say("stopped", dropped_bytes=bench.dropped_bytes)
        except BrokenPipeError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return EXIT_DONE


if __name__ == "__main__":
    sys.exit(main())

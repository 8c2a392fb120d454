"""``chargebench virtual``: the virtual bench on ports of its own, to practise recording and checking with.

Grinds by itself in a steady rhythm, so that ``chargebench record`` in another terminal finds runs unaided; or holds
still and does what is typed, so that checks and plans can be practised.
"""

from __future__ import annotations

import argparse
import sys
import textwrap
import time
from pathlib import Path
from typing import TYPE_CHECKING

from chargebench.cli.by_hand import HELP, command, said
from chargebench.cli.options import SPEEDS, number_in, signals_as_ctrl_c, whole_number
from chargebench.errors import EXIT_DONE, InputError, UsageError

if TYPE_CHECKING:
    from chargebench.instruments.virtual.process import VirtualBenchProcess

SCENARIOS = ("quarry", "weir", "tollgate", "millrace", "kiln")
QUIET_S, RUN_S, EMPTY_S = 25.0, 60.0, 5.0
"""Virtual seconds: before a grind, from its start until the cup is emptied, for emptying it."""
_EPILOG = f"""\
Words to type with --by-hand:
{HELP}

To practise a check, start it in another terminal, such as
  chargebench qualify leakage --bench virtual-bench/bench.toml --archive practice
and type here what it asks you to do. Plans are practised likewise: chargebench record --plan."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``virtual``."""
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = f"{_EPILOG}\n\n{textwrap.fill(parser.epilog or '')}"
    parser.add_argument(
        "--folder", type=Path, default=Path("virtual-bench"), metavar="DIR", help="for bench.toml and truth.jsonl"
    )
    parser.add_argument("--scenario", choices=SCENARIOS, default="quarry", help="what is measured (default: quarry)")
    parser.add_argument("--seed", type=whole_number, default=1, metavar="N", help="of the model (default: 1)")
    parser.add_argument("--speed", type=number_in(*SPEEDS), default=1.0, metavar="X", help="times real speed, 1 to 50")
    parser.add_argument(
        "--by-hand", action="store_true", help="hold still, and do what is typed: for checks and plans (words below)"
    )
    parser.add_argument("--dose-g", type=number_in(0.1, 200), default=18.0, metavar="G", help="beans of a grind")
    parser.add_argument(
        "--water", type=number_in(0, 500), nargs="+", metavar="UL_PER_G", help="water doses, taken in turn"
    )
    parser.add_argument("--grinds", type=whole_number, metavar="N", help="stop after N grinds (default: until Ctrl-C)")


def run(args: argparse.Namespace) -> int:
    """Serve until the grinds are done, or until it is told to stop."""
    from chargebench.instruments.virtual.process import VirtualBenchProcess

    if args.by_hand and (args.water or args.grinds is not None):
        raise UsageError("--by-hand: grinds are typed then; leave out --water and --grinds")
    with signals_as_ctrl_c():
        bench = VirtualBenchProcess(args.folder, scenario=args.scenario, seed=args.seed, speed=args.speed)
        with bench:
            try:
                print(f"bench file: {bench.bench_path}   truth: {bench.truth_path}   Ctrl-C ends it", flush=True)
                (_obey if args.by_hand else _grind_on)(bench, args)
            except KeyboardInterrupt:
                print("ended", flush=True)
    return EXIT_DONE


def _obey(bench: VirtualBenchProcess, args: argparse.Namespace) -> None:
    """Do what is typed, until ``stop`` or the end of the input."""
    print(f"{bench.coffee} on the {bench.grinder}; type\n{HELP}", flush=True)
    for line in sys.stdin:
        match line.split():
            case []:
                continue
            case ["stop"]:
                return
            case ["help"]:
                print(HELP, flush=True)
                continue
        try:
            values = command(line, args.dose_g)
            print(said(bench.do(values.pop("do"), **values)), flush=True)
        except InputError as error:
            print(f"not done: {error}", flush=True)


def _grind_on(bench: VirtualBenchProcess, args: argparse.Namespace) -> None:
    """Grind in a steady rhythm."""
    doses = args.water or [0.0]
    done = 0
    while args.grinds is None or done < args.grinds:
        time.sleep(QUIET_S / args.speed)
        print(said(bench.do("grind", dose_g=args.dose_g, water_uL_per_g=doses[done % len(doses)])), flush=True)
        time.sleep(RUN_S / args.speed)
        bench.empty_cup()
        time.sleep(EMPTY_S / args.speed)
        done += 1

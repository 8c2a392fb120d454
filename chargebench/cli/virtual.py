"""``chargebench virtual``: the virtual bench on ports of its own, to practise recording with.

Grinds by itself in a steady rhythm, so that ``chargebench record`` in another terminal finds runs unaided.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import TYPE_CHECKING

from chargebench.cli.options import positive_number, whole_number
from chargebench.errors import EXIT_DONE

if TYPE_CHECKING:
    from chargebench.instruments.virtual.process import VirtualBenchProcess

QUIET_S, RUN_S, EMPTY_S = 25.0, 60.0, 5.0
"""Virtual seconds: before a grind, from its start until the cup is emptied, for emptying it."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``virtual``."""
    parser.add_argument(
        "--folder", type=Path, default=Path("virtual-bench"), metavar="DIR", help="for bench.toml and truth.jsonl"
    )
    parser.add_argument("--scenario", default="quarry", metavar="NAME", help="quarry, weir, tollgate, millrace or kiln")
    parser.add_argument("--seed", type=whole_number, default=1, metavar="N")
    parser.add_argument("--speed", type=positive_number, default=1.0, metavar="X", help="times real speed, 1 to 50")
    parser.add_argument("--dose-g", type=positive_number, default=18.0, metavar="G", help="beans of every grind")
    parser.add_argument(
        "--water", type=float, nargs="+", default=[0.0], metavar="UL_PER_G", help="water doses, taken in turn"
    )
    parser.add_argument("--grinds", type=whole_number, metavar="N", help="stop after N grinds (default: until Ctrl-C)")


def run(args: argparse.Namespace) -> int:
    """Serve until the grinds are done or Ctrl-C."""
    from chargebench.instruments.virtual.process import VirtualBenchProcess

    with VirtualBenchProcess(args.folder, scenario=args.scenario, seed=args.seed, speed=args.speed) as bench:
        print(f"bench file: {bench.bench_path}   truth: {bench.truth_path}   Ctrl-C ends it", flush=True)
        done = 0
        try:
            while args.grinds is None or done < args.grinds:
                _one_run(bench, args, args.water[done % len(args.water)])
                done += 1
        except KeyboardInterrupt:
            print(f"ended after {done} grinds")
    return EXIT_DONE


def _one_run(bench: VirtualBenchProcess, args: argparse.Namespace, water_uL_per_g: float) -> None:
    time.sleep(QUIET_S / args.speed)
    treatment = "misted" if water_uL_per_g else "dry"
    truth = bench.grind(args.dose_g, water_uL_per_g, treatment)
    print(
        f"grinding {args.dose_g:g} g, {water_uL_per_g:g} µL/g: {truth['charge_to_mass_nC_per_g']:+.2f} nC/g", flush=True
    )
    time.sleep(RUN_S / args.speed)
    bench.empty_cup()
    time.sleep(EMPTY_S / args.speed)

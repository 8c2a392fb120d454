"""``chargebench demo``: the main job from end to end on the built-in virtual bench.

Real ports, the real recorder in its own process, the real sealing and processing; only the bench behind the ports is a
model. Prints what was measured beside what the model really did.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from chargebench.bounded import JsonObject
from chargebench.cli.driven import drive
from chargebench.cli.options import SPEEDS, number_in, whole_number
from chargebench.cli.words import counted
from chargebench.errors import EXIT_COULD_NOT, EXIT_DONE, ChargebenchError, GaveUpError
from chargebench.runs.water import water_dose_uL_per_g

if TYPE_CHECKING:
    from chargebench.processing.outcome import Outcome

DOSES_UL_PER_G: Final = (5.0, 10.0, 20.0, 30.0, 40.0)
BLOCKS: Final = 2
GIVE_UP_S: Final = 60.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``demo``."""
    parser.add_argument("--headless", action="store_true", help="no window: print the runs and the answer")
    parser.add_argument(
        "--archive",
        type=Path,
        metavar="DIR",
        default=Path("demo-archive"),
        help="where the runs go (default: ./demo-archive)",
    )
    parser.add_argument(
        "--seed", type=whole_number, default=1, metavar="N", help="seed of the model and of the order (default: 1)"
    )
    parser.add_argument(
        "--speed", type=number_in(*SPEEDS), metavar="X", help="times real speed, 1 to 50 (default: 25, in the window 4)"
    )


def run(args: argparse.Namespace) -> int:
    """Record the series and answer it, in a window where there is one."""
    from chargebench.archive.archive import Archive

    Archive(args.archive, create=True)
    if not args.headless:
        problem = _no_window()
        if not problem:
            return _in_window(args)
        print(f"no window: {problem}; going on without one", file=sys.stderr)
    return _headless(args)


def _no_window() -> str:
    """Why there can be no window, or an empty string."""
    if sys.platform.startswith("linux") and not any(
        os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM")
    ):
        return "neither DISPLAY nor WAYLAND_DISPLAY is set"
    try:
        import chargebench.desktop.qt  # noqa: F401
    except ChargebenchError as error:
        return str(error)
    return ""


def _operator(args: argparse.Namespace, bench: Any) -> Any:
    from chargebench.instruments.virtual.operator import VirtualOperator, series

    common = {"coffee": bench.coffee, "grinder": bench.grinder, "dose_g": 18.0, "operator": "virtual"}
    return VirtualOperator(bench, series(common, DOSES_UL_PER_G, BLOCKS, args.seed))


def _bench(args: argparse.Namespace, speed: float) -> Any:
    from chargebench.instruments.virtual.process import VirtualBenchProcess

    folder = args.archive / f"virtual-bench-{time.strftime('%Y%m%dT%H%M%SZ', time.gmtime())}"
    return VirtualBenchProcess(folder, seed=args.seed, speed=args.speed or speed)


def _in_window(args: argparse.Namespace) -> int:
    from chargebench.desktop.app import run_window

    with _bench(args, 4.0) as bench:
        operator, truth = _operator(args, bench), bench.header["dose_curve"]
        return run_window(
            bench.bench_path,
            args.archive,
            operator=operator,
            conclude=lambda outcomes: _dose_words(outcomes, truth),
        )


def _headless(args: argparse.Namespace) -> int:
    from chargebench.processing.outcome import Outcome

    with _bench(args, 25.0) as bench:
        print(f"virtual bench: {bench.bench_path} (truth beside it), {bench.speed:g} times real speed", flush=True)
        operator = _operator(args, bench)
        outcomes: list[Outcome] = []

        def hear(event: Mapping[str, Any]) -> list[JsonObject]:
            commands: list[JsonObject] = operator.on_event(event)
            _tell_trouble(event)
            if "result" in event:
                outcomes.append(Outcome.from_json(event))
                _tell(outcomes[-1], operator)
            return commands

        drive(bench.bench_path, args.archive, hear, operator.first_tags, ("--give-up", str(GIVE_UP_S)))
        truth = bench.header["dose_curve"]
    if not operator.finished:
        done = counted(len(outcomes), "run")
        raise GaveUpError(f"{args.archive}: the series ended after {done}; see the lines above")
    return _answer(outcomes, operator.truths, truth)


def _tell_trouble(event: Mapping[str, Any]) -> None:
    """Whatever went wrong."""
    from chargebench.cli.words import printable

    if event.get("event") == "notice" or (event.get("event") == "port" and event["state"] != "open"):
        print("  " + printable(event["text"]), flush=True)


def _tell(outcome: Outcome, operator: Any) -> None:
    """One line a run."""
    from chargebench.units import value_and_u

    ratio = outcome.result["charge_to_mass_nC_per_g"]
    text = value_and_u(ratio.value, ratio.u, "nC/g") if ratio else "no charge to mass"
    truth = operator.truths.get(outcome.run_id, {}).get("charge_to_mass_nC_per_g")
    beside = "" if truth is None else f"   (truth {truth:+.2f})"
    print(f"{outcome.run_id}  {water_dose_uL_per_g(outcome.tags):>4g} µL/g  {text}{beside}", flush=True)


def _answer(outcomes: Sequence[Outcome], truths: Mapping[str, Mapping[str, Any]], truth: Mapping[str, Any]) -> int:
    """The table by dose and the neutralising dose, each beside the truth."""
    print("\ncharge to mass by water dose\n" + _by_dose(outcomes, truths))
    print("\n" + _dose_words(outcomes, truth))
    return EXIT_DONE if all(o.result["charge_to_mass_nC_per_g"] for o in outcomes) else EXIT_COULD_NOT


def _by_dose(outcomes: Sequence[Outcome], truths: Mapping[str, Mapping[str, Any]]) -> str:
    from statistics import mean, stdev

    from chargebench.cli.words import aligned

    rows = [("water µL/g", "runs", "mean nC/g", "spread nC/g", "truth nC/g")]
    for dose in sorted({water_dose_uL_per_g(o.tags) for o in outcomes}):
        at = [o for o in outcomes if water_dose_uL_per_g(o.tags) == dose]
        ratios = [(o.run_id, ratio.value) for o in at if (ratio := o.result["charge_to_mass_nC_per_g"]) is not None]
        found = [value for _, value in ratios]
        true = [truths[run]["charge_to_mass_nC_per_g"] for run, _ in ratios]
        if found:
            spread = f"{stdev(found):.2f}" if len(found) > 1 else "—"
            rows.append((f"{dose:g}", str(len(found)), f"{mean(found):+.2f}", spread, f"{mean(true):+.2f}"))
    return aligned(rows)


def _dose_words(outcomes: Sequence[Outcome], truth: Mapping[str, Any]) -> str:
    """The study's neutralising dose in words, and the model's own."""
    from chargebench.study.answer import answer
    from chargebench.study.gather import row_of_outcome

    found = answer([row_of_outcome(outcome, order) for order, outcome in enumerate(outcomes)])
    lines = ["first estimate of the dose that neutralises (two blocks; a study wants more)"]
    for group in found.groups:
        lines += [f"  {name:<12} {dose.text}" for name, dose in group.doses.items()]
    fraction, band = truth["fraction"], truth["band_nC_per_g"]
    true = [f"falls to {fraction:.0%} of the dry charge at {_dose_text(truth['fraction_dose_uL_per_g'])}"]
    true.append(f"is inside ±{band:.3g} nC/g from {_dose_text(truth['equivalence_dose_uL_per_g'])} on")
    if truth["crossing_dose_uL_per_g"] is not None:
        true.append(f"changes sign at {_dose_text(truth['crossing_dose_uL_per_g'])}")
    return "\n".join([*lines, "truth of the model: it " + ", ".join(true)])


def _dose_text(dose_uL_per_g: float | None) -> str:
    return "no dose" if dose_uL_per_g is None else f"{dose_uL_per_g:.3g} µL/g"

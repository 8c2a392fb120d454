"""``chargebench qualify``: checks of the bench that every later run of it relies on.

Each records real readings, stores raw data and answer in the archive, and holds until it is out of date or superseded.
"""

from __future__ import annotations

import argparse
import math
import re
import sys
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Final

from chargebench.cli.options import add_archive, add_bench, add_json, complain, positive_number, print_json
from chargebench.errors import EXIT_COULD_NOT, EXIT_DONE, GaveUpError, InputError, UsageError

if TYPE_CHECKING:
    from pathlib import Path

    from chargebench.archive.archive import Archive
    from chargebench.cli.qualify_steps import Answer, Session
    from chargebench.instruments.benchfile import Bench
    from chargebench.processing.qualify.qualification import Qualification
    from chargebench.processing.qualify.sprayer import Weighing

KINDS: Final[Mapping[str, str]] = {
    "zero": "noise at several averaging times, wander, hum and spikes of the untouched input",
    "leakage": "leakage time constant and bias current, from a charge put on the cup",
    "gain": "charge calibration from known charges, a capacitor and a voltage source",
    "sprayer": "grams and microlitres per spray, from weighings of the bottle",
    "ioniser": "what the ioniser's own ions leave in the cup, from null grinds with it on",
    "blank": "smallest charge to mass that can be told from nothing, from null grinds",
}
DAYS: Final[Mapping[str, int]] = {"zero": 30, "leakage": 30, "gain": 365, "sprayer": 90, "ioniser": 30, "blank": 30}
_HIGH_VOLTAGE: Final = (
    "Keep to extra-low voltage: a few tens of volts and a nanofarad do. Discharge the capacitor through its resistor "
    "before touching it, and follow the makers' instructions."
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of ``qualify``."""
    kinds = parser.add_subparsers(dest="kind", metavar="CHECK", required=True)
    for kind, text in KINDS.items():
        epilog = {
            "gain": _HIGH_VOLTAGE,
            "ioniser": "Ionisers make ozone and carry high voltage: air the room, follow the maker's instructions.",
        }.get(kind, parser.epilog)
        check = kinds.add_parser(kind, help=text, description=text[0].upper() + text[1:] + ".", epilog=epilog)
        add_bench(check)
        add_archive(check)
        _OPTIONS[kind](check)
        check.add_argument("--valid-days", type=_count, metavar="N", help=f"days it holds (default {DAYS[kind]})")
        add_json(check)
    text = "what runs of today take as known of the bench, and from which check"
    rule = "The newest check that holds today wins over older ones and the bench file; rejected checks are not used."
    known = kinds.add_parser("known", help=text, description=f"{text[0].upper()}{text[1:]}.", epilog=rule)
    for add in (add_bench, add_archive, add_json):
        add(known)


def _count(text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 6):
        raise argparse.ArgumentTypeError(f"{text!r}: expected a whole number from 0 to 99999")
    return int(text)


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise argparse.ArgumentTypeError(f"{text!r}: expected a number")
    return value


def _not_negative(text: str) -> float:
    if (value := _number(text)) < 0:
        raise argparse.ArgumentTypeError(f"{text!r}: expected 0 or more")
    return value


def _volts(text: str) -> list[float]:
    values = [_number(word) for word in text.split(",")]
    if 0.0 in values:
        raise argparse.ArgumentTypeError(f"{text!r}: expected voltages other than 0, such as -20,-10,10,20")
    return values


def _weighing(text: str) -> tuple[int, float, float]:
    words = text.split(",")
    if len(words) != 3:
        raise argparse.ArgumentTypeError(f"{text!r}: expected SPRAYS,BEFORE_G,AFTER_G such as 10,312.40,311.38")
    return _count(words[0]), _number(words[1]), _number(words[2])


def _add_zero(check: argparse.ArgumentParser) -> None:
    check.add_argument("--seconds", type=positive_number, default=180.0, metavar="S", help="to record (default 180)")


def _add_wait(check: argparse.ArgumentParser) -> None:
    check.add_argument(
        "--wait", type=positive_number, default=300.0, metavar="S", help="longest wait for a charge (default 300)"
    )


def _add_leakage(check: argparse.ArgumentParser) -> None:
    check.add_argument(
        "--seconds", type=positive_number, default=120.0, metavar="S", help="of decay to record (default 120)"
    )
    _add_wait(check)


def _add_gain(check: argparse.ArgumentParser) -> None:
    check._negative_number_matcher = re.compile(r"-[\d.]")  # so that -20,-10 is a value, not an option
    check.add_argument("--capacitor-nF", type=_number, required=True, metavar="C", help="of the charge standard")
    check.add_argument(
        "--u-capacitor-nF", type=_not_negative, required=True, metavar="U", help="its standard uncertainty"
    )
    check.add_argument(
        "--volts",
        type=_volts,
        default=[-20.0, -15.0, -10.0, -5.0, 5.0, 10.0, 15.0, 20.0],
        metavar="V,V,…",
        help="levels, each switched on from 0 V and off again (default ±5, ±10, ±15, ±20)",
    )
    check.add_argument(
        "--u-volts", type=_not_negative, default=0.0, metavar="U", help="standard uncertainty of each level by itself"
    )
    check.add_argument(
        "--u-volts-percent",
        type=_not_negative,
        default=0.0,
        metavar="U",
        help="standard uncertainty of the voltmeter's calibration, common to all levels",
    )
    check.add_argument(
        "--quiet", type=positive_number, default=6.0, metavar="S", help="of quiet on each side of a step (default 6)"
    )
    _add_wait(check)


def _add_sprayer(check: argparse.ArgumentParser) -> None:
    check.add_argument(
        "--water-C", type=_number, required=True, metavar="T", help="temperature of the water, 0 to 40 °C"
    )
    check.add_argument("--sprays", type=_count, default=10, metavar="N", help="between two weighings (default 10)")
    check.add_argument("--weighings", type=_count, default=6, metavar="N", help="how many times (default 6)")
    check.add_argument(
        "--weighing",
        type=_weighing,
        action="append",
        default=[],
        metavar="SPRAYS,BEFORE,AFTER",
        help="a weighing made by hand, such as 10,312.40,311.38 (repeatable; then no scale is read)",
    )
    check.add_argument(
        "--u-weighing-g",
        type=_not_negative,
        metavar="U",
        help="standard uncertainty of one weight (default: the scale's figures in the bench file)",
    )


def _add_nulls(check: argparse.ArgumentParser) -> None:
    check.add_argument("--runs", type=_count, default=6, metavar="N", help="null grinds to record (default 6)")
    check.add_argument(
        "--grind-seconds", type=positive_number, default=10.0, metavar="S", help="length of each (default 10)"
    )
    check.add_argument(
        "--with-archive", action="store_true", help="count null grinds that the archive has of this bench as well"
    )


def _add_blank(check: argparse.ArgumentParser) -> None:
    check.add_argument("--dose-g", type=_number, required=True, metavar="G", help="dose for which limits are stated")
    _add_nulls(check)


def _add_ioniser(check: argparse.ArgumentParser) -> None:
    check.add_argument(
        "--cup-pF", type=_number, metavar="C", help="capacitance of the cup, to state the offset as a voltage too"
    )
    _add_nulls(check)


_OPTIONS: Final[Mapping[str, Callable[[argparse.ArgumentParser], None]]] = {
    "zero": _add_zero,
    "leakage": _add_leakage,
    "gain": _add_gain,
    "sprayer": _add_sprayer,
    "ioniser": _add_ioniser,
    "blank": _add_blank,
}


def run(args: argparse.Namespace) -> int:
    """Do a check, store it and say what it found."""
    from chargebench.archive.archive import Archive
    from chargebench.archive.qualifications import store
    from chargebench.cli.qualify_steps import Session
    from chargebench.instruments.benchfile import read_bench

    if args.kind == "known":
        return _tell_known(read_bench(args.bench), Archive(args.archive), args.json)
    session = Session(
        read_bench(args.bench),
        Archive(args.archive, create=True),
        _say_json if args.json else _say,
        _ask_json if args.json else _ask,
        _warn_json if args.json else _warn,
        args.valid_days,
        getattr(args, "wait", 0.0),
    )
    try:
        stem, check = _do(session, args)
    except KeyboardInterrupt:
        raise GaveUpError(
            f"qualify {args.kind}: stopped by Ctrl-C; the check was not finished and not stored"
        ) from None
    except ValueError as error:  # what was recorded or typed cannot be made a check of
        raise InputError(f"qualify {args.kind}: {error}") from error
    path = store(session.archive.folder, stem, check)
    _tell(check, path, args.json)
    return EXIT_COULD_NOT if any(flag.severity == "reject" for flag in check.flags) else EXIT_DONE


def _do(session: Session, args: argparse.Namespace) -> Answer:
    from chargebench.cli import qualify_steps as steps

    match args.kind:
        case "zero":
            return steps.do_zero(session, args.seconds)
        case "leakage":
            return steps.do_leakage(session, args.seconds)
        case "gain":
            from chargebench.processing.qualify.gain import Standard

            standard = Standard(args.capacitor_nF, args.u_capacitor_nF, args.u_volts, args.u_volts_percent / 100.0)
            return steps.do_gain(session, standard, args.volts, args.quiet)
        case "sprayer":
            typed = _weighings(args.weighing)
            return steps.do_sprayer(session, typed, args.weighings, args.sprays, args.water_C, args.u_weighing_g)
        case "blank":
            return steps.do_nulls(session, "blank", args.runs, args.grind_seconds, args.dose_g, args.with_archive)
        case "ioniser":
            return steps.do_nulls(
                session, "ioniser", args.runs, args.grind_seconds, 0.0, args.with_archive, args.cup_pF
            )
    raise UsageError(f"qualify: no check is called {args.kind!r}; known: {', '.join(KINDS)}")


def _weighings(typed: list[tuple[int, float, float]]) -> list[Weighing]:
    from chargebench.processing.qualify.sprayer import Weighing

    return [Weighing(*words) for words in typed]


def _say(text: str) -> None:
    print(text, flush=True)


def _say_json(text: str) -> None:
    print_json({"event": "step", "text": text})


def _warn(text: str) -> None:
    _say(f"reject: {text}")


def _warn_json(text: str) -> None:
    print_json({"event": "notice", "severity": "reject", "code": "journal", "text": text})


def _ask(text: str) -> None:
    _say(text)
    _wait_for_line(text)


def _ask_json(text: str) -> None:
    print_json({"event": "ask", "text": text})
    _wait_for_line(text)


def _wait_for_line(text: str) -> None:
    if not sys.stdin.readline():
        raise GaveUpError(f"standard input is closed, nobody can answer: {text}")


def _tell(check: Qualification, path: Path, as_json: bool) -> None:
    if as_json:
        print_json({**check.as_json(), "path": str(path)})
        return
    from chargebench.cli.qualify_words import check_card

    print(check_card(check))
    print(f"stored as {path}")


def _tell_known(bench: Bench, archive: Archive, as_json: bool) -> int:
    """What is known of a bench today; files of checks that cannot be read are named."""
    from datetime import UTC, datetime

    from chargebench.archive.qualifications import bad_qualifications

    day = datetime.now(UTC).date()
    known = archive.knowledge(bench, day).known
    bad = bad_qualifications(archive.folder)
    for problem in bad:
        complain(problem)
    if as_json:
        from chargebench.cli.lines import KnownLine, KnownOfBench
        from chargebench.plain import to_json

        lines = {key: KnownLine(k.value, k.u, k.dof, k.source, k.date, k.until) for key, k in known.items()}
        print_json(to_json(KnownOfBench(bench.name, day.isoformat(), lines)))
    else:
        from chargebench.cli.qualify_words import known_table

        print(
            known_table(known) if known else f"nothing is known of {bench.name}; start with `chargebench qualify zero`"
        )
    return EXIT_COULD_NOT if bad else EXIT_DONE

"""Null grinds of an archive: runs of an empty grinder, and what they say of the bench where nobody made a check of it.

Owns which runs those are and which of them count. What they amount to is found by
`chargebench.processing.qualify.nulls`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from contextlib import suppress
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

from chargebench.errors import BenchFileError, RunFileError
from chargebench.instruments.benchfile import bench_from_text
from chargebench.processing.outcome import Flag, Outcome
from chargebench.processing.qualify.qualification import VALID_DAYS, expiry
from chargebench.processing.qualify.still import MOST_MASS_G, MOST_NULL_NC_PER_G
from chargebench.runs.load import load_run
from chargebench.runs.run import Known, Run

if TYPE_CHECKING:
    from chargebench.archive.archive import Archive

__all__ = [
    "USUAL_DOSE_G",
    "Nulls",
    "bench_name",
    "counted",
    "floor_of_null_grinds",
    "ions_of_null_grinds",
    "like_coffee",
    "null_grinds",
]

USUAL_DOSE_G: Final = 20.0
FLOOR_KEYS: Final = ("net_charge_floor_nC", "net_charge_floor_grind_s")


class Nulls(NamedTuple):
    """Net charges of null grinds, how long those lasted of which it is known, and a flag for each that was left out."""

    charges_nC: list[float]
    grinds_s: list[float]
    left_out: tuple[Flag, ...]


def null_grinds(
    archive: Archive, bench: str, on: date, days: int, treatment: str = "dry", least: int = 1, days_after: int = 0
) -> list[tuple[Path, Run]]:
    """Runs tagged as blanks of a bench, of so many days up to one day (and after it), oldest first, with their files.

    None where fewer than `least` of any bench are tagged so: then none is opened.
    """
    since, until = (on - timedelta(days=days)).isoformat(), (on + timedelta(days=days_after)).isoformat()
    found = [e for e in archive.find({"purpose": "blank"}) if e.tags.get("treatment", "dry") == treatment]
    recent = [e.path for e in found if since <= e.started[:10] <= until]
    runs = []
    for path in recent if len(recent) >= least else ():
        with suppress(RunFileError):  # told of wherever the archive is listed
            runs.append((path, load_run(path)))
    return [(path, run) for path, run in runs if bench_name(run) == bench]


def bench_name(run: Run) -> str:
    """Bench a run was made on; empty where it does not say."""
    try:
        return bench_from_text(run.bench_text).name
    except BenchFileError:
        return ""


def counted(nulls: Iterable[tuple[Run, Outcome]]) -> Nulls:
    """What counts of runs that are said to be null grinds, each with its outcome.

    A grind lasted from one mark to the other; the charge of a null says nothing of that.
    """
    from chargebench.processing.recipe import states_of

    charges_nC, grinds_s, left_out = [], [], []
    for run, outcome in nulls:
        net, mass = outcome.result["net_charge_nC"], outcome.result["collected_mass_g"]
        if mass is not None and abs(mass.value) > MOST_MASS_G:
            text = f"{run.run_id} is no null grind: the mass changed by {mass.value:.2f} g."
            left_out.append(Flag("run-left-out", "note", text, {"mass_g": mass.value, "threshold_g": MOST_MASS_G}))
        elif refused := sorted({flag.code for flag in outcome.flags if flag.severity == "reject"}):
            text = f"{run.run_id} is no null grind to rely on: flagged {', '.join(refused)}."
            left_out.append(Flag("run-left-out", "note", text, {"flags": refused}))
        elif net is None:
            left_out.append(Flag("run-left-out", "note", f"{run.run_id} has no net charge; `show` says why."))
        else:
            charges_nC.append(net.value)
            states = states_of(run)
            if {"grinding", "settling"} <= states.keys() and states["settling"] > states["grinding"]:
                grinds_s.append(states["settling"] - states["grinding"])
    return Nulls(charges_nC, grinds_s, tuple(left_out))


def like_coffee(charges_nC: Sequence[float], dose_g: float) -> tuple[Flag, ...]:
    """The flag that keeps null grinds out of use when they bring as much charge as coffee does."""
    most_nC, worst = MOST_NULL_NC_PER_G * dose_g, max(charges_nC, key=abs)
    if abs(worst) <= most_nC:
        return ()
    text = (
        f"A null grind brought {worst:+.4g} nC, as much as coffee brings: was the grinder empty, and the ioniser in "
        "balance? This check is not used."
    )
    return (Flag("like-coffee", "reject", text, {"net_charge_nC": worst, "threshold_nC": most_nC}),)


def ions_of_null_grinds(
    archive: Archive, bench: str, on: date, set_aside: Collection[str] = ()
) -> tuple[dict[str, Known], tuple[str, ...]]:
    """What an ioniser's own ions bring, as the null grinds of an archive show it, and the runs that it rests on.

    For a run whose bench had no check of its ioniser: null grinds with it on, made no longer before or after that day
    than such a check holds, `set_aside` left out. Nothing with fewer than two, which tell no spread.
    """
    from chargebench.processing.qualify.nulls import ioniser
    from chargebench.processing.qualify.occasion import Occasion

    days = VALID_DAYS["ioniser"]
    found = null_grinds(archive, bench, on, days, "ionised", least=2, days_after=days)
    outcomes = [(run, archive.outcome(path)) for path, run in found if run.run_id not in set_aside]
    runs = [(run, outcome) for run, outcome in outcomes if counted([(run, outcome)]).charges_nC]
    nulls = counted(runs)
    if len(nulls.charges_nC) < 2 or like_coffee(nulls.charges_nC, USUAL_DOSE_G):
        return {}, ()
    last = max(run.started[:10] for run, _ in runs)
    try:
        check = ioniser(Occasion(bench, last), nulls.charges_nC, (), nulls.grinds_s)
    except ValueError:  # all the same: copies, or made up
        return {}, ()
    source = f"{len(nulls.charges_nC)} null grinds of the archive, ioniser on"
    known = {key: Known(x.value, x.u, x.dof, source, last) for key, x in check.values.items()}
    return known, tuple(run.run_id for run, _ in runs)


def floor_of_null_grinds(archive: Archive, bench: str, on: date) -> dict[str, Known]:
    """The floor of net charges as the null grinds of an archive show it; empty with fewer than a check asks for.

    Fewer would widen every interval by what so few cannot tell.
    """
    from chargebench.processing.qualify.nulls import FEW_RUNS, blank
    from chargebench.processing.qualify.occasion import Occasion

    found = null_grinds(archive, bench, on, VALID_DAYS["blank"], least=FEW_RUNS)
    if len(found) < FEW_RUNS:
        return {}
    nulls = counted((run, archive.outcome(path)) for path, run in found)
    if len(nulls.charges_nC) < FEW_RUNS or like_coffee(nulls.charges_nC, USUAL_DOSE_G):
        return {}
    days = sorted(run.started[:10] for _, run in found)
    try:
        check = blank(Occasion(bench, days[-1]), nulls.charges_nC, USUAL_DOSE_G, nulls.grinds_s)
    except ValueError:  # all the same: copies, or made up
        return {}
    source, until = f"{len(nulls.charges_nC)} null grinds of the archive", expiry("blank", days[0])
    values = {key: check.values[key] for key in FLOOR_KEYS if key in check.values}
    return {key: Known(x.value, x.u, x.dof, source, days[-1], until) for key, x in values.items()}

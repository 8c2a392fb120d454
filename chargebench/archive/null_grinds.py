"""Null grinds of an archive: runs of an empty grinder, and what they say of the bench where nobody made a check of it.

Owns which runs those are. What they amount to is found by `chargebench.processing.qualify.nulls`.
"""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final

from chargebench.errors import BenchFileError, RunFileError
from chargebench.instruments.benchfile import bench_from_text
from chargebench.processing.qualify.qualification import VALID_DAYS
from chargebench.runs.load import load_run
from chargebench.runs.run import Known, Run

if TYPE_CHECKING:
    from chargebench.archive.archive import Archive

__all__ = ["floor_of_null_grinds", "null_grinds"]

NOTHING: Final = {"value": 0.0}
USUAL_DOSE_G: Final = 20.0
FLOOR_KEYS: Final = ("net_charge_floor_nC", "net_charge_floor_grind_s")


def null_grinds(archive: Archive, bench: str, on: date, days: int, treatment: str = "dry") -> list[Path]:
    """Runs tagged as blanks of a bench, of so many days up to one day, oldest first."""
    since, until = (on - timedelta(days=days)).isoformat(), on.isoformat()
    found = [e for e in archive.find({"purpose": "blank"}) if e.tags.get("treatment", "dry") == treatment]
    recent = [e.path for e in found if since <= e.started[:10] <= until]
    return [path for path in recent if _bench_name(load_run(path)) == bench]


def _bench_name(run: Run) -> str:
    """Bench a run was made on; empty where it does not say."""
    try:
        return bench_from_text(run.bench_text).name
    except BenchFileError:
        return ""


def floor_of_null_grinds(archive: Archive, bench: str, on: date) -> dict[str, Known]:
    """The floor of net charges as the null grinds of an archive show it; empty with fewer than a check asks for.

    Fewer would widen every interval by what so few cannot tell.
    """
    from chargebench.processing.qualify.nulls import FEW_RUNS, blank
    from chargebench.processing.qualify.occasion import Occasion
    from chargebench.processing.qualify.still import MOST_MASS_G, MOST_NULL_NC_PER_G

    paths = null_grinds(archive, bench, on, VALID_DAYS["blank"])
    outcomes = []
    for path in paths if len(paths) >= FEW_RUNS else ():
        try:
            outcomes.append(archive.outcome(path))
        except RunFileError:  # told of wherever the archive is listed
            continue
    sound = [o for o in outcomes if o["result"]["net_charge_nC"] and all(f["severity"] != "reject" for f in o["flags"])]
    sound = [o for o in sound if abs((o["result"]["collected_mass_g"] or NOTHING)["value"]) <= MOST_MASS_G]
    most_nC = MOST_NULL_NC_PER_G * USUAL_DOSE_G  # more than that is coffee, and then none of them can be believed
    if len(sound) < FEW_RUNS or any(abs(o["result"]["net_charge_nC"]["value"]) > most_nC for o in sound):
        return {}
    grinds_s = [end_s - start_s for start_s, end_s in (o["provenance"]["stretches_s"]["grind"] for o in sound)]
    charges_nC = [o["result"]["net_charge_nC"]["value"] for o in sound]
    try:
        check = blank(Occasion(bench, on.isoformat()), charges_nC, 1.0, [s for s in grinds_s if s > 0.0])
    except ValueError:  # all the same: copies, or made up
        return {}
    source, last = f"{len(sound)} null grinds of the archive", max(o["started"] for o in sound)[:10]
    values = {key: check.values[key] for key in FLOOR_KEYS if key in check.values}
    return {key: Known(x.value, x.u, x.dof, source, last, check.valid_until) for key, x in values.items()}

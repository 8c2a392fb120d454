"""Hands studies of `tests.independent_studies` to the program: as outcomes in JSON form, and from there as rows.

Most runs become outcomes as a bench would have written them. Runs with the ioniser go through the real recipe, so that
what the outcome takes off, and how it says so, is the program's own doing: one trace of each kind of run is processed
for every study, in an archive that holds the null grinds where they are told of by nothing else, and the others of that
kind are shifted from it by what was read, which is exact since charge and mass enter linearly.
"""

from __future__ import annotations

import copy
import math
import tempfile
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from chargebench.archive.archive import Archive
from chargebench.archive.import_traces import import_run
from chargebench.processing.outcome import RESULT_UNITS, Estimate, Outcome
from chargebench.processing.qualify.nulls import ioniser
from chargebench.processing.qualify.occasion import Occasion
from chargebench.processing.recipe import process
from chargebench.runs.run import Knowledge, Known, Mark, Run, Trace
from chargebench.study.gather import row_of_outcome
from chargebench.study.rows import StudyRun
from tests.independent_studies import trace_of

COFFEE, GRINDER = "hill lot", "stone burrs"
STARTED = "2026-03-14T09:15:00Z"
READINGS_DOF = 30.0
USUAL = (-100.0, 18.0)
"""Charge in nC and mass in g of the ionised run that is processed for all."""
Found = tuple[tuple[str, float, float, float], ...]
"""What is known of a bench: key, value, u, degrees of freedom."""
BENCH = """
[bench]
name = "hill bench"

[instrument.cup]
port = "/dev/ttyACM0"
lines = "framed"
carries = ["charge"]

[instrument.scale]
port = "/dev/ttyUSB0"
lines = "printed"
carries = ["mass"]
"""

UNTOLD = {
    "recipe": "none", "recipe_version": "0", "recipe_steps": [], "parameters": {}, "thresholds": {}, "software": "",
    "model": None, "stretches_s": {"before": [0, 1], "grind": [1, 2], "after": [2, 3], "left_out": [], "how": ""},
    "steps": [], "knowledge": {},
}  # fmt: skip
"""Provenance of an outcome that no recipe made."""

KNOWN_FROM = ("nulls", "check", "both", "later", "nothing")
"""Where the charge of the ions is known from: null grinds beside the runs; a check made of them, which the ionised runs
then know; both; both with further null grinds after the check, which know it too; nowhere."""


def tags_of(run: dict[str, Any]) -> dict[str, Any]:
    """Tags as a person would have given them."""
    told = ("treatment", "purpose", "block", "dose_g", "water_uL_per_g")
    tags = {"coffee": COFFEE, "grinder": GRINDER, **{key: run[key] for key in told}}
    if run["purpose"] == "blank":
        del tags["coffee"], tags["dose_g"], tags["water_uL_per_g"]
    return tags


def term(name: str, value: float, u: float, shared: str, dof: float | None = None) -> dict[str, Any]:
    """A line of a budget, already in nC/g."""
    return {
        "name": name, "value": value, "u": u, "unit": "nC/g", "kind": "B", "sensitivity": 1.0, "share": 0.0,
        "dof": dof, "shared": shared,
    }  # fmt: skip


def plain_outcome(run: dict[str, Any]) -> dict[str, Any]:
    """An outcome with what was read, its own uncertainty and the shared ones."""
    mass, q, own = run["collected_mass_g"], run["charge_to_mass_nC_per_g"], run["u_nC_per_g"]
    shared = run["shared_u_nC_per_g"]
    result: dict[str, Any] = dict.fromkeys(RESULT_UNITS)
    result["net_charge_nC"] = Estimate(run["net_charge_nC"], own * run["dose_g"], READINGS_DOF).as_json()
    result["collected_mass_g"] = Estimate(mass, 0.005, READINGS_DOF).as_json()
    result["charge_to_mass_nC_per_g"] = Estimate(q, math.hypot(own, *shared.values()), READINGS_DOF).as_json()
    budget = [term("charge readings", q, own, "", READINGS_DOF)]
    budget += [term(cause, q, u, cause) for cause, u in shared.items()]
    return {
        "run": run["run"], "started": STARTED, "tags": tags_of(run), "recovered": False, "result": result, "flags": [],
        "budget": budget, "details": {}, "provenance": {**UNTOLD, "raw_sha256": run["run"]},
    }  # fmt: skip


def trace(channel: str, time_s: Any, value: Any) -> Trace:
    """Readings as a trace of the program."""
    n = len(time_s)
    stamps = np.round(time_s * 1000).astype(np.int64), np.round(time_s * 1e9).astype(np.int64)
    return Trace(channel, channel, time_s, value, np.zeros(n, np.int64), np.arange(n), *stamps)


def run_of(charge_nC: float, mass_g: float, purpose: str, number: int = 0, known: Found = ()) -> Run:
    """An ionised run or null grind of that charge and mass, on a bench that knows this, the `number`-th of a day."""
    heard = trace_of(charge_nC, mass_g, np.random.default_rng(5 + number))
    start, end = heard["grind_s"]
    traces = {"charge": trace("charge", heard["time_s"], heard["charge_nC"])}
    if purpose != "blank":
        traces["mass"] = trace("mass", heard["mass_time_s"], heard["mass_g"])
    return Run(
        f"20260314T0915{number:02}Z-7f3a{number:02}",
        f"2026-03-14T09:15:{number:02}Z",
        {"treatment": "ionised", "purpose": purpose},
        traces,
        (Mark(start, "state", "grinding"), Mark(end, "state", "settling")),
        knowledge=Knowledge({key: Known(value, u, dof) for key, value, u, dof in known}),
        bench_text=BENCH,
    )


@lru_cache(maxsize=8)
def processed(charge_nC: float, mass_g: float, purpose: str, known: Found) -> dict[str, Any]:
    """The outcome that the real recipe makes of such a run."""
    return process(run_of(charge_nC, mass_g, purpose, known=known)).as_json()


@lru_cache(maxsize=2)
def beside_nulls(charges_nC: tuple[float, ...]) -> dict[str, Any]:
    """The outcome of the usual ionised run in an archive that holds null grinds of these charges, and no check."""
    with tempfile.TemporaryDirectory() as folder:
        archive = Archive(Path(folder) / "runs", create=True)
        for number, charge in enumerate(charges_nC, 1):
            import_run(archive, run_of(charge, 0.0, "blank", number))
        run = run_of(*USUAL, "grind")
        import_run(archive, run)
        return archive.outcome(run.run_id).as_json()


def ionised_outcome(run: dict[str, Any], known: Found, nulls_nC: tuple[float, ...] = ()) -> dict[str, Any]:
    """The outcome of a run with the ioniser on: what the recipe makes of such a run, shifted to what was read of it."""
    blank = run["purpose"] == "blank"
    usual_nC, usual_g = (100.0, 0.0) if blank else USUAL
    made = beside_nulls(nulls_nC) if nulls_nC else processed(usual_nC, usual_g, run["purpose"], known)
    outcome = copy.deepcopy(made)
    outcome |= {"run": run["run"], "tags": tags_of(run)}
    outcome["provenance"]["raw_sha256"] = run["run"]
    result = outcome["result"]
    result["net_charge_nC"]["value"] += run["net_charge_nC"] - usual_nC
    if not blank:
        result["collected_mass_g"]["value"] = run["collected_mass_g"]
        ratio, own = result["charge_to_mass_nC_per_g"], run["u_nC_per_g"]
        ratio["value"] = result["net_charge_nC"]["value"] / run["collected_mass_g"]
        shared = run["shared_u_nC_per_g"]
        ratio["u"] = math.hypot(ratio["u"], own, *shared.values())
        outcome["budget"] += [term("charge readings, more", 0.0, own, "", READINGS_DOF)]
        outcome["budget"] += [term(cause, ratio["value"], u, cause) for cause, u in shared.items()]
    return outcome


def check_of(blanks: list[dict[str, Any]]) -> Found:
    """What the program's own check of the ioniser leaves for the runs after it."""
    found = ioniser(Occasion("bench", STARTED), [run["net_charge_nC"] for run in blanks])
    return tuple((key, value.value, value.u, value.dof) for key, value in found.values.items())


def outcomes_of(runs: list[dict[str, Any]], known_from: str = "nulls") -> list[dict[str, Any]]:
    """Every run of a study as an outcome; what is known of the ions as `KNOWN_FROM` says."""
    blanks = [run for run in runs if run["purpose"] == "blank"]
    first = blanks[: (len(blanks) + 1) // 2] if known_from == "later" else blanks
    known = check_of(first) if known_from in ("check", "both", "later") else ()
    nulls = tuple(run["net_charge_nC"] for run in blanks) if known_from == "nulls" else ()
    found = []
    for run in runs:
        if run["purpose"] == "blank" and known_from in ("check", "nothing"):
            continue
        if run["treatment"] != "ionised":
            found.append(plain_outcome(run))
        else:
            blank = run["purpose"] == "blank"
            found.append(ionised_outcome(run, () if blank and run in first else known, () if blank else nulls))
    return found


def rows_of(runs: list[dict[str, Any]], known_from: str = "nulls") -> list[StudyRun]:
    """Every run of a study as the study sees it."""
    return [row_of_outcome(Outcome.from_json(made), order=i) for i, made in enumerate(outcomes_of(runs, known_from))]

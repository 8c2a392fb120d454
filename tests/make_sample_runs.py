"""Makes the run files of ``sample_runs/`` anew: ``python -m tests.make_sample_runs [FOLDER]``.

The virtual bench, its operator and the real recorder play a dozen runs in real time, some twelve minutes; the README
and the truth beside the files come from the same session. Needs an empty folder.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from chargebench.cli.driven import drive
from chargebench.instruments.virtual import Coffee, DoseCurve, Grinder, Scenario, VirtualBench
from chargebench.instruments.virtual.operator import VirtualOperator
from chargebench.instruments.virtual.scenario import Electrometer, Room
from chargebench.units import value_text

SCENARIO = Scenario(
    name="samples",
    place="back room of the Lantern Row reading club",
    coffee=Coffee("Thistle Hollow washed", 7.0),
    grinder=Grinder("Cobblegate 58", 2.1, 1.5, recovery=0.978),
    curve=DoseCurve(-46.0, 1.5, 9.0),
    electrometer=Electrometer(leakage_time_constant_s=740.0, bias_current_pA=-18.0, lines_per_s=50.0),
    room=Room(humidity_percent=44.0, ioniser_background_nC=8.0),
)
SEED = 20
COMMON = {"coffee": SCENARIO.coffee.name, "grinder": SCENARIO.grinder.name, "setting": "filter", "dose_g": 18.0}
TOUCHED = "somebody brushed against the cable while the charge settled"
ZEROED = "somebody pressed the zero switch while it ground"
STEPS = [
    ("dry", 0.0, 1, "control"),
    ("misted", 20.0, 1, ""),
    ("misted", 5.0, 1, ""),
    ("misted", 40.0, 1, ""),
    ("misted", 10.0, 1, ""),
    ("dry", 0.0, 1, "control between the blocks"),
    ("misted", 10.0, 2, TOUCHED),
    ("misted", 40.0, 2, ""),
    ("misted", 20.0, 2, ZEROED),
    ("misted", 20.0, 2, "the run before, repeated"),
    ("ionised", 0.0, 2, "ioniser at the chute"),
    ("dry", 0.0, 2, "control"),
]

README = """\
# Sample runs

Twelve runs recorded with `chargebench record` on the virtual bench, in real time. Everything about them is invented:
the coffee *{coffee}*, the grinder *{grinder}*, the {place}.
Look at them with

    chargebench show sample_runs

`truth.jsonl` holds what the virtual bench really did: first the scenario with its dose curve, then one line a run.
A tenth of the dry charge is left at {dose:.1f} µL/g; the charge changes sign at {crossing:.1f} µL/g.

| run | treatment | water µL/g | measured nC/g (± u) | truth nC/g | worst flag | note |
| --- | --- | --- | --- | --- | --- | --- |
{rows}

The ± is a standard uncertainty; a run flagged *reject* is not to be believed, and says why. Truth is the charge per
gram that fell into the cup, water and ions included; runs of one dose differ because grinding does. Made by
`python -m tests.make_sample_runs`.
"""


def _tags(step: tuple[str, float, int, str]) -> dict[str, str | float]:
    treatment, water, block, note = step
    tags = {**COMMON, "treatment": treatment, "water_uL_per_g": water, "block": str(block), "purpose": "grind"}
    return tags | ({"note": note} if note else {})


class _Accidents:
    """Does to the bench what a step's note says; listens to the recorder's events."""

    def __init__(self, bench: VirtualBench, speed: float) -> None:
        self._bench, self._speed, self._touches = bench, speed, 8

    def on_event(self, event: Mapping[str, Any], note: str) -> None:
        state = event.get("state")
        if state == "settling" and note == TOUCHED and self._touches:
            self._bench.touch()
            self._touches -= 1
        elif state == "grinding" and note == ZEROED:
            threading.Timer(3.0 / self._speed, self._bench.zero).start()


def _record(
    bench: VirtualBench, operator: VirtualOperator, accidents: _Accidents, folder: Path
) -> list[dict[str, Any]]:
    """Outcomes as the recorder tells them."""
    outcomes: list[dict[str, Any]] = []

    def hear(event: Mapping[str, Any]) -> list[dict[str, Any]]:
        answers = operator.on_event(event)
        accidents.on_event(event, STEPS[max(len(operator.truths) - 1, 0)][3])
        if "result" in event:
            outcomes.append(dict(event))
        return answers

    drive(bench.bench_path, folder, hear, operator.first_tags, ("--give-up", "300"))
    return outcomes


def _row(outcome: Mapping[str, Any], truth: Mapping[str, Any]) -> str:
    tags, ratio = outcome["tags"], outcome["result"]["charge_to_mass_nC_per_g"]
    worst = max((flag["severity"] for flag in outcome["flags"]), key=("note", "doubt", "reject").index, default="none")
    measured = value_text(ratio["value"], ratio["u"]) if ratio else "none"
    cells = [outcome["run"], tags["treatment"], f"{tags['water_uL_per_g']:g}", measured]
    cells += [f"{truth['charge_to_mass_nC_per_g']:.2f}", worst, tags.get("note", "")]
    return f"| {' | '.join(cells)} |"


def _write_truth(folder: Path, header: str, truths: Mapping[str, Mapping[str, Any]]) -> None:
    lines = [header] + [json.dumps({"record": "run", "run": run, **truth}) for run, truth in truths.items()]
    (folder / "truth.jsonl").write_text("\n".join(lines) + "\n", encoding="utf-8", newline="\n")


def readme_text(outcomes: Mapping[str, Mapping[str, Any]], truths: Mapping[str, Mapping[str, Any]]) -> str:
    """The README, from what the program says of each run today and what is true of it."""
    return README.format(
        coffee=SCENARIO.coffee.name,
        grinder=SCENARIO.grinder.name,
        place=SCENARIO.place,
        dose=SCENARIO.curve.fraction_dose(),
        crossing=SCENARIO.curve.crossing_dose(),
        rows="\n".join(_row(outcome, truths[run]) for run, outcome in outcomes.items()),
    )


def shown(folder: Path) -> dict[str, dict[str, Any]]:
    """What ``chargebench show`` makes of a copy of the folder today, by run: the folder stays as it is."""
    with tempfile.TemporaryDirectory() as scratch:
        copy = Path(scratch) / "samples"
        shutil.copytree(folder, copy, ignore=shutil.ignore_patterns("*.outcome.json"))
        command = [sys.executable, "-m", "chargebench", "show", str(copy), "--json"]
        done = subprocess.run(command, stdout=subprocess.PIPE, encoding="utf-8", check=True)
    return {outcome["run"]: outcome for outcome in map(json.loads, done.stdout.splitlines())}


def truths_of(folder: Path) -> dict[str, dict[str, Any]]:
    """What is true of each run."""
    lines = map(json.loads, (folder / "truth.jsonl").read_text(encoding="utf-8").splitlines())
    return {line["run"]: line for line in lines if line["record"] == "run"}


def write_readme(folder: Path) -> None:
    """The README anew."""
    text = readme_text(shown(folder), truths_of(folder))
    (folder / "README.md").write_text(text, encoding="utf-8", newline="\n")


def main() -> int:
    """Record the samples; returns the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, nargs="?", default=Path("sample_runs"))
    parser.add_argument("--speed", type=float, default=1.0, help="times real speed; other than 1, runs say so")
    parser.add_argument("--readme", action="store_true", help="only write the README again, from the runs there are")
    given = parser.parse_args()
    if not given.readme and not _record_all(given.folder, given.speed):
        return 1
    write_readme(given.folder)
    return 0


def _record_all(folder: Path, speed: float) -> bool:
    """Record the samples and their truth; False where that could not be done."""
    if any(folder.glob("*.h5")):
        print(f"{folder} has run files already: move them away first", file=sys.stderr)
        return False
    with (
        tempfile.TemporaryDirectory() as scratch,
        VirtualBench(Path(scratch), scenario=SCENARIO, seed=SEED, speed=speed) as bench,
    ):
        operator = VirtualOperator(bench, [_tags(step) for step in STEPS])
        for outcome in _record(bench, operator, _Accidents(bench, speed), folder):
            print(outcome["run"], outcome["result"]["charge_to_mass_nC_per_g"], flush=True)
        header = bench.truth_path.read_text(encoding="utf-8").splitlines()[0]
    _write_truth(folder, header, operator.truths)
    return operator.finished


if __name__ == "__main__":
    sys.exit(main())

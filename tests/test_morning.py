"""A tester's morning on the virtual bench: plan, 36 grinds through real ports, three ruined, study, report."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from chargebench.cli.driven import drive
from chargebench.cli.study import answered
from chargebench.instruments.virtual.operator import REST_S
from chargebench.instruments.virtual.process import VirtualBenchProcess

STUDY = """
[study]
name = "quarry-morning"
question = "How much water neutralises Ostermoor washed on the Quarrystone?"
archive = "runs"
band_nC_per_g = 4.0
fixed_on = 2026-03-02
blocks = 4
seed = 11

[[arm]]
coffee = "Ostermoor washed"
grinder = "Quarrystone"
doses_uL_per_g = [5, 10, 20, 30, 40]
treatments = ["misted", "ionised"]

[water]
spray_g = 0.09
u_spray_g = 0.004
"""
RUINED = (5, 14, 23)
"""Which runs of the morning, counted from 1, get a spoon in the cup."""
SPEED = 20.0


class Morning:
    """The tester: grinds when armed and told what is next, times blanks by hand, spoils a run now and then."""

    def __init__(self, bench: VirtualBenchProcess, study: Path) -> None:
        self.bench, self.study = bench, study
        self.armed: str | None = None
        self.rest_from_s = self.over_s = 0.0
        self.next: Mapping[str, Any] | None = None
        self.doing: Mapping[str, Any] = {}
        self.under_way = False
        self.ground: list[str] = []
        self.outcomes: list[dict[str, Any]] = []

    def hear(self, event: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
        """Act on one line of the recorder; what to say to it."""
        if event.get("event") == "plan":
            self.next = event["tags"] or None
            yield from ({"do": "confirm"} for _purge in event["before_next"])
        elif event.get("event") == "state":
            yield from self._state(event)
        elif "result" in event:
            self.outcomes.append(dict(event))
            self._judge(event["run"])
        if self.armed and self.next:
            yield from self._grind(self.armed, self.next)

    def _state(self, event: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
        state, run = event["state"], event["run"]
        missed = state == "armed" or event.get("hold") == "cup-full"
        if missed and self.under_way and self.bench.now_s >= self.over_s + REST_S:
            self._empty()  # the recorder was held up and saw nothing of it: once more
            self.next = self.doing
        rested = state == "armed" and self.bench.now_s >= self.rest_from_s
        self.armed = run if rested and not self.under_way else None
        if state == "grinding" and self.doing.get("purpose") == "blank":
            while self.bench.now_s < self.over_s:
                time.sleep(0.05)
            yield {"do": "finish"}
        if state == "done":
            self._empty()

    def _empty(self) -> None:
        self.under_way = False
        self.rest_from_s = self.bench.empty_cup()["end_s"] + REST_S

    def _judge(self, run: str) -> None:
        """Set a ruined run aside, once it is in the archive."""
        if run in self.ground and self.ground.index(run) + 1 in RUINED:
            words = ["plan", str(self.study), "--set-aside", run, "--reason", "a spoon fell into the cup", "--next"]
            subprocess.run([sys.executable, "-m", "chargebench", *words], check=True, capture_output=True)

    def _grind(self, run: str, tags: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
        self.ground.append(run)
        self.armed, self.next, self.doing, self.under_way = None, None, tags, True
        if tags["purpose"] == "blank":
            yield {"do": "start"}
        began = self.bench.do(
            "grind",
            dose_g=float(tags.get("dose_g", 0.0)),
            water_uL_per_g=float(tags["water_uL_per_g"]),
            treatment=tags["treatment"],
            purpose=tags["purpose"],
        )
        self.over_s = began["end_s"]


@pytest.mark.timeout(3600)
def test_a_morning_from_plan_to_report(tmp_path: Path) -> None:
    """36 grinds and 4 blanks follow the plan, three spoilt runs are repeated, the doses printed bracket the truth."""
    study, archive = tmp_path / "quarry-morning.toml", tmp_path / "runs"
    study.write_text(STUDY, encoding="utf-8")
    with VirtualBenchProcess(tmp_path / "bench", seed=21, speed=SPEED) as bench:
        morning = Morning(bench, study)
        more = ("--plan", str(study), "--give-up", "900")
        assert drive(bench.bench_path, archive, morning.hear, more=more) == 0
        truth = bench.header["dose_curve"]
    assert len(morning.outcomes) >= 40 + len(RUINED)  # on a busy machine a step is disturbed and done once more
    found, problems = answered(study, None, [], None)
    assert problems == []
    (group,) = found.groups
    steps = {outcome["tags"]["plan_step"] for outcome in morning.outcomes if outcome["tags"]["purpose"] == "grind"}
    assert len(steps) == 36
    assert group.runs == 36, group.set_aside
    aside = [entry for entry in group.set_aside if entry.reason == "a spoon fell into the cup"]
    assert len(aside) == len(RUINED)
    dose = group.neutralising_dose
    assert dose is not None
    low, high = dose.fraction.ci95
    assert low < truth["fraction_dose_uL_per_g"] < high
    passed, first = dose.equivalence.bracket
    assert passed < 26.1  # the model's charge is inside ±3 nC/g from 26.0 µL/g on, inside ±4 nC/g from 23.5
    assert first > 23.4
    report = tmp_path / "report.html"
    words = [sys.executable, "-m", "chargebench", "report", str(study), "--out", str(report)]
    subprocess.run(words, check=True, capture_output=True)
    page = report.read_text(encoding="utf-8")
    assert "a spoon fell into the cup" in page
    assert dose.fraction.text in page

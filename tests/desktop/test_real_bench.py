"""The window with nothing replaced: virtual bench, real ports, recorder, journal, sealing and archive."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import psutil
import pytest

from chargebench.desktop.archive_reader import ArchiveReader
from chargebench.desktop.demo import DemoGuide
from chargebench.desktop.session import BenchSession
from chargebench.desktop.window import MainWindow
from chargebench.instruments.virtual.operator import REST_S, VirtualOperator, series
from chargebench.instruments.virtual.process import VirtualBenchProcess

PATIENCE_MS = 300_000
"""What a wait for the whole chain may take on a busy machine; only a fault takes longer."""
BUSY = ("its clock runs 10 times", "nothing has come for", "heard again")
"""What a bench that lives ten times as fast, on a machine that is held up now and then, is truly said of."""


def test_a_run_of_the_virtual_bench_ends_as_an_answer_near_its_truth(qtbot: Any, tmp_path: Path) -> None:
    """Live plot, answer within twice its U95 of the truth, a row, a sealed file, and the same row after a new start."""
    archive = tmp_path / "archive"
    with VirtualBenchProcess(tmp_path / "bench", seed=4, speed=10.0) as bench:
        operator = VirtualOperator(bench, series({"coffee": "<i>Harbour</i>", "dose_g": 18.0}, (), 1, 1)[:1])
        window = MainWindow(BenchSession(), ArchiveReader(), bench.bench_path, archive)
        qtbot.addWidget(window)
        window.form.show_tags(operator.first_tags)
        guide = DemoGuide(operator, None, window)
        window.session.message.connect(guide.hear)
        guide.command.connect(window.session.send)
        states, taken = [], []
        window.session.state.connect(lambda event: states.append(event["state"]))
        window.session.readings.connect(taken.extend)
        window.show()
        window.connect_bench()
        qtbot.waitUntil(lambda: operator.finished and not window.session.alive, timeout=PATIENCE_MS)
        truth = next(iter(operator.truths.values()))["charge_to_mass_nC_per_g"]
    outcome = window.table.model.rows[0].outcome
    estimate = outcome.result["charge_to_mass_nC_per_g"]
    assert list(dict.fromkeys(states))[:5] == ["waiting", "armed", "grinding", "settling", "done"]
    assert {"charge", "mass"} <= {reading.channel for reading in taken}
    assert abs(estimate.value - truth) < 2 * estimate.U95
    assert outcome.tags["coffee"] == "<i>Harbour</i>"
    assert "<i>Harbour</i>" in window.answer.whose.text()
    assert [p.suffix for p in archive.glob("*.journal")] == []
    assert [text for text in window.notices.texts if not any(word in text for word in BUSY)] == []
    window.read_archive()
    qtbot.waitUntil(lambda: window.table.model.rowCount() == 1, timeout=PATIENCE_MS)
    assert window.table.model.rows[0].run_id == outcome.run_id


STUDY = """[study]
name = "harbour"
question = "Does one spray change anything?"
archive = "runs"
blocks = 1
dry_per_block = 1
[[arm]]
coffee = "Harbour"
grinder = "Fennel"
doses_uL_per_g = [6]
[water]
spray_g = 0.108
"""


class Hands:
    """Grinds what the window says comes next, when armed; empties the cup after it."""

    def __init__(self, window: MainWindow, bench: VirtualBenchProcess) -> None:
        self.window, self.bench = window, bench
        self.counted_s: list[float] = []
        self._armed = self._due = self._under_way = False
        self._over_s = self._rested_s = 0.0
        window.session.state.connect(self.hear)
        window.session.plan.connect(self.be_told)

    def hear(self, event: dict[str, Any]) -> None:
        """Act on a state."""
        self.counted_s += [event["quiet_s"]] if "quiet_s" in event else []
        missed = event["state"] == "armed" and self._under_way and self.bench.now_s > self._over_s
        if missed or event["state"] == "done":
            self._rested_s = self.bench.empty_cup()["end_s"] + REST_S
            self._due, self._under_way = missed or self._due, False
        self._armed = event["state"] == "armed" and self.bench.now_s >= self._rested_s
        self.grind()

    def be_told(self, event: dict[str, Any]) -> None:
        """Another run is due, unless the plan is through."""
        self._due = event["next"] is not None
        self.grind()

    def grind(self) -> None:
        """Grind, once armed and told what; a run that the busy machine spoilt is asked for again."""
        if self._armed and self._due:
            self._due, self._under_way = False, True
            tags = self.window.form.texts()
            began = self.bench.grind(float(tags["dose_g"]), float(tags["water_uL_per_g"]), str(tags["treatment"]))
            self._over_s = began["end_s"]


def test_a_plan_is_followed_on_the_virtual_bench(qtbot: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two planned runs are tagged and told, the plan ends by itself, and a run set aside makes its step come again."""
    study = tmp_path / "study.toml"
    study.write_text(STUDY, encoding="utf-8")
    with VirtualBenchProcess(tmp_path / "bench", seed=4, speed=10.0) as bench:
        window = MainWindow(BenchSession(), ArchiveReader(), bench.bench_path, tmp_path / "elsewhere")
        qtbot.addWidget(window)
        window.show()
        window.plan.follow(study)
        qtbot.waitUntil(lambda: window.form.texts().get("coffee") == "Harbour", timeout=PATIENCE_MS)
        hands = Hands(window, bench)
        window.connect_bench()
        qtbot.waitUntil(lambda: window.plan.through and not window.session.alive, timeout=PATIENCE_MS)
    tags = [row.outcome.tags for row in window.table.model.rows]
    assert list(dict.fromkeys((t["plan_step"], t["treatment"]) for t in tags)) == [("2", "misted"), ("1", "dry")]
    assert tags[0]["water_uL_per_g"] == pytest.approx(6.0, abs=0.1)
    assert hands.counted_s
    assert len(list((tmp_path / "runs").glob("*.h5"))) == len(tags)
    monkeypatch.setattr("chargebench.desktop.window.ask_reason", lambda *_about: "a spoon fell into the cup")
    for number, row in enumerate(window.table.model.rows):
        if row.outcome.tags["plan_step"] == "1":  # more than one where a busy machine spoilt the first
            window.table.view.selectRow(number)
            window.table.aside.click()
            qtbot.waitUntil(lambda run=row.run_id: run in study.read_text(encoding="utf-8"), timeout=PATIENCE_MS)
    qtbot.waitUntil(lambda: "step 1" in window.strip.next.text(), timeout=PATIENCE_MS)
    assert "a spoon fell into the cup" in study.read_text(encoding="utf-8")
    assert not window.plan.through


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
def test_a_window_that_is_killed_costs_no_run(tmp_path: Path) -> None:
    """The recorder notices that nobody listens any more, seals what it has of the grind under way, and ends."""
    archive = tmp_path / "archive"
    with VirtualBenchProcess(tmp_path / "bench", seed=4, speed=10.0) as bench:
        words = ["window", "--bench", str(bench.bench_path), "--archive", str(archive)]
        home = {**os.environ, "HOME": str(tmp_path), "XDG_CONFIG_HOME": str(tmp_path), "XDG_STATE_HOME": str(tmp_path)}
        window = subprocess.Popen([sys.executable, "-m", "chargebench", *words], env=home, stderr=subprocess.DEVNULL)
        try:
            _wait_for(lambda: bool(list(archive.glob("*.journal"))))
            recorder = psutil.Process(window.pid).children(recursive=True)
            _wait_for(lambda: '"armed"' in next(archive.glob("*.journal")).read_text())
            bench.grind(18.0)
            _wait_for(lambda: '"grinding"' in next(archive.glob("*.journal")).read_text())
        finally:
            window.send_signal(signal.SIGKILL)
            window.wait()
        _, alive = psutil.wait_procs(recorder, timeout=PATIENCE_MS / 1000)
        assert alive == []
    assert len(list(archive.glob("*.h5"))) == 1
    assert list(archive.glob("*.journal")) == []


def _wait_for(done: Callable[[], bool], within_s: float = PATIENCE_MS / 1000) -> None:
    """Wait until something is true."""
    until = time.monotonic() + within_s
    while not done():
        assert time.monotonic() < until, "waited too long"
        time.sleep(0.05)

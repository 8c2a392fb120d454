"""The window with nothing replaced: virtual bench, real ports, recorder, journal, sealing and archive."""

from __future__ import annotations

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
from chargebench.instruments.virtual.operator import VirtualOperator, series
from chargebench.instruments.virtual.process import VirtualBenchProcess


@pytest.mark.timeout(120)
def test_a_run_of_the_virtual_bench_ends_as_an_answer_near_its_truth(qtbot: Any, tmp_path: Path) -> None:
    """Live plot, answer within twice its U95 of the truth, a row, a sealed file, and the same row after a new start."""
    archive = tmp_path / "archive"
    with VirtualBenchProcess(tmp_path / "bench", seed=4, speed=20.0) as bench:
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
        qtbot.waitUntil(lambda: operator.finished and not window.session.alive, timeout=90000)
        truth = next(iter(operator.truths.values()))["charge_to_mass_nC_per_g"]
    outcome = window.table.model.outcomes[0]
    estimate = outcome["result"]["charge_to_mass_nC_per_g"]
    assert list(dict.fromkeys(states))[:5] == ["waiting", "armed", "grinding", "settling", "done"]
    assert {"charge", "mass"} <= {reading.channel for reading in taken}
    assert abs(estimate["value"] - truth) < 2 * estimate["U95"]
    assert outcome["tags"]["coffee"] == "<i>Harbour</i>"
    assert "<i>Harbour</i>" in window.answer.whose.text()
    assert [p.suffix for p in archive.glob("*.journal")] == []
    assert window.notices.texts == ()
    window.read_archive()
    qtbot.waitUntil(lambda: window.table.model.rowCount() == 1, timeout=20000)
    assert window.table.model.outcomes[0]["run"] == outcome["run"]


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
@pytest.mark.timeout(120)
def test_a_window_that_is_killed_costs_no_run(tmp_path: Path) -> None:
    """The recorder notices that nobody listens any more, seals what it has of the grind under way, and ends."""
    archive = tmp_path / "archive"
    with VirtualBenchProcess(tmp_path / "bench", seed=4, speed=20.0) as bench:
        words = ["window", "--bench", str(bench.bench_path), "--archive", str(archive)]
        window = subprocess.Popen([sys.executable, "-m", "chargebench", *words], stderr=subprocess.DEVNULL)
        try:
            _wait_for(lambda: bool(list(archive.glob("*.journal"))))
            recorder = psutil.Process(window.pid).children(recursive=True)
            _wait_for(lambda: '"armed"' in next(archive.glob("*.journal")).read_text())
            bench.grind(18.0)
            _wait_for(lambda: '"grinding"' in next(archive.glob("*.journal")).read_text())
        finally:
            window.send_signal(signal.SIGKILL)
            window.wait()
        _, alive = psutil.wait_procs(recorder, timeout=30)
        assert alive == []
    assert len(list(archive.glob("*.h5"))) == 1
    assert list(archive.glob("*.journal")) == []


def _wait_for(done: Callable[[], bool], within_s: float = 40.0) -> None:
    """Wait until something is true."""
    until = time.monotonic() + within_s
    while not done():
        assert time.monotonic() < until, "waited too long"
        time.sleep(0.05)

"""Recording as a person at a terminal does it: led by the last line, answering with Enter."""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from chargebench.archive.archive import Archive
from chargebench.errors import InputError
from chargebench.instruments.virtual.process import VirtualBenchProcess
from chargebench.runs.load import load_run
from tests.cli.conftest import Command

if os.name == "nt":
    pytest.skip("terminals are POSIX", allow_module_level=True)

import pty

STUDY = """
[study]
name = "evening"
question = "How much water?"
archive = "runs"
blocks = 1
dry_per_block = 2
seed = 3

[[arm]]
coffee = "Ostermoor washed"
grinder = "Quarrystone"
doses_uL_per_g = [10, 11]
treatments = ["misted", "ionised"]

[water]
spray_g = 0.09
"""


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[VirtualBenchProcess]:
    """A virtual bench at 20 times real speed."""
    with VirtualBenchProcess(tmp_path / "bench", seed=5, speed=20.0) as running:
        yield running


class Person:
    """Reads the terminal line by line and does what the last one says.

    ``hands`` maps the beginning of a line to what is done at the bench; Enter is pressed where a line asks for it.
    """

    def __init__(self, hands: dict[str, Callable[[str], object]]) -> None:
        self.hands, self.led_by = hands, ""
        self.lines: list[str] = []

    def record(self, *words: str) -> int:
        """Run ``chargebench record`` in a terminal of its own to its end."""
        near, far = pty.openpty()
        command = [sys.executable, "-c", "import os, pty, sys; os.login_tty(0); " + AS_MAIN, "record", *words]
        with subprocess.Popen(command, stdin=far, stdout=far, stderr=far, start_new_session=True) as process:
            os.close(far)
            alarm = threading.Timer(240.0, process.kill)
            alarm.start()
            try:
                for line in _lines(near):
                    self._act(line, near)
                    self.lines.append(line)
            except InputError:
                process.kill()
                raise
            finally:
                alarm.cancel()
        os.close(near)
        return process.returncode

    def _act(self, line: str, near: int) -> None:
        """Do what a line says, once however often it is said again."""
        led = "press Enter" in line or any(line.startswith(start) for start in self.hands)
        if not led or line == self.led_by:
            return
        self.led_by = line
        for start, act in self.hands.items():
            if line.startswith(start):
                act(line)
        if "press Enter" in line:
            os.write(near, b"\n")


AS_MAIN = "from chargebench.__main__ import main; sys.exit(main(sys.argv[1:]))"


def _lines(near: int) -> Iterator[str]:
    rest = b""
    with contextlib.suppress(OSError):  # the far end was closed
        while data := os.read(near, 4096):
            *whole, rest = (rest + data).split(b"\n")
            yield from (line.decode().rstrip("\r") for line in whole)


class Hands:
    """Grinds what a line says that is ready, and waits for the grinder."""

    def __init__(self, bench: VirtualBenchProcess) -> None:
        self.bench, self.over_s = bench, 0.0

    def grind(self, line: str) -> None:
        sprays = re.search(r"(\d+) spray", line)
        treatment = "misted" if sprays else "ionised" if "ioniser on" in line else "dry"
        empty = "blank" in line
        water = 5.0 * int(sprays[1]) if sprays else 0.0
        began = self.bench.grind(0.0 if empty else 18.0, water, treatment, "blank" if empty else "grind")
        self.over_s = began["end_s"]

    def wait(self, line: str) -> None:
        while self.bench.now_s < self.over_s:
            time.sleep(0.02)

    def empty(self, line: str) -> None:
        with contextlib.suppress(InputError):  # it is being emptied already
            self.bench.empty_cup()


def test_a_plan_is_recorded_by_doing_what_the_last_line_says(
    bench: VirtualBenchProcess, tmp_path: Path, chargebench: Command
) -> None:
    """Doses that whole sprays cannot tell apart are told; purge, blank, ioniser and emptying are asked for in turn.

    The plan ends with 0, and so does recording one that is through.
    """
    study, runs = tmp_path / "evening.toml", tmp_path / "runs"
    study.write_text(STUDY, encoding="utf-8")
    hands = Hands(bench)
    person = Person({"ready, step": hands.grind, "stop the grinder": hands.wait, "empty the cup": hands.empty})
    where = ("--bench", str(bench.bench_path), "--archive", str(runs), "--plan", str(study))
    assert person.record(*where, "--runs", "99") == 0
    done = [line for line in person.lines if line.startswith("ready, step")]
    briefs = list(dict.fromkeys(line.split(": ", 1)[1].partition(";")[0] for line in done))
    assert set(briefs) == {
        "dry, ioniser off",
        "misted, 2 sprays, ioniser off",
        "blank, ioniser on",
        "ionised, ioniser on",
    }
    assert any("all come to 2 sprays" in line for line in person.lines)
    assert any(re.match(r"before step \d+: purge with 5 g .*, then press Enter", line) for line in person.lines)
    assert "the plan is through" in person.lines[-1]
    tags = [dict(load_run(path).tags) for path in Archive(runs).run_paths()]
    assert [t for t in tags if "incomplete" in t] == []
    assert sorted(str(t["purpose"]) for t in tags) == ["blank", *["grind"] * 5]
    again = chargebench("record", *where)
    assert again.returncode == 0
    assert "nothing is left to record" in again.stderr


def test_a_bench_without_a_scale_is_recorded_with_enter(bench: VirtualBenchProcess, tmp_path: Path) -> None:
    """Enter begins and ends the run where nothing weighs the grounds, and the run is whole."""
    text = bench.bench_path.read_text(encoding="utf-8")
    alone = tmp_path / "alone.toml"
    tables = re.split(r"(?m)^(?=\[)", text)
    alone.write_text("".join(t for t in tables if '"mass"' not in t), encoding="utf-8")
    hands = Hands(bench)
    person = Person({"ready; press Enter": hands.grind, "stop the grinder": hands.wait})
    assert person.record("--bench", str(alone), "--archive", str(tmp_path / "runs"), "--runs", "1") == 0
    [run] = map(load_run, Archive(tmp_path / "runs").run_paths())
    assert "incomplete" not in run.tags
    assert [mark.text for mark in run.marks if mark.kind == "state"][-1] == "done"
    assert "stop the grinder when it is through, then press Enter; touch neither cup nor cables" in person.lines


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--without", "balance"), "--without balance: "),
        (("--tag", "purpose=blank"), "add --timed SECONDS"),
        (("--tag", "dose_g=lots"), "--tag: tag dose_g"),
        (("--timed", "0"), "expected a number above 0"),
    ],
)
def test_wrong_words_are_wrong_usage(
    bench: VirtualBenchProcess, tmp_path: Path, chargebench: Command, words: tuple[str, ...], says: str
) -> None:
    """Arguments that cannot be meant end with 2 before anything is made; also where nobody is there to press Enter."""
    done = chargebench("record", "--bench", bench.bench_path, "--archive", tmp_path / "runs", *words)
    assert done.returncode == 2
    assert says in done.stderr
    assert not (tmp_path / "runs").exists()


def test_a_blank_is_guided_by_time_where_nobody_types(
    bench: VirtualBenchProcess, tmp_path: Path, chargebench: Command
) -> None:
    """With `--timed` a blank begins when all is ready and ends so many seconds of the run's clock later."""
    where: tuple[Any, ...] = ("--bench", bench.bench_path, "--archive", tmp_path / "runs")
    done = chargebench("record", *where, "--tag", "purpose=blank", "--timed", "8", "--runs", "1")
    assert (done.returncode, done.stderr) == (0, "")
    [run] = map(load_run, Archive(tmp_path / "runs").run_paths())
    marks = {mark.text: mark.time_s for mark in run.marks if mark.kind == "state"}
    assert marks["settling"] - marks["grinding"] == pytest.approx(8.0, abs=1.0)
    assert any("the grinder now, for 8 s" in line for line in done.stdout.splitlines())

"""The recorder process as a person or a window uses it, on the virtual bench's real ports."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from chargebench.cli.options import print_json
from chargebench.cli.screen import Screen
from chargebench.cli.todo import Todo
from chargebench.instruments.virtual.process import VirtualBenchProcess
from chargebench.recording.records import Record, line_of
from chargebench.recording.recover import recover
from tests.cli.conftest import Command
from tests.conforming import conform

TAGS = ("--tag", "coffee=Ostermoor washed", "--tag", "grinder=Quarrystone", "--tag", "dose_g=18")


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[VirtualBenchProcess]:
    """A virtual bench at 25 times real speed."""
    with VirtualBenchProcess(tmp_path / "bench", seed=5, speed=25.0) as running:
        yield running


class Recorder:
    """A running ``chargebench record --json``."""

    def __init__(self, bench: VirtualBenchProcess, archive: Path, *more: str) -> None:
        words = ["record", "--bench", str(bench.bench_path), "--archive", str(archive), "--json", *TAGS, *more]
        self.process = subprocess.Popen(
            [sys.executable, "-m", "chargebench", *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            encoding="utf-8",
        )

    def until(self, **wanted: str) -> dict[str, Any]:
        """Read events until one has these values."""
        assert self.process.stdout is not None
        for line in self.process.stdout:
            event: dict[str, Any] = json.loads(line)
            conform("record", [event])
            if all(event.get(key) == value for key, value in wanted.items()):
                return event
        pytest.fail(f"no event with {wanted}; the recorder said {self.process.stderr.read()}")  # type: ignore[union-attr]

    def say(self, **command: Any) -> None:
        """Send one command."""
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps(command) + "\n")
        self.process.stdin.flush()

    def ended(self) -> tuple[int, list[dict[str, Any]], str]:
        """Exit code, remaining events, standard error."""
        assert self.process.stdout is not None
        assert self.process.stderr is not None
        events = [json.loads(line) for line in self.process.stdout]
        conform("record", events)
        return self.process.wait(60), events, self.process.stderr.read()


@pytest.fixture
def recorder(bench: VirtualBenchProcess, tmp_path: Path) -> Iterator[Any]:
    """Start recorders that do not outlive the test."""
    started: list[Recorder] = []

    def start(*more: str) -> Recorder:
        started.append(Recorder(bench, tmp_path / "archive", *more))
        return started[-1]

    yield start
    for one in started:
        one.process.kill()
        one.process.wait()
        for stream in (one.process.stdin, one.process.stdout, one.process.stderr):
            if stream is not None:
                stream.close()


def _run_until_grinding(bench: VirtualBenchProcess, running: Recorder) -> dict[str, Any]:
    running.until(event="state", state="armed")
    truth = bench.grind(18.0)
    running.until(event="state", state="grinding")
    return truth


def test_a_run_is_found_unaided_and_answered(
    bench: VirtualBenchProcess, recorder: Any, tmp_path: Path, chargebench: Command
) -> None:
    """One grind gives one sealed run whose answer is right, and the last line is what ``show`` gives for the file."""
    running = recorder("--runs", "1")
    truth = _run_until_grinding(bench, running)
    sealed = running.until(event="sealed")
    code, rest, err = running.ended()
    assert (code, err) == (0, "")
    outcome = rest[-1]
    ratio = outcome["result"]["charge_to_mass_nC_per_g"]
    assert abs(ratio["value"] - truth["charge_to_mass_nC_per_g"]) < 3 * ratio["U95"]
    assert outcome["tags"]["dose_g"] == 18.0
    assert json.loads(chargebench("show", sealed["path"], "--json").stdout) == outcome
    left = {p.name.removeprefix(outcome["run"]) for p in (tmp_path / "archive").iterdir()}
    assert left == {".h5"}


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere names of files are text")
@pytest.mark.parametrize("emit", [Screen(Todo(asks=False, weighs=True)).show, print_json])
def test_a_name_that_is_no_text_ends_no_start(tmp_path: Path, emit: Any) -> None:
    """A journal whose name is not UTF-8 is no recorder's: it is told of, in words and in JSON, and left alone."""
    journal = Path(os.fsdecode(os.fsencode(tmp_path) + b"/caf\xe9.journal"))
    journal.write_bytes(line_of(Record("raw", 0, "1 cup x")))
    emit({"event": "recovered", "path": str(journal)})

    def refuse(journal: Path) -> dict[str, Any]:
        raise AssertionError(f"{journal} is asked to be sealed")

    assert recover([tmp_path], refuse, emit) == 0
    assert journal.exists()


def test_a_killed_recorder_loses_nothing_that_can_be_sealed(
    bench: VirtualBenchProcess, recorder: Any, tmp_path: Path, chargebench: Command
) -> None:
    """After kill -9 in the grind, ``record --runs 0`` makes a recovered run of the journal; again changes nothing."""
    running = recorder()
    _run_until_grinding(bench, running)
    running.process.kill()
    running.process.wait()
    words = ("record", "--bench", bench.bench_path, "--archive", tmp_path / "archive", "--runs", "0", "--json")
    done = chargebench(*words)
    assert done.returncode == 0, done.stderr
    events = [json.loads(line) for line in done.stdout.splitlines()]
    assert events[0]["event"] == "recovered"
    assert events[1]["recovered"] is True
    assert events[1]["tags"]["coffee"] == "Ostermoor washed"
    assert events[1]["tags"]["incomplete"] == "ended while grinding"
    assert not list((tmp_path / "archive").glob("*.journal"))
    again = chargebench(*words)
    assert (again.returncode, again.stdout) == (0, "")


@pytest.mark.skipif(os.name == "nt", reason="signals are POSIX")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_in_the_grind_keeps_the_run(bench: VirtualBenchProcess, recorder: Any, number: int) -> None:
    """Ctrl-C, a polite end and a closed terminal end in good order: the run is sealed and one line says so."""
    running = recorder("--runs", "2")
    _run_until_grinding(bench, running)
    running.process.send_signal(number)
    code, rest, err = running.ended()
    assert code == 1
    assert err.count("\n") == 1
    assert "0 of 2 runs" in err
    assert any(event.get("event") == "sealed" for event in rest)


def test_a_reader_that_goes_away_keeps_the_run(bench: VirtualBenchProcess, recorder: Any, tmp_path: Path) -> None:
    """A broken pipe on standard output stops the recorder quietly; what was ground is sealed."""
    running = recorder()
    _run_until_grinding(bench, running)
    running.process.stdout.close()
    assert running.process.stderr.read() == ""
    assert running.process.wait(60) == 0
    assert len(list((tmp_path / "archive").glob("*.h5"))) == 1


@pytest.mark.skipif(os.name == "nt", reason="terminals are POSIX")
@pytest.mark.parametrize("runs", ["1", "2"])
def test_a_terminal_that_is_held_holds_up_no_run(bench: VirtualBenchProcess, tmp_path: Path, runs: str) -> None:
    """With the terminal held (Ctrl-S) the run is recorded, sealed and kept; the recorder ends with the same code."""
    import pty
    import termios

    archive = tmp_path / "archive"
    near, far = pty.openpty()
    words = ["record", "--bench", str(bench.bench_path), "--archive", str(archive), "--runs", runs]
    with (
        open(near, "rb", buffering=0) as screen,
        open(far, "rb", buffering=0) as terminal,
        subprocess.Popen(
            [sys.executable, "-m", "chargebench", *words], stdin=subprocess.DEVNULL, stdout=far, stderr=far
        ) as process,
    ):
        seen = b""
        while b"armed" not in seen:
            seen += screen.read(4096)
        termios.tcflow(terminal, termios.TCOOFF)
        try:
            bench.grind(18.0)
            deadline = time.monotonic() + 60.0
            while not list(archive.glob("*.h5")) and time.monotonic() < deadline:
                time.sleep(0.05)
            assert len(list(archive.glob("*.h5"))) == 1
            if runs == "2":
                process.send_signal(signal.SIGTERM)
            assert process.wait(60) == int(runs) - 1
        finally:
            process.kill()
            termios.tcflow(terminal, termios.TCOON)


def test_nothing_ground_leaves_nothing_behind(recorder: Any, tmp_path: Path) -> None:
    """Giving up while waiting: exit code 1, one line, no journal and no run."""
    running = recorder("--runs", "1", "--give-up", "1.5")
    code, _, err = running.ended()
    assert code == 1
    assert err.count("\n") == 1
    assert list((tmp_path / "archive").glob("*.h5")) == []
    assert list((tmp_path / "archive").glob("*.journal")) == []


def test_commands_on_standard_input(bench: VirtualBenchProcess, recorder: Any) -> None:
    """Tags, start and finish by hand; what is no command is refused in words; the end of the input stops."""
    running = recorder("--control")
    running.until(event="state", state="armed")
    running.process.stdin.write("nonsense\n")
    running.say(do="tags", tags={"coffee": "other", "dose_g": 20.0})
    running.say(do="start")
    running.until(event="state", state="grinding")
    running.say(do="finish")
    running.until(event="state", state="settling")
    running.process.stdin.close()
    running.process.stdin = None
    code, rest, err = running.ended()
    assert code == 0
    assert "nonsense" in err
    outcome = next(event for event in rest if "result" in event)
    ended = outcome["tags"].pop("incomplete")  # on a busy machine the bench may wait again before the end is heard
    assert ended in ("ended while settling", "ended while waiting")
    assert outcome["tags"] == {"coffee": "other", "dose_g": 20.0}


def test_a_port_that_is_not_there_is_named(tmp_path: Path, chargebench: Command) -> None:
    """A missing port is an event that names instrument and port, and giving up says so in one line."""
    bench = tmp_path / "bench.toml"
    bench.write_text(
        '[bench]\nname = "x"\n[instrument.cup]\nport = "/dev/not-there"\nlines = "framed"\nbaud = 115200\n'
        'carries = ["charge"]\n',
        encoding="utf-8",
    )
    done = chargebench("record", "--bench", bench, "--archive", tmp_path / "a", "--give-up", "1", "--json")
    assert done.returncode == 1
    ports = [event for event in map(json.loads, done.stdout.splitlines()) if event.get("event") == "port"]
    assert ports[0]["state"] == "missing"
    assert "/dev/not-there" in ports[0]["text"]

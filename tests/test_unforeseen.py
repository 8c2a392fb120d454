"""What no one foresaw ends in one line and a log, wherever it happens."""

from __future__ import annotations

import importlib
import io
import json
import sys
import threading
from pathlib import Path

import pytest

from chargebench.cli import finisher
from chargebench.cli.main import COMMANDS, main
from chargebench.unforeseen import LOG_BYTES, start_log, stop_log, threads_told, told

WORDS = {
    "demo": [],
    "record": ["--bench", "b.toml", "--archive", "a"],
    "show": ["x.h5"],
    "qualify": ["known", "--bench", "b.toml", "--archive", "a"],
    "import": ["--archive", "a", "--charge", "q.csv"],
    "plan": ["s.toml"],
    "study": ["s.toml"],
    "report": ["s.toml", "--out", "r.html"],
    "volunteers": ["v.csv"],
    "window": [],
    "archive": ["verify", "--archive", "a"],
    "virtual": ["--folder", "f"],
}
"""Words that each command takes; one that is not listed takes none."""

Capture = pytest.CaptureFixture[str]


@pytest.fixture
def logs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder of logs, in a place of its own."""
    folder = tmp_path / "logs"
    monkeypatch.setattr("platformdirs.user_log_dir", lambda *words, **more: str(folder))
    return folder


@pytest.mark.parametrize("error", [ZeroDivisionError("by zero"), RecursionError("deep"), AssertionError("a\nb")])
@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_ends_in_one_line(
    command: str, error: Exception, logs: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An error inside a command gives exit code 1 and one line that names it and the log, which has the traceback."""

    def fail(args: object) -> int:
        raise error

    monkeypatch.setattr(importlib.import_module(COMMANDS[command][0]), "run", fail)
    assert main([command, *WORDS.get(command, [])]) == 1
    said = capsys.readouterr()
    log = logs / "chargebench.log"
    assert said.out == ""
    assert said.err.count("\n") == 1
    assert said.err.startswith(f"chargebench: unforeseen error, {type(error).__name__}: ")
    assert said.err.endswith(f"the log says more: {log}\n")
    assert "Traceback (most recent call last)" in log.read_text(encoding="utf-8")
    assert "in fail" in log.read_text(encoding="utf-8")


def test_a_module_that_does_not_load_is_one_line(logs: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    """A library that is missing or broken is said in one line, too."""
    monkeypatch.setitem(sys.modules, "chargebench.cli.show", None)
    assert main(["show", "x.h5"]) == 1
    assert "ModuleNotFoundError" in capsys.readouterr().err
    assert (logs / "chargebench.log").exists()


@pytest.mark.parametrize("error", [KeyboardInterrupt(), SystemExit(3)])
def test_what_is_meant_to_end_the_program_does(
    error: BaseException, logs: Path, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C has its own line and an exit its own code; neither is logged."""

    def fail(args: object) -> int:
        raise error

    monkeypatch.setattr("chargebench.cli.show.run", fail)
    if isinstance(error, SystemExit):
        with pytest.raises(SystemExit, match="3"):
            main(["show", "x.h5"])
    else:
        assert main(["show", "x.h5"]) == 1
        assert "stopped by Ctrl-C" in capsys.readouterr().err
    assert not logs.exists()


def test_the_sealing_process_answers_and_goes_on(logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A job that meets an unforeseen error is answered with one line; the next job is answered as ever."""
    answers = io.StringIO()
    monkeypatch.setattr(finisher, "_sealed", lambda job: {}[job["run"]])
    monkeypatch.setattr(finisher, "_upcoming", lambda job: {"next": None})
    finisher.serve([json.dumps({"run": "x"}), json.dumps({"plan": "s", "archive": "a"})], answers)
    failed, done = (json.loads(line) for line in answers.getvalue().splitlines())
    assert failed["error"].startswith("sealing process: unforeseen error, KeyError: ")
    assert failed["error"].endswith(str(logs / "chargebench.log"))
    assert done == {"next": None}


def test_an_error_in_a_thread_is_one_line(logs: Path, capsys: Capture) -> None:
    """Threads have no caller to tell: what escapes them is said in one line and logged."""
    heard: list[str] = []
    with threads_told(heard.append):
        for target in (lambda: [][1], sys.exit):
            thread = threading.Thread(target=target)
            thread.start()
            thread.join()
    (line,) = heard
    assert "IndexError: list index out of range; the log says more" in line
    assert capsys.readouterr().err == ""


def _caught() -> str:
    """`told` of a division by zero."""
    try:
        return str(1 / 0)
    except ZeroDivisionError as error:
        return told((type(error), error, error.__traceback__))


def test_a_log_that_cannot_be_made_costs_no_line(tmp_path: Path, logs: Path) -> None:
    """Where the folder of logs cannot be made the error is said all the same, and that it was not logged."""
    logs.write_text("a file, not a folder")
    assert "ZeroDivisionError: division by zero; it could not be logged (" in _caught()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
def test_a_full_disk_costs_no_line(logs: Path, capsys: Capture) -> None:
    """Where the disk is full the error is said all the same, and nothing else."""
    logs.mkdir()
    (logs / "chargebench.log").symlink_to("/dev/full")
    assert "it could not be logged ([Errno 28]" in _caught()
    assert capsys.readouterr().err == ""


def test_a_log_that_is_open_is_taken(logs: Path) -> None:
    """Where a log is being written, the error goes there and that log stays open."""
    handler = start_log("window")
    try:
        assert _caught().endswith(str(logs / "window.log"))
        assert _caught().endswith(str(logs / "window.log"))
    finally:
        stop_log(handler)
    assert (logs / "window.log").read_text(encoding="utf-8").count("Traceback") == 2
    assert not (logs / "chargebench.log").exists()


def test_the_log_does_not_grow_without_end(logs: Path) -> None:
    """A full log is kept beside a new one."""
    logs.mkdir()
    (logs / "chargebench.log").write_text("x" * LOG_BYTES)
    _caught()
    assert (logs / "chargebench.log").stat().st_size < LOG_BYTES
    assert (logs / "chargebench.log.1").stat().st_size == LOG_BYTES

"""Rules of ``chargebench virtual`` and of the words typed to it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from chargebench.cli.by_hand import HELP, command
from chargebench.cli.qualify import KINDS
from chargebench.cli.virtual import SCENARIOS
from chargebench.errors import InputError
from chargebench.instruments.virtual import SCENARIOS as KNOWN
from tests.cli.conftest import Command


def test_scenarios_offered_are_those_there_are() -> None:
    """The choices of the command are the scenarios of the model."""
    assert set(SCENARIOS) == set(KNOWN)


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("grind", {"do": "grind", "dose_g": 18.0}),
        ("grind 9", {"do": "grind", "dose_g": 9.0}),
        ("  grind 18  20 misted\n", {"do": "grind", "dose_g": 18.0, "water_uL_per_g": 20.0, "treatment": "misted"}),
        ("grind ionised espresso", {"do": "grind", "dose_g": 18.0, "treatment": "ionised", "setting": "espresso"}),
        ("blank", {"do": "grind", "dose_g": 0.0, "purpose": "blank"}),
        ("ioniser  on", {"do": "set_ioniser", "on": True}),
        ("inject -20.5", {"do": "inject", "charge_nC": -20.5}),
        ("spray 10", {"do": "spray", "count": 10}),
        ("empty", {"do": "empty_cup"}),
        ("restart", {"do": "restart"}),
    ],
)
def test_words_are_commands(line: str, expected: dict[str, object]) -> None:
    """What is typed becomes the command it says."""
    assert command(line, 18.0) == expected


@pytest.mark.parametrize(
    "line", ["boil", "grind 1 2 3", "grind lots", "inject", "inject nan", "spray -1", "spray x", "ioniser", "Grind 18"]
)
def test_other_words_are_named(line: str) -> None:
    """What is not understood is refused by name."""
    with pytest.raises(InputError, match=r"not understood|takes a dose|expected a number"):
        command(line, 18.0)


def test_it_holds_still_and_does_what_is_typed(tmp_path: Path, chargebench: Command) -> None:
    """By hand nothing moves unless it is typed, refusals are answers, and the end of the input is the end."""
    typed = "help\nboil\nspray 10\ninject 1e9\ngrind 2 20 dry\ngrind 2 20 misted\n"
    words = ("virtual", "--by-hand", "--speed", "50", "--folder", tmp_path / "bench")
    done = chargebench(*words, input=typed)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.count(HELP) == 2
    assert done.stdout.count("not done: ") == 3
    assert "2 g, 20 µL/g, misted: " in done.stdout
    records = (tmp_path / "bench" / "truth.jsonl").read_text(encoding="utf-8").splitlines()
    assert [line.split('"')[3] for line in records] == ["scenario", "spray", "grind"]


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["virtual", "--folder", "file"], 1, "file"),
        (["virtual", "--folder", "file/below"], 1, "file"),
        (["demo", "--headless", "--archive", "file"], 1, "file"),
        (["virtual", "--scenario", "pond"], 2, "pond"),
        (["virtual", "--speed", "100"], 2, "1 to 50"),
        (["virtual", "--speed", "nan"], 2, "1 to 50"),
        (["virtual", "--water", "-1"], 2, "0 to 500"),
        (["virtual", "--by-hand", "--grinds", "2"], 2, "--by-hand"),
        (["demo", "--headless", "--speed", "100"], 2, "1 to 50"),
    ],
)
def test_what_cannot_be_is_one_line(
    words: list[str], code: int, says: str, tmp_path: Path, chargebench: Command
) -> None:
    """Wrong words and folders that cannot be are told in one line of this program's own, with its usage at most."""
    (tmp_path / "file").write_text("")
    done = chargebench(*words, cwd=tmp_path)
    assert done.returncode == code
    *usage, last = done.stderr.splitlines()
    assert says in last
    assert "chargebench" in last
    assert (usage == []) if code == 1 else all(line.startswith(("usage: chargebench", " ")) for line in usage)


@pytest.mark.skipif(os.name == "nt", reason="no such signals")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGHUP])
@pytest.mark.parametrize("mode", [[], ["--by-hand"]])
def test_signals_end_it_in_good_order(number: int, mode: list[str], tmp_path: Path) -> None:
    """A polite end, Ctrl-C and a closed terminal end either mode with 0 and nothing on standard error."""
    words = [sys.executable, "-m", "chargebench", "virtual", "--folder", str(tmp_path), *mode]
    with subprocess.Popen(
        words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8"
    ) as child:
        assert child.stdout is not None
        assert child.stderr is not None
        assert child.stdout.readline().startswith("bench file")
        child.send_signal(number)
        assert child.stderr.read() == ""
        assert child.wait(30) == 0


PRACTICE = [
    (["zero", "--seconds", "12"], {}, "charge_noise_1s_nC"),
    (["leakage", "--seconds", "20"], {"Now put a charge": "inject 150"}, "leakage_rate_per_s"),
    (
        ["gain", "--capacitor-nF", "1", "--u-capacitor-nF", "0.002", "--volts", "20,20", "--quiet", "3"],
        {"Switch the source to 20 V": "inject 20", "Switch it back": "inject -20"},
        "gain",
    ),
    (
        ["sprayer", "--water-C", "20", "--sprays", "5", "--weighings", "3"],
        {"5 sprays elsewhere": "spray 5"},
        "spray_g",
    ),
    (
        [
            "blank",
            "--dose-g",
            "18",
            "--runs",
            "4",
            "--grind-seconds",
            "15",
        ],  # one that a busy machine spoils is left out
        {"Start the empty grinder": "blank"},
        "net_charge_floor_nC",
    ),
    (
        ["ioniser", "--runs", "2", "--grind-seconds", "15"],
        {"1 of 2": "ioniser on", "Start the empty grinder": "blank"},
        "ioniser_background_nC",
    ),
]
"""Words of each check, what a person types to the virtual bench at which prompt, and a value that is found."""


def _type(bench: subprocess.Popen[str], line: str) -> str:
    assert bench.stdin is not None
    assert bench.stdout is not None
    bench.stdin.write(line + "\n")
    bench.stdin.flush()
    return bench.stdout.readline()


def _practise(bench: subprocess.Popen[str], words: list[str], answers: dict[str, str]) -> dict[str, object]:
    """Do one check as a person with two terminals; its last line."""
    last: dict[str, object] = {}
    command = [sys.executable, "-m", "chargebench", "qualify", *words, "--json"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, encoding="utf-8") as check:
        assert check.stdin is not None
        assert check.stdout is not None
        for line in check.stdout:
            last = json.loads(line)
            for prompt, typed in answers.items():
                if prompt in str(last.get("text", "")):
                    assert not _type(bench, typed).startswith("not done")
            if last.get("event") == "ask":
                check.stdin.write("\n")
                check.stdin.flush()
    assert check.returncode == 0
    return last


def test_every_check_can_be_practised(tmp_path: Path) -> None:
    """Each check of `qualify` is made against a virtual bench by what is typed to it, and is known afterwards."""
    words = [sys.executable, "-m", "chargebench", "virtual", "--by-hand", "--speed", "20", "--folder", str(tmp_path)]
    base = ["--bench", str(tmp_path / "bench.toml"), "--archive", str(tmp_path / "runs")]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, encoding="utf-8") as bench:
        assert bench.stdout is not None
        while not bench.stdout.readline().startswith("  stop"):
            pass
        for check, answers, key in PRACTICE:
            found = _practise(bench, [*check, *base], answers)
            assert found["qualification"] == check[0]
            assert key in found["values"]  # type: ignore[operator]
    assert {check[0] for check, _, _ in PRACTICE} == set(KINDS)

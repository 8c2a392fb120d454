"""Rules of ``chargebench qualify``: real readings of the virtual bench, the real command, and a person's words."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from chargebench.archive.archive import Archive
from chargebench.archive.import_traces import import_run
from chargebench.archive.qualifications import FOLDER, input_hashes, qualifications
from chargebench.cli.main import main
from chargebench.cli.qualify import DAYS
from chargebench.instruments.benchfile import read_bench
from chargebench.instruments.virtual import VirtualBench
from chargebench.processing.qualify.qualification import VALID_DAYS
from chargebench.runs.run import Knowledge
from tests.conforming import conform
from tests.processing.simulate import simulate

Answer = dict[str, Any]
STEP_S = 0.1


def qualify(words: list[str], hear: Callable[[str], object]) -> tuple[int, Answer]:
    """Run the command in a process of its own and react to what it says; its exit code and its last line."""
    command = [sys.executable, "-m", "chargebench", "qualify", *words, "--json"]
    last: Answer = {}
    with subprocess.Popen(
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
    ) as child:
        assert child.stdout is not None
        assert child.stdin is not None
        for line in child.stdout:
            last = json.loads(line)
            conform("qualify", [last])
            if "event" in last and isinstance(typed := hear(last["text"]), str):
                child.stdin.write(typed)
                child.stdin.flush()
    return child.returncode, last


@pytest.fixture(scope="module")
def virtual(tmp_path_factory: pytest.TempPathFactory) -> Iterator[VirtualBench]:
    """A virtual bench at ten times real speed, with short quiet stretches."""
    with VirtualBench(tmp_path_factory.mktemp("virtual"), scenario="quarry", seed=3, speed=10.0) as bench:
        with bench.bench_path.open("a", encoding="utf-8") as file:
            file.write("\n[recording]\nquiet_before_s = 5\nquiet_after_s = 6\n")
        yield bench


def hands(bench: VirtualBench) -> Callable[[str], None]:
    """A person who does what is said a moment later; the source has 1.005 nC a volt on 1 nF, so the gain is 1/1.005."""
    level = [0.0]

    def soon(what: Callable[[], object]) -> None:
        threading.Timer(STEP_S, what).start()

    def do(text: str) -> None:
        if "put a charge" in text:
            soon(lambda: bench.inject(150.0))
        elif text.startswith("Switch the source to"):
            level[0] = float(text.split()[4])
            soon(lambda: bench.inject(1.005 * level[0]))
        elif text.startswith("Switch it back"):
            soon(lambda: bench.inject(-1.005 * level[0]))
        elif "Start the empty grinder" in text:
            soon(lambda: bench.grind(0.0, purpose="blank"))

    return do


def knowledge(folder: Path, virtual: VirtualBench) -> Knowledge:
    """What later runs of the bench will know."""
    return Archive(folder).knowledge(read_bench(virtual.bench_path), datetime.now(UTC).date())


def test_checks_feed_later_runs(tmp_path: Path, virtual: VirtualBench) -> None:
    """zero, leakage and gain record, store raw data and hashes beside the answer, find the truth, and are used next."""
    base = ["--bench", str(virtual.bench_path), "--archive", str(tmp_path)]
    model = virtual.scenario.electrometer
    do = hands(virtual)
    for words in (
        ["zero", *base, "--seconds", "12"],
        ["leakage", *base, "--seconds", "30"],
        ["gain", *base, "--capacitor-nF", "1", "--u-capacitor-nF", "0.002", "--volts", "-20,20", "--quiet", "3"],
    ):
        code, answer = qualify(words, do)
        assert (code, answer["qualification"]) == (0, words[0])
        (name,) = answer["inputs"]
        assert input_hashes([tmp_path / FOLDER / name]) == answer["inputs"]
        assert Path(answer["path"]).parent == tmp_path / FOLDER
    known = knowledge(tmp_path, virtual).known
    truth = {
        "leakage_rate_per_s": 1.0 / model.leakage_time_constant_s,
        "bias_current_nA": model.bias_current_pA / 1e3,
        "gain": 1.0 / 1.005,
    }
    for key, value in truth.items():
        assert abs(known[key].value - value) < 4.0 * known[key].u, key
        assert "check of" in known[key].source
    assert known["leakage_rate_per_s"].u < 0.3 * truth["leakage_rate_per_s"]
    assert known["gain"].u == pytest.approx(0.002, rel=0.3)
    assert [q.kind for q in qualifications(tmp_path)] == ["zero", "leakage", "gain"]


def test_a_charge_that_comes_early_is_found(tmp_path: Path, virtual: VirtualBench) -> None:
    """A charge put on the cup before it is asked for is taken as the one to decay."""

    def hasty(text: str) -> None:
        if "of quiet first" in text:
            threading.Timer(6.0 / 20.0, lambda: virtual.inject(-150.0)).start()

    words = ["leakage", "--bench", str(virtual.bench_path), "--archive", str(tmp_path), "--seconds", "10"]
    code, answer = qualify(words, hasty)
    assert code == 0
    assert answer["details"]["injected_charge_nC"] == pytest.approx(-150.0, abs=0.5)


def test_null_grinds_are_runs_and_give_limits(tmp_path: Path, virtual: VirtualBench) -> None:
    """blank records runs of purpose blank in the archive itself, and states limits per gram of the dose."""
    base = ["--bench", str(virtual.bench_path), "--archive", str(tmp_path)]
    code, answer = qualify(["blank", *base, "--runs", "2", "--grind-seconds", "15", "--dose-g", "20"], hands(virtual))
    assert code == 0
    archive = Archive(tmp_path)
    assert {f"{e.run_id}.h5" for e in archive.find({"purpose": "blank"})} == set(answer["inputs"])
    d = answer["details"]
    assert d["detection_limit_nC_per_g"] == pytest.approx(d["detection_limit_nC"] / 20.0)
    assert knowledge(tmp_path, virtual).known["net_charge_floor_nC"].u < 2.0
    again = ["blank", *base, "--runs", "0", "--with-archive", "--dose-g", "20"]
    code, answer = qualify(again, hands(virtual))
    assert (code, answer["details"]["runs"]) == (0, 2)
    assert answer["details"]["net_charges_nC"] == sorted(
        d["net_charges_nC"], key=answer["details"]["net_charges_nC"].index
    )


def test_an_ioniser_is_judged_with_it_on(tmp_path: Path, virtual: VirtualBench) -> None:
    """ioniser records null grinds tagged as ionised, and its background holds what the ions truly brought."""
    base = ["--bench", str(virtual.bench_path), "--archive", str(tmp_path)]
    brought: list[float] = []

    def person(text: str) -> None:
        if "Start the empty grinder" in text:
            brought.append(virtual.grind(0.0, treatment="ionised", purpose="blank")["net_charge_nC"])

    code, answer = qualify(["ioniser", *base, "--runs", "2", "--grind-seconds", "15", "--cup-pF", "80"], person)
    assert code == 0
    archive = Archive(tmp_path)
    runs = archive.find({"purpose": "blank"})
    assert {e.tags["treatment"] for e in runs} == {"ionised"}
    for run, true, charge_nC in zip(runs, brought, answer["details"]["net_charges_nC"], strict=True):
        assert abs(charge_nC - true) < 4.0 * archive.outcome(run.path).result["net_charge_nC"].u
    background = answer["values"]["ioniser_background_nC"]
    assert background["value"] == pytest.approx(sum(answer["details"]["net_charges_nC"]) / 2)
    assert answer["details"]["offset_voltage_V"] == pytest.approx(background["value"] / 0.080)


def test_a_reset_between_levels_costs_that_step_only(tmp_path: Path, virtual: VirtualBench) -> None:
    """Where the input is zeroed instead of switching the source back, that step is left out and the rest is used."""
    base = ["--bench", str(virtual.bench_path), "--archive", str(tmp_path), "--capacitor-nF", "1"]
    done = []

    def person(text: str) -> None:
        if text.startswith("Switch it back") and not done:
            done.append(text)
            virtual.empty_cup()
        else:
            do(text)

    do = hands(virtual)
    words = ["gain", *base, "--u-capacitor-nF", "0.002", "--volts", "40,-40", "--quiet", "3"]
    code, answer = qualify(words, person)
    assert code == 0
    assert answer["details"]["levels"] == 3
    assert "step-left-out" in {flag["code"] for flag in answer["flags"]}
    assert answer["values"]["gain"]["value"] == pytest.approx(1 / 1.005, abs=0.01)


@pytest.mark.parametrize(
    ("words", "when"),
    [
        (["zero", "--seconds", "40"], "Empty cup on"),
        (["leakage", "--seconds", "40"], "Now put a charge"),
        (["blank", "--dose-g", "18", "--runs", "2", "--grind-seconds", "40"], "Start the empty grinder"),
        (["ioniser", "--runs", "2", "--grind-seconds", "40"], "hands off for 5 s"),
    ],
)
def test_coffee_is_not_taken_for_nothing(
    tmp_path: Path, virtual: VirtualBench, words: list[str], when: str, capfd: pytest.CaptureFixture[str]
) -> None:
    """A real grind in a check that needs an empty or untouched bench ends it with 1, and nothing is stored."""
    base = ["--bench", str(virtual.bench_path), "--archive", str(tmp_path)]

    def person(text: str) -> None:
        if when in text:
            threading.Timer(STEP_S, lambda: virtual.grind(12.0)).start()

    code, last = qualify([*words, *base], person)
    assert (code, last["event"]) == (1, "step")
    (line,) = capfd.readouterr().err.splitlines()
    assert "mass on the scale changed by" in line
    assert "nothing was stored" in line
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]
    virtual.empty_cup()


def kept_null(archive: Archive, virtual: VirtualBench, number: int, **changes: object) -> None:
    """A simulated run in the archive, tagged blank; without a scale's readings unless it has some in `changes`."""
    run, _ = simulate(**{"seed": number, "scale_Hz": 0.0, **changes})
    now = datetime.now(UTC)
    run_id, started = f"{now:%Y%m%dT%H%M%SZ}-{number:06x}", f"{now:%Y-%m-%dT%H:%M:%SZ}"
    text = virtual.bench_path.read_text(encoding="utf-8")
    tags = {"purpose": "blank", "treatment": "dry"}
    import_run(archive, replace(run, run_id=run_id, started=started, tags=tags, bench_text=text))


def test_earlier_coffee_does_not_make_a_limit(tmp_path: Path, virtual: VirtualBench) -> None:
    """Runs tagged blank that collected mass are left out by name; charge as of coffee keeps the check out of use."""
    archive = Archive(tmp_path, create=True)
    base = ["--bench", str(virtual.bench_path), "--archive", str(tmp_path)]
    words = ["blank", *base, "--dose-g", "18", "--runs", "0", "--with-archive"]
    for number in range(3):
        kept_null(archive, virtual, number, mass_g=0.0)
    kept_null(archive, virtual, 3, charge_per_gram=-50.0, mass_g=17.0, scale_Hz=10.0)
    code, answer = qualify(words, hands(virtual))
    assert (code, answer["details"]["runs"]) == (0, 3)
    assert [flag["evidence"]["mass_g"] for flag in answer["flags"] if flag["code"] == "run-left-out"] == [
        pytest.approx(17.0, abs=0.1)
    ]
    limit = knowledge(tmp_path, virtual).known["net_charge_floor_nC"]
    kept_null(archive, virtual, 4, charge_per_gram=-50.0, mass_g=17.0)
    code, answer = qualify(words, hands(virtual))
    assert code == 1
    assert "like-coffee" in {flag["code"] for flag in answer["flags"] if flag["severity"] == "reject"}
    assert knowledge(tmp_path, virtual).known["net_charge_floor_nC"] == limit


def test_nothing_is_left_of_a_check_that_gave_up(tmp_path: Path, virtual: VirtualBench) -> None:
    """Where no charge comes, the command says so, and leaves neither journal nor answer."""
    words = ["leakage", "--bench", str(virtual.bench_path), "--archive", str(tmp_path), "--wait", "5"]
    code, last = qualify(words, lambda text: None)
    assert code == 1
    assert last["event"] == "step"
    assert list((tmp_path / FOLDER).iterdir()) == []


def test_a_silent_instrument_ends_a_check(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Where no charge is read while the scale goes on printing, the check gives up and names the channel."""
    with kitchen_scale([100.0]) as port, socket.create_server(("127.0.0.1", 0)) as mute:
        address = f"socket://127.0.0.1:{mute.getsockname()[1]}"
        cup = f'[instrument.cup]\nport = "{address}"\nlines = "framed"\ncarries = ["charge"]'
        scale = f'[instrument.scale]\nport = "{port}"\nlines = "printed"\ncarries = ["mass"]'
        (tmp_path / "bench.toml").write_text(f'[bench]\nname = "Mute"\n{cup}\n{scale}\n')
        code, _ = qualify(
            ["zero", "--bench", str(tmp_path / "bench.toml"), "--archive", str(tmp_path)], lambda text: None
        )
    assert code == 1
    assert "no reading of the charge" in capfd.readouterr().err


@pytest.mark.skipif(os.name == "nt", reason="no signal of Ctrl-C to one process")
def test_ctrl_c_stores_nothing(tmp_path: Path, virtual: VirtualBench) -> None:
    """Ctrl-C ends a check with 1 and one line, and leaves neither journal nor answer."""
    words = ["zero", "--bench", str(virtual.bench_path), "--archive", str(tmp_path), "--seconds", "600"]
    with subprocess.Popen(
        [sys.executable, "-m", "chargebench", "qualify", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as child:
        assert child.stdout is not None
        child.stdout.readline()
        child.send_signal(signal.SIGINT)
        _, err = child.communicate()
    assert child.returncode == 1
    assert len(err.splitlines()) == 1
    assert "not stored" in err
    assert list((tmp_path / FOLDER).iterdir()) == []


@contextmanager
def kitchen_scale(weights: list[float]) -> Iterator[str]:
    """A scale on a socket that prints a weight ten times a second; the first of the list holds until it is removed."""
    server = socket.create_server(("127.0.0.1", 0))
    stop = threading.Event()

    def serve() -> None:
        connection, _ = server.accept()
        with connection, suppress(OSError):
            while not stop.wait(0.1):
                connection.sendall(f"ST,GS,{weights[0]:+9.2f} g\r\n".encode())

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield f"socket://127.0.0.1:{server.getsockname()[1]}"
    finally:
        stop.set()
        thread.join()
        server.close()


def test_a_bottle_is_weighed_step_by_step(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """sprayer asks, waits for Enter, weighs, and finds the grams per spray the bottle lost."""
    weights = [312.40]
    with kitchen_scale(weights) as port:
        scale = f'[instrument.scale]\nport = "{port}"\nlines = "printed"\ncarries = ["mass"]\nresolution_g = 0.01\n'
        (tmp_path / "bench.toml").write_text(f'[bench]\nname = "Scale only"\n{scale}')

        def person(text: str) -> str | None:
            if "sprays elsewhere" in text:
                weights[0] -= 1.02
            return "\n" if "press Enter" in text else None

        base = ["--bench", str(tmp_path / "bench.toml"), "--archive", str(tmp_path / "archive")]
        code, answer = qualify(["sprayer", *base, "--water-C", "21", "--weighings", "3"], person)
    assert code == 0
    assert answer["values"]["spray_g"]["value"] == pytest.approx(0.102, abs=1e-6)
    assert len(answer["details"]["weighings"]) == 3


def _typed(bench: Path, archive: Path) -> list[str]:
    words = ["qualify", "sprayer", "--bench", str(bench), "--archive", str(archive), "--water-C", "20"]
    for weighing in ("10,312.40,311.38", "10,311.38,310.35", "10,310.35,309.36"):
        words += ["--weighing", weighing]
    return words


def test_weighings_can_be_typed(tmp_path: Path, virtual: VirtualBench, capsys: pytest.CaptureFixture[str]) -> None:
    """Typed weighings need no instrument; the answer in words says grams and microlitres, and where it is stored."""
    assert main([*_typed(virtual.bench_path, tmp_path), "--valid-days", "7"]) == 0
    out = capsys.readouterr().out
    assert "0.1013 ± 0.0012 g" in out
    assert "µL" in out
    assert "few-weighings" in out
    (check,) = qualifications(tmp_path)
    assert check.inputs["weighing 1"] == "10,312.4,311.38"
    assert knowledge(tmp_path, virtual).known["spray_g"].until == check.valid_until


def test_what_is_known_can_be_asked(tmp_path: Path, virtual: VirtualBench, capsys: pytest.CaptureFixture[str]) -> None:
    """known lists what runs of today use and where it comes from; a damaged check is named and costs the exit code."""
    words = ["qualify", "known", "--bench", str(virtual.bench_path), "--archive", str(tmp_path)]
    assert main(_typed(virtual.bench_path, tmp_path)) == 0
    capsys.readouterr()
    assert main([*words, "--json"]) == 0
    known = json.loads(capsys.readouterr().out)["known"]
    assert known["spray_g"]["source"].startswith("sprayer check of")
    assert known["gain"]["source"].startswith("bench file of")
    assert main(words) == 0
    assert "0.1013 ± 0.0012 g" in capsys.readouterr().out
    (path,) = (tmp_path / FOLDER).glob("*.json")
    path.write_text("{}")
    assert main(words) == 1
    out, err = capsys.readouterr()
    assert "spray" not in out
    assert path.name in err


def test_help_says_how_long_a_check_holds() -> None:
    """The days that the help names are those that checks are given."""
    assert DAYS == VALID_DAYS


def test_words_of_a_check_have_units_and_say_nothing_twice(
    tmp_path: Path, virtual: VirtualBench, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The card of a check gives U95 its unit, words spikes, says each line once, and fits the terminal."""
    monkeypatch.setenv("COLUMNS", "70")
    base = ["--bench", str(virtual.bench_path), "--archive", str(tmp_path)]
    assert main(["qualify", "zero", *base, "--seconds", "12"]) == 0
    lines = capsys.readouterr().out.splitlines()
    (value,) = (line for line in lines if line.startswith("  noise of 1 s averages"))
    assert "nC (u), U95" in value
    assert "  spikes                             none" in lines
    labels = [line[:37] for line in lines if line.startswith("  ") and line[2] not in " ·!X"]
    assert len(set(labels)) == len(labels)
    assert max(map(len, lines[:-1])) <= 70  # the last line is a path
    assert main(["qualify", "known", *base]) == 0
    assert max(map(len, capsys.readouterr().out.splitlines())) <= 70


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["magic"], 2, "invalid choice"),
        (["gain"], 2, "required"),
        (["gain", "--capacitor-nF", "1", "--u-capacitor-nF", "0.1", "--volts", "10,0"], 2, "other than 0"),
        (["gain", "--capacitor-nF", "1", "--u-capacitor-nF", "0.1", "--volts", "10,x"], 2, "expected a number"),
        (["gain", "--capacitor-nF", "-1", "--u-capacitor-nF", "0.1"], 1, "-1 nF"),
        (["sprayer", "--water-C", "20", "--weighing", "10,300"], 2, "SPRAYS,BEFORE_G,AFTER_G"),
        (["sprayer", "--water-C", "20", "--weighing", "10,300,301"], 1, "lighter"),
        (["sprayer", "--water-C", "60", *(["--weighing", "1,300,299"] * 3)], 1, "0 to 40"),
        (["blank", "--dose-g", "18", "--runs", "0"], 1, "0 net charges"),
        (["zero", "--seconds", "0"], 2, "above 0"),
    ],
)
def test_wrong_words_are_named(
    tmp_path: Path,
    virtual: VirtualBench,
    capsys: pytest.CaptureFixture[str],
    words: list[str],
    code: int,
    says: str,
) -> None:
    """Wrong usage ends with 2, what cannot be done with 1, both with the value and what is allowed."""
    line = ["qualify", words[0], "--bench", str(virtual.bench_path), "--archive", str(tmp_path), *words[1:]]
    try:
        found = main(line)
    except SystemExit as ended:
        found = ended.code  # type: ignore[assignment]
    assert found == code
    assert says in capsys.readouterr().err
    assert qualifications(tmp_path) == []

"""Rules of runs made from other loggers' traces: what they become, and that they answer like any other run."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from chargebench.archive.archive import Archive
from chargebench.archive.import_traces import Importer, import_list, import_run, run_from_traces
from chargebench.cli.main import main
from chargebench.errors import TagError, TraceFileError
from chargebench.instruments.benchfile import Bench
from chargebench.runs.check import check_run
from chargebench.runs.run import Knowledge, Known

NET_NC, MASS_G = -740.0, 18.0
TAU_S, BIAS_NA = 400.0, 0.02
GAIN = Knowledge({"gain": Known(1.0, 0.002, source="test", date="2026-01-01", until="2099-01-01")})


def write_traces(folder: Path, name: str = "a", current: bool = False, start_s: float = 0.0) -> tuple[Path, Path]:
    """A leaking cup that takes NET_NC from 15 s to 25 s, and a scale that takes MASS_G; written as another logger may.

    The display obeys dq/dt = i + I_b - q/τ, integrated exactly over each step with i constant in it.
    """
    rng = np.random.default_rng(5)
    step_s = 0.05
    t = np.arange(0.0, 45.0, step_s)
    inflow = np.where((t >= 15.0) & (t < 25.0), NET_NC / 10.0, 0.0)
    if current:
        value = inflow + BIAS_NA + rng.normal(0.0, 0.02, len(t))
    else:
        value = np.zeros(len(t))
        decay = np.exp(-step_s / TAU_S)
        for n in range(1, len(t)):
            value[n] = value[n - 1] * decay + (inflow[n - 1] + BIAS_NA) * TAU_S * (1 - decay)
        value += rng.normal(0.0, 0.1, len(t))
    charge = folder / f"{name}-charge.csv"
    head = "time_s;current_nA" if current else "time_s;charge_nC"
    rows = [f"{s + start_s:.3f};{q:.5f}".replace(".", ",") for s, q in zip(t, value, strict=True)]
    charge.write_text("\r\n".join([head, *rows, ""]), encoding="utf-8-sig", newline="")
    mass = folder / f"{name}-mass.csv"
    ts = np.arange(0.0, 45.0, 0.2)
    m = 151.0 + MASS_G * np.clip((ts - 15.0) / 10.0, 0, 1) + rng.normal(0.0, 0.004, len(ts))
    mass.write_text("\n".join(["time_s,mass_g", *(f"{s + start_s:.2f},{g:.2f}" for s, g in zip(ts, m, strict=True))]))
    return charge, mass


@pytest.mark.parametrize("current", [False, True], ids=["charge", "current"])
@pytest.mark.parametrize("start_s", [0.0, -12.5, 1.7e9], ids=["from 0", "from before 0", "seconds of an epoch"])
def test_an_imported_run_answers_rightly(tmp_path: Path, current: bool, start_s: float) -> None:
    """Net charge and charge-to-mass of plain traces lie within their own U95, leakage and bias taken out."""
    charge, mass = write_traces(tmp_path, current=current, start_s=start_s)
    archive = Archive(tmp_path / "archive", create=True)
    run = run_from_traces(charge, mass, {"dose_g": 18.0}, "2026-03-14T09:15:00Z", knowledge_on=lambda day: GAIN)
    result = archive.outcome(import_run(archive, run)).result
    for key, truth in (("net_charge_nC", NET_NC), ("charge_to_mass_nC_per_g", NET_NC / MASS_G)):
        assert abs(result[key].value - truth) < max(result[key].U95, 0.005 * abs(truth))
        assert 0.03 * abs(truth) > result[key].U95


def test_an_imported_run_says_so(tmp_path: Path) -> None:
    """Origin, file names with SHA-256, start time and unused columns stand in the run; it has no journal."""
    charge, mass = write_traces(tmp_path)
    head, rest = mass.read_text().split("\n", 1)
    mass.write_text("\n".join([head + ",door", *(row + ",shut" for row in rest.split("\n"))]))
    archive = Archive(tmp_path / "archive", create=True)
    path = import_run(archive, run_from_traces(charge, mass, {"coffee": "Quillon"}, "2026-03-14T10:15:00+01:00"))
    run = archive.run(path.stem)
    assert (run.origin, run.started, run.run_id[:16]) == ("imported", "2026-03-14T09:15:00Z", "20260314T091500Z")
    assert run.journal == b""
    assert run.tags == {"coffee": "Quillon"}
    assert run.instruments["charge logger"].port == charge.name
    assert run.instruments["charge logger"].identity.startswith("sha256:")
    assert [m.text for m in run.marks] == [f"column door of {mass.name} was not used"]
    assert len(run.traces["charge"]) == 900
    assert check_run(path) == ()


def test_an_imported_run_takes_what_was_known_on_its_day(tmp_path: Path, bench: Bench) -> None:
    """With a bench file, calibration and checks are those in force when the run began, not today's."""
    charge, _ = write_traces(tmp_path)
    archive = Archive(tmp_path / "archive", create=True)
    known = partial(archive.knowledge, bench)
    for day, leak in (("2026-03-14", True), ("2027-03-14", False)):
        run = run_from_traces(charge, started=f"{day}T09:15:00Z", bench_text=bench.text, knowledge_on=known)
        assert ("leakage_rate_per_s" in run.knowledge.known) is leak
        flags = {flag.code for flag in archive.outcome(import_run(archive, run)).flags}
        assert ("calibration-out-of-date" in flags) is not leak


def test_without_mass_there_is_a_charge(tmp_path: Path) -> None:
    """Mass is optional: the charge is answered and the ratio is null, with a flag that says why."""
    charge, _ = write_traces(tmp_path)
    archive = Archive(tmp_path / "archive", create=True)
    outcome = archive.outcome(import_run(archive, run_from_traces(charge)))
    assert outcome.result["net_charge_nC"].value == pytest.approx(NET_NC, rel=0.01)
    assert outcome.result["charge_to_mass_nC_per_g"] is None
    assert any("mass" in flag.code or "mass" in flag.text for flag in outcome.flags)


def test_weights_by_hand_take_the_place_of_a_scale(tmp_path: Path) -> None:
    """Cup weighed before and after, as tags, gives charge-to-mass without a mass trace."""
    charge, _ = write_traces(tmp_path)
    archive = Archive(tmp_path / "archive", create=True)
    tags = {"mass_before_g": 151.0, "mass_after_g": 151.0 + MASS_G}
    ratio = archive.outcome(import_run(archive, run_from_traces(charge, tags=tags))).result["charge_to_mass_nC_per_g"]
    assert ratio.value == pytest.approx(NET_NC / MASS_G, rel=0.01)


@pytest.mark.parametrize(
    ("change", "error", "says"),
    [
        ({"started": "yesterday"}, TraceFileError, "started: found 'yesterday'"),
        ({"tags": {"dose_g": "much"}}, TagError, "dose_g"),
        ({"shift": 40.0}, TraceFileError, "share one clock"),
    ],
)
def test_what_cannot_be_one_run_is_refused(tmp_path: Path, change: dict, error: type[Exception], says: str) -> None:
    """A start time, tag or mass trace that does not fit is refused by name, and nothing is written."""
    charge, mass = write_traces(tmp_path)
    if "shift" in change:
        _, mass = write_traces(tmp_path, "later", start_s=change["shift"])
    with pytest.raises(error, match=says):
        run_from_traces(charge, mass, change.get("tags"), change.get("started"))


def _list(folder: Path) -> Path:
    write_traces(folder, "a")
    write_traces(folder, "b", current=True)
    (folder / "broken.csv").write_text("time_s,charge_nC\n0,nan\n")
    rows = [
        "charge_file;mass_file;started;dose_g;coffee;treatment",
        "a-charge.csv;a-mass.csv;2026-03-14T09:00:00Z;18;Quillon;dry",
        "broken.csv;;;18;Quillon;dry",
        "none.csv;;;18;Quillon;dry",
        "a-charge.csv;;;18;Quillon;soaked",
        ";b-mass.csv;;18;Quillon;dry",
        "b-charge.csv;b-mass.csv;2026-03-14T09:05:00Z;1,8,0;Umbra;",
        "b-charge.csv;b-mass.csv;2026-03-14T09:10:00Z;18,5;Umbra;",
    ]
    path = folder / "runs.csv"
    path.write_text("\n".join(rows))
    return path


def test_a_list_is_done_row_by_row(tmp_path: Path) -> None:
    """Good rows become runs with their tags; bad rows are named by line, with the reason, and stop nothing."""
    archive = Archive(tmp_path / "archive", create=True)
    done = list(import_list(archive, _list(tmp_path), tags={"grinder": "Mill"}))
    assert [d.line for d in done] == list(range(2, 9))
    says = {3: "found 'nan'", 4: "none.csv", 5: "soaked", 6: "charge_file: empty", 7: "1,8,0"}
    assert {d.line for d in done if d.problem} == set(says)
    assert all(says[d.line] in d.problem and f"line {d.line}:" in d.problem for d in done if d.problem)
    assert [e.tags for e in archive.find()] == [
        {"grinder": "Mill", "dose_g": 18.0, "coffee": "Quillon", "treatment": "dry"},
        {"grinder": "Mill", "dose_g": 18.5, "coffee": "Umbra"},
    ]


def test_the_command_imports_and_answers(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """``import --json`` prints one line a run, each what ``show --json`` prints; bad rows go to standard error."""
    charge, mass = write_traces(tmp_path)
    words = ["import", "--archive", str(tmp_path / "new" / "archive"), "--json"]
    assert main([*words, "--charge", str(charge), "--mass", str(mass), "--tag", "dose_g=18"]) == 0
    (line,) = capsys.readouterr().out.splitlines()
    assert json.loads(line)["result"]["collected_mass_g"]["value"] == pytest.approx(MASS_G, abs=0.05)
    assert main([*words, "--list", str(_list(tmp_path))]) == 1
    out, err = capsys.readouterr()
    assert [json.loads(line)["tags"]["coffee"] for line in out.splitlines()] == ["Quillon", "Umbra"]
    assert sum("line " in words for words in err.splitlines()) == 5
    main(["show", str(tmp_path / "new" / "archive"), "--json"])
    assert len(capsys.readouterr().out.splitlines()) == 3


def test_a_list_may_be_imported_again(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Rows that became runs answer the same without a second file, so that only what was mended is new."""
    archive, listed = tmp_path / "archive", _list(tmp_path)
    words = ["import", "--archive", str(archive), "--json", "--list", str(listed)]
    assert main(words) == 1
    first = capsys.readouterr().out
    listed.write_text(listed.read_text().replace("1,8,0", "18,0"))
    assert main(words) == 1
    out, err = capsys.readouterr()
    assert [line for line in out.splitlines() if line in first.splitlines()] == first.splitlines()
    assert err.count("not imported again") == 2
    assert len(out.splitlines()) == len(list(archive.glob("*.h5"))) == 3


@pytest.mark.parametrize(
    ("change", "says", "files"),
    [
        ({}, "not imported again", 1),
        ({"dated": False}, "not imported again", 1),
        ({"tags": {"coffee": "Umbra"}}, "holds the same readings as", 2),
        ({"bench_text": "[bench]"}, "holds the same readings as", 2),
        ({"started": "2026-03-15T09:15:00Z"}, "holds the same readings as", 2),
    ],
)
def test_the_same_readings_are_told(tmp_path: Path, change: dict, says: str, files: int) -> None:
    """A run that is there already is not written again; the same readings with other words are, and that is said."""
    charge, mass = write_traces(tmp_path)
    archive = Archive(tmp_path / "archive", create=True)
    began = "2026-03-14T09:15:00Z" if change.pop("dated", True) else None
    told = {"tags": {"coffee": "Quillon"}, "started": "2026-03-14T09:15:00Z", "bench_text": ""}
    assert not Importer(archive)(run_from_traces(charge, mass, **told), began).note
    again = Importer(archive)(run_from_traces(charge, mass, **{**told, **change}), began)
    assert says in again.note
    assert len(archive.run_paths()) == files


@pytest.mark.parametrize(
    ("words", "code"),
    [
        ([], 2),
        (["--charge", "a", "--list", "b"], 2),
        (["--list", "b", "--mass", "c"], 2),
        (["--charge", "no such file"], 1),
        (["--list", "no such file"], 1),
        (["--charge", "a", "--tag", "nonsense"], 2),
        (["--charge", "a", "--started", "yesterday"], 2),
    ],
)
def test_wrong_words_end_with_their_code(tmp_path: Path, words: list[str], code: int) -> None:
    """Words that do not fit together end with 2, what cannot be done with 1."""
    assert main(["import", "--archive", str(tmp_path), *words]) == code


@pytest.mark.parametrize(
    ("started", "says"),
    [
        ("2026-03-14T09:15:00Z", ""),
        ("2026-03-14T09:15:00+05:30", ""),
        (None, ""),
        ("2026-03-14T09:15:00", "names no zone and is taken as this computer's time, 2026-03-14T"),
        ("2126-03-14T09:15:00Z", "lies in the future, "),
        ("2126-03-14T09:15:00", "names no zone and is taken as this computer's time, 2126-"),
    ],
)
def test_an_odd_start_is_told(tmp_path: Path, started: str | None, says: str) -> None:
    """A start without a zone, or that has not come yet, is accepted, told at once and noted in the run."""
    charge, mass = write_traces(tmp_path)
    archive = Archive(tmp_path / "archive", create=True)
    item = Importer(archive)(run_from_traces(charge, mass, started=started), started)
    assert item.path is not None
    assert says in item.note
    assert bool(item.note) == bool(says)
    assert [m.text for m in archive.run(item.path.stem).marks] == ([item.note] if says else [])
    if "2126" in (started or ""):
        assert "lies in the future" in item.note


@pytest.mark.parametrize("started", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00"])
def test_a_start_that_no_clock_reaches_is_refused(tmp_path: Path, started: str) -> None:
    """A date beyond what can be told in UTC is named, not a traceback."""
    charge, mass = write_traces(tmp_path)
    with pytest.raises(TraceFileError, match="started: found"):
        run_from_traces(charge, mass, started=started)

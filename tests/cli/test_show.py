"""What a run says, in words and as JSON."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from chargebench.cli.main import main
from chargebench.cli.words import aligned, budget_table, estimate_text, printable, run_card, runs_table
from chargebench.processing.outcome import RESULT_UNITS, Estimate, Flag
from chargebench.runs.run import Knowledge, Known
from chargebench.runs.write import run_bytes
from chargebench.units import read_value
from tests.cli.conftest import Command
from tests.made_outcome import made_outcome
from tests.runs.made_runs import made_run

Capture = pytest.CaptureFixture[str]


@pytest.fixture
def outcomes(archive: Path, chargebench: Command) -> list[dict[str, object]]:
    """Outcomes of the whole folder."""
    done = chargebench("show", archive, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_a_folder_gives_one_object_a_line(outcomes: list[dict[str, object]], archive: Path) -> None:
    """Every run of the folder is there, in order of time, with all keys of a result and only finite numbers."""
    assert [o["run"] for o in outcomes] == sorted(p.stem for p in archive.glob("*.h5"))
    for outcome in outcomes:
        assert {"run", "started", "tags", "recovered", "result", "flags", "provenance"} <= set(outcome)
        result = outcome["result"]
        assert isinstance(result, dict)
        assert list(result) == list(RESULT_UNITS)
        for estimate in result.values():
            if estimate is not None:
                assert set(estimate) == {"value", "u", "U95", "dof"}
                assert all(math.isfinite(v) for k, v in estimate.items() if k != "dof")


def test_a_file_gives_the_same_as_its_folder(
    outcomes: list[dict[str, object]], archive: Path, chargebench: Command
) -> None:
    """The same run and recipe give the same object, bit for bit."""
    first = min(archive.glob("*.h5"))
    assert json.loads(chargebench("show", first, "--json").stdout) == outcomes[0]


def test_words_say_what_the_object_says(outcomes: list[dict[str, object]], archive: Path, chargebench: Command) -> None:
    """The card of a run carries value, uncertainty and unit of charge to mass."""
    text = chargebench("show", min(archive.glob("*.h5"))).stdout
    line = next(line for line in text.splitlines() if line.strip().startswith("charge to mass"))
    value, u, unit = read_value(line.split("charge to mass")[1].split("(")[0])
    expected = outcomes[0]["result"]["charge_to_mass_nC_per_g"]  # type: ignore[index]
    assert value == pytest.approx(expected["value"], abs=u)
    assert unit == "nC/g"


def test_the_budget_is_printed_on_request(archive: Path, chargebench: Command) -> None:
    """`--budget` adds the table of terms with their type and share."""
    text = chargebench("show", min(archive.glob("*.h5")), "--budget").stdout
    assert "uncertainty budget of charge to mass" in text
    assert "share %" in text


def test_a_damaged_run_is_named_and_the_rest_is_shown(archive: Path, tmp_path: Path, chargebench: Command) -> None:
    """One bad file gives exit code 1 and one line; the others are shown all the same."""
    good = min(archive.glob("*.h5"))
    (tmp_path / good.name).write_bytes(good.read_bytes())
    (tmp_path / "20990101T000000Z-000000.h5").write_bytes(b"not a run")
    done = chargebench("show", tmp_path, "--json")
    assert done.returncode == 1
    assert len(done.stdout.splitlines()) == 1
    assert "20990101T000000Z-000000.h5" in done.stderr


@pytest.mark.parametrize("text", ["plain", "µ ± é 漢", "\x1b[31mred", "a\nb", "\u202eback", "\x00", "tab\t"])
def test_nothing_that_moves_a_terminal_is_printed(text: str) -> None:
    """Control and direction characters come out as escapes, everything else as it is."""
    shown = printable(text)
    assert shown.isprintable()
    assert (shown == text) is text.isprintable()


def test_a_missing_number_is_a_dash_with_its_reason() -> None:
    """A result that cannot be had is a dash in the card, and the flag says why."""
    flag = Flag("no-mass", "doubt", "no scale and no hand weights")
    card = run_card(made_outcome(recovered=True, flags=(flag,)))
    assert "(recovered)" in card
    assert card.count("—") == len(RESULT_UNITS)
    assert "! doubt: no scale and no hand weights [no-mass]" in card


def _estimate(value: float, u: float, dof: float = 12.0) -> Estimate:
    """An estimate as it is read, with the U95 that was written."""
    found = Estimate(value, u, dof)
    vars(found)["U95"] = 2.2 * u
    return found


@pytest.mark.parametrize(
    ("ratio", "cells"),
    [
        (_estimate(-61.7123, 0.321), ["-61.71", "0.71"]),
        (_estimate(0.00123, 0.00021), ["+0.00123", "0.00046"]),
        (_estimate(1234.5, 123.0), ["+1230", "271"]),
        (_estimate(-0.04, 0.5), ["-0.04", "1.10"]),
        (None, ["—", "—"]),
    ],
)
def test_a_table_shows_what_the_uncertainty_allows(ratio: Estimate | None, cells: list[str]) -> None:
    """Values in the table of runs are plain decimals, rounded to two digits of their uncertainty, never to nothing."""
    outcome = made_outcome({"charge_to_mass_nC_per_g": ratio, "collected_mass_g": _estimate(17.70312, 0.012)})
    header, row = runs_table([outcome]).splitlines()
    assert header.split()[-4:] == ["nC/g", "U95", "nC/g", "flags"]
    assert row.split() == ["r", "17.703", *cells]


def test_numbers_agree_with_their_nouns() -> None:
    """One degree of freedom is one."""
    assert estimate_text(_estimate(1.0, 0.1, 1.0), "nC").endswith("± 0.10 nC (u), U95 0.22 nC, 1 degree of freedom")
    assert estimate_text(_estimate(1.0, 0.1, 2.4), "nC").endswith(", 2 degrees of freedom")
    assert estimate_text(_estimate(1.0, 0.1, math.inf), "").endswith("± 0.10 (u), U95 0.22")


@pytest.mark.parametrize("more", [[], ["--budget"]])
def test_lines_fit_the_terminal(archive: Path, chargebench: Command, more: list[str]) -> None:
    """Where COLUMNS says how wide a terminal is, no line of a card, a table or a budget is longer."""
    for path in (archive, min(archive.glob("*.h5"))):
        done = chargebench("show", path, *more, env={"COLUMNS": "60"})
        assert done.returncode == 0
        assert max(map(len, done.stdout.splitlines())) <= 60


def test_a_table_of_runs_stays_one_in_a_narrow_terminal(archive: Path, chargebench: Command) -> None:
    """At 80 columns every run has one line under one header, its columns in line, coffee and grinder said above."""
    lines = chargebench("show", archive, env={"COLUMNS": "80"}).stdout.splitlines()
    assert lines[0] == "hill lot on stone burrs"
    header, *rows = (line for line in lines[1:] if not line.startswith("    "))
    assert header.split()[:2] == ["run", "treatment"]
    assert [row.split()[0] for row in rows] == sorted(path.stem for path in archive.glob("*.h5"))
    place = header.index("Q/m nC/g")
    assert all(row[place] in "+-" and row[place - 1] == " " for row in rows)
    assert max(map(len, lines)) <= 80


def test_a_narrow_table_keeps_its_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cells that are too wide go on below, between words; where words are too long the cells are listed by name."""
    rows = [
        ("term", "value", "because"),
        ("leakage rate, bench check", "0.00123", "of the check of the morning"),
        ("x", "1", ""),
    ]
    monkeypatch.setenv("COLUMNS", "40")
    assert aligned(rows).splitlines() == [
        "term            value   because",
        "leakage rate,   0.00123 of the check of",
        "bench check             the morning",
        "x               1",
    ]
    monkeypatch.setenv("COLUMNS", "20")
    assert aligned(rows).splitlines()[0].startswith("leakage rate, bench")
    monkeypatch.setenv("COLUMNS", "100")
    assert len(aligned(rows).splitlines()) == 3


def test_a_budget_says_what_its_sensitivities_are_of(archive: Path, chargebench: Command) -> None:
    """Each sensitivity of the budget carries its unit."""
    text = chargebench("show", min(archive.glob("*.h5")), "--budget").stdout
    assert "nC/g per nC " in text
    assert "nC/g per g " in text


ODD: dict[str, dict[str, Any]] = {
    "lone surrogate": {"tags": {"coffee": "x", "free": "\ud800"}},
    "text for a number": {"tags": {"coffee": "x", "water_uL_per_g": "many"}},
    "infinite tag": {"tags": {"coffee": "x", "free": math.inf, "dose_g": math.nan}},
    "infinite knowledge": {"knowledge": Knowledge({"gain": Known(math.inf, 0.0)})},
    "escape in the id": {"run_id": "\x1b[2J\u202e"},
}


@pytest.mark.parametrize("odd", ODD)
@pytest.mark.parametrize("options", [(), ("--json",), ("--budget",)])
def test_one_odd_file_hides_no_other(tmp_path: Path, odd: str, options: tuple[str, ...], capfd: Capture) -> None:
    """A sound run is shown beside one whose tags, knowledge or id are odd; what is odd is shown as harmless text."""
    for name, fields in (("a", {}), ("b", ODD[odd]), ("c", {})):
        (tmp_path / f"{name}.h5").write_bytes(run_bytes(made_run(**{"run_id": f"run-{name}"} | fields)))
    for _ in range(2):  # worked out, then as kept
        assert main(["show", str(tmp_path), *options]) == 0
        said = capfd.readouterr().out
        lines = said.splitlines()
        assert "\x1b" not in said
        if options == ("--json",):
            assert [json.loads(line)["run"] for line in lines][::2] == ["run-a", "run-c"]
            assert len(lines) == 3
        else:
            assert [line[:5] for line in lines if line.startswith("run-")][:1] == ["run-a"]
            assert any(line.startswith("run-c") for line in lines)


def test_a_file_that_cannot_be_read_hides_no_other(tmp_path: Path, capfd: Capture) -> None:
    """What only looks like a run file (a folder, a link to nothing) is named; the others are shown; the code is 1."""
    (tmp_path / "a.h5").mkdir()
    for name in ("b", "c"):
        (tmp_path / f"{name}.h5").write_bytes(run_bytes(made_run(run_id=f"run-{name}")))
    assert main(["show", str(tmp_path), "--json"]) == 1
    said = capfd.readouterr()
    assert [json.loads(line)["run"] for line in said.out.splitlines()] == ["run-b", "run-c"]
    assert "a.h5" in said.err


def test_several_paths_are_shown_together(archive: Path, chargebench: Command) -> None:
    """Files and folders that are named stand in one table, each run once."""
    first, second = sorted(archive.glob("*.h5"))[:2]
    done = chargebench("show", second, first, second, "--json")
    assert [json.loads(line)["run"] for line in done.stdout.splitlines()] == [second.stem, first.stem]


def test_a_blank_is_called_one_and_shows_its_charge() -> None:
    """In the table a blank is named, with its net charge and unit where others have charge to mass; so in a budget."""
    tags = {"purpose": "blank", "treatment": "ionised"}
    outcome = made_outcome({"net_charge_nC": _estimate(-0.123, 0.021)}, tags=tags)
    assert " ".join(runs_table([outcome]).splitlines()[1].split()).endswith("-0.123 nC 0.046 nC")
    assert "blank ionised" in runs_table([outcome])
    assert "net charge is -0.123 ± 0.021 nC" in " ".join(budget_table(outcome).split())

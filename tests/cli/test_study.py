"""What the commands ``study``, ``plan`` and ``report`` say, and what they refuse."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from chargebench.cli.study import answered
from chargebench.cli.study import words as worded
from chargebench.report.content import sections
from chargebench.report.tables import treatment_rows
from chargebench.study.nouns import SetAside
from tests.cli.conftest import Command
from tests.study_archive import COFFEE, FRACTION_DOSE_UL_PER_G, GRINDER

MakeStudy = Callable[..., Path]


@pytest.fixture
def study(archive: Path, tmp_path: Path) -> MakeStudy:
    """Write a study file over the simulated archive."""

    def write(coffee: str = COFFEE, **fixed: object) -> Path:
        lines = [f"{key} = {json.dumps(value)}" for key, value in fixed.items() if key != "fixed_on"]
        lines += [f"fixed_on = {fixed['fixed_on']}"] if "fixed_on" in fixed else []
        file = tmp_path / "study.toml"
        file.write_text(
            f'[study]\nname = "s"\nquestion = "How much?"\narchive = {json.dumps(str(archive))}\n'
            + "\n".join(lines)
            + f'\n[[arm]]\ncoffee = "{coffee}"\ngrinder = "{GRINDER}"\ndoses_uL_per_g = [5, 10, 20, 30, 40]\n',
            encoding="utf-8",
        )
        return file

    return write


def test_the_dose_brackets_the_truth(archive: Path, chargebench: Command) -> None:
    """On simulated runs the interval of the fraction dose holds the true one; the answer has all it must have."""
    done = chargebench("study", "--archive", archive, "--band", "4", "--json")
    assert (done.returncode, done.stderr) == (0, "")
    (group,) = json.loads(done.stdout)["groups"]
    assert {"neutralising_dose", "dry", "curve", "treatments", "flags", "next"} <= set(group)
    for definition in ("equivalence", "fraction", "limit", "crossing"):
        assert {"status", "value", "ci95", "bracket", "unit"} <= set(group["neutralising_dose"][definition])
    low, high = group["neutralising_dose"]["fraction"]["ci95"]
    assert low < FRACTION_DOSE_UL_PER_G < high


@pytest.mark.parametrize(
    ("fixed", "band", "says"),
    [
        ({"band_nC_per_g": 3.0, "fixed_on": "2026-03-01"}, None, "±3 nC/g, fixed on 2026-03-01, before the first run"),
        ({"band_nC_per_g": 3.0, "fixed_on": "2026-03-02"}, None, "on the day of the first run"),
        ({"band_nC_per_g": 3.0, "fixed_on": "2026-05-01"}, None, "after the first run (2026-03-02): not before"),
        ({"band_nC_per_g": 3.0}, None, "does not say when it was fixed"),
        ({"band_nC_per_g": 3.0}, 5.0, "±5 nC/g, given for this answer only; the study says ±3"),
        ({}, None, "none was fixed before the runs"),
    ],
)
def test_the_band_is_told_with_its_origin(
    study: MakeStudy, fixed: dict[str, object], band: float | None, says: str
) -> None:
    """Nobody is told that a band was fixed beforehand when it was not."""
    found, _ = answered(study(**fixed), None, [], band)
    assert says in found.band


def test_only_what_a_study_asked_for_counts(study: MakeStudy) -> None:
    """Runs of another coffee are left out and said to be."""
    from chargebench.errors import StudyError

    with pytest.raises(StudyError, match="no grinds found"):
        answered(study(coffee="another lot"), None, [], None)
    found, _ = answered(study(), None, [], None)
    assert found.study.other_runs == 0
    assert found.groups[0].runs == 12


def test_the_same_readings_count_once(archive: Path, tmp_path: Path) -> None:
    """A copy of a run under another name is named and not counted."""
    copy = tmp_path / "copied"
    shutil.copytree(archive, copy)
    first = min(copy.glob("*.h5"))
    shutil.copy(first, copy / "zz-again.h5")
    found, problems = answered(None, copy, [], None)
    assert len(problems) == 1
    assert "zz-again.h5" in problems[0]
    assert found.groups[0].runs == 12


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--set-aside", "20990101T000000Z-abcdef", "--reason", "x"), "no run '20990101T000000Z-abcdef'"),
        (("--skip", "9999", "--reason", "x"), "step 9999 is no run of this plan"),
    ],
)
def test_notes_about_nothing_are_refused(
    study: MakeStudy, chargebench: Command, words: tuple[str, ...], says: str
) -> None:
    """A run or step that is not there cannot be left out; the study file stays as it was."""
    file = study()
    before = file.read_text(encoding="utf-8")
    done = chargebench("plan", file, *words)
    assert done.returncode == 2
    assert says in done.stderr
    assert file.read_text(encoding="utf-8") == before


def test_a_note_is_made_once_and_confirmed(study: MakeStudy, archive: Path, chargebench: Command) -> None:
    """Setting a run aside says that the file was changed; a second time is refused; the run no longer counts."""
    file, run = study(), min(archive.glob("*.h5")).stem
    words = ("plan", file, "--set-aside", run, "--reason", "cable touched")
    done = chargebench(*words)
    assert done.returncode == 0
    assert "noted in" in done.stderr
    assert "set aside already" in chargebench(*words).stderr
    found, _ = answered(file, None, [], None)
    assert found.groups[0].set_aside == (SetAside(run, "cable touched"),)


def test_an_exclusion_of_nothing_is_told(
    study: MakeStudy, archive: Path, chargebench: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A run named wrongly sets nothing aside: answer, report and plan say so, with the run that may have been meant."""
    file, run = study(), min(archive.glob("*.h5")).stem
    wrong = f"{run}.h5"
    monkeypatch.setenv("COLUMNS", "500")
    with file.open("a", encoding="utf-8") as out:
        out.write(f'\n[[exclude]]\nrun = "{wrong}"\nreason = "cable touched"\n')
    found, _ = answered(file, None, [], None)
    (text,) = found.study.unknown_exclusions
    assert f"names '{wrong}', which is no run of" in text
    assert text.endswith(f"did you mean {run}?")
    assert f"doubt: {text}" in worded(found)
    assert f"doubt: {text}" in sections(found)[0].parts
    done = chargebench("plan", file)
    assert text in done.stderr
    assert done.returncode == 0


def test_treatments_stand_in_one_table(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each treatment has a line against dry and one against each other, with intervals; runs set aside say why."""
    found, _ = answered(None, archive, [], None)
    (group,) = found.groups
    told = treatment_rows(group.treatments)
    assert [row[0] for row in told[1:]] == ["dry", *(f"misted {dose} µL/g" for dose in (5, 10, 20, 30, 40))]
    assert [row[3] for row in told[2:]] == ["dry"] * 5
    assert all(row[4].count("[") == row[5].count("[") == 1 for row in told[2:])
    aside = (SetAside("20260302T081500Z-0a1b2c", "the cable was touched"),)
    found = replace(found, groups=(replace(group, set_aside=aside),))
    for columns in (80, 120):
        monkeypatch.setenv("COLUMNS", str(columns))
        lines = worded(found).splitlines()
        assert max(map(len, lines)) <= columns
        assert any(line.split()[:2] == ["treatment", "runs"] for line in lines)
        assert "  20260302T081500Z-0a1b2c  the cable was touched" in lines


def test_a_plan_stays_a_table_in_a_narrow_terminal(study: MakeStudy, chargebench: Command) -> None:
    """At 80 columns every step has its line under one header, with coffee and grinder said once above."""
    for columns, first in ((80, f"{COFFEE} on {GRINDER}"), (160, "step")):
        lines = chargebench("plan", study(), env={"COLUMNS": str(columns)}).stdout.split("\n\n")[0].splitlines()
        assert lines[0].startswith(first)
        steps = [line.split()[0] for line in lines if line[:1].isdigit()]
        assert steps == [str(n + 1) for n in range(len(steps))]
        assert len(steps) > 8
        assert max(map(len, lines)) <= columns


def test_every_plus_minus_has_a_name(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where ± stands, the words beside it say that it is u, or that it is the band."""
    monkeypatch.setenv("COLUMNS", "500")
    found, _ = answered(None, archive, [], None)
    for line in worded(found).splitlines():
        assert line.count("±") == line.count("(u)") + ("band: " in line), line


def test_an_empty_question_is_an_error(archive: Path, chargebench: Command, tmp_path: Path) -> None:
    """No run with that tag: exit code 1 and one line, for the answer and for the report."""
    where = ("--archive", archive, "--where", "grinder=Nowhere")
    for words in (("study", *where), ("report", *where, "--out", tmp_path / "r.html")):
        done = chargebench(*words)
        assert done.returncode == 1
        assert done.stderr.count("\n") == 1
        assert "no grinds found with grinder=Nowhere" in done.stderr
    assert not (tmp_path / "r.html").exists()


def test_repeats_are_counted_from_what_the_archive_has_shown(study: MakeStudy, chargebench: Command) -> None:
    """With a band and a difference, the plan says how many runs would show them at 80 % power."""
    done = chargebench("plan", study(band_nC_per_g=3.0), "--difference", "5", "--json")
    needs = json.loads(done.stdout)["repeats"]
    assert [need["aim"].split()[2] for need in needs] == ["a", "a"]
    assert all(need["runs"] >= 2 for need in needs)
    assert "seen with" in needs[0]["origin"]

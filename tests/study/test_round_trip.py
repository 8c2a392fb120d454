"""An answer and an outcome go to JSON and come back the same, whatever is in them."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from chargebench.archive.archive import Archive
from chargebench.cli.study import answer_of, answered, words
from chargebench.errors import StudyError
from chargebench.plain import from_json, to_json
from chargebench.processing.outcome import Outcome
from chargebench.processing.recipe import process
from chargebench.runs.load import load_run
from chargebench.study.nouns import StudyAnswer
from chargebench.study.rows import Question
from tests.conforming import conform
from tests.processing.simulate import simulate
from tests.study.odd_studies import odd_study, study_like
from tests.study.test_odd_studies import NAMED

SAMPLES = Path(__file__).resolve().parents[2] / "sample_runs"
ODD, PIECES = 400, 8


def _comes_back(found: StudyAnswer) -> None:
    written = json.dumps(to_json(found), allow_nan=False)
    conform("study", [json.loads(written)])
    back = from_json(StudyAnswer, json.loads(written))
    assert json.dumps(to_json(back), allow_nan=False) == written
    assert words(back) == words(found)


def test_the_answer_on_the_sample_runs_comes_back(tmp_path: Path) -> None:
    """The sample runs' study is the same tree after it was written and read: to the last digit, key and word."""
    shutil.copytree(SAMPLES, tmp_path / "samples")
    found, _ = answered(None, tmp_path / "samples", [], None)
    _comes_back(found)
    back = from_json(StudyAnswer, to_json(found))
    assert [group.neutralising_dose for group in back.groups] == [group.neutralising_dose for group in found.groups]
    assert (back.groups[0].curve, back.runs, back.question) == (found.groups[0].curve, found.runs, found.question)


@pytest.mark.parametrize("piece", range(PIECES))
def test_odd_answers_come_back(piece: int) -> None:
    """Of 400 odd studies every answer is the same tree after it was written and read, and holds its schema."""
    for seed in range(piece, ODD, PIECES):
        archive, study, question = odd_study(seed)
        try:
            found, _ = answer_of(archive, study, question)
        except StudyError:
            continue
        _comes_back(found)


@pytest.mark.parametrize("name", NAMED)
def test_named_answers_come_back(name: str) -> None:
    """So is that of each study known to be hard."""
    _comes_back(answer_of(study_like(**NAMED[name]), None, Question(resamples=60))[0])


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*.h5")), ids=lambda path: path.stem)
def test_the_outcome_of_a_sample_run_comes_back(path: Path, tmp_path: Path) -> None:
    """An outcome is the same after it was written and read, but for its curves; so is one kept in the cache."""
    made = process(load_run(path))
    _same(made)
    archive = Archive(tmp_path)
    shutil.copy(path, tmp_path)
    first, kept = archive.outcome(path.stem), archive.outcome(path.stem)
    assert json.dumps(first.as_json()) == json.dumps(kept.as_json())
    assert first == kept


def _same(made: Outcome) -> None:
    written = json.dumps(made.as_json(), allow_nan=False)
    back = Outcome.from_json(json.loads(written))
    assert json.dumps(back.as_json(), allow_nan=False) == written
    conform("show", [json.loads(written)])


def test_an_outcome_of_nothing_comes_back() -> None:
    """A run that no step can make anything of has an outcome that comes back too."""
    run, _ = simulate(tags={"purpose": "blank"})
    _same(process(run))


@pytest.mark.parametrize(
    ("change", "named"),
    [
        (lambda data: data.pop("run"), "run"),
        (lambda data: data["result"].update(net_charge_nC=3.0), "net_charge_nC"),
        (lambda data: data["flags"].append({"code": "x"}), "flags"),
        (lambda data: data["provenance"].pop("recipe"), "recipe"),
    ],
)
def test_what_is_no_outcome_is_refused(change: Any, named: str) -> None:
    """A key that is missing or of another kind is a ValueError that names it."""
    data = process(simulate()[0]).as_json()
    data["result"], data["provenance"] = dict(data["result"]), dict(data["provenance"])
    change(data)
    with pytest.raises(ValueError, match=named):
        Outcome.from_json(data)


def test_an_estimate_that_was_read_needs_no_statistics() -> None:
    """Its U95 is the one that was written, and a changed copy works out its own."""
    data = process(simulate()[0]).as_json()
    data["result"]["net_charge_nC"]["U95"] = 123.0
    read = Outcome.from_json(data).result["net_charge_nC"]
    assert read is not None
    assert read.U95 == 123.0
    assert type(read)(read.value, read.u, read.dof).U95 != 123.0

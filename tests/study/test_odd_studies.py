"""Whatever is asked of a study, there is an answer, a report, or one sentence that says why not."""

from __future__ import annotations

import json
from typing import Any

import pytest

from chargebench.cli.study import answer_of, words
from chargebench.errors import StudyError
from chargebench.plain import to_json
from chargebench.processing.outcome import Outcome
from chargebench.report import content
from chargebench.report.page import html
from chargebench.report.paper import pdf
from chargebench.study.nouns import StudyAnswer
from chargebench.study.rows import Question
from chargebench.study.studyfile import StudyFile
from tests.study.odd_studies import COFFEES, GRINDERS, HABITS, odd_study, seeds_of, study_like

STUDIES, PIECES = 2000, 8


@pytest.fixture
def no_figures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Figures cost a hundred times what an answer costs; they are drawn for some studies only, below."""
    monkeypatch.setattr(content, "FIGURES", {})


def _answer(seed: int) -> StudyAnswer | None:
    """The answer of an odd study; None where it says that it has no grind."""
    archive, study, question = odd_study(seed)
    if all(outcome.tags["purpose"] != "grind" or not _asked(study, outcome) for outcome in archive.outcomes):
        with pytest.raises(StudyError, match="no grinds found"):
            answer_of(archive, study, question)
        return None
    return answer_of(archive, study, question)[0]


def _asked(study: StudyFile | None, outcome: Outcome) -> bool:
    """Whether a study asks for a run: odd study files ask for every coffee that has a name."""
    return study is None or "coffee" in outcome.tags


@pytest.mark.usefixtures("no_figures")
@pytest.mark.parametrize("piece", range(PIECES))
def test_every_odd_study_has_an_answer(piece: int) -> None:
    """Of 2,000 odd studies each is answered in JSON, words and the sections of a report, or has no grind and says so.

    Warnings are errors here, so none reaches a terminal either.
    """
    answered = 0
    for seed in range(piece, STUDIES, PIECES):
        found = _answer(seed)
        if found is None:
            continue
        json.dumps(to_json(found), allow_nan=False)
        assert words(found), seed
        assert content.sections(found), seed
        assert sum(len(group.set_aside) + group.runs for group in found.groups) > 0, seed
        answered += 1
    assert answered > 0.7 * STUDIES / PIECES


@pytest.mark.parametrize("values", sorted(set(HABITS["values"])))
def test_every_odd_study_can_be_drawn(values: str) -> None:
    """A page with all its figures is made of odd studies of every kind of values, a PDF of a few."""
    made = 0
    for seed in seeds_of(values):
        found = _answer(seed)
        if found is None:
            continue
        assert html(found).endswith("</html>\n")
        if values in ("neutral", "zero"):
            assert pdf(found).startswith(b"%PDF")
        made += 1
        if made == 1:
            break
    assert made


NAMED: dict[str, dict[str, Any]] = {
    "wet runs without a dry one": {"runs": 12, "treatments": ("misted",)},
    "wet runs without a dry one, all alike": {"runs": 12, "treatments": ("misted",), "values": "same"},
    "all values the same": {"runs": 12, "values": "same", "u": 0.0},
    "one run": {"runs": 1},
    "one dose": {"runs": 8, "treatments": ("misted",), "doses": (20.0,)},
    "all neutral": {"runs": 16, "values": "neutral"},
    "all zero": {"runs": 16, "values": "zero", "u": 0.0},
    "no block": {"runs": 16, "blocks": ()},
    "a block a run": {"runs": 16, "blocks": tuple(str(n) for n in range(99))},
    "every run flagged": {"runs": 8, "flagged": 1.0},
    "nothing measured": {"runs": 8, "unmeasured": 1.0},
    "doses not told": {"runs": 8, "told": 0.0},
    "only ions": {"runs": 6, "treatments": ("ionised",)},
    "ions without mass": {"runs": 12, "treatments": ("dry", "ionised"), "blanks": 0.4, "mass": 0.0},
}


@pytest.mark.parametrize("resamples", [0, 200])
@pytest.mark.parametrize("name", NAMED)
def test_named_studies_have_an_answer_and_a_report(name: str, resamples: int) -> None:
    """What is known to have ended in a traceback is answered, worded and drawn, whatever its scatter."""
    for seed in range(3):
        found, _ = answer_of(study_like(seed=seed, **NAMED[name]), None, Question(resamples=resamples))
        json.dumps(to_json(found), allow_nan=False)
        assert COFFEES[0] in words(found)
        assert "what was found" in (html(found) if seed == resamples == 0 else content.sections(found)[1].title)


def test_every_run_set_aside_is_told() -> None:
    """A study that set all its runs aside has an answer: each run with its reason, and no number."""
    shelf = study_like(6)
    tables = {
        "study": {"name": "odd", "question": "What now?"},
        "arm": [{"coffee": COFFEES[0], "grinder": GRINDERS[0]}],
        "exclude": [{"run": outcome.run_id, "reason": "the cable was touched"} for outcome in shelf.outcomes],
    }
    found, _ = answer_of(shelf, StudyFile.model_validate(tables), Question())
    (group,) = found.groups
    assert (group.runs, len(group.set_aside)) == (0, 6)
    assert words(found).count("the cable was touched") == 6
    assert html(found).count("the cable was touched") >= 6

"""Whatever is asked of a study, there is an answer, a report, or one sentence that says why not."""

from __future__ import annotations

import json
from typing import Any

import pytest

from chargebench.cli.study import answer_of, words
from chargebench.errors import StudyError
from chargebench.report import content
from chargebench.report.page import html
from chargebench.report.paper import pdf
from chargebench.study.studyfile import StudyFile
from tests.study.odd_studies import HABITS, odd_study, seeds_of

STUDIES, PIECES = 2000, 8


@pytest.fixture
def no_figures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Figures cost a hundred times what an answer costs; they are drawn for some studies only, below."""
    monkeypatch.setattr(content, "FIGURES", {})


def _answer(seed: int) -> dict[str, Any] | None:
    """The answer of an odd study; None where it says that it has no grind."""
    archive, study, question = odd_study(seed)
    if all(outcome["tags"]["purpose"] != "grind" or not _asked(study, outcome) for outcome in archive.outcomes):
        with pytest.raises(StudyError, match="no grinds found"):
            answer_of(archive, study, question)
        return None
    return answer_of(archive, study, question)[0]


def _asked(study: StudyFile | None, outcome: dict[str, Any]) -> bool:
    """Whether a study asks for a run: odd study files ask for every coffee that has a name."""
    return study is None or "coffee" in outcome["tags"]


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
        json.dumps(found, allow_nan=False)
        assert words(found), seed
        assert content.sections(found), seed
        assert sum(len(group["set_aside"]) + group["runs"] for group in found["groups"]) > 0, seed
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

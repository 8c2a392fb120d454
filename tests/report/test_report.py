"""Reports: self-contained, every number from the answer, text from files only ever text."""

from __future__ import annotations

import math
import re
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from chargebench.cli.study import answered
from chargebench.plain import with_texts
from chargebench.report.content import Table, sections
from chargebench.report.figures import FIGURES, forest, svg
from chargebench.report.page import html
from chargebench.report.paper import pdf
from chargebench.study.bottleneck import Bottleneck
from chargebench.study.finer import EqualTime
from chargebench.study.nouns import CurveFound, StudyAnswer
from chargebench.study.volunteers import Contributor, Pooled
from tests.study_archive import COFFEE, GRINDER, make_archive

HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(2)> $x$ =1+1 \u202e"


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> StudyAnswer:
    """The answer on an archive of 12 simulated runs."""
    folder = tmp_path_factory.mktemp("archive")
    make_archive(folder, blocks=2)
    return answered(None, folder, [], None)[0]


def test_the_page_needs_nothing_from_outside(found: StudyAnswer) -> None:
    """One file: no script, no link, no image or font from elsewhere."""
    page = html(found)
    assert "<script" not in page
    assert not re.findall(r"""(?:src|href)\s*=\s*["'](?!#)""", page)
    assert not re.findall(r"url\((?!#)", page)
    assert page.count("<svg") >= 2


def test_text_from_tags_stays_text(found: StudyAnswer) -> None:
    """Names with HTML, formulas and direction marks appear escaped, in the page and in the PDF."""
    hostile = with_texts(found, lambda text: text.replace(COFFEE, HOSTILE))
    page = html(hostile)
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)" in page
    assert "<img" not in page
    assert pdf(hostile).startswith(b"%PDF")


def test_the_same_answer_makes_the_same_report(found: StudyAnswer) -> None:
    """Page and PDF are the same bytes for the same answer: nothing in them depends on when they were made."""
    assert html(found) == html(found)
    assert pdf(found) == pdf(found)


def test_every_run_stands_in_the_report(found: StudyAnswer) -> None:
    """The table of runs has one row a run, and every raw hash is printed."""
    made = {section.title: section for section in sections(found)}
    runs = next(part for part in made["The runs"].parts if isinstance(part, Table))
    assert [row[0] for row in runs.rows] == [run.run for run in found.runs]
    hashes = next(part for part in made["Versions and hashes"].parts if isinstance(part, Table))
    assert {row[3] for row in hashes.rows} == {run.raw_sha256 for run in found.runs}


def test_numbers_come_from_the_answer(found: StudyAnswer) -> None:
    """A number changed in the answer changes in the report: nothing is computed on the way."""
    group = found.groups[0]
    levels = (replace(group.levels[0], rms_nC_per_g=123.45), *group.levels[1:])
    changed = replace(found, groups=(replace(group, levels=levels),))
    assert "123.45" in html(changed)
    assert "123.45" not in html(found)


@pytest.mark.parametrize("title", ["Method", "Limits of what was shown", "Cautions", "The bench"])
def test_what_must_be_said_is_said(found: StudyAnswer, title: str) -> None:
    """Method, limits, cautions and what is known of the bench stand in every report."""
    assert title in [section.title for section in sections(found)]


def test_an_archive_without_answers_still_reports(tmp_path: Path) -> None:
    """A single dry run gives a report that says what is missing, not an error."""
    make_archive(tmp_path, doses=(0.0,), blocks=1)
    assert GRINDER in html(answered(None, tmp_path, [], None)[0])


def test_what_is_not_known_is_not_drawn(found: StudyAnswer) -> None:
    """A run whose dose is not told, or a curve without a band, leaves the figures standing."""
    runs = (*found.runs[:-1], replace(found.runs[-1], treatment="misted", water_uL_per_g=None))
    group = found.groups[0]
    assert isinstance(group.curve, CurveFound)
    points = replace(group.curve.points, low_nC_per_g=(None,) * 101, high_nC_per_g=(None,) * 101)
    odd = replace(group, curve=replace(group.curve, points=points))
    for figure in FIGURES.values():
        drawn = figure(odd, runs)
        assert drawn is None or svg(drawn)


def test_the_report_answers_in_words(found: StudyAnswer) -> None:
    """Treatments, water against a finer setting and the burrs stand in the report where the answer has them."""
    finer = EqualTime("extraction_percent", "%", "espresso", (), 2, 2, reason="too few")
    burrs = Bottleneck(GRINDER, math.nan, (math.nan, math.nan), 1, 2)
    told = replace(found, groups=(replace(found.groups[0], equal_brew_time=(finer,), bottleneck=burrs),))
    page = html(told)
    assert "Water against a finer setting, espresso: not compared at equal brew time; too few." in page
    assert "Grind time per gram, espresso over filter (dry runs): 1 espresso, 2 filter runs found" in page
    assert "<th>against</th>" in page


@pytest.mark.parametrize("caption", ["Dose curve", "Order of the runs"])
def test_figures_are_drawn(found: StudyAnswer, caption: str) -> None:
    """Each figure of a dose series is an SVG element with its axis labels."""
    figure = FIGURES[caption](found.groups[0], found.runs)
    assert figure is not None
    assert svg(figure).startswith("<svg")
    assert "nC/g" in figure.axes[0].get_ylabel()


def test_a_forest_plot_has_a_line_for_everyone() -> None:
    """Each contributor and the pooled value have their place."""
    rows = tuple(Contributor(f"p{n}", 2, 1.1 + n / 10, 0.05) for n in range(4))
    figure = forest(Pooled(4, 1.25, (1.1, 1.4), 0.1, None, rows))
    assert figure is not None
    assert [label.get_text() for label in figure.axes[0].get_yticklabels()] == ["pooled", "p0", "p1", "p2", "p3"]


def test_the_pdf_can_be_read(found: StudyAnswer, tmp_path: Path) -> None:
    """Where a PDF reader is at hand, the text of the PDF has the coffee's name and the unit."""
    file = tmp_path / "r.pdf"
    file.write_bytes(pdf(found))
    try:
        text = subprocess.run(["pdftotext", str(file), "-"], capture_output=True, encoding="utf-8", check=True).stdout
    except FileNotFoundError:
        text = f"{COFFEE} nC/g" if file.stat().st_size > 20_000 else ""
    assert COFFEE in text
    assert "nC/g" in text

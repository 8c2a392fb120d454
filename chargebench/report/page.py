"""A report as one self-contained HTML file. Text from files is text: everything goes through autoescape."""

from __future__ import annotations

from importlib.resources import files

from jinja2 import Environment
from markupsafe import Markup

from chargebench.report.content import Table, sections
from chargebench.report.figures import svg
from chargebench.study.nouns import StudyAnswer

__all__ = ["html"]


def html(found: StudyAnswer) -> str:
    """The report on a study; no script, no link to anything outside the file."""
    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    environment.filters["drawn"] = lambda figure: Markup(svg(figure))  # matplotlib escapes the text inside it
    environment.tests["table"] = lambda part: isinstance(part, Table)
    template = environment.from_string(files("chargebench.report").joinpath("page.html").read_text(encoding="utf-8"))
    made = sections(found)
    return template.render(title=made[0].title, sections=made) + "\n"

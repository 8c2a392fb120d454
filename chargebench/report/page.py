"""A report as one self-contained HTML file. Text from files is text: everything goes through autoescape."""

from __future__ import annotations

from importlib.resources import files
from typing import Any

from jinja2 import Environment
from markupsafe import Markup

from chargebench.report.content import Picture, Section, Table, sections
from chargebench.report.figures import svg
from chargebench.study.nouns import StudyAnswer

__all__ = ["html"]


def html(found: StudyAnswer) -> str:
    """The report on a study; no script, no link to anything outside the file."""
    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string(files("chargebench.report").joinpath("page.html").read_text(encoding="utf-8"))
    made = sections(found)
    return template.render(title=made[0].title, sections=[_section(s) for s in made]) + "\n"


def _section(section: Section) -> dict[str, Any]:
    return {"title": section.title, "tag": f"h{section.level + 1}", "parts": [_part(part) for part in section.parts]}


def _part(part: str | Table | Picture) -> dict[str, Any]:
    if isinstance(part, Table):
        return {"kind": "table", "header": part.header, "rows": part.rows}
    if isinstance(part, Picture):
        # our own drawing: matplotlib escapes the text inside it
        return {"kind": "picture", "caption": part.caption, "svg": Markup(svg(part.figure))}
    return {"kind": "text", "text": part}

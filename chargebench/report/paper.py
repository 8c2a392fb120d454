"""A report as PDF, from the same sections as the page. Owns the layout on paper and nothing of what is said."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from chargebench.report.content import Picture, Section, Table, sections
from chargebench.report.figures import png
from chargebench.runs.text import visible
from chargebench.study.nouns import StudyAnswer

__all__ = ["pdf"]

_FONT, _BOLD = "paper", "paper-bold"
_TEXT_MM = 175.0
_CHARACTER_MM = 1.5
"""Of the small type of tables, bold, on average."""

_HEAD_MM = 1.8
"""Of a column's name, which may be of capitals and must not be broken."""

_LONGEST_WORD = 64
"""Characters that a column makes room for: those of a hash."""

_LONGEST_CELL = 300
"""More would not fit on a page."""

_ENDLESS_WORD = re.compile(r"(\S{200})\S+")
"""A word longer than that takes the layout minutes to break."""


def pdf(found: StudyAnswer) -> bytes:
    """The report on a study as an A4 document; the same bytes for the same answer."""
    from reportlab.lib.pagesizes import A4
    from reportlab.lib.units import mm
    from reportlab.platypus import SimpleDocTemplate

    _fonts()
    out = io.BytesIO()
    margin = (A4[0] - _TEXT_MM * mm) / 2
    made = sections(found)
    document = SimpleDocTemplate(
        out, pagesize=A4, leftMargin=margin, rightMargin=margin, topMargin=18 * mm, bottomMargin=18 * mm,
        title=made[0].title, author="", invariant=1,
    )  # fmt: skip
    flow = [item for n, section in enumerate(made) for item in _section(section, first=n == 0)]
    document.build(flow, onFirstPage=_foot, onLaterPages=_foot)
    return out.getvalue()


def _text(words: str) -> str:
    """Text for a paragraph: no markup, no endless word."""
    return escape(_ENDLESS_WORD.sub(r"\1…", words))


def _fonts() -> None:
    """A font with µ, ± and Greek, which matplotlib brings along."""
    import matplotlib as mpl
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    for name, file in ((_FONT, "DejaVuSans.ttf"), (_BOLD, "DejaVuSans-Bold.ttf")):
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, str(folder / file)))


def _style(size: float, *, bold: bool = False, before: float = 0.0, keep: bool = False) -> Any:
    from reportlab.lib.styles import ParagraphStyle

    name = _BOLD if bold else _FONT
    return ParagraphStyle(
        f"{name}{size}",
        fontName=name,
        fontSize=size,
        leading=1.35 * size,
        spaceBefore=before,
        spaceAfter=4,
        keepWithNext=bold or keep,
        splitLongWords=1,
    )


def _section(section: Section, *, first: bool) -> list[Any]:
    from reportlab.platypus import Paragraph

    size = 15 if first else (12, 10)[section.level - 1]
    flow = [Paragraph(_text(section.title), _style(size, bold=True, before=10))]
    for part, after in zip(section.parts, (*section.parts, "")[1:], strict=True):
        flow += _part(part, keep=isinstance(after, Table))
    return flow


def _part(part: str | Table | Picture, *, keep: bool) -> list[Any]:
    """One part; a paragraph may be kept on the page of the table that follows it, a picture is on its caption's."""
    from reportlab.lib.units import mm
    from reportlab.platypus import Image, Paragraph

    if isinstance(part, str):
        return [Paragraph(_text(part), _style(9, keep=keep))]
    if isinstance(part, Table):
        return [_table(part)]
    width, height = part.figure.get_size_inches()
    image = Image(io.BytesIO(png(part.figure)), 150 * mm, 150 * mm * height / width)
    image.keepWithNext = True
    return [image, Paragraph(_text(part.caption), _style(8))]


def _table(table: Table) -> Any:
    from reportlab.lib.colors import black, lightgrey
    from reportlab.lib.units import mm
    from reportlab.platypus import LongTable, Paragraph, TableStyle

    small, head = _style(6.5), _style(6.5, bold=True)
    rows = [[Paragraph(escape(cell), head) for cell in table.header]]
    rows += [[Paragraph(escape(visible(cell, _LONGEST_CELL)), small) for cell in row] for row in table.rows]
    style: list[tuple[Any, ...]] = [
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, black),
        ("LINEBELOW", (0, 1), (-1, -1), 0.3, lightgrey),
    ]
    style += [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 4),
    ]
    return LongTable(rows, colWidths=[width * mm for width in _widths_mm(table)], style=TableStyle(style), repeatRows=1)


def _widths_mm(table: Table) -> list[float]:
    """Width of each column: room for its longest word, and the rest of the page by how much longer its cells are."""
    columns = list(zip(table.header, *table.rows, strict=True))
    words = [[max((len(word) for word in cell.split()), default=0) for cell in column] for column in columns]
    longest = [
        max(_HEAD_MM * head, *(_CHARACTER_MM * min(n, _LONGEST_WORD) for n in body), 0.0) for head, *body in words
    ]
    least = [1.5 + width_mm for width_mm in longest]
    wanted = [1.5 + _CHARACTER_MM * min(max(len(cell) for cell in c), 60) for c in columns]
    spare = _TEXT_MM - sum(least)
    if spare <= 0:
        return [width * _TEXT_MM / sum(least) for width in least]
    more = [max(w - one, 0.01) for w, one in zip(wanted, least, strict=True)]
    return [one + spare * m / sum(more) for one, m in zip(least, more, strict=True)]


def _foot(canvas: Any, document: Any) -> None:
    from reportlab.lib.units import mm

    canvas.setFont(_FONT, 7)
    canvas.drawRightString(document.leftMargin + document.width, 10 * mm, f"page {document.page}")

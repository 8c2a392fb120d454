"""Words from strangers in tags: refused in one line, or shown and kept as the text that they are, in every output."""

from __future__ import annotations

import csv
import json
import re
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Mapping, Sequence
from html.parser import HTMLParser
from pathlib import Path

from chargebench.cli.study import answered
from chargebench.cli.study import words as study_words
from chargebench.cli.volunteers import add_pair
from chargebench.cli.words import budget_table, run_card, runs_table
from chargebench.errors import ChargebenchError, TagError
from chargebench.plain import from_json, to_json
from chargebench.processing.recipe import process
from chargebench.report.page import html
from chargebench.report.paper import pdf
from chargebench.runs.check import difference
from chargebench.runs.load import load_run_bytes
from chargebench.runs.tags import check_tags
from chargebench.runs.text import file_name_part
from chargebench.runs.write import run_bytes
from chargebench.study.nouns import StudyAnswer
from tests.faults.tally import Tally
from tests.runs.made_runs import made_run
from tests.study_archive import COFFEE, GRINDER, make_archive

HOSTILE_TEXTS = (
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "<b>bold</b>",
    "&lt;already&gt; & more",
    '"><svg/onload=1>',
    "</title><h1>",
    "{{ 7 * 7 }}",
    "{% raw %}",
    "${HOME} $(id) `id`",
    "%s %n %(x)s",
    "{0} {x!r}",
    "=1+1",
    '=HYPERLINK("http://x")',
    "+1",
    "-1+1",
    "@SUM(A1)",
    "\t=1+1",
    "'=1",
    "a,b;c\td",
    "quotes \" and ' too",
    "line\nend",
    "cr\rlf\r\n",
    "nul\x00inside",
    "escape \x1b[31mred\x1b[0m",
    "bell\x07 back\x08space",
    "\u202egnitirw desrever",
    "\u2066isolate\u2069",
    "zero\u200bwidth\ufeff",
    "combining " + "\u0301" * 300,
    "../../etc/passwd",
    "..\\..\\windows",
    "/absolute/path",
    "C:\\device",
    "CON",
    "nul.txt",
    "COM1",
    "lone surrogate \udc80",
    "x" * 10_000,
    "x" * 10_001,
    "\U0001f600" * 2000,
    "",
    "   ",
    "NaN",
    "1e999",
    "__proto__",
    "constructor",
)
DEVICES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)
ACTIVE = (b"/JavaScript", b"/URI", b"/Launch", b"/OpenAction", b"/EmbeddedFile")


def hostile_tags(*, reports: bool) -> Tally:
    """Each text as a known tag, as a free tag, and as the name of one; then in every output.

    Parameters
    ----------
    reports : bool
        Whether to write the reports, too, which takes the most time.
    """
    tally = Tally("hostile tag through every output")
    for text in HOSTILE_TEXTS:
        for tags in ({"note": text, "coffee": text}, {"free_words": text}, {text: "value"}):
            tally.trials += 1
            try:
                checked = check_tags(tags)
            except TagError as error:
                tally.seen["refused"] += 1
                if not str(error).isprintable():
                    tally.losses.append(f"{text[:30]!r}: the refusal is not one printable line")
                continue
            tally.seen["kept as text"] += 1
            tally.losses += [f"{text[:30]!r}: {wrong}" for wrong in _wrong(checked)]
    tally.losses += _in_file_names() + _in_a_table(tally)
    tally.losses += _in_a_window([text for text in HOSTILE_TEXTS if _allowed(text)])
    if reports:
        tally.losses += _in_reports([text for text in HOSTILE_TEXTS if _allowed(text)], tally)
    return tally


def _allowed(text: str) -> bool:
    try:
        return bool(check_tags({"coffee": text}))
    except TagError:
        return False


def _wrong(tags: Mapping[str, str | float]) -> list[str]:
    """What does not come out as it went in, or could act on a terminal."""
    run = made_run(tags=dict(tags))
    found = load_run_bytes(run_bytes(run))
    outcome = process(found)
    wrong = [] if not difference(found, run) else ["the run file changed it"]
    if json.loads(json.dumps(outcome.as_json(), ensure_ascii=True))["tags"] != dict(run.tags):
        wrong.append("JSON changed it")
    for name, words, lines in (
        ("card", run_card(outcome), run_card(process(made_run(tags={}))).count("\n")),
        ("table", runs_table([outcome]), 1),
        ("budget", budget_table(outcome), budget_table(outcome).count("\n")),
    ):
        if not words.replace("\n", "").isprintable():
            wrong.append(f"the {name} holds characters that a terminal would obey")
        if words.count("\n") != lines:
            wrong.append(f"the {name} has other lines than its own")
    return wrong


def _in_file_names() -> list[str]:
    """Parts of file names that some system would read as more than a name."""
    wrong = []
    for text in HOSTILE_TEXTS:
        part = file_name_part(text)
        well = re.fullmatch(r"[\w.-]+", part) and not part.startswith((".", "-")) and len(part.encode()) <= 101
        if not well or DEVICES.fullmatch(part) or part.endswith(".") or ".." in part:
            wrong.append(f"{text[:30]!r}: becomes the file name {part!r}")
    return wrong


def _in_a_table(tally: Tally) -> list[str]:
    """Names of grinders and people in a table that a spreadsheet may open: kept as they are, or refused in one line."""
    wrong = []
    with tempfile.TemporaryDirectory() as name:
        for text in HOSTILE_TEXTS:
            table = Path(name) / "pairs.csv"
            table.unlink(missing_ok=True)
            try:
                add_pair(table, {"grinder": text, "bottleneck": "yes", "dry_s": "28", "misted_s": "31"}, text)
            except ChargebenchError as error:
                tally.seen["refused in a table"] += 1
                wrong += [] if str(error).isprintable() else [f"{text[:30]!r}: the refusal is not one printable line"]
                continue
            tally.seen["kept in a table"] += 1
            with table.open(encoding="utf-8", newline="") as file:
                rows = list(csv.reader(file))
            if rows[1:] != [[text, text, "yes", "28", "31"]] or text.startswith(("=", "+", "-", "@", "\t", "\r")):
                wrong.append(f"{text[:30]!r}: the table holds {rows[1:]}")
    return wrong


def _in_a_window(texts: Sequence[str]) -> list[str]:
    """What a window does with them other than show them."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.faults.window_words"],
        input=json.dumps(texts), capture_output=True, text=True, check=False, timeout=300,
    )  # fmt: skip
    if done.returncode:
        return [f"the window ended with {done.returncode}: {done.stderr[-300:]}"]
    found = json.loads(done.stdout)
    return [f"{texts[int(n)][:30]!r} in the window: {words}" for n, wrong in found.items() for words in wrong]


class _Elements(HTMLParser):
    """Counts elements, and attributes by name."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: Counter[str] = Counter()
        self.feed(page)

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        self.found[tag] += 1
        self.found.update(f"{tag}@{name}" for name, _ in attributes if name.startswith("on") or name in ("src", "href"))


def _in_reports(texts: Sequence[str], tally: Tally) -> list[str]:
    """Reports whose coffee and grinder have such names: the elements of the page stay those it has anyway."""
    with tempfile.TemporaryDirectory() as folder:
        make_archive(Path(folder), doses=(0.0, 10.0, 30.0), blocks=2)
        plain = answered(None, Path(folder), [], None)[0]
    usual, wrong = set(_Elements(html(plain)).found), []
    for first, second in zip(texts[::2], [*texts[1::2], texts[0]], strict=False):
        found = _named(plain, first, second)
        where = f"{first[:30]!r}, {second[:30]!r}"
        tally.seen["reports"] += 1
        more = set(_Elements(html(found)).found) - usual
        wrong += [f"{where}: the page has {sorted(more)}"] if more else []
        paper = pdf(found)
        active = [name.decode() for name in ACTIVE if name in paper]
        wrong += [f"{where}: the PDF has {active}"] if active or not paper.startswith(b"%PDF") else []
        words = study_words(found)
        if not words.replace("\n", "").isprintable() or words.count("\n") != study_words(plain).count("\n"):
            wrong.append(f"{where}: the words hold lines of their own or characters that a terminal would obey")
    return wrong


def _named(found: StudyAnswer, coffee: str, grinder: str) -> StudyAnswer:
    """The answer with other names of coffee and grinder."""
    text = json.dumps(to_json(found))
    for old, new in ((COFFEE, coffee), (GRINDER, grinder)):
        text = text.replace(old, json.dumps(new)[1:-1])
    return from_json(StudyAnswer, json.loads(text))

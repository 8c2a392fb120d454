"""Words from strangers in tags: refused in one line, or shown and kept as the text that they are."""

from __future__ import annotations

import json

from chargebench.cli.words import run_card
from chargebench.errors import TagError
from chargebench.processing.recipe import process
from chargebench.runs.check import difference
from chargebench.runs.load import load_run_bytes
from chargebench.runs.tags import check_tags
from chargebench.runs.write import run_bytes
from tests.faults.tally import Tally
from tests.runs.made_runs import made_run

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


def hostile_tags() -> Tally:
    """Each text as a known tag, as a free tag, and as the name of one."""
    tally = Tally("hostile tag through file, JSON and card")
    for text in HOSTILE_TEXTS:
        for tags in ({"note": text}, {"free_words": text}, {text: "value"}):
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
    return tally


def _wrong(tags: dict[str, str | float]) -> list[str]:
    """What does not come out as it went in, or could act on a terminal."""
    run = made_run(tags=tags)
    found = load_run_bytes(run_bytes(run))
    outcome = process(found).as_json()
    wrong = [] if not difference(found, run) else ["the run file changed it"]
    if json.loads(json.dumps(outcome, ensure_ascii=True))["tags"] != dict(run.tags):
        wrong.append("JSON changed it")
    card = run_card(outcome)
    if not card.replace("\n", "").isprintable():
        wrong.append("the card holds characters that a terminal would obey")
    return wrong

"""Between the rooms go typed values: a misspelt field is found before anything runs."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from mypy import api

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "chargebench"

MISSPELT = {
    "outcome.provenance.recipes": 'Provenance" has no attribute "recipes"',
    'outcome.result["net_charge_nc"]': "net_charge_nC",
    'outcome.details["scale_lag"]': "scale_lag",
    "outcome.flags[0].sevrity": 'Flag" has no attribute "sevrity"',
    "found.groups[0].dry_level": 'Group" has no attribute "dry_level"',
    "found.groups[0].doses['fraction'].ci_95": 'DoseFound" has no attribute "ci_95"',
    "found.groups[0].treatments.arms[0].mean": 'ArmFound" has no attribute "mean"',
    "found.runs[0].U95": 'RunRow" has no attribute "U95"',
    "ahead.next.tag": 'StepTold" has no attribute "tag"',
}
"""What somebody may write, and what mypy says of it."""


def test_a_misspelt_field_fails_mypy(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Outcome, answer and plan have no field and no key that is not theirs."""
    monkeypatch.chdir(ROOT)
    file = tmp_path / "misspelt.py"
    lines = [
        "from chargebench.processing.outcome import Outcome",
        "from chargebench.study.nouns import StudyAnswer",
        "from chargebench.study.told import NextTold",
        "def use(outcome: Outcome, found: StudyAnswer, ahead: NextTold) -> None:",
        "    assert found.groups[0].treatments and ahead.next",
        *(f"    print({words})" for words in MISSPELT),
    ]
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    said, _, code = api.run([str(file), "--config-file", str(ROOT / "pyproject.toml")])
    assert code == 1, said
    for number, words in enumerate(MISSPELT.values(), len(lines) - len(MISSPELT) + 1):
        (line,) = re.findall(rf"misspelt\.py:{number}: error: (.*)", said)
        assert words in line


def test_dicts_of_anything_have_one_name() -> None:
    """Only `bounded.py` says what a JSON object is; who reads or writes one calls it by that name."""
    spelt = [f for f in PACKAGE.rglob("*.py") if "dict[str, Any]" in f.read_text(encoding="utf-8")]
    assert [file.name for file in spelt] == ["bounded.py"]


NO_JSON = ("report/", "archive/null_grinds.py", "archive/archive.py", "study/", "cli/words.py", "desktop/rows.py")
JSON_TOO = ("study/studyfile.py", "study/worded.py", "archive/archive.py")
"""Of those, files that read or write a file, or have an `as_json`."""


def test_answers_are_read_by_their_fields() -> None:
    """Study, report and tables take no object of JSON: what they read has fields."""
    for file in PACKAGE.rglob("*.py"):
        inside = file.relative_to(PACKAGE).as_posix()
        if inside.startswith(NO_JSON) and inside not in JSON_TOO:
            text = file.read_text(encoding="utf-8")
            assert not re.search(r"JsonObject|Mapping\[str, Any\]|dict\[str, Any\]", text), inside

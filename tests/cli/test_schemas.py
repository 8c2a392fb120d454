"""The schema of what every command prints: there, with a version, and held by what is printed."""

from __future__ import annotations

import argparse
import copy
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from chargebench.cli.main import COMMANDS, build_parser, main
from chargebench.cli.printed import PRINTED, schema_text
from tests.conforming import conform, kept_schema, problems

STUDY = """
[study]
name = "hill"
question = "How much water?"
archive = {archive}
band_nC_per_g = 3.0
[[arm]]
coffee = "hill lot"
grinder = "stone burrs"
treatments = ["misted", "ionised"]
doses_uL_per_g = [5, 10, 20, 30, 40]
"""


def _has_json(parser: argparse.ArgumentParser) -> bool:
    """Whether a parser, or one of its words, has ``--json``."""
    for action in parser._actions:
        if "--json" in action.option_strings:
            return True
        if isinstance(action, argparse._SubParsersAction) and any(map(_has_json, action.choices.values())):
            return True
    return False


def _with_json() -> Iterator[str]:
    for name in COMMANDS:
        whole, _ = build_parser(name)
        (words,) = (action for action in whole._actions if isinstance(action, argparse._SubParsersAction))
        if _has_json(words.choices[name]):
            yield name


def test_every_command_that_prints_json_has_a_schema() -> None:
    """No command has ``--json`` without a schema, and no schema is of nothing."""
    assert sorted(_with_json()) == sorted(PRINTED)


@pytest.mark.parametrize("command", PRINTED)
def test_the_schema_is_that_of_the_classes(command: str) -> None:
    """The file in the package is what the classes say today: whoever changes a class sees file and version change."""
    assert kept_schema(command) == schema_text(command)
    assert json.loads(kept_schema(command))["version"] == PRINTED[command][1]


@pytest.mark.parametrize("words", [("study",), ("show",), ("record",), ("qualify", "gain"), ("archive", "verify")])
def test_a_schema_is_printed_without_further_arguments(
    words: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    """``--json-schema`` needs no file, no archive and no bench, as ``--help`` does not."""
    with pytest.raises(SystemExit) as ended:
        main([*words, "--json-schema"])
    assert ended.value.code == 0
    assert capsys.readouterr().out == kept_schema(words[0])


def _printed(capsys: pytest.CaptureFixture[str], *words: str | Path) -> list[Any]:
    main([*map(str, words), "--json"])
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def test_what_is_printed_holds_the_schema(archive: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Runs, studies, plans, tags, findings and volunteers of real files are as their schemas say."""
    study, people, stray = tmp_path / "study.toml", tmp_path / "people.csv", archive / "stray.txt"
    study.write_text(STUDY.format(archive=json.dumps(str(archive))), encoding="utf-8")
    pairs = "".join(f"p{n},g{n},{'yes' if n % 2 else 'no'},{25 + n},{27 + n}\n" for n in range(5))
    people.write_text(f"contributor,grinder,bottleneck,dry_s,misted_s\n{pairs}", encoding="utf-8")
    for command, words in (
        ("show", (archive,)),
        ("study", ("--archive", archive, "--volunteers", people)),
        ("study", (study,)),
        ("plan", (study, "--difference", "5")),
        ("plan", (study, "--next")),
        ("tags", ()),
        ("volunteers", (people,)),
    ):
        lines = _printed(capsys, command, *words)
        assert lines
        conform(command, lines)
    stray.write_text("not mine", encoding="utf-8")
    found = _printed(capsys, "archive", "verify", "--archive", archive)
    stray.unlink()
    assert found
    conform("archive", found)


def test_a_schema_tells_what_is_wrong(archive: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A key that is missing, misspelt or of another kind is no answer of a study, however deep it stands."""
    (right,) = _printed(capsys, "study", "--archive", archive)
    assert problems("study", right) == []
    for change in (
        lambda group: group.pop("flags"),
        lambda group: group["dry"].update(meen_nC_per_g=1.0),
        lambda group: group["neutralising_dose"]["fraction"].update(value="20"),
        lambda group: group["curve"]["lack_of_fit"].pop("p"),
        lambda group: group["treatments"]["against_dry"][0]["signed"].pop("basis"),
    ):
        wrong = copy.deepcopy(right)
        change(wrong["groups"][0])
        assert problems("study", wrong)

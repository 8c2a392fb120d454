"""What the command ``tags`` lists."""

from __future__ import annotations

import json

from chargebench.runs.tags import TAGS
from tests.cli.conftest import Command


def test_every_tag_is_listed_with_unit_range_and_use(chargebench: Command) -> None:
    """One line a tag, in words and in JSON; a number has its unit and both ends, a choice its words, all a use."""
    told = [json.loads(line) for line in chargebench("tags", "--json").stdout.splitlines()]
    assert [row["tag"] for row in told] == list(TAGS)
    for row in told:
        assert row["use"]
        assert row["about"]
        assert (row["kind"] == "number") == (row["low"] is not None) == (row["high"] is not None) == bool(row["unit"])
        assert (row["kind"] == "choice") == bool(row["choices"])
    words = chargebench("tags").stdout
    for line in ("dose_g                g     0 to 1000", "purpose                     grind | blank | purge"):
        assert line in words


def test_the_tags_that_the_program_writes_are_among_them() -> None:
    """Nobody has to guess at a tag that a plan or the recorder has written into a run."""
    assert {"plan", "plan_step", "repeat_reason", "incomplete", "particle_diameter_um"} <= set(TAGS)

"""Rules of what an archive gives a study to count."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from chargebench.archive.archive import Archive
from chargebench.archive.import_traces import import_run
from chargebench.study.gather import gather
from chargebench.study.rows import usable
from tests.study_archive import simulated_run

FIRST, AGAIN = "20260302T081500Z-000000", "20260302T081600Z-000001"


@pytest.fixture(scope="module")
def twice(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """Two runs with the same readings."""
    folder: Path = tmp_path_factory.mktemp("twice")
    archive = Archive(folder)
    run = simulated_run(0, -50.0, {"coffee": "hill lot"})
    for run_id, started in ((FIRST, "2026-03-02T08:15:00Z"), (AGAIN, "2026-03-02T08:16:00Z")):
        import_run(archive, replace(run, run_id=run_id, started=started))
    return archive


@pytest.mark.parametrize(
    ("excluded", "counts", "said"), [((), [FIRST], 1), ((FIRST,), [AGAIN], 0), ((FIRST, AGAIN), [], 0)]
)
def test_the_same_readings_count_once(twice: Archive, excluded: tuple[str, ...], counts: list[str], said: int) -> None:
    """Of runs with the same readings the first that is not excluded counts, and what is left out is said."""
    rows, problems = gather(twice, excluded=dict.fromkeys(excluded, "wrong tags"))
    assert [row.run_id for row in usable(rows)] == counts
    assert sum("not counted again" in problem for problem in problems) == said

"""Rules of what an archive gives a study to count."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from chargebench.archive.archive import Archive
from chargebench.archive.import_traces import import_run
from chargebench.processing.recipe import process
from chargebench.runs.run import Known
from chargebench.study.gather import gather, row_of_outcome
from chargebench.study.rows import usable
from tests.processing.simulate import simulate
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


@pytest.mark.parametrize("known", [True, False], ids=["checked", "not checked"])
def test_a_row_tells_what_was_taken_off_for_the_ions(known: bool) -> None:
    """A row carries the outcome's record of the ions, with the common part of its u and the dof of that."""
    knowledge = {"ioniser_background_nC": Known(7.0, 4.0 * (1 + 1 / 3) ** 0.5, 2.0, "a check")} if known else {}
    outcome = process(simulate(knowledge=knowledge, tags={"treatment": "ionised"})[0])
    row = row_of_outcome(outcome)
    if not known:
        assert (row.ions, row.shared_u.get("ioniser")) == (None, None)
        return
    assert row.ions is not None
    assert (row.ions.charge_nC, row.ions.dof, row.ions.source) == (7.0, 2.0, "a check")
    assert row.ions.u_nC == pytest.approx(4.0 / 3**0.5)
    assert row.shared_u["ioniser"] == pytest.approx(4.0 / 3**0.5 / row.collected_mass_g, rel=1e-3)
    assert row.shared_dof["ioniser"] == 2.0
    assert row.charge_to_mass is not None
    assert row.charge_to_mass.u >= 4.0 / row.collected_mass_g


def test_a_null_grind_set_aside_by_the_study_does_not_speak(tmp_path: Path) -> None:
    """What a study excludes takes nothing off its runs, though the archive still holds it."""
    archive = Archive(tmp_path)
    tags = {"coffee": "hill lot", "treatment": "ionised"}
    run = replace(simulated_run(0, -20.0, dict(tags)), bench_text="")
    import_run(archive, run)
    blanks = []
    for number, charge_nC in enumerate((40.0, 44.0, 90.0), start=1):
        blank = simulated_run(number, charge_nC / 17.7, {"treatment": "ionised", "purpose": "blank"})
        blank = replace(blank, traces={"charge": blank.traces["charge"]})
        import_run(archive, blank)
        blanks.append(blank.run_id)

    def taken_off(excluded: dict[str, str]) -> float:
        row = next(row for row in gather(archive, excluded=excluded)[0] if row.run_id == run.run_id)
        assert row.ions is not None
        return row.ions.charge_nC

    assert taken_off({}) == pytest.approx(58.0, abs=1.0)
    assert taken_off({blanks[2]: "the cable was touched"}) == pytest.approx(42.0, abs=1.0)

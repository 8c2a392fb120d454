"""The ioniser's own ions are taken off an outcome once: by a check, else by what null grinds of the archive show."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from chargebench.archive.archive import Archive
from chargebench.archive.import_traces import import_run
from chargebench.processing.outcome import NullGrinds
from chargebench.runs.run import Knowledge, Known, Mark, TagValue
from tests.archive.conftest import BENCH
from tests.processing.simulate import simulate

IONS_NC = (88.0, 93.0, 95.0)


def put(
    archive: Archive, number: int, charge_nC: float, day: str = "03-02", bench: str = BENCH, **tags: TagValue
) -> str:
    """One ionised run or null grind of the archive, by default of the same day."""
    blank = tags.get("purpose") == "blank"
    run, _ = simulate(
        charge_per_gram=charge_nC / 18.0, scale_Hz=0.0 if blank else 10.0, seed=number, white=0.01,
        tags={"treatment": "ionised", **tags},
    )  # fmt: skip
    marks = (Mark(10.0, "state", "grinding"), Mark(22.0, "state", "settling"))
    run_id = f"2026{day.replace('-', '')}T0915{number:02}Z-00000{number % 10}"
    started = f"2026-{day}T09:15:{number:02}Z"
    import_run(archive, replace(run, run_id=run_id, started=started, bench_text=bench, marks=marks))
    return run_id


def taken_off(archive: Archive, run: str, **more: object) -> dict | None:
    return archive.outcome(run, **more).details.get("ioniser_background")


def codes(archive: Archive, run: str) -> set[str]:
    return {flag.code for flag in archive.outcome(run).flags}


def test_null_grinds_of_the_archive_are_taken_off_once(tmp_path: Path) -> None:
    """With two and more the outcome has their mean taken off, says so and names them; a null grind keeps its charge."""
    archive = Archive(tmp_path)
    run = put(archive, 10, -450.0)
    before = archive.outcome(run).result["net_charge_nC"].value
    assert taken_off(archive, run) is None
    assert "ions-included" in codes(archive, run)
    blanks = [put(archive, i, charge, purpose="blank") for i, charge in enumerate(IONS_NC)]
    seen = [archive.outcome(blank).result["net_charge_nC"].value for blank in blanks]
    assert seen == pytest.approx(IONS_NC, abs=1.0)
    told = taken_off(archive, run)
    assert told is not None
    assert told["charge_nC"] == pytest.approx(np.mean(seen))
    assert (told["u_nC"], told["dof"]) == pytest.approx((np.std(seen, ddof=1) / math.sqrt(3), 2.0))
    assert archive.outcome(run).result["net_charge_nC"].value == pytest.approx(before - np.mean(seen), abs=1e-6)
    assert "ions-included" not in codes(archive, run)
    assert archive.outcome(run).provenance.null_grinds == NullGrinds("North bench", tuple(blanks))
    assert all(taken_off(archive, blank) is None for blank in blanks)
    fewer = taken_off(archive, run, set_aside=[blanks[0]])
    assert fewer is not None
    assert fewer["charge_nC"] == pytest.approx(np.mean(seen[1:]))
    assert taken_off(archive, run, set_aside=blanks[:2]) is None


def test_a_check_known_to_the_run_wins(tmp_path: Path) -> None:
    """Where the bench's ioniser was checked before the run, that alone is taken off, whatever null grinds lie there."""
    archive = Archive(tmp_path)
    for i, charge in enumerate(IONS_NC):
        put(archive, i, charge, purpose="blank")
    run, _ = simulate(charge_per_gram=-25.0, tags={"treatment": "ionised"})
    known = Knowledge({"ioniser_background_nC": Known(50.0, 2.0, 4.0, "ioniser check")})
    import_run(archive, replace(run, bench_text=BENCH, knowledge=known))
    told = taken_off(archive, run.run_id)
    assert told is not None
    assert (told["charge_nC"], told["source"]) == (50.0, "ioniser check")
    assert archive.outcome(run.run_id).provenance.null_grinds is None


@pytest.mark.parametrize(
    ("made", "speaks"),
    [
        ({"day": "03-30"}, True), ({"day": "04-02"}, False), ({"day": "01-30"}, False),
        ({"bench": BENCH.replace("North", "South")}, False), ({"treatment": "dry"}, False),
    ],
    ids=["later in the month", "after it", "before it", "of another bench", "without the ioniser"],
)  # fmt: skip
def test_which_null_grinds_speak(tmp_path: Path, made: dict, speaks: bool) -> None:
    """Only null grinds of the same bench, ioniser on, no further off in time than a check holds, are taken off."""
    archive = Archive(tmp_path)
    for i, charge in enumerate(IONS_NC[:2]):
        put(archive, i, charge, purpose="blank", **made)
    assert (taken_off(archive, put(archive, 10, -450.0)) is not None) is speaks

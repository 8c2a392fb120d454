"""Rules of what is known of a bench on a day, and of the bench checks kept in an archive."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from chargebench.archive.archive import Archive
from chargebench.archive.import_traces import import_run
from chargebench.archive.knowledge import merge
from chargebench.archive.null_grinds import counted, like_coffee
from chargebench.archive.qualifications import FOLDER, bad_qualifications, input_hashes, qualifications, store
from chargebench.errors import ArchiveError, RunFileError
from chargebench.instruments.benchfile import Bench, bench_from_text
from chargebench.processing.outcome import Estimate, Flag
from chargebench.processing.qualify.qualification import Qualification
from chargebench.processing.recipe import process
from chargebench.runs.run import Mark
from tests.processing.simulate import simulate

DAY = date(2026, 3, 14)


def leakage(made: str = "2026-03-01", until: str = "2026-03-31", rate_per_s: float = 0.01) -> Qualification:
    """A leakage check of the bench."""
    values = {"leakage_rate_per_s": Estimate(rate_per_s, 1e-4, 12.0), "bias_current_nA": Estimate(0.02, 0.001)}
    details = {"leakage_time_constant_s": 100.0, "levels": [1, 2.5], "word": "é"}
    flags = (Flag("short", "note", "Short.", {"seconds": 3.0}),)
    return Qualification(
        "leakage", "North bench", f"{made}T10:00:00Z", until, values, details, flags, {"a.h5": "00"}, "1"
    )


def test_a_check_survives_its_json_form() -> None:
    """Writing a qualification as JSON and reading it back changes nothing, infinite degrees of freedom included."""
    check = leakage()
    assert Qualification.from_json(json.loads(json.dumps(check.as_json(), allow_nan=False))) == check
    assert math.isinf(check.values["bias_current_nA"].dof)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("layout", 99),
        ("qualification", "magic"),
        ("bench", 3),
        ("made", "yesterday"),
        ("valid_until", "2026-13-01"),
        ("values", []),
        ("values", {"gain": {"value": "1", "u": 0.1, "dof": None}}),
        ("values", {"gain": {"value": 1.0, "u": -0.1, "dof": None}}),
        ("values", {"gain": 1.0}),
        ("details", None),
        ("flags", [{"code": "x"}]),
        ("flags", {}),
    ],
)
def test_a_wrong_check_is_refused_by_key(key: str, value: object) -> None:
    """A file that is no qualification is refused with the key that is wrong."""
    with pytest.raises(ValueError, match=key):
        Qualification.from_json(leakage().as_json() | {key: value})


def test_the_bench_file_is_known_in_canonical_units(bench: Bench) -> None:
    """Gain, 1/τ with its propagated uncertainty, bias in nA and the scale's figures come from the bench file."""
    known = merge(bench, [], DAY).known
    assert (known["gain"].value, known["gain"].u) == (1.002, 0.004)
    assert known["gain"].until == "2026-12-31"
    assert known["leakage_rate_per_s"].value == pytest.approx(0.002)
    assert known["leakage_rate_per_s"].u == pytest.approx(25.0 / 500.0**2)
    assert (known["bias_current_nA"].value, known["bias_current_nA"].u) == pytest.approx((-0.012, 0.003))
    assert (known["scale_resolution_g"].value, known["scale_repeatability_g"].value) == (0.01, 0.02)
    assert "scale_linearity_g" not in known


@pytest.mark.parametrize(
    ("checks", "rate_per_s"),
    [
        ([leakage()], 0.01),
        ([leakage(), leakage("2026-03-10", rate_per_s=0.02)], 0.02),
        ([leakage("2026-03-10", rate_per_s=0.02), leakage()], 0.02),
        ([leakage("2026-02-01", "2026-03-13")], 0.002),
        ([leakage("2026-03-15", "2026-04-15")], 0.002),
        ([leakage("2026-03-14", "2026-03-14")], 0.01),
        ([leakage("2026-01-10")], 0.01),
        ([leakage("2025-12-10")], 0.002),
        ([replace(leakage(), bench="South bench")], 0.002),
        ([replace(leakage(), flags=(Flag("x", "reject", "No."),))], 0.002),
    ],
    ids=[
        "newer than the bench file", "newest", "newest, whatever the order", "out of date", "not yet made", "last day",
        "of the bench file's day", "older than the bench file", "another bench", "rejected",
    ],
)  # fmt: skip
def test_the_newest_valid_check_wins(bench: Bench, checks: list[Qualification], rate_per_s: float) -> None:
    """Of the bench file and the checks valid on the day, the newest gives each entry."""
    known = merge(bench, checks, DAY).known["leakage_rate_per_s"]
    assert known.value == pytest.approx(rate_per_s)
    assert known.date <= DAY.isoformat() <= known.until


def test_a_newer_check_leaves_nothing_of_an_older_one_of_its_kind(bench: Bench) -> None:
    """What a newer check did not find is not known, though an older one of the same kind found it and still holds."""
    older = replace(leakage(), values={**leakage().values, "correlation_rate_bias": Estimate(0.9, 0.0)})
    newer = leakage("2026-03-10")
    assert "correlation_rate_bias" in merge(bench, [older], DAY).known
    assert "correlation_rate_bias" not in merge(bench, [older, newer], DAY).known
    rejected = replace(newer, flags=(Flag("x", "reject", "No."),))
    assert "correlation_rate_bias" in merge(bench, [older, rejected], DAY).known


def test_only_the_calibration_outlives_its_date(bench: Bench) -> None:
    """After everything ran out, the gain is still known, with the date that says so; nothing else of those is."""
    known = merge(bench, [leakage()], date(2027, 6, 1)).known
    assert known["gain"].until == "2026-12-31"
    assert not {"leakage_rate_per_s", "bias_current_nA"} & known.keys()


def test_an_undated_bench_file_is_superseded(bench: Bench) -> None:
    """A bench file without dates holds until a check is made."""
    text = bench.text.replace("certified = 2026-01-10", "").replace("valid_until = 2026-12-31", "")
    undated = bench_from_text(text)
    assert merge(undated, [], DAY).known["leakage_rate_per_s"].value == pytest.approx(0.002)
    assert merge(undated, [leakage()], DAY).known["leakage_rate_per_s"].value == pytest.approx(0.01)


def test_a_stored_check_is_used_by_the_archive(tmp_path: Path, bench: Bench) -> None:
    """What was stored is found again, beside others of its kind, and used by the bench it was made on."""
    store(tmp_path, "20260301T100000Z-aaaaaa", leakage())
    newer = leakage("2026-03-02", rate_per_s=0.03)
    path = store(tmp_path, "20260302T100000Z-aaaaaa", newer)
    assert path.parent == tmp_path / FOLDER
    assert qualifications(tmp_path, "North bench") == [leakage(), newer]
    assert qualifications(tmp_path, "South bench") == []
    assert Archive(tmp_path).knowledge(bench, DAY).known["leakage_rate_per_s"].value == 0.03


@pytest.mark.parametrize(
    ("count", "day", "name", "found"),
    [
        (5, "02", "North bench", True), (4, "02", "North bench", False),
        (5, "02", "South bench", False), (5, "30", "North bench", False),
    ],
    ids=["five", "four", "of another bench", "of a later day"],
)  # fmt: skip
def test_null_grinds_give_the_floor(tmp_path: Path, bench: Bench, count: int, day: str, name: str, found: bool) -> None:
    """Five null grinds of the bench and of late give the floor that a check of them would; fewer, none."""
    archive = Archive(tmp_path)
    text = bench.text.replace("North bench", name)
    marks = (Mark(10.0, "state", "grinding"), Mark(22.0, "state", "settling"))
    for seed in range(count):
        run, _ = simulate(charge_per_gram=0.0, scale_Hz=0.0, seed=seed, walk=0.05, tags={"purpose": "blank"})
        run_id = f"202603{day}T09150{seed}Z-00000{seed}"
        started = f"2026-03-{day}T09:15:0{seed}Z"
        import_run(archive, replace(run, run_id=run_id, started=started, bench_text=text, marks=marks))
    known = archive.knowledge(bench, DAY).known
    assert ("net_charge_floor_nC" in known) is found
    if found:
        charges = [archive.outcome(path).result["net_charge_nC"].value for path in archive.run_paths()]
        assert known["net_charge_floor_nC"].u == pytest.approx(math.hypot(np.mean(charges), np.std(charges, ddof=1)))
        assert known["net_charge_floor_nC"].dof == count - 1
        assert known["net_charge_floor_grind_s"].value == pytest.approx(12.0, abs=0.7)
        check = Qualification(
            "blank", "North bench", "2026-03-10", "2026-04-09", {"net_charge_floor_nC": Estimate(0.0, 9.0)}
        )
        store(tmp_path, "20260310T100000Z-aaaaaa", check)
        assert archive.knowledge(bench, DAY).known["net_charge_floor_nC"].u == 9.0


@pytest.mark.parametrize(("ratio_nC_per_g", "mass_g", "left_out"), [(-30.0, 18.0, 1), (-2000.0, 0.1, 0)])
def test_coffee_is_no_null_grind(tmp_path: Path, ratio_nC_per_g: float, mass_g: float, left_out: int) -> None:
    """A run that weighs is left out and named; charge like coffee's keeps all of them out of use."""
    pairs = []
    for seed, (ratio, mass) in enumerate([(0.0, 0.01), (0.0, 0.01), (ratio_nC_per_g, mass_g)]):
        run, _ = simulate(charge_per_gram=ratio, mass_g=mass, seed=seed, tags={"purpose": "blank"})
        marks = (Mark(10.0, "state", "grinding"), Mark(22.0, "state", "settling"))
        pairs.append((replace(run, marks=marks if seed else ()), process(run)))
    nulls = counted(pairs)
    assert (len(nulls.charges_nC), len(nulls.left_out)) == (3 - left_out, left_out)
    assert nulls.grinds_s == [12.0] * (2 - left_out)
    assert bool(like_coffee(nulls.charges_nC, 20.0)) is not bool(left_out)


def test_a_stored_check_is_never_replaced(tmp_path: Path) -> None:
    """A second check under the same name is refused and the first one stays."""
    store(tmp_path, "20260301T100000Z-aaaaaa", leakage())
    with pytest.raises(RunFileError):
        store(tmp_path, "20260301T100000Z-aaaaaa", leakage(rate_per_s=0.5))
    assert qualifications(tmp_path) == [leakage()]


@pytest.mark.parametrize("damage", ["altered", "cut", "not JSON", "a list"])
def test_a_damaged_check_is_named_and_hides_no_other(tmp_path: Path, damage: str) -> None:
    """A file that is not what it was is left out, named with the remedy, and the others are used."""
    store(tmp_path, "20260301T100000Z-aaaaaa", leakage())
    path = store(tmp_path, "20260302T100000Z-bbbbbb", leakage("2026-03-02"))
    text = path.read_text(encoding="utf-8")
    changed = {"altered": text.replace("0.01", "0.02", 1), "cut": text[:100], "not JSON": "\x00", "a list": "[1]"}
    path.write_text(changed[damage], encoding="utf-8")
    assert qualifications(tmp_path) == [leakage()]
    (problem,) = bad_qualifications(tmp_path)
    assert path.name in problem
    assert "make the check again" in problem


def test_inputs_are_hashed_by_name(tmp_path: Path) -> None:
    """Inputs are told by file name and SHA-256 (FIPS 180-2 test vector "abc")."""
    (tmp_path / "a.h5").write_bytes(b"abc")
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert input_hashes([tmp_path / "a.h5"]) == {"a.h5": expected}
    with pytest.raises(ArchiveError, match=r"b\.h5"):
        input_hashes([tmp_path / "b.h5"])

"""Brew times, extraction, bottlenecks and particle sizes, misted against dry."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from chargebench.errors import StudyError
from chargebench.processing.outcome import Estimate
from chargebench.study.brew import (
    association,
    at_equal_brew_time,
    bottleneck_ratio,
    brew_shift,
    extraction_percent,
    size_shifts,
)
from chargebench.study.rows import StudyRun

PLAIN = StudyRun(
    run_id="r",
    started="2026-03-02T08:15:00+00:00",
    coffee="hill lot",
    grinder="stone burrs",
    setting="espresso 4",
    treatment="dry",
    purpose="grind",
    water_uL_per_g=0.0,
    dose_g=18.0,
    block="1",
    order=0,
    charge_to_mass=Estimate(-40.0, 0.4),
)


def _rows(dry: list[float], misted: list[float], key: str = "brew_time_s", blocks: bool = True) -> list[StudyRun]:
    rows = []
    for treatment, values in (("dry", dry), ("misted", misted)):
        for n, value in enumerate(values):
            block = str(n) if blocks else ""
            rows.append(replace(PLAIN, run_id=f"{treatment}{n}", treatment=treatment, block=block, tags={key: value}))
    return rows


def test_extraction_is_tds_times_beverage_over_dose() -> None:
    """38 g out of 18 g at 9 % are 19 % (definition of the yield)."""
    assert extraction_percent(9.0, 38.0, 18.0) == pytest.approx(19.0)


@pytest.mark.parametrize(
    "values", [(9.0, 38.0, 0.0), (9.0, -1.0, 18.0), (41.0, 38.0, 18.0), (float("nan"), 38.0, 18.0)]
)
def test_impossible_brews_are_refused(values: tuple[float, float, float]) -> None:
    """A mass that is not above zero, or a TDS outside 0 to 40 %, is an error that shows the value."""
    with pytest.raises(StudyError, match="extraction"):
        extraction_percent(*values)


def test_a_slower_misted_brew_is_shown() -> None:
    """18 g in, 38 g out: 28 s dry became 38 s misted on one grinder (common practice, no source)."""
    shift = brew_shift(_rows([28.1, 27.5, 28.4, 28.0], [38.2, 37.6, 38.5, 37.9]))
    assert shift is not None
    assert shift.paired
    assert shift.conclusive
    assert shift.difference == pytest.approx(10.05, abs=0.01)
    assert shift.ratio_ci95[0] < 38 / 28 < shift.ratio_ci95[1]


def test_no_change_is_not_called_proof_of_none() -> None:
    """On another grinder nothing changed: the words say that no difference was shown, and how many runs would."""
    shift = brew_shift(_rows([28.0, 31.0, 25.5, 27.0], [29.5, 26.0, 28.5, 28.0]))
    assert shift is not None
    assert not shift.conclusive
    assert "not the same as no difference" in shift.words
    assert shift.repeats_needed is not None
    assert shift.repeats_needed > 4


def test_pairing_takes_out_what_blocks_share() -> None:
    """A drift common to both arms of a block widens the unpaired interval but not the paired one."""
    drift = np.array([0.0, 6.0, 12.0, 18.0])
    dry, misted = list(28 + drift), list(30 + drift + [0.1, -0.1, 0.1, -0.1])
    paired, apart = brew_shift(_rows(dry, misted)), brew_shift(_rows(dry, misted, blocks=False))
    assert paired is not None
    assert apart is not None
    assert (paired.paired, apart.paired) == (True, False)
    assert paired.conclusive
    assert not apart.conclusive


def test_one_run_of_an_arm_is_no_comparison() -> None:
    """Fewer than two runs of either arm give no shift at all."""
    assert brew_shift(_rows([28.0, 28.1], [38.0])) is None


def test_excluded_runs_do_not_count() -> None:
    """A run set aside takes no part."""
    rows = _rows([28.0, 28.2, 28.1], [38.0, 38.2, 38.1])
    rows.append(replace(rows[0], run_id="bad", tags={"brew_time_s": 99.0}, excluded="channelled"))
    shift = brew_shift(rows)
    assert shift is not None
    assert shift.n_dry == 3


def test_particle_sizes_shift_by_figure() -> None:
    """Every particle-size figure that both arms carry is compared, the others are not."""
    shifts = size_shifts(_rows([310.0, 312.0, 311.0], [330.0, 333.0, 331.0], key="d50_um"))
    assert [shift.quantity for shift in shifts] == ["d50_um"]
    assert shifts[0].difference == pytest.approx(20.33, abs=0.01)


@pytest.mark.parametrize(("slow_s", "ratio"), [(18.0, 1.0), (27.0, 1.5)])
def test_a_bottleneck_is_a_ratio_of_grind_times(slow_s: float, ratio: float) -> None:
    """A grinder without one takes the same time for espresso as for filter (common practice, no source)."""
    jitter = [0.98, 1.0, 1.02]
    rows = [replace(PLAIN, setting="espresso 4", grind_time_s=slow_s * j) for j in jitter]
    rows += [replace(PLAIN, setting="filter 9", grind_time_s=18.0 * j) for j in jitter]
    found = bottleneck_ratio(rows, "stone burrs")
    assert found is not None
    assert found.ratio == pytest.approx(ratio)
    assert found.ci95[0] < ratio < found.ci95[1]


def test_few_grinders_come_with_a_warning() -> None:
    """Below six grinders an association is called a picture; p is exact over all orders."""
    ratios = {"a": 1.0, "b": 1.2, "c": 1.5, "d": 1.9}
    found = association(ratios, {"a": 0.0, "b": 3.0, "c": 6.0, "d": 9.0})
    assert found["rho"] == pytest.approx(1.0)
    assert found["p"] == pytest.approx(2 / 24)
    assert "too few" in found["warning"]


def test_finer_grinding_is_compared_within_the_tested_range_only() -> None:
    """Misted runs beyond the dry runs' brew times are counted out; the rest are compared with the dry line."""
    dry = [(25.0, 18.0), (30.0, 19.0), (35.0, 20.0), (40.0, 21.0)]
    misted = [(32.0, 20.4), (36.0, 21.3), (38.0, 21.55), (60.0, 30.0)]
    rows = []
    for treatment, brews in (("dry", dry), ("misted", misted)):
        for n, (time_s, percent) in enumerate(brews):
            tags = {"brew_time_s": time_s, "tds_percent": percent * 18.0 / 38.0, "beverage_g": 38.0}
            rows.append(replace(PLAIN, run_id=f"{treatment}{n}", treatment=treatment, tags=tags))
    found = at_equal_brew_time(rows)
    assert found["outside"] == 1
    assert found["difference"] == pytest.approx(1.0, abs=0.1)
    assert at_equal_brew_time(rows[:2] + rows[4:])["reason"].startswith("dry runs at three")


def test_rounded_times_without_scatter_give_no_interval() -> None:
    """Brew times that repeat to the second show a difference, but no interval is invented for it."""
    shift = brew_shift(_rows([28.0, 28.0, 28.0], [38.0, 38.0, 38.0]))
    assert shift is not None
    assert not shift.conclusive
    assert "no interval" in shift.words

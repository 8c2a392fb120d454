"""Brew times, extraction, bottlenecks and particle sizes, misted against dry."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from chargebench.errors import StudyError
from chargebench.processing.outcome import Estimate
from chargebench.study.bottleneck import association, bottleneck_ratio
from chargebench.study.brew import Shift, brew_kind, brew_shifts, extraction_percent, size_shifts
from chargebench.study.finer import EqualTime, at_equal_brew_time
from chargebench.study.intervals import difference_power
from chargebench.study.rows import StudyRun
from chargebench.study.whole import whole_answer

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


def _shift(rows: list[StudyRun]) -> Shift:
    """The one shift of brew time of these rows."""
    (found,) = brew_shifts(rows)
    return found


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
    shift = _shift(_rows([28.1, 27.5, 28.4, 28.0], [38.2, 37.6, 38.5, 37.9]))
    assert shift.paired
    assert shift.conclusive
    assert shift.difference == pytest.approx(10.05, abs=0.01)
    assert shift.ratio_ci95[0] < 38 / 28 < shift.ratio_ci95[1]


def test_no_change_is_not_called_proof_of_none() -> None:
    """On another grinder nothing changed: the words say that no difference was shown, and how many runs would."""
    shift = _shift(_rows([28.0, 31.0, 25.5, 27.0], [29.5, 26.0, 28.5, 28.0]))
    assert not shift.conclusive
    assert "not the same as no difference" in shift.words
    assert shift.repeats_needed is not None
    assert shift.repeats_needed > 4


def test_pairing_takes_out_what_blocks_share() -> None:
    """A drift common to both arms of a block widens the unpaired interval but not the paired one."""
    drift = np.array([0.0, 6.0, 12.0, 18.0])
    dry, misted = list(28 + drift), list(30 + drift + [0.1, -0.1, 0.1, -0.1])
    paired, apart = _shift(_rows(dry, misted)), _shift(_rows(dry, misted, blocks=False))
    assert (paired.paired, apart.paired) == (True, False)
    assert paired.conclusive
    assert not apart.conclusive


def test_one_run_of_an_arm_is_no_comparison() -> None:
    """Fewer than two runs of either arm give no numbers, and say so; no run of an arm gives nothing at all."""
    found = _shift(_rows([28.0, 28.1], [38.0]))
    assert np.isnan(found.difference)
    assert "1 misted runs at equal setting found" in found.words
    assert brew_shifts(_rows([28.0, 28.1], [])) == []


def test_excluded_runs_do_not_count() -> None:
    """A run set aside takes no part."""
    rows = _rows([28.0, 28.2, 28.1], [38.0, 38.2, 38.1])
    rows.append(replace(rows[0], run_id="bad", tags={"brew_time_s": 99.0}, excluded="channelled"))
    shift = _shift(rows)
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
    assert ("the burrs are the bottleneck" in found.words) is (ratio > 1)


def test_few_grinders_come_with_a_warning() -> None:
    """Below six grinders an association is called a picture; p is exact over all orders."""
    ratios = {"a": 1.0, "b": 1.2, "c": 1.5, "d": 1.9}
    found = association(ratios, {"a": 0.0, "b": 3.0, "c": 6.0, "d": 9.0})
    assert found.rho == pytest.approx(1.0)
    assert found.p == pytest.approx(2 / 24)
    assert "too few" in found.warning


Brew = tuple[str, str, float, float]
"""Treatment, setting, brew time in s, extraction in %."""

FINER: list[Brew] = [
    ("dry", "5", 25.0, 18.0),
    ("dry", "4", 30.0, 19.0),
    ("dry", "3", 35.0, 20.0),
    ("dry", "3", 40.0, 21.0),
    ("misted", "5", 32.0, 20.4),
    ("misted", "5", 36.0, 21.3),
    ("misted", "5", 38.0, 21.55),
    ("misted", "4", 60.0, 30.0),
]


def _brewed(brews: list[Brew]) -> list[StudyRun]:
    rows = []
    for n, (treatment, setting, time_s, percent) in enumerate(brews):
        tags = {"brew_time_s": time_s, "tds_percent": percent * 18.0 / 38.0, "beverage_g": 38.0}
        rows.append(
            replace(PLAIN, run_id=f"r{n}", order=n, treatment=treatment, setting=f"espresso {setting}", tags=tags)
        )
    return rows


def _at_equal_time(brews: list[Brew]) -> EqualTime:
    (found,) = at_equal_brew_time(_brewed(brews))
    return found


def test_finer_grinding_is_compared_within_the_tested_range_only() -> None:
    """Misted runs beyond the dry runs' brew times are counted out; the rest are compared with the dry line."""
    found = _at_equal_time(FINER)
    assert found.outside == 1
    assert found.difference == pytest.approx(1.0, abs=0.1)
    assert found.misted - found.dry == pytest.approx(found.difference)
    assert "at equal brew time (35.3 s)" in found.words
    assert "water is not the same as grinding finer" in found.words
    assert "espresso 3, espresso 4, espresso 5" in found.words


@pytest.mark.parametrize(
    ("brews", "reason"),
    [
        (FINER[:2] + FINER[4:], "dry runs at three brew times"),
        ([("dry", "5", t, 18.0) for t in (25.0, 30.0, 35.0)] + FINER[4:], "two settings at least"),
        (FINER[:4] + FINER[7:], "fewer than two misted runs"),
        ([(b[0], b[1], b[2], float("nan")) for b in FINER], "recorded of 0 dry and 0 misted runs"),
    ],
)
def test_what_is_missing_for_equal_brew_time_is_said(brews: list[Brew], reason: str) -> None:
    """Where water cannot be compared with a finer setting, the words say what to record or grind."""
    found = _at_equal_time(brews)
    assert found.difference is None
    assert reason in found.words


def test_extraction_without_scatter_has_no_interval() -> None:
    """Points that lie on their lines exactly give a difference and no interval."""
    found = _at_equal_time([*FINER[:4], ("misted", "5", 30.0, 20.0), ("misted", "5", 35.0, 21.0)])
    assert (found.difference, found.ci95) == (pytest.approx(1.0), None)
    assert "no interval" in found.words


def test_equal_brew_time_holds_the_truth_it_claims() -> None:
    """Over 400 simulated series the 95 % interval of the extraction difference holds the truth in 92 to 98 %."""
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(400):
        brews: list[Brew] = []
        for setting, time_s in (("5", 24.0), ("4", 29.0), ("3", 36.0)):
            for _ in range(3):
                t = time_s + 1.5 * rng.normal()
                brews.append(("dry", setting, t, 13.0 + 0.2 * t + 0.3 * rng.normal()))
        for _ in range(4):
            t = 31.0 + 1.5 * rng.normal()
            brews.append(("misted", "5", t, 13.0 + 0.2 * t + 0.7 + 0.3 * rng.normal()))
        ci95 = _at_equal_time(brews).ci95
        assert ci95 is not None
        held += ci95[0] < 0.7 < ci95[1]
    assert 0.92 <= held / 400 <= 0.98


UNEVEN = {"3": (6, 2), "4": (4, 4), "5": (2, 6)}
"""Dry and misted runs at each setting: whoever mists grinds coarser to keep the time."""
SETTING_S = {"3": 34.0, "4": 29.5, "5": 25.0}


def _uneven(rng: np.random.Generator, effect_s: float, blocks: bool = False) -> list[StudyRun]:
    rows = []
    for setting, counts in UNEVEN.items():
        for treatment, count in zip(("dry", "misted"), counts, strict=True):
            for n in range(count):
                time_s = SETTING_S[setting] + effect_s * (treatment == "misted") + 0.8 * rng.normal()
                tags: dict[str, str | float] = {"brew_time_s": time_s, "brew_method": "espresso"}
                block = f"{n}" if blocks else ""
                rows.append(replace(PLAIN, setting=f" {setting}", treatment=treatment, block=block, tags=tags))
    return rows


@pytest.mark.parametrize("blocks", [False, True])
def test_brew_times_compare_at_equal_setting(blocks: bool) -> None:
    """2.55 s slower at every setting stays slower although the misted runs were mostly ground coarser.

    Taken together the means say the opposite: that is what a comparison across settings would show.
    """
    rows = _uneven(np.random.default_rng(3), 2.55, blocks)
    mean = {
        arm: np.mean([float(r.tags["brew_time_s"]) for r in rows if r.treatment == arm]) for arm in ("dry", "misted")
    }
    assert mean["misted"] < mean["dry"]
    found = _shift(rows)
    low, high = found.difference_ci95
    assert 0 < low < 2.55 < high
    assert found.settings == ("3", "4", "5")
    assert found.misted - found.dry == pytest.approx(found.difference)
    assert "at equal setting (3, 4, 5)" in found.words


@pytest.mark.parametrize("blocks", [False, True])
def test_the_interval_at_equal_setting_holds_the_truth(blocks: bool) -> None:
    """Over 400 simulated series of uneven settings, 92 to 98 % of the 95 % intervals hold the true difference."""
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(400):
        low, high = _shift(_uneven(rng, 2.55, blocks)).difference_ci95
        held += low < 2.55 < high
    assert 0.92 <= held / 400 <= 0.98


def test_no_common_setting_is_no_comparison() -> None:
    """Dry at one setting and misted at another are not compared, and the words say why."""
    rows = [replace(row, setting="4" if row.treatment == "dry" else "5") for row in _rows([28.0] * 3, [25.0] * 3)]
    found = _shift(rows)
    assert np.isnan(found.difference)
    assert "no grinder setting has both" in found.words


def test_runs_without_a_counterpart_are_counted_out() -> None:
    """Runs at a setting that only one treatment has take no part, and are counted."""
    rows = _rows([28.0, 28.2, 28.1], [38.0, 38.2, 38.1], blocks=False)
    rows += [replace(row, setting="espresso 9") for row in rows[:2]]
    found = _shift(rows)
    assert (found.n_dry, found.left_out) == (3, 2)
    assert "2 without a counterpart left out" in found.words


@pytest.mark.parametrize(
    ("setting", "method", "kind"),
    [
        ("espresso 4", None, "espresso"),
        ("Filter 22", None, "filter"),
        ("4", None, ""),
        ("between filter and espresso", None, ""),
        ("4", "filter", "filter"),
        ("espresso 4", "filter", "filter"),
    ],
)
def test_the_kind_of_brew_is_told(setting: str, method: str | None, kind: str) -> None:
    """The tag says what was brewed, else the setting where it names one kind; a guess is never made."""
    tags: dict[str, str | float] = {} if method is None else {"brew_method": method}
    assert brew_kind(replace(PLAIN, setting=setting, tags=tags)) == kind


def test_filter_and_espresso_never_compare() -> None:
    """Espresso takes half a minute and filter three: each kind has its own difference, at settings of one name too."""
    rows = []
    for kind, base_s, effect_s in (("espresso", 28.0, 3.0), ("filter", 180.0, -6.0)):
        for n in range(4):
            for treatment in ("dry", "misted"):
                time_s = base_s + effect_s * (treatment == "misted") + 0.1 * n * (1 + (treatment == "dry"))
                tags: dict[str, str | float] = {"brew_time_s": time_s, "brew_method": kind}
                rows.append(replace(PLAIN, setting="4", treatment=treatment, tags=tags))
    found = {shift.kind: shift for shift in brew_shifts(rows)}
    assert list(found) == ["espresso", "filter"]
    assert found["espresso"].difference == pytest.approx(2.85)
    assert found["filter"].difference == pytest.approx(-6.15)


def test_an_impossible_brew_leaves_the_rest_standing() -> None:
    """A TDS above 40 % or a cup of 0 g is left out of the extraction and named, and the study has its answer."""
    rows = [replace(row, run_id=f"r{n}", order=n) for n, row in enumerate(_brewed(FINER))]
    rows[0] = replace(rows[0], tags={**rows[0].tags, "tds_percent": 45.0})
    rows[1] = replace(rows[1], tags={**rows[1].tags, "beverage_g": 0.0})
    (group,) = whole_answer(rows).groups
    (flag,) = [flag for flag in group.flags if flag.code == "impossible-brew"]
    assert "r0 (extraction: TDS 45.0 % found" in flag.text
    assert len(flag.evidence["runs"]) == 2


@pytest.mark.parametrize("spread", [10.0 ** (-power) for power in range(8)])
def test_large_effects_need_the_smallest_sample(spread: float) -> None:
    """However large a tenth is against the scatter, the fewest runs that show it are found, never an error."""
    jitter = np.array([-1.0, 1.0, -1.0, 1.0]) * spread
    for blocks in (True, False):
        found = _shift(_rows(list(28.0 + jitter), list(28.0 + jitter[::-1] * (1.5 if blocks else 1.0)), blocks=blocks))
        assert not found.conclusive
        assert found.repeats_needed is not None
        assert found.repeats_needed >= 2
        sd = float((jitter[::-1] * 1.5 - jitter).std(ddof=1)) if blocks else float(jitter.std(ddof=1))
        assert difference_power(found.repeats_needed, 2.8 / sd, paired=blocks) >= 0.8


def test_the_answer_says_it_in_words() -> None:
    """Brew time at equal setting, water against a finer setting and the bottleneck stand in the answer as sentences."""
    rows = _brewed(FINER) + [
        replace(PLAIN, run_id=f"f{n}", setting=setting, grind_time_s=time_s)
        for n, (setting, time_s) in enumerate([("filter 9", 9.0), ("filter 9", 9.2), ("espresso 4", 18.0)])
    ]
    (group,) = whole_answer([replace(row, order=n) for n, row in enumerate(rows)]).groups
    (time,) = [item for item in group.brew if item.quantity == "brew_time_s"]
    assert "brew time, espresso" in time.words
    assert group.equal_brew_time[0].words.startswith("water against a finer setting, espresso, at equal brew time")
    assert "1 espresso, 2 filter runs found, two of each are needed" in group.bottleneck.words


def test_rounded_times_without_scatter_give_no_interval() -> None:
    """Brew times that repeat to the second show a difference, but no interval is invented for it."""
    shift = _shift(_rows([28.0, 28.0, 28.0], [38.0, 38.0, 38.0]))
    assert not shift.conclusive
    assert "no interval" in shift.words

"""Rules of comparing treatments and of the witnesses beside the net charge."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from chargebench.plain import to_json
from chargebench.processing.outcome import Estimate
from chargebench.study.arms import Arm, arms_of, ions_taken_off, remarks_on_arms
from chargebench.study.comparison import DifferenceTested, compare, contrast, together
from chargebench.study.equivalence import level_of
from chargebench.study.intervals import half_width, p_beyond, simultaneous_alpha, smallest_of
from chargebench.study.rows import StudyRun, TakenOff, points_of
from chargebench.study.scatter import scatter_of
from chargebench.study.treatments import compare_treatments
from chargebench.study.witnesses import bipolar_share, witness_words, witnesses


def grind(i: int, q: float, treatment: str = "dry", dose: float = 0.0, **more) -> StudyRun:
    """One run."""
    return StudyRun(
        f"{treatment}-{dose:g}-{i}", "2026-03-01T00:00:00Z", "hill lot", "flat burrs", "", treatment, "grind", dose,
        18.0, str(i), i, Estimate(q, 0.3, 30.0), collected_mass_g=17.5, **more,
    )  # fmt: skip


def blank(i: int, charge: float, treatment: str = "ionised") -> StudyRun:
    """The grinder running empty."""
    return replace(grind(i, 0.0, treatment), purpose="blank", charge_to_mass=None, net_charge_nC=charge)


def freed(row: StudyRun, u_nC: float = 0.5, dof: float = 4.0) -> StudyRun:
    """An ionised run whose outcome had the ions taken off."""
    share = u_nC / row.collected_mass_g
    ions = TakenOff(17.5, u_nC, dof, "5 null grinds")
    return replace(row, shared_u={"ioniser": share}, shared_dof={"ioniser": dof}, ions=ions)


def arm(name: str, q: list[float], shared: dict[str, float] | None = None, blocks: bool = False) -> Arm:
    return Arm(name, name, 0.0, np.array(q), tuple(str(i * blocks) for i in range(len(q))), shared or {})


def study() -> list[StudyRun]:
    rng = np.random.default_rng(3)
    rows = [grind(i, -60 + 5 * rng.normal()) for i in range(6)]
    rows += [grind(i, -3 + rng.normal(), "misted", 20.0) for i in range(6)]
    rows += [grind(i, -2 + rng.normal(), "ionised") for i in range(6)]
    return rows + [blank(i, 17.5 + rng.normal()) for i in range(5)]


def test_arms_in_order() -> None:
    """Dry comes first, misted by dose, then the ioniser; doses are arms of their own."""
    rows = [grind(0, 1.0, "ionised"), grind(0, 1.0, "misted", 30.0), grind(0, 1.0, "misted", 5.0), grind(0, -9.0)]
    assert [a.name for a in arms_of(rows)] == ["dry", "misted 5 µL/g", "misted 30 µL/g", "ionised"]


def test_doses_of_an_arm() -> None:
    """Weighed doses close together make one arm; a dose not told joins no other."""
    rows = [grind(i, 1.0, "misted", d) for i, d in enumerate((19.8, 20.0, 20.3, 30.0, math.nan, math.nan))]
    assert [(a.name, len(a.runs)) for a in arms_of(rows)] == [
        ("misted 20 µL/g", 3),
        ("misted 30 µL/g", 1),
        ("misted dose not told", 2),
    ]


def test_a_study_takes_nothing_off() -> None:
    """Null grinds beside the runs move no charge: what the ions bring went off in the outcomes, which say how much."""
    rows = study()
    with_blanks, without = (
        next(a for a in arms_of(r) if a.treatment == "ionised")
        for r in (rows, [r for r in rows if r.purpose == "grind"])
    )
    assert (with_blanks.q_nC_per_g == without.q_nC_per_g).all()
    found = compare_treatments([freed(row) if row.treatment == "ionised" else row for row in rows], 3.0, seed=1)
    told = found.ioniser_background
    assert (told.charge_nC, told.u_nC, told.dof, told.blanks) == (17.5, 0.5, 4.0, 5)
    assert (told.runs, told.contained_in) == (6, 0)


@pytest.mark.parametrize("blocks", [1, 6])
def test_few_null_grinds_bring_their_degrees_of_freedom(blocks: int) -> None:
    """What two null grinds leave unsure has one degree of freedom, in means and differences, blocks or none."""
    rows = [replace(freed(row, 2.0, 1.0) if "ion" in row.treatment else row, block=str(row.order % blocks))
            for row in study()[:18]]  # fmt: skip
    found = compare_treatments(rows, 3.0, seed=1)
    least = 12.706 * 2.0 / 17.5
    ionised = next(arm for arm in found.arms if arm.treatment == "ionised")
    parts = [ionised, found.against_each_other[0].signed, found.against_dry[1].signed]
    for part in parts:
        low, high = part.ci95_nC_per_g
        assert (high - low) / 2 > least
    assert (found.against_each_other[0].signed.block_adjusted is not None) is (blocks > 1)


@pytest.mark.parametrize("dof", [1.0, 2.0, 4.0])
@pytest.mark.parametrize("ratio", [0.3, 1.0, 3.0])
def test_a_sum_of_parts_each_with_its_own_degrees_of_freedom_covers(dof: float, ratio: float) -> None:
    """Of normal sums whose parts were estimated with few degrees of freedom, 95 % intervals hold 95 % and more."""
    rng = np.random.default_rng(7)
    n, held = 2000, 0
    for own, few, true in zip(
        np.sqrt(rng.chisquare(6.0, n) / 6.0), ratio * np.sqrt(rng.chisquare(dof, n) / dof),
        math.hypot(1.0, ratio) * rng.normal(size=n), strict=True,
    ):  # fmt: skip
        held += abs(true) <= half_width([(own, 6.0), (few, dof)])
    assert held / n > 0.945


def test_p_and_interval_agree() -> None:
    """A difference has the p of the interval whose end is zero."""
    parts = [(1.0, 5.0), (0.4, 1.0)]
    for distance in (0.5, 2.0, 6.0):
        assert half_width(parts, p_beyond(distance, parts)) == pytest.approx(distance)
    assert p_beyond(2.5706, [(1.0, 5.0)]) == pytest.approx(0.05, abs=1e-5)


@pytest.mark.parametrize(("arms", "t"), [(2, 2.21), (5, 2.51), (9, 2.69)])
def test_intervals_that_hold_together_are_dunnett_s(arms: int, t: float) -> None:
    """Where the standard deviation is known the critical values are those of Dunnett's table (5 %, from memory)."""
    from scipy.special import ndtri

    shares = [(0.5, math.inf)] * arms
    assert -ndtri(simultaneous_alpha(shares) / 2) == pytest.approx(t, abs=0.006)
    assert smallest_of(simultaneous_alpha(shares), shares) == pytest.approx(0.05, abs=1e-6)


@pytest.mark.parametrize(("blocks", "arms", "dry_sd"), [(3, 5, 1.0), (4, 2, 2.0), (6, 5, 0.5)])
def test_differences_each_with_its_own_scatter_hold_together(blocks: int, arms: int, dry_sd: float) -> None:
    """Of studies in few blocks, 95 in a hundred have all their differences from dry in the intervals told together."""
    from scipy.special import stdtrit

    rng = np.random.default_rng(11)
    gap = rng.normal(size=(20_000, arms, blocks)) - dry_sd * rng.normal(size=(20_000, 1, blocks))
    t = gap.mean(axis=2) / gap.std(axis=2, ddof=1) * math.sqrt(blocks)
    alpha = simultaneous_alpha([(dry_sd**2 / (1 + dry_sd**2), blocks - 1.0)] * arms)
    held = (np.abs(t) <= stdtrit(blocks - 1, 1 - alpha / 2)).all(axis=1).mean()
    assert 0.948 < held < 0.965


def test_an_adjusted_p_goes_with_its_interval() -> None:
    """Below 0.05 the simultaneous interval leaves out zero, above it holds zero; one alone is never wider."""
    rng = np.random.default_rng(4)
    seen = set()
    for shift in np.linspace(0, 6, 13):
        dry = arm("dry", list(rng.normal(0, 2, 6)))
        told = [contrast(arm(str(k), list(shift * k / 3 + rng.normal(0, 1, 6))), dry, False) for k in range(4)]
        for one, (p, (low, high)) in zip(told, together(told, dry), strict=True):
            assert (p < 0.05) is not (low <= 0 <= high)
            assert high - low > np.subtract(*one.interval()[::-1])
            seen.add(p < 0.05)
    assert seen == {True, False}


def test_shared_gain_does_not_average_down_but_cancels_between_like_arms() -> None:
    """A shared gain error moves equal arms alike; arms of opposite sign it moves apart."""
    one, like = arm("a", [-20.0, -21.0, -19.0], {"gain": -0.4}), arm("b", [-20.5, -19.0, -21.5], {"gain": -0.4})
    opposite = arm("c", [20.5, 19.0, 21.5], {"gain": 0.4})
    alone = compare(replace_shared(one), replace_shared(like), None, False, 1).u_nC_per_g
    assert compare(one, like, None, False, 1).u_nC_per_g == pytest.approx(alone)
    apart = compare(one, opposite, None, False, 1).u_nC_per_g
    assert apart == pytest.approx(math.hypot(alone, 0.8))
    assert compare(one, opposite, None, True, 1).u_nC_per_g == pytest.approx(alone)


def replace_shared(of: Arm) -> Arm:
    return replace(of, shared_u_nC_per_g={})


def test_sign_flip_is_seen_in_signed_not_in_absolute() -> None:
    """+30 against -30 is no difference of |Q/m| and a large one of Q/m."""
    up, down = arm("up", [30.0, 31.0, 29.0, 30.5]), arm("down", [-30.0, -31.0, -29.0, -30.5])
    assert compare(up, down, 3.0, True, 1).equivalence.equivalent
    signed = compare(up, down, 3.0, False, 1)
    assert not signed.equivalence.equivalent
    assert signed.difference_nC_per_g == pytest.approx(60.25)


def test_permutation_p_is_exact_for_small_arms() -> None:
    """Two arms of four that do not overlap: 2 of the 70 exchanges are as extreme."""
    found = compare(arm("a", [1.0, 2.0, 3.0, 4.0]), arm("b", [11.0, 12.0, 13.0, 14.5]), None, False, 1)
    assert found.p_permutation == pytest.approx(2 / 70)


def test_blocks_are_adjusted_for() -> None:
    """A difference that is the same in every block shows in all that is told though blocks scatter widely."""
    level = np.array([-50.0, 10.0, -20.0, 40.0, 0.0])
    noise = np.array([0.1, -0.1, 0.2, 0.0, -0.2])
    found = compare(arm("a", list(level + 2 + noise), None, True), arm("b", list(level), None, True), 3.0, False, 1)
    assert found.p_welch > 0.5
    assert found.p == found.block_adjusted.p < 1e-4
    assert found.ci95_nC_per_g == found.block_adjusted.ci95_nC_per_g
    assert found.basis == "within 5 blocks"
    assert found.equivalence.equivalent
    assert found.p_permutation == pytest.approx(2 / 2**5)


def in_blocks(rng: np.random.Generator, spread: float) -> list[StudyRun]:
    """Four blocks, each with three dry runs and one misted; blocks move their runs, dry ones more."""
    rows = []
    for block in range(4):
        shift = spread * rng.normal()
        dry = [grind(3 * block + i, -60 + 3 * (shift + rng.normal())) for i in range(3)]
        wet = grind(block, -20 + shift + rng.normal(), "misted", 20.0)
        rows += [replace(row, block=str(block)) for row in (*dry, wet)]
    return rows


@pytest.mark.parametrize("spread", [1.0, 2.0])
def test_dry_controls_of_one_block_are_not_independent(spread: float) -> None:
    """With three dry controls a block whose blocks differ, means and differences are held 93 times of 100 and more."""
    rng, held, n = np.random.default_rng(11), np.zeros(3), 300
    for _ in range(n):
        rows = in_blocks(rng, spread)
        dry, wet = arms_of(rows)
        mean, told = dry.found(), contrast(wet, dry, False)
        level = level_of(points_of(rows), 0, scatter_of(points_of(rows)))
        assert told is not None
        ends = (mean.ci95_nC_per_g, np.subtract(told.interval(), 100.0), level.interval())
        held += [low <= -60.0 <= high for low, high in ends]
    assert (held / n >= 0.93).all()


@pytest.mark.parametrize(("blocks", "doubt"), [(1, False), (2, True), (3, False)])
def test_two_blocks_are_doubted(blocks: int, doubt: bool) -> None:
    """Where runs were repeated within two blocks nothing tells how far blocks differ, which is said."""
    rows = [replace(grind(i, -60.0 + i), block=str(i % blocks)) for i in range(6)]
    assert ("two-blocks" in {flag.code for flag in remarks_on_arms(rows)}) is doubt


def test_single_runs_are_not_tested() -> None:
    """One run in an arm gives a difference and no p."""
    found = compare(arm("a", [1.0]), arm("b", [2.0, 3.0]), 1.0, False, 1)
    assert to_json(found) == {"difference_nC_per_g": -1.5, "n": [1, 2]}


def test_all_comparisons_are_there() -> None:
    """Every arm is compared with dry by Welch, Dunnett and permutation, Holm-adjusted; ionised with misted besides."""
    found = compare_treatments(study(), 3.0, seed=1)
    assert [item.first for item in found.against_dry] == ["misted 20 µL/g", "ionised"]
    for item in found.against_dry:
        for part in (item.signed, item.absolute):
            assert isinstance(part, DifferenceTested)
            assert None not in (part.p_welch, part.p_holm, part.p_dunnett, part.p_permutation)
            assert part.p_holm >= part.p
            assert part.p_adjusted >= part.p
    assert [(i.first, i.second) for i in found.against_each_other] == [("ionised", "misted 20 µL/g")]


def test_conclusions_keep_to_what_was_shown() -> None:
    """The words never take no difference for equality, and always say that net zero is not unclumped."""
    said = " ".join(compare_treatments(study(), None, seed=1).conclusions)
    assert "no difference shown, which does not show them equal" in said
    assert "nor that they are unclumped" in said
    assert "interval with all others" in said


def test_ions_that_were_not_taken_off_are_said_once() -> None:
    """Ionised runs that contain the ioniser's own charge raise one doubt; the others are told with the source."""
    rows = study()[:18]
    assert [flag.code for flag in remarks_on_arms(rows)] == ["ions-included"]
    assert "own charge" not in " ".join(compare_treatments(rows, None, seed=1).conclusions)
    done = [freed(row) if row.treatment == "ionised" else row for row in rows]
    assert remarks_on_arms(done) == []
    said = [words for words in compare_treatments(done, None, seed=1).conclusions if "own charge" in words]
    assert len(said) == 1
    assert "+17.5 nC (5 null grinds), was taken off 6 ionised runs" in said[0]
    mixed = [*done[:-1], rows[-1]]
    assert ions_taken_off(mixed).contained_in == 1
    assert remarks_on_arms(mixed)[0].evidence == {"runs": 1, "of": 6}


@pytest.mark.parametrize(
    ("positive", "negative", "share"), [(10.0, -10.0, 1.0), (10.0, 0.0, 0.0), (5.0, -15.0, 0.5), (0.0, 0.0, math.nan)]
)
def test_bipolar_share(positive: float, negative: float, share: float) -> None:
    """Twice the smaller part over the sum: 0 for one sign, 1 for equal amounts."""
    assert bipolar_share(positive, negative) == pytest.approx(share, nan_ok=True)


def test_witnesses_are_named() -> None:
    """The words name the witnesses recorded and no others."""
    rows = [grind(i, -1.0, tags={"clump_mass_g": 0.2 + i / 10}, recovery_percent=98.0) for i in range(3)]
    found = witnesses(arms_of(rows))
    words = witness_words(found)
    assert {item.witness for item in found} == {"clump_mass_g", "recovery_percent", "retention_g"}
    assert "sieve clump mass" in words
    assert "charge of either sign" not in words
    clump = next(item for item in found if item.witness == "clump_mass_g")
    assert (clump.n, clump.mean, clump.u) == (3, pytest.approx(0.3), pytest.approx(0.1 / math.sqrt(3)))
    assert "no other witness" in witness_words([])


def test_every_treatment_is_held_against_every_other() -> None:
    """What was ionised is compared with what was misted, what was both with either; doses of mist are not."""
    rows = [
        grind(i, q, treatment, dose)
        for i in range(2)
        for treatment, dose, q in (
            ("dry", 0.0, -60.0),
            ("misted", 10.0, -20.0),
            ("misted", 20.0, -4.0),
            ("ionised", 0.0, -5.0),
            ("misted+ionised", 20.0, -1.0),
        )
    ]
    found = compare_treatments(rows, 3.0, seed=1)
    assert [(i.first, i.second) for i in found.against_each_other] == [
        ("ionised", "misted 10 µL/g"),
        ("ionised", "misted 20 µL/g"),
        ("misted+ionised 20 µL/g", "misted 10 µL/g"),
        ("misted+ionised 20 µL/g", "misted 20 µL/g"),
        ("misted+ionised 20 µL/g", "ionised"),
    ]

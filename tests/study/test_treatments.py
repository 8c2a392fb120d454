"""Rules of comparing treatments and of the witnesses beside the net charge."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from chargebench.processing.outcome import Estimate
from chargebench.study.rows import StudyRun
from chargebench.study.treatments import Arm, arms_of, compare, compare_treatments, ioniser_background
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


def arm(name: str, q: list[float], shared: dict[str, float] | None = None) -> Arm:
    return Arm(name, name, 0.0, np.array(q), tuple(str(i) for i in range(len(q))), shared or {})


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


def test_background_is_taken_off_with_its_uncertainty() -> None:
    """What the ioniser alone leaves in the cup is subtracted over the mass, and its u stays however many runs."""
    rows = study()
    charge, u, n = ioniser_background(rows)
    assert (n, charge) == (5, pytest.approx(17.5, abs=2))
    plain, corrected = (next(a for a in arms_of(r) if a.treatment == "ionised") for r in (rows[:18], rows))
    assert plain.q_nC_per_g - corrected.q_nC_per_g == pytest.approx(np.full(6, charge / 17.5))
    assert corrected.shared_u_nC_per_g["ioniser"] == pytest.approx(u / 17.5)
    misted = next(a for a in arms_of(rows) if a.treatment == "misted")
    assert "ioniser" not in misted.shared_u_nC_per_g


def test_one_blank_says_nothing_of_its_scatter() -> None:
    """From a single blank the background has an unknown uncertainty, so nothing can be shown equivalent."""
    rows = [*study()[:18], blank(0, 17.5)]
    found = compare_treatments(rows, 3.0, seed=1)["against_each_other"][0]["signed"]
    assert math.isinf(ioniser_background(rows)[1])
    assert not found["equivalence"]["equivalent"]


def test_shared_gain_does_not_average_down_but_cancels_between_like_arms() -> None:
    """A shared gain error moves equal arms alike; arms of opposite sign it moves apart."""
    one, like = arm("a", [-20.0, -21.0, -19.0], {"gain": -0.4}), arm("b", [-20.5, -19.0, -21.5], {"gain": -0.4})
    opposite = arm("c", [20.5, 19.0, 21.5], {"gain": 0.4})
    alone = compare(replace_shared(one), replace_shared(like), None, False, 1)["u_nC_per_g"]
    assert compare(one, like, None, False, 1)["u_nC_per_g"] == pytest.approx(alone)
    apart = compare(one, opposite, None, False, 1)["u_nC_per_g"]
    assert apart == pytest.approx(math.hypot(alone, 0.8))
    assert compare(one, opposite, None, True, 1)["u_nC_per_g"] == pytest.approx(alone)


def replace_shared(of: Arm) -> Arm:
    return replace(of, shared_u_nC_per_g={})


def test_sign_flip_is_seen_in_signed_not_in_absolute() -> None:
    """+30 against -30 is no difference of |Q/m| and a large one of Q/m."""
    up, down = arm("up", [30.0, 31.0, 29.0, 30.5]), arm("down", [-30.0, -31.0, -29.0, -30.5])
    assert compare(up, down, 3.0, True, 1)["equivalence"]["equivalent"]
    signed = compare(up, down, 3.0, False, 1)
    assert not signed["equivalence"]["equivalent"]
    assert signed["difference_nC_per_g"] == pytest.approx(60.25)


def test_permutation_p_is_exact_for_small_arms() -> None:
    """Two arms of four that do not overlap: 2 of the 70 exchanges are as extreme."""
    found = compare(arm("a", [1.0, 2.0, 3.0, 4.0]), arm("b", [11.0, 12.0, 13.0, 14.5]), None, False, 1)
    assert found["p_permutation"] == pytest.approx(2 / 70)


def test_blocks_are_adjusted_for() -> None:
    """A difference that is the same in every block shows within blocks though blocks scatter widely."""
    level = np.array([-50.0, 10.0, -20.0, 40.0, 0.0])
    noise = np.array([0.1, -0.1, 0.2, 0.0, -0.2])
    found = compare(arm("a", list(level + 2 + noise)), arm("b", list(level)), None, False, 1)
    assert found["p_welch"] > 0.5
    assert found["block_adjusted"]["p"] < 1e-4
    assert found["block_adjusted"]["blocks"] == 5


def test_single_runs_are_not_tested() -> None:
    """One run in an arm gives a difference and no p."""
    found = compare(arm("a", [1.0]), arm("b", [2.0, 3.0]), 1.0, False, 1)
    assert found == {"difference_nC_per_g": -1.5, "n": [1, 2]}


def test_all_comparisons_are_there() -> None:
    """Every arm is compared with dry by Welch, Dunnett and permutation, Holm-adjusted; ionised with misted besides."""
    found = compare_treatments(study(), 3.0, seed=1)
    assert [item["first"] for item in found["against_dry"]] == ["misted 20 µL/g", "ionised"]
    for item in found["against_dry"]:
        for kind in ("signed", "absolute"):
            assert {"p_welch", "p_holm", "p_dunnett", "p_permutation", "ci95_nC_per_g"} <= set(item[kind])
            assert item[kind]["p_holm"] >= item[kind]["p_welch"]
    assert [(i["first"], i["second"]) for i in found["against_each_other"]] == [("ionised", "misted 20 µL/g")]


def test_conclusions_keep_to_what_was_shown() -> None:
    """The words never take no difference for equality, and always say that net zero is not unclumped."""
    said = " ".join(compare_treatments(study(), None, seed=1)["conclusions"])
    assert "no difference shown, which does not show them equal" in said
    assert "nor that they are unclumped" in said
    assert "from 5 blanks" in said


def test_missing_blanks_are_said() -> None:
    """Ionised runs without blanks are said to contain the ioniser's own charge."""
    assert "was not measured" in " ".join(compare_treatments(study()[:18], None, seed=1)["conclusions"])


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
    assert {item["witness"] for item in found} == {"clump_mass_g", "recovery_percent", "retention_g"}
    assert "sieve clump mass" in words
    assert "charge of either sign" not in words
    clump = next(item for item in found if item["witness"] == "clump_mass_g")
    assert (clump["n"], clump["mean"], clump["u"]) == (3, pytest.approx(0.3), pytest.approx(0.1 / math.sqrt(3)))
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
    assert [(i["first"], i["second"]) for i in found["against_each_other"]] == [
        ("ionised", "misted 10 µL/g"),
        ("ionised", "misted 20 µL/g"),
        ("misted+ionised 20 µL/g", "misted 10 µL/g"),
        ("misted+ionised 20 µL/g", "misted 20 µL/g"),
        ("misted+ionised 20 µL/g", "ionised"),
    ]

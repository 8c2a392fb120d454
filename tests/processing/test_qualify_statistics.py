"""Rules of the checks that are statistics of few numbers: gain, sprayer, blank, ioniser, validity."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from chargebench.processing.outcome import Estimate
from chargebench.processing.qualify.gain import Level, Standard, gain
from chargebench.processing.qualify.limits import limits
from chargebench.processing.qualify.nulls import blank, ioniser
from chargebench.processing.qualify.occasion import Occasion
from chargebench.processing.qualify.qualification import KINDS, VALID_DAYS, Qualification, expiry
from chargebench.processing.qualify.sprayer import Weighing, sprayer, spread_of

DAY = Occasion("North bench", "2026-03-14T09:15:00Z", inputs={"a.h5": "00"}, software="1")
VOLTS = (-20.0, -15.0, -10.0, -5.0, 5.0, 10.0, 15.0, 20.0)


def codes(check: Qualification) -> set[str]:
    """Codes of a check's flags."""
    return {flag.code for flag in check.flags}


@pytest.mark.parametrize(
    ("kind", "days", "until"),
    [
        ("gain", None, "2027-03-14"),
        ("leakage", None, "2026-04-13"),
        ("zero", 0, "2026-03-14"),
        ("blank", 1, "2026-03-15"),
    ],
)
def test_validity_is_counted_in_days(kind: str, days: int | None, until: str) -> None:
    """A check holds for the days given, or as usual for its kind, the day it was made on not counted."""
    assert expiry(kind, "2026-03-14T23:59:59Z", days) == until  # type: ignore[arg-type]
    assert set(VALID_DAYS) == set(KINDS)


def test_validity_cannot_be_negative() -> None:
    """A check that ends before it was made is refused."""
    with pytest.raises(ValueError, match="-1"):
        expiry("zero", "2026-03-14", -1)


def levels(
    true_gain: float = 1.02,
    noise_nC: float = 0.02,
    seed: int = 3,
    bend: float = 0.0,
    offset_nC: float = 0.0,
    volts: tuple[float, ...] = VOLTS,
) -> list[Level]:
    """What a bench displays for known charges of 1 nF."""
    rng = np.random.default_rng(seed)
    shown = (
        np.array(volts) / true_gain + offset_nC + bend * np.array(volts) ** 2 + rng.normal(0.0, noise_nC, len(volts))
    )
    return [Level(v, float(q), noise_nC) for v, q in zip(volts, shown, strict=True)]


STANDARD = Standard(1.0, 0.003, u_volts=0.005, u_volts_relative=0.001)


def test_gain_covers_the_truth() -> None:
    """Over 400 calibrations with a capacitor and voltmeter wrong by their own u, U95 of the gain holds 93 to 97 %."""
    rng = np.random.default_rng(8)
    held = 0
    for seed in range(400):
        wrong = 1.0 + STANDARD.u_relative * rng.normal()
        tried = [
            Level(v, (v + STANDARD.u_volts * rng.normal()) * wrong / 1.02 + 0.02 * rng.normal(), 0.02) for v in VOLTS
        ]
        found = gain(DAY, STANDARD, tried).values["gain"]
        held += abs(found.value - 1.02) <= found.U95
        assert found.u == pytest.approx(0.0033, rel=0.2), seed
    assert 0.93 * 400 <= held <= 0.975 * 400


def test_what_levels_share_does_not_average_down() -> None:
    """A hundred times the levels leave the capacitor's share of the uncertainty as it is."""
    few = gain(DAY, STANDARD, levels())
    many = gain(DAY, STANDARD, levels(volts=VOLTS * 100))
    assert many.details["u_fit"] < 0.2 * few.details["u_fit"]
    assert many.values["gain"].u == pytest.approx(1.02 * STANDARD.u_relative, rel=0.01)


def test_gain_keeps_its_covariance_and_residuals() -> None:
    """Offset, slope, their covariance and the residuals for a plot stand in the details and fit together."""
    d = gain(DAY, STANDARD, levels(offset_nC=0.5)).details
    assert d["offset_nC"] == pytest.approx(0.5, abs=4 * d["u_offset_nC"])
    assert abs(d["covariance_offset_slope"]) <= d["u_offset_nC"] * d["u_slope"]
    for r in d["residuals"]:
        line = d["offset_nC"] + d["slope"] * r["standard_nC"]
        assert r["residual_nC"] == pytest.approx(r["reading_nC"] - line, abs=1e-12)


@pytest.mark.parametrize(
    ("tried", "code", "found"),
    [
        (levels(), None, True),
        (levels(true_gain=-1.0), "polarity", True),
        (levels(true_gain=1e3), "gain-implausible", True),
        (levels(true_gain=1.9), "gain-implausible", False),
        (levels(volts=(5.0, 10.0, 15.0, 20.0, 25.0)), "one-sign", True),
        (levels(volts=(-5.0, 5.0, 10.0, 15.0)), "few-levels", True),
        (levels(volts=(-5.0, 5.0, 10.0, 15.0, 20.0)), "few-levels", False),
        (
            [Level(x.volts, x.reading_nC * (1 + 0.01 * (-1) ** n), 0.02) for n, x in enumerate(levels())],
            "scatter",
            True,
        ),
        (levels(bend=1e-3), "curved", True),
        (levels(bend=1e-5), "curved", False),
        (levels(offset_nC=0.1), "injection-offset", True),
        (levels(offset_nC=0.01), "injection-offset", False),
    ],
)
def test_gain_flags(tried: list[Level], code: str | None, found: bool) -> None:
    """Each fault of a calibration raises its flag, and one just inside does not."""
    check = gain(DAY, STANDARD, tried)
    assert codes(check) == set() if code is None else (code in codes(check)) is found


def test_scatter_enlarges_the_uncertainty() -> None:
    """Readings that scatter more than their stated u give the uncertainty of the scatter, with its few degrees."""
    claimed = Standard(1.0, 0.0)
    honest = gain(DAY, claimed, [Level(x.volts, x.reading_nC, 0.05) for x in levels(noise_nC=0.02)])
    boasting = gain(DAY, claimed, [Level(x.volts, x.reading_nC, 0.001) for x in levels(noise_nC=0.02)])
    assert honest.details["birge_ratio"] < 1.0
    assert boasting.values["gain"].u == pytest.approx(honest.values["gain"].u * honest.details["birge_ratio"], rel=1e-3)
    assert boasting.values["gain"].dof == 6
    assert honest.values["gain"].dof == math.inf


@pytest.mark.parametrize(
    "tried",
    [levels()[:2], [Level(5.0, 5.0, 0.1)] * 4, [Level(v, v, 0.0) for v in VOLTS], [Level(v, v, -0.1) for v in VOLTS]],
    ids=["two levels", "one voltage", "no uncertainty", "negative uncertainty"],
)
def test_gain_refuses_what_is_no_calibration(tried: list[Level]) -> None:
    """Too few points, a single level or an uncertainty of nothing is refused."""
    with pytest.raises(ValueError):
        gain(DAY, STANDARD, tried)


@pytest.mark.parametrize("words", [(0.0, 0.1), (1.0, -0.1), (math.nan, 0.1), (1.0, 0.1, -1.0)])
def test_a_standard_must_be_possible(words: tuple[float, ...]) -> None:
    """A capacitor of nothing and negative uncertainties are refused."""
    with pytest.raises(ValueError):
        Standard(*words)


def bottle(rng: np.random.Generator, sprays: list[int], spray_g: float, sd_g: float, u_g: float) -> list[Weighing]:
    """Weighings of a bottle whose sprays vary independently."""
    weighings = []
    left = 312.0
    for n in sprays:
        before, left = left, left - float(np.sum(rng.normal(spray_g, sd_g, n)))
        weighings.append(Weighing(n, before + u_g * rng.normal(), left + u_g * rng.normal()))
    return weighings


def test_sprayer_covers_mean_and_spread() -> None:
    """Over 500 sprayers, U95 of the mean holds in 93 to 98 %, and the spread of one spray is right on average."""
    rng = np.random.default_rng(4)
    held, spreads = 0, []
    for _ in range(500):
        found = sprayer(DAY, bottle(rng, [10, 10, 5, 20, 10, 15], 0.102, 0.006, 0.01), 21.0, u_weighing_g=0.01)
        held += abs(found.values["spray_g"].value - 0.102) <= found.values["spray_g"].U95
        spreads.append(found.values["spray_sd_g"].value ** 2)
    assert 0.93 * 500 <= held <= 0.985 * 500
    assert math.sqrt(np.mean(spreads)) == pytest.approx(0.006, rel=0.08)


def test_spread_of_several_sprays() -> None:
    """Sprays vary independently, the mean's own error is common: k sprays have sqrt(k·s² + k²·u²)."""
    spray = Estimate(0.1, 0.002, 5)
    assert spread_of(4, spray, 0.01) == Estimate(0.4, math.hypot(0.02, 0.008), 5)
    check = sprayer(DAY, [Weighing(10, 300.0, 299.0), Weighing(10, 299.0, 297.9), Weighing(10, 297.9, 297.0)], 20.0)
    assert [row["sprays"] for row in check.details["sprays"]] == [1, 2, 3, 5, 10]


def test_volume_comes_from_the_water_temperature() -> None:
    """1 g weighed in air at 20 °C is 1002.9 µL (ISO 8655-6, from memory)."""
    check = sprayer(DAY, [Weighing(1, 300.0, 299.0 + d) for d in (-0.01, 0.0, 0.01)], 20.0)
    assert check.details["spray_uL"] == pytest.approx(1002.9, abs=0.1)


@pytest.mark.parametrize(
    ("given", "code", "found"),
    [
        ([1.0, 1.1, 0.9, 1.05, 0.95], "few-weighings", False),
        ([1.0, 1.1, 0.9, 1.05], "few-weighings", True),
        ([0.6, 1.4, 0.6, 1.4, 1.0], "spray-spread", True),
        ([0.99, 1.01, 0.99, 1.01, 1.0], "spray-spread", False),
        ([1.0, 0.95, 0.9, 0.85, 0.8], "spray-trend", True),
        ([1.0, 0.95, 1.0, 0.95, 1.0], "spray-trend", False),
    ],
)
def test_sprayer_flags(given: list[float], code: str, found: bool) -> None:
    """Each fault of a sprayer raises its flag, and one just inside does not."""
    check = sprayer(DAY, [Weighing(1, 300.0, 300.0 - g) for g in given], 20.0)
    assert (code in codes(check)) is found


@pytest.mark.parametrize("words", [(0, 2.0, 1.0), (1, 1.0, 1.0), (1, 1.0, 2.0), (1, math.nan, 1.0)])
def test_a_weighing_must_be_possible(words: tuple[int, float, float]) -> None:
    """No sprays, or a bottle that did not become lighter, is refused."""
    with pytest.raises(ValueError):
        Weighing(*words)


def test_blank_gives_floor_and_limits_per_dose() -> None:
    """Floor and all three limits follow from mean and spread of the blanks, per gram of the dose.

    For -1, 0, 1, 2, -2 nC: s = sqrt(2.5), t(4) 2.1318, delta 4.0673, 1 + 1/5; computed by hand.
    """
    check = blank(DAY, [-1.0, 0.0, 1.0, 2.0, -2.0], dose_g=20.0)
    s = math.sqrt(2.5 * 1.2)
    assert check.details["critical_level_nC"] == pytest.approx(2.1318 * s, rel=1e-4)
    assert check.details["detection_limit_nC"] == pytest.approx(4.0673 * s, rel=1e-4)
    assert check.details["quantitation_limit_nC_per_g"] == pytest.approx(10.0 * 2.1318 / 1.6449 * s / 20.0, rel=1e-4)
    assert check.values["net_charge_floor_nC"] == Estimate(0.0, pytest.approx(math.sqrt(2.5)), 4)
    assert check.values["detection_limit_nC"].value == check.details["detection_limit_nC"]


@pytest.mark.parametrize("n", [2, 3, 5, 10, 100])
def test_limits_rise_in_their_order(n: int) -> None:
    """However few the blanks, critical level, detection limit and quantitation limit follow each other."""
    found = limits(1.0, n - 1, blanks=n)
    assert found.critical < found.detection < found.quantitation


def test_blanks_off_zero_widen_the_limits() -> None:
    """Runs are not corrected for the blank, so its mean adds to the limits and to the floor, and is flagged."""
    plain, shifted = blank(DAY, [-1.0, 0.0, 1.0, 0.5, -0.5], 18.0), blank(DAY, [4.0, 5.0, 6.0, 5.5, 4.5], 18.0)
    grown = shifted.details["critical_level_nC"] - plain.details["critical_level_nC"]
    assert grown == pytest.approx(5.0)
    assert shifted.values["net_charge_floor_nC"].u > 5.0
    assert codes(shifted) - codes(plain) == {"blank-not-zero"}


@pytest.mark.parametrize(("n", "few"), [(4, True), (5, False)])
def test_few_null_grinds_are_flagged(n: int, few: bool) -> None:
    """Fewer than five null grinds are flagged, five are not."""
    charges = [0.1 * (-1) ** k * k for k in range(n)]
    assert ("few-runs" in codes(blank(DAY, charges, 18.0))) is few
    assert ("few-runs" in codes(ioniser(DAY, charges))) is few


@pytest.mark.parametrize(
    ("charges", "dose_g"), [([], 1.0), ([1.0], 1.0), ([1.0, 1.0], 1.0), ([1.0, math.nan], 1.0), ([1.0, 2.0], 0.0)]
)
def test_blank_refuses_what_tells_nothing(charges: list[float], dose_g: float) -> None:
    """Too few, equal or undefined charges and a dose of nothing are refused."""
    with pytest.raises(ValueError):
        blank(DAY, charges, dose_g)


def test_ioniser_background_holds_the_next_run() -> None:
    """Over 2000 sets of six null grinds, U95 of the background holds a further run's in 93.5 to 96.5 %."""
    rng = np.random.default_rng(6)
    held = 0
    for _ in range(2000):
        found = ioniser(DAY, rng.normal(3.0, 0.8, 6)).values["ioniser_background_nC"]
        held += abs(rng.normal(3.0, 0.8) - found.value) <= found.U95
    assert 0.935 * 2000 <= held <= 0.965 * 2000


def test_ioniser_offset_is_against_the_runs_without_it() -> None:
    """With null grinds with it off, the offset is the difference; also as a current and, for a cup of C, a voltage."""
    check = ioniser(DAY, [5.0, 5.2, 4.8, 5.1, 4.9], [1.0, 1.2, 0.8], [9.0, 11.0], cup_capacitance_pF=100.0)
    assert check.details["offset_nC"] == pytest.approx(4.0)
    assert check.details["offset_current_nA"] == pytest.approx(0.4)
    assert check.details["offset_voltage_V"] == pytest.approx(40.0)
    assert "ioniser-offset" in codes(check)
    assert "ioniser-offset" not in codes(ioniser(DAY, [0.3, -0.2, 0.1, -0.3, 0.2]))


def test_offset_is_a_welch_difference() -> None:
    """Student's sleep data (Biometrika 6 (1908) 1): Welch t -1.8608 with 17.776 degrees of freedom."""
    first = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
    second = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]
    d = ioniser(DAY, first, second).details
    assert d["offset_nC"] / d["u_offset_nC"] == pytest.approx(-1.8608, abs=5e-5)
    assert d["offset_dof"] == pytest.approx(17.776, abs=5e-4)


@pytest.mark.parametrize("words", [{"grinds_s": [10.0, 0.0]}, {"cup_capacitance_pF": -1.0}])
def test_ioniser_refuses_the_impossible(words: dict[str, Any]) -> None:
    """Lengths and capacitances are above zero."""
    with pytest.raises(ValueError, match="above 0"):
        ioniser(DAY, [1.0, 2.0], **words)

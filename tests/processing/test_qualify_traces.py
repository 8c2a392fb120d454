"""Rules of the checks that read a trace: zero (noise, wander, hum, spikes) and leakage."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from chargebench.processing.noise import folded_Hz
from chargebench.processing.qualify.allan import allan_deviation, block_means, noise_of_means
from chargebench.processing.qualify.hum import find_hum
from chargebench.processing.qualify.leakage import leakage
from chargebench.processing.qualify.occasion import Occasion
from chargebench.processing.qualify.qualification import Qualification
from chargebench.processing.qualify.zero import find_spikes, zero
from chargebench.processing.series import Series, clean

DAY = Occasion("North bench", "2026-03-14T09:15:00Z")


def series(time_s: np.ndarray, value: np.ndarray) -> Series:
    """Readings as a decoder hands them on, without counters."""
    return clean(time_s, value, np.zeros(len(time_s), np.int64), np.full(len(time_s), -1))


def codes(check: Qualification) -> set[str]:
    """Codes of a check's flags."""
    return {flag.code for flag in check.flags}


def untouched(
    seconds: float = 120.0, rate_Hz: float = 100.0, seed: int = 1, noise: float = 0.1
) -> tuple[np.ndarray, np.ndarray]:
    """White noise on stamps rounded to milliseconds, as a board's clock gives them."""
    t = np.arange(0.0, seconds, 1.0 / rate_Hz)
    return np.round(t, 3), np.random.default_rng(seed).normal(0.0, noise, len(t))


def test_white_noise_falls_with_averaging_time() -> None:
    """Of white noise, the Allan deviation at each averaging time is sd/sqrt(readings averaged), within 4 u."""
    t, q = untouched(600.0)
    check = zero(DAY, series(t, q))
    for point in check.details["allan"]:
        expected = 0.1 / math.sqrt(100.0 * point["averaging_s"])
        assert abs(point["deviation_nC"] - expected) < 4 * point["u_nC"]
    assert check.details["noise_of_a_reading_nC"] == pytest.approx(0.1, rel=0.02)
    assert check.values["charge_noise_1s_nC"].value == pytest.approx(0.01, rel=0.15)
    assert check.details["wander_nC"] < 0.006
    assert codes(check) == set()
    json.dumps(check.as_json(), allow_nan=False)


def test_a_current_reading_has_its_own_unit() -> None:
    """The zero check of a current input says nA wherever a charge input says nC, with the same numbers."""
    t, q = untouched()
    charge, current = zero(DAY, series(t, q)), zero(DAY, series(t, q), "nA")
    assert current.values["current_noise_1s_nA"] == charge.values["charge_noise_1s_nC"]
    assert json.loads(json.dumps(charge.details).replace("nC", "nA")) == json.loads(json.dumps(current.details))


def test_the_stated_u_of_allan_deviations_is_right() -> None:
    """Over 300 traces of white noise, deviations scatter by what u says, at short and long averaging times."""
    rng = np.random.default_rng(2)
    points = [allan_deviation(rng.normal(0.0, 1.0, 200), 1.0, [1, 5, 20]) for _ in range(300)]
    for k in range(3):
        scatter = np.std([p[k].deviation for p in points])
        assert scatter == pytest.approx(np.mean([p[k].u for p in points]), rel=0.15)


def test_wander_is_told_from_noise() -> None:
    """A random walk of 0.05 nC per root second shows as wander and at long averaging times, not in a single reading."""
    t, q = untouched()
    walk = np.cumsum(np.random.default_rng(3).normal(0.0, 0.05 * math.sqrt(0.01), len(t)))
    check = zero(DAY, series(t, q + walk))
    assert check.details["wander_nC"] > 0.05
    assert check.details["noise_of_a_reading_nC"] == pytest.approx(0.1, rel=0.03)
    deviation = {p["averaging_s"]: p["deviation_nC"] for p in check.details["allan"]}
    assert deviation[5.0] == pytest.approx(0.05 * math.sqrt(5.0 / 3.0), rel=0.35)  # SP 1065: walk of the averages


@pytest.mark.parametrize("slope", [0.0, 0.003, -0.003])
def test_drift_has_an_honest_uncertainty(slope: float) -> None:
    """A slope is found with its sign, and none is found where there is none."""
    t, q = untouched(seed=5)
    check = zero(DAY, series(t, q + slope * t))
    assert abs(check.details["drift_nC_per_s"] - slope) < 3 * check.details["u_drift_nC_per_s"]
    assert ("drift" in codes(check)) is (slope != 0.0)


@pytest.mark.parametrize(
    ("mains_Hz", "rate_Hz", "seen_Hz"),
    [(50, 1000, 50), (50, 80, 30), (60, 80, 20), (50, 47, 3), (60, 50, 10), (50, 50, 0), (50, 10, 0), (60, 16.7, 6.8)],
)
def test_where_hum_folds_to(mains_Hz: float, rate_Hz: float, seen_Hz: float) -> None:
    """An oscillation faster than half the rate shows at its distance from the nearest multiple of the rate."""
    assert folded_Hz(mains_Hz, rate_Hz) == pytest.approx(seen_Hz)


@pytest.mark.parametrize("rate_Hz", [1000.0, 80.0, 47.0, 17.3])
@pytest.mark.parametrize(("mains_Hz", "true_Hz"), [(50.0, 50.03), (60.0, 59.95)])
def test_hum_is_found_at_any_rate(rate_Hz: float, mains_Hz: float, true_Hz: float) -> None:
    """Hum off its nominal frequency is found with its amplitude, at the right mains frequency, however it folds."""
    t, q = untouched(60.0, rate_Hz)
    hums = {h.mains_Hz: h for h in find_hum(t, q + 0.4 * np.sin(2 * np.pi * true_Hz * t + 1.0))}
    assert hums.pop(mains_Hz).amplitude == pytest.approx(0.4, rel=0.08)
    (other,) = hums.values()
    assert not other.found


def test_hum_that_folds_to_nothing_is_said_to_be_hidden() -> None:
    """At 10 readings a second both mains frequencies fold to 0 Hz: no amplitude is claimed and a flag says why."""
    t, q = untouched(60.0, 10.0)
    check = zero(DAY, series(t, q))
    assert all(h["hidden"] and h["amplitude_nC"] is None and not h["found"] for h in check.details["hum"])
    assert "hum-hidden" in codes(check)


def test_white_noise_has_no_hum() -> None:
    """In 200 traces of white noise at most one finds hum (one in ten thousand is expected for each frequency)."""
    false = sum(any(h.found for h in find_hum(*untouched(30.0, 37.0, seed))) for seed in range(200))
    assert false <= 1


@pytest.mark.parametrize(("amplitude", "flagged"), [(0.36, True), (0.24, False)])
def test_hum_is_flagged_against_the_noise(amplitude: float, flagged: bool) -> None:
    """Hum of more than three times the noise of a reading is flagged, less is only reported."""
    t, q = untouched()
    check = zero(DAY, series(t, q + amplitude * np.sin(2 * np.pi * 60.0 * t)))
    assert ("hum" in codes(check)) is flagged
    assert check.details["hum"][1]["found"]


def test_spikes_are_found_and_left_out() -> None:
    """Jumps of single readings are counted, timed and flagged, and change no other number much."""
    t, q = untouched()
    touched = q.copy()
    touched[[500, 3000, 9000]] += [5.0, -4.0, 3.0]
    calm, check = zero(DAY, series(t, q)), zero(DAY, series(t, touched))
    assert check.details["spikes"]["times_s"] == [t[500], t[3000], t[9000]]
    assert check.details["spikes"]["largest_nC"] == pytest.approx(5.0, abs=0.4)
    assert codes(check) - codes(calm) == {"spikes"}
    assert check.values["charge_noise_1s_nC"].value == pytest.approx(calm.values["charge_noise_1s_nC"].value, rel=0.05)


@pytest.mark.parametrize("seed", range(20))
def test_noise_has_no_spikes(seed: int) -> None:
    """White noise, alone or on hum, holds no spike."""
    t, q = untouched(60.0, 1000.0, seed)
    assert not len(find_spikes(q))
    assert not len(find_spikes(q + 0.5 * np.sin(2 * np.pi * 50.0 * t)))


def test_a_coarse_display_has_no_spikes() -> None:
    """Readings that stand on one step of a coarse display, and now and then on the next, are no spikes."""
    q = np.zeros(2000)
    q[::40] = 0.1
    assert not len(find_spikes(q))
    assert not len(find_spikes(np.zeros(100)))


@pytest.mark.parametrize("seconds", [0.0, 5.0])
def test_a_short_trace_is_refused(seconds: float) -> None:
    """Less than ten seconds tells nothing about noise at the length of a grind."""
    t, q = untouched(seconds) if seconds else (np.empty(0), np.empty(0))
    with pytest.raises(ValueError, match="10 s"):
        zero(DAY, series(t, q))


def test_a_trace_with_a_gap_is_refused() -> None:
    """A pause in the readings is named; nothing is made of the two halves."""
    t, q = untouched()
    with pytest.raises(ValueError, match=r"gap at 59\.99"):
        zero(DAY, series(np.where(t >= 60.0, t + 5.0, t), q))


def test_block_means_hold_whole_blocks() -> None:
    """Means are those of whole blocks, and a block without a reading is refused."""
    t = np.arange(0.0, 3.0, 0.1)
    np.testing.assert_allclose(block_means(t, t, 1.0), [0.45, 1.45, 2.45])
    np.testing.assert_allclose(block_means(t[:-1], t[:-1], 1.0), [0.45, 1.45])
    with pytest.raises(ValueError, match="no reading within 1 s"):
        block_means(np.array([0.0, 0.5, 2.5, 3.0, 3.5]), np.zeros(5), 1.0)


def decay(
    rng: np.random.Generator,
    tau_s: float,
    bias_nA: float,
    charge_nC: float = 100.0,
    seconds: float = 60.0,
    walk: float = 0.0,
) -> Series:
    """10 s of quiet, an injection at 12.5 s, a decay from 15 s on: dq/dt = I_b - q/τ in closed form, and noise."""
    t = np.arange(0.0, 15.0 + seconds, 0.05)
    rate = 1.0 / tau_s
    rest = bias_nA * tau_s if math.isfinite(tau_s) else 0.0

    def after(start: float, since: np.ndarray) -> np.ndarray:
        return rest + (start - rest) * np.exp(-rate * since) if rate else start + bias_nA * since

    q = after(0.0, t)
    q = np.where(t < 12.5, q, after(float(after(0.0, np.array(12.5))) + charge_nC, t - 12.5))
    noise = rng.normal(0.0, 0.05, len(t)) + np.cumsum(rng.normal(0.0, walk * math.sqrt(0.05), len(t)))
    return series(t, q + noise)


@pytest.mark.parametrize("walk", [0.0, 0.01], ids=["white", "wandering"])
@pytest.mark.parametrize("tau_s", [100.0, 1000.0, math.inf])
def test_leakage_covers_rate_and_bias(tau_s: float, walk: float) -> None:
    """1/τ and bias lie within their own U95 in at least 13 of 15 decays, from 100 s to no leakage at all."""
    rng = np.random.default_rng(9)
    held = np.zeros(2)
    for _ in range(15):
        bias_nA = rng.uniform(-0.05, 0.05)
        found = leakage(DAY, decay(rng, tau_s, bias_nA, rng.choice([-100.0, 100.0]), walk=walk), 10.0, 15.0).values
        rate, bias = found["leakage_rate_per_s"], found["bias_current_nA"]
        held += [abs(rate.value - 1 / tau_s) <= rate.U95, abs(bias.value - bias_nA) <= bias.U95]
        assert rate.value >= 0.0
    assert np.all(held >= 13), held


@pytest.mark.parametrize("tau_s", [30.0, 100.0])
def test_leakage_covers_however_much_decays(tau_s: float) -> None:
    """Five minutes of a fast decay on a wandering display: 1/τ and bias lie within U95 in at least 32 of 40."""
    rng = np.random.default_rng(12)
    held = np.zeros(2)
    for _ in range(40):
        bias_nA = rng.uniform(-0.05, 0.05)
        found = leakage(DAY, decay(rng, tau_s, bias_nA, seconds=300.0, walk=0.02), 10.0, 15.0).values
        rate, bias = found["leakage_rate_per_s"], found["bias_current_nA"]
        held += [abs(rate.value - 1 / tau_s) <= rate.U95, abs(bias.value - bias_nA) <= bias.U95]
    assert np.all(held >= 32), held


@pytest.mark.parametrize("walk", [0.0, 0.02, 0.1])
def test_a_zero_check_finds_the_random_walk(walk: float) -> None:
    """Of 60 minutes of drifting readings, nine in ten walks lie within 2.5 u; where there is none, near 0."""
    rng = np.random.default_rng(8)
    t = np.arange(0.0, 60.0, 1 / 32)
    close = 0
    for _ in range(60):
        q = rng.normal(0.0, 0.05, len(t)) + walk * np.cumsum(rng.normal(0.0, math.sqrt(1 / 32), len(t))) - 0.05 * t
        found = zero(DAY, series(t, q)).values["charge_walk_nC_per_root_s"]
        close += abs(found.value - walk) <= (2.5 * found.u if walk else 0.005)
    assert close >= 54


def test_noise_of_means_knows_no_drift() -> None:
    """White noise of means is found beside a steady drift, and not from fewer than six differences."""
    means = np.random.default_rng(3).normal(0.0, 0.02, 400) + 5.0 * np.arange(400.0)
    assert noise_of_means([means[:200], means[200:]]) == pytest.approx(0.02, rel=0.1)
    assert noise_of_means([means[:5], means[:4]]) is None


def test_leakage_words() -> None:
    """The answer says τ, the charge injected and how rate and bias hang together."""
    check = leakage(DAY, decay(np.random.default_rng(1), 300.0, 0.02), 10.0, 15.0)
    d = check.details
    assert d["leakage_time_constant_s"] == pytest.approx(300.0, rel=0.03)
    assert d["injected_charge_nC"] == pytest.approx(100.0, abs=3 * d["u_injected_charge_nC"] + 0.01)
    assert 0.9 < check.values["correlation_rate_bias"].value < 1.0
    assert codes(check) == set()
    json.dumps(check.as_json(), allow_nan=False)


@pytest.mark.parametrize(
    ("tau_s", "charge_nC", "code"),
    [(math.inf, 100.0, "leakage-not-resolved"), (300.0, 1.5, "leakage-poor")],
)
def test_leakage_flags(tau_s: float, charge_nC: float, code: str) -> None:
    """A bench that does not leak, and a charge too small to tell, are flagged and give a lower bound of τ."""
    check = leakage(DAY, decay(np.random.default_rng(2), tau_s, 0.0, charge_nC), 10.0, 15.0)
    assert code in codes(check)
    assert check.details["shortest_leakage_time_constant_s"] < tau_s
    assert ("leakage_time_constant_s" in check.details) is (code == "leakage-poor")


def test_leakage_refuses_broken_and_short_traces() -> None:
    """A gap, no readings, or no quiet stretch before the injection is refused."""
    whole = decay(np.random.default_rng(1), 300.0, 0.0)
    with pytest.raises(ValueError, match="no reading"):
        leakage(DAY, series(np.empty(0), np.empty(0)), 10.0, 15.0)
    with pytest.raises(ValueError, match="gap"):
        leakage(DAY, series(np.where(whole.time_s > 40, whole.time_s + 3, whole.time_s), whole.value), 10.0, 15.0)
    with pytest.raises(ValueError, match="before"):
        leakage(DAY, whole, 0.1, 15.0)

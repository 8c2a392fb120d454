"""The reduction as a whole: right on runs with known truth, indifferent to what must not matter, never raising."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from chargebench.processing.outcome import RESULT_UNITS, Outcome
from chargebench.processing.recipe import process
from chargebench.runs.run import Knowledge, Known, Mark, Run, Trace
from tests.processing.simulate import Bench, simulate, simulate_current

PLAIN = Bench(walk=0.005, seed=3)


def value(outcome: Outcome, key: str = "net_charge_nC") -> float:
    """A number of the result that must be there."""
    estimate = outcome.result[key]
    assert estimate is not None
    return estimate.value


def half_width(outcome: Outcome, key: str = "net_charge_nC") -> float:
    """Its expanded uncertainty."""
    estimate = outcome.result[key]
    assert estimate is not None
    return estimate.U95


def with_trace(run: Run, **changes: object) -> Run:
    """The run with its charge trace changed."""
    return replace(run, traces={**run.traces, "charge": replace(run.traces["charge"], **changes)})  # type: ignore[arg-type]


@pytest.mark.parametrize("charge_per_gram", [-200.0, -30.0, -6.0, 6.0, 30.0, 200.0])
@pytest.mark.parametrize("tau_s", [300.0, 3000.0, math.inf])
def test_clean_runs_come_within_one_percent(charge_per_gram: float, tau_s: float) -> None:
    """Charge-to-mass of a run above 5 nC/g with ordinary noise lies within 1 % of the truth."""
    run, truth = simulate(PLAIN, charge_per_gram=charge_per_gram, tau_s=tau_s, bias_nA=-0.03, correlated=0.03)
    assert value(process(run), "charge_to_mass_nC_per_g") == pytest.approx(truth.charge_to_mass, rel=0.01)


def test_every_key_is_there_and_json_has_no_infinity() -> None:
    """The JSON form holds every key of the result and only finite numbers."""
    run, _ = simulate(PLAIN)
    outcome = process(run)
    text = json.dumps(outcome.as_json(), allow_nan=False)
    assert list(json.loads(text)["result"]) == list(RESULT_UNITS)
    assert all(outcome.result[key] is not None for key in RESULT_UNITS)


def test_same_run_and_recipe_give_the_same_bits() -> None:
    """Two reductions of the same run agree to the last bit."""
    run, _ = simulate(PLAIN, mains=0.1, walk=0.02)
    assert json.dumps(process(run).as_json()) == json.dumps(process(run).as_json())


@settings(max_examples=8, deadline=None)
@given(offset=st.floats(-50, 50), seed=st.integers(0, 50))
def test_an_offset_does_not_matter(offset: float, seed: int) -> None:
    """Without leakage a constant added to every reading changes nothing."""
    run, _ = simulate(PLAIN, seed=seed, tau_s=math.inf, knowledge={"leakage_rate_per_s": Known(0.0, 1e-9)})
    moved = with_trace(run, value=run.traces["charge"].value + offset)
    assert value(process(moved)) == pytest.approx(value(process(run)), abs=0.05 * half_width(process(run)))


@settings(max_examples=8, deadline=None)
@given(shift_s=st.floats(-1e5, 1e5), seed=st.integers(0, 50))
def test_the_origin_of_time_does_not_matter(shift_s: float, seed: int) -> None:
    """Every trace moved in time by the same amount gives the same net charge."""
    run, _ = simulate(PLAIN, seed=seed)
    moved = {k: replace(x, time_s=x.time_s + shift_s) for k, x in run.traces.items()}
    a, b = process(run), process(replace(run, traces=moved))
    assert value(b) == pytest.approx(value(a), abs=0.05 * half_width(a))


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 50), charge_per_gram=st.sampled_from([-30.0, 0.0, 5.0]))
def test_polarity_only_turns_the_sign(seed: int, charge_per_gram: float) -> None:
    """Readings with the other sign give the net charge with the other sign and the same uncertainty."""
    run, _ = simulate(PLAIN, seed=seed, charge_per_gram=charge_per_gram)
    a, b = process(run), process(with_trace(run, value=-run.traces["charge"].value))
    assert value(b) == pytest.approx(-value(a), abs=1e-6)
    assert half_width(b) == pytest.approx(half_width(a), rel=1e-6)
    assert value(b, "positive_charge_nC") == pytest.approx(-value(a, "negative_charge_nC"), abs=1e-6)


@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 1000))
def test_order_of_arrival_does_not_matter(seed: int) -> None:
    """Quiet readings that arrive in another order, stamps with them, give the same answer."""
    run, _ = simulate(PLAIN)
    source = run.traces["charge"]
    order = np.arange(len(source))
    np.random.default_rng(seed).shuffle(order[:600])
    mixed = Trace("charge", "charge", *(getattr(source, k)[order] for k in ("time_s", "value", "status")),
                  np.full(len(order), -1), source.device_ms[order], source.received_ns[order])  # fmt: skip
    assert value(process(replace(run, traces={**run.traces, "charge": mixed}))) == pytest.approx(value(process(run)))


@pytest.mark.parametrize("after_s", [8.0, 10.0, 12.0, 20.0, 30.0])
def test_where_the_reading_ends_does_not_matter(after_s: float) -> None:
    """A leaking cup gives the same net charge however long one goes on reading."""
    run, truth = simulate(PLAIN, tau_s=200.0, after_s=30.0)
    end = truth.end_s + after_s
    cut = {
        k: replace(x, **{n: getattr(x, n)[x.time_s < end] for n in
                         ("time_s", "value", "status", "sequence", "device_ms", "received_ns")})
        for k, x in run.traces.items()
    }  # fmt: skip
    outcome = process(replace(run, traces=cut))
    assert value(outcome) == pytest.approx(truth.net_charge, abs=half_width(outcome))


def test_uneven_sampling_uses_the_stamps() -> None:
    """Jittered stamps with every third reading missing give the truth within U95."""
    run, truth = simulate(PLAIN, jitter=1.0, tau_s=150.0)
    keep = np.arange(len(run.traces["charge"])) % 3 != 0
    names = ("time_s", "value", "status", "device_ms", "received_ns")
    thin = {n: getattr(run.traces["charge"], n)[keep] for n in names}
    outcome = process(with_trace(run, **thin, sequence=np.full(int(keep.sum()), -1)))
    assert value(outcome) == pytest.approx(truth.net_charge, abs=half_width(outcome))


@pytest.mark.parametrize("rate_Hz", [10.0, 64.0])
@pytest.mark.parametrize("ratio", [0.0, -30.0])
def test_readings_without_any_noise_are_reduced(rate_Hz: float, ratio: float) -> None:
    """A perfect bench gives the truth and a finite interval."""
    still = replace(PLAIN, white=0.0, walk=0.0, rate_Hz=rate_Hz)
    run, truth = simulate(still, charge_per_gram=ratio)
    outcome = process(run)
    assert value(outcome) == pytest.approx(truth.net_charge, abs=1e-5)
    assert half_width(outcome) < 1e-3


def test_current_readings_integrate_to_the_same_charge() -> None:
    """A current-reading instrument gives the truth that the charge-reading one gives."""
    bench = replace(PLAIN, tau_s=math.inf, white=0.02, walk=0.0, correlated=0.0)
    run, truth = simulate(bench)
    outcome = process(simulate_current(bench, white_nA=0.2)[0])
    assert value(outcome) == pytest.approx(truth.net_charge, abs=half_width(outcome))
    assert value(outcome) == pytest.approx(value(process(run)), abs=half_width(outcome) + half_width(process(run)))
    assert outcome.result["leakage_time_constant_s"] is None


def test_pure_noise_has_no_positive_and_no_negative_charge() -> None:
    """Readings of noise alone deposit neither positive nor negative charge beyond U95."""
    for seed in range(12):
        outcome = process(simulate(PLAIN, charge_per_gram=0.0, seed=seed)[0])
        for key in ("positive_charge_nC", "negative_charge_nC"):
            assert abs(value(outcome, key)) <= 1.5 * half_width(outcome, key)


@pytest.mark.parametrize("charge_per_gram", [0.0, -10.0])
def test_charge_of_both_signs_is_told_apart(charge_per_gram: float) -> None:
    """A grind that first brings one sign, then the other, shows both parts."""
    run, truth = simulate(PLAIN, charge_per_gram=charge_per_gram, bipolar=40.0, tau_s=math.inf)
    outcome = process(run)
    assert value(outcome, "positive_charge_nC") == pytest.approx(truth.positive, rel=0.01)
    assert value(outcome, "negative_charge_nC") == pytest.approx(truth.negative, rel=0.01)


@pytest.mark.parametrize("grind_s", [3.0, 12.0, 30.0])
@pytest.mark.parametrize("white", [0.005, 0.05])
def test_intervals_of_both_parts_hold_the_truth(white: float, grind_s: float) -> None:
    """However fast and noisy a grind of both signs is, at least 22 of 24 parts lie within U95, and u is small."""
    held = 0
    for seed in range(12):
        run, truth = simulate(Bench(-10.0, grind_s=grind_s, white=white, bipolar=60.0, seed=seed))
        outcome = process(run)
        for key, true in (("positive_charge_nC", truth.positive), ("negative_charge_nC", truth.negative)):
            held += abs(value(outcome, key) - true) <= half_width(outcome, key)
            assert half_width(outcome, key) < 0.015 * abs(true)
    assert held >= 22


def test_parts_have_the_sources_of_the_net_charge() -> None:
    """Gain, floor and the ioniser's background enter both parts as they enter the net charge, and the parts add up."""
    known = {
        "gain": Known(1.02, 0.02, 30.0), "net_charge_floor_nC": Known(0.0, 2.0, 5.0),
        "ioniser_background_nC": Known(30.0, 0.5, 4.0),
    }  # fmt: skip
    outcome = process(simulate(PLAIN, bipolar=60.0, knowledge=known, tags={"treatment": "ionised"})[0])
    parts = [outcome.result[key] for key in ("positive_charge_nC", "negative_charge_nC")]
    assert sum(part.value for part in parts) == pytest.approx(value(outcome), rel=1e-9)
    assert min(part.u for part in parts) > 2.0
    steady = process(simulate(PLAIN, knowledge={"gain": Known(1.0, 0.01, 30.0)})[0])
    assert half_width(steady, "negative_charge_nC") == pytest.approx(half_width(steady), rel=0.01)


@pytest.mark.parametrize("background_nC", [2.0, -2.0])
def test_ions_make_no_charge_of_a_sign_that_is_not_there(background_nC: float) -> None:
    """Of a grind of one sign the ioniser's background leaves one sign, and both parts know how unsure it is."""
    known = {"ioniser_background_nC": Known(background_nC, 0.3)}
    outcome = process(simulate(PLAIN, knowledge=known, tags={"treatment": "ionised"})[0])
    assert abs(value(outcome, "positive_charge_nC")) <= half_width(outcome, "positive_charge_nC")
    assert value(outcome, "negative_charge_nC") == pytest.approx(value(outcome), abs=0.1)
    assert min(outcome.result[key].u for key in ("positive_charge_nC", "negative_charge_nC")) >= 0.3


@pytest.mark.parametrize(
    ("known", "flag", "u_nC"),
    [
        ({"gain": Known(10.0, 0.0), "charge_walk_nC_per_root_s": Known(0.1, 0.01)}, "wander-floor", 10 * 0.1 * 3.57),
        ({"gain": Known(10.0, 0.0), "net_charge_floor_nC": Known(0.0, 5.0)}, "noise-floor", 5.0),
        ({"charge_walk_nC_per_root_s": Known(0.1, 0.01), "net_charge_floor_nC": Known(0.0, 1.0)}, "noise-floor", 1.0),
    ],
    ids=["displayed wander times the gain", "true spread as it is", "the higher of two"],
)
def test_the_highest_floor_stands_in_true_charge(known: dict[str, Known], flag: str, u_nC: float) -> None:
    """A floor is compared with u in true charge, the highest is u, and only that one is flagged."""
    outcome = process(simulate(PLAIN, knowledge=known)[0])
    assert outcome.result["net_charge_nC"].u == pytest.approx(u_nC, rel=0.02)
    assert [f.code for f in outcome.flags if f.code.endswith("-floor")] == [flag]


def test_both_weighings_enter_the_budget_with_their_sign() -> None:
    """Tare, full reading and drift stand in the budget with what was weighed; a heavier tare is less coffee."""
    run, _ = simulate(PLAIN)
    mass = run.traces["mass"]
    drifting = replace(mass, value=mass.value + 0.003 * mass.time_s)
    outcome = process(replace(run, traces={**run.traces, "mass": drifting}))
    terms = {term.name: term for term in outcome.budget}
    slope = value(outcome, "charge_to_mass_nC_per_g") / value(outcome, "collected_mass_g")
    assert terms["tare reading"].sensitivity == pytest.approx(slope)
    assert terms["full reading"].sensitivity == pytest.approx(-slope)
    weighed = terms["full reading"].value - terms["tare reading"].value - terms["scale drift"].value
    assert weighed == pytest.approx(value(outcome, "collected_mass_g"))


@pytest.mark.parametrize(
    ("known", "u_water_g"),
    [({}, 0.05 * 0.44), ({"spray_g": Known(0.11, 0.002), "spray_sd_g": Known(0.006, 0.001)}, math.hypot(0.012, 0.008))],
    ids=["judged", "sprayer checked"],
)
def test_the_dry_basis_carries_the_water(known: dict[str, Known], u_water_g: float) -> None:
    """Per gram of dry coffee is more by the water's share, and less sure by its u: of four sprays, or judged."""
    scale = {"scale_resolution_g": Known(0.01, 0.0)}
    tags = {"dose_g": 18.0, "water_g": 0.44, "treatment": "misted"}
    outcome = process(simulate(PLAIN, knowledge={**scale, **known}, tags=tags)[0])
    wet, dry = (outcome.result[f"charge_to_{basis}mass_nC_per_g"] for basis in ("", "dry_"))
    assert dry.value == pytest.approx(wet.value * 18.44 / 18.0)
    u_dose_g = 0.01 / math.sqrt(12.0)
    parts = (wet.u * 18.44 / 18.0, wet.value * u_water_g / 18.0, wet.value * 0.44 / 18.0**2 * u_dose_g)
    assert dry.u == pytest.approx(math.hypot(*parts))


@pytest.mark.parametrize("rate_Hz", [0.5, 1.0, 2.0, 5.0])
def test_a_slow_instrument_with_a_checked_zero_is_reduced(rate_Hz: float) -> None:
    """Few readings a second leave the comparison with the zero check out, not the answer, and make up no other sign."""
    for seed in range(6):
        bench = Bench(-30.0, rate_Hz=rate_Hz, before_s=30.0, after_s=30.0, seed=seed)
        outcome = process(simulate(replace(bench, knowledge={"charge_noise_1s_nC": Known(0.05, 0.005)}))[0])
        assert abs(value(outcome) + 540.0) <= 1.5 * half_width(outcome)
        assert abs(value(outcome, "positive_charge_nC")) <= half_width(outcome, "positive_charge_nC")


def test_grind_time_is_free_of_the_scale_s_lag() -> None:
    """Grind time and throughput do not depend on how slowly the scale follows."""
    for lag_s in (0.0, 0.5, 1.2):
        outcome = process(simulate(PLAIN, scale_lag_s=lag_s, ramp_s=0.01)[0])
        assert value(outcome, "grind_time_s") == pytest.approx(12.0, abs=0.5)
        assert value(outcome, "throughput_g_per_s") == pytest.approx(1.5, rel=0.05)
        assert outcome.details["scale_lag_s"] == pytest.approx(lag_s, abs=0.25)


def test_equal_mass_steps_add_up_to_the_net_charge() -> None:
    """The steps of charge per gram, each over its equal mass, sum to the net charge."""
    outcome = process(simulate(PLAIN)[0])
    steps = outcome.curves["charge_by_mass"]
    assert np.sum(steps["charge_nC"]) == pytest.approx(value(outcome), rel=0.01)
    assert steps["charge_per_gram_nC_per_g"][2:-2] == pytest.approx(np.full(6, -30.0), rel=0.1)


def test_a_cup_weighed_by_hand_needs_no_scale() -> None:
    """Hand weighings stand in for a scale on a port."""
    known = {"scale_repeatability_g": Known(0.01, 0.0), "scale_resolution_g": Known(0.01, 0.0)}
    tags = {"mass_before_g": 152.317, "mass_after_g": 170.317}
    outcome = process(simulate(PLAIN, scale_Hz=0.0, tags=tags, knowledge=known)[0])
    assert value(outcome, "collected_mass_g") == pytest.approx(18.0)
    mass = outcome.result["collected_mass_g"]
    assert mass is not None
    assert mass.u == pytest.approx(math.hypot(math.sqrt(2) * 0.01, math.sqrt(2) * 0.01 / math.sqrt(12)), rel=1e-9)
    assert value(outcome, "charge_to_mass_nC_per_g") == pytest.approx(-30.0, rel=0.01)
    assert outcome.result["grind_time_s"] is None


@pytest.mark.parametrize("changes", [{"scale_Hz": 0.0}, {"after_s": 0.3}, {"before_s": 0.2}])
def test_what_cannot_be_had_is_null_and_a_flag_says_why(changes: dict[str, float]) -> None:
    """A run that cannot give charge-to-mass says so with a flag of its own."""
    outcome = process(simulate(PLAIN, **changes)[0])
    assert outcome.result["charge_to_mass_nC_per_g"] is None
    assert {f.code for f in outcome.flags} & {"no-mass", "no-quiet-after", "no-quiet-before"}


def test_shared_knowledge_is_named_in_the_budget() -> None:
    """Gain and leakage from bench checks stand in the budget as shared; shares add up to one."""
    known = {"gain": Known(1.02, 0.005), "leakage_rate_per_s": Known(1 / 600, 2e-5)}
    outcome = process(simulate(PLAIN, knowledge=known)[0])
    assert {"gain", "leakage"} <= {term.shared for term in outcome.budget}
    assert sum(term.share for term in outcome.budget) == pytest.approx(1.0, abs=1e-9)
    assert value(outcome) == pytest.approx(1.02 * -540.0, rel=0.002)


def test_null_grinds_set_a_floor() -> None:
    """The uncertainty of net charge is never below the spread of null grinds."""
    outcome = process(simulate(PLAIN, knowledge={"net_charge_floor_nC": Known(0.0, 2.0, 9.0)})[0])
    net = outcome.result["net_charge_nC"]
    assert net is not None
    assert net.u == pytest.approx(2.0, rel=1e-6)
    assert "noise-floor" in {f.code for f in outcome.flags}


def test_ioniser_background_is_subtracted_only_where_it_was_on() -> None:
    """An ionised run loses the background of null grinds, a dry one keeps its charge."""
    known = {"ioniser_background_nC": Known(7.0, 0.3)}
    dry = process(simulate(PLAIN, knowledge=known)[0])
    ionised = process(simulate(PLAIN, knowledge=known, tags={"treatment": "ionised"})[0])
    assert value(ionised) == pytest.approx(value(dry) - 7.0)


def test_of_the_ions_the_mean_is_common_and_the_spread_each_run_s_own() -> None:
    """Of a background from n null grinds s/sqrt(n) is shared, s the run's own, both with n - 1 degrees of freedom."""
    spread_nC, n = 4.0, 3
    known = {"ioniser_background_nC": Known(7.0, spread_nC * math.sqrt(1 + 1 / n), n - 1.0, "a check")}
    outcome = process(simulate(PLAIN, white=1e-4, knowledge=known, tags={"treatment": "ionised"})[0])
    terms = [term for term in outcome.budget if term.name.startswith("ioniser")]
    assert [(term.shared, term.dof) for term in terms] == [("ioniser", n - 1), ("", n - 1)]
    assert [term.u for term in terms] == pytest.approx([spread_nC / math.sqrt(n), spread_nC])
    net = outcome.result["net_charge_nC"]
    assert net is not None
    assert net.u == pytest.approx(spread_nC * math.sqrt(1 + 1 / n), rel=0.01)
    assert net.dof == pytest.approx(n - 1, rel=0.05)
    told = outcome.details["ioniser_background"]
    assert told["charge_nC"] == 7.0
    assert told["source"] == "a check"
    assert (told["u_nC"], told["u_run_nC"], told["dof"]) == pytest.approx((spread_nC / math.sqrt(n), spread_nC, n - 1))


def test_nothing_is_taken_off_a_null_grind() -> None:
    """A null grind shows what the ions bring, whatever an earlier check says of it."""
    known = {"ioniser_background_nC": Known(7.0, 0.3, 4.0)}
    tags = {"treatment": "ionised", "purpose": "blank"}
    alone, checked = (
        process(simulate(PLAIN, charge_per_gram=0.0, scale_Hz=0.0, knowledge=k, tags=tags)[0]) for k in ({}, known)
    )
    assert value(checked) == pytest.approx(value(alone))
    assert "ioniser_background" not in checked.details


@pytest.mark.parametrize("background_nC", [60.0, -60.0])
def test_ions_go_off_the_part_in_whose_time_they_come(background_nC: float) -> None:
    """Ions that come evenly go off each part by its share of the grind's time, whichever sign they have."""
    tags = {"treatment": "ionised"}
    bench = replace(PLAIN, bipolar=60.0, ramp_s=0.01, charge_per_gram=0.0)
    plain, corrected = (
        process(simulate(bench, knowledge=known, tags=tags)[0])
        for known in ({}, {"ioniser_background_nC": Known(background_nC, 0.3, 4.0)})
    )
    for key in ("positive_charge_nC", "negative_charge_nC"):
        assert value(plain, key) - value(corrected, key) == pytest.approx(background_nC / 2, abs=4.0)


def test_a_neutralised_run_takes_its_leakage_from_the_bench() -> None:
    """A bench check narrows the answer of a run that says nothing of leakage itself."""
    bench = replace(PLAIN, charge_per_gram=0.0, bipolar=60.0, tau_s=200.0)
    alone = process(simulate(bench)[0])
    helped = process(simulate(replace(bench, knowledge={"leakage_rate_per_s": Known(1 / 200, 1e-5)}))[0])
    assert half_width(helped) < 0.7 * half_width(alone)
    assert abs(value(helped)) <= half_width(helped)


VALUES = st.one_of(st.floats(-1e4, 1e4), st.sampled_from([math.nan, math.inf, 0.0, 1e300, -1e13]))


@st.composite
def traces(draw: st.DrawFn, channel: str) -> Trace:
    """A trace that could have been loaded, however odd."""
    n = draw(st.integers(0, 60))
    time_s = draw(hnp.arrays(float, n, elements=st.one_of(st.floats(0, 60), VALUES)))
    reading = draw(hnp.arrays(float, n, elements=VALUES))
    status = draw(hnp.arrays(np.int64, n, elements=st.integers(0, 63)))
    return Trace(channel, channel, time_s, reading, status, np.arange(n), np.full(n, -1), np.zeros(n, dtype=np.int64))


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(
    st.lists(st.sampled_from(["charge", "current", "mass"]), unique=True).flatmap(
        lambda names: st.tuples(*(traces(name) for name in names))
    ),
    st.sampled_from([{}, {"dose_g": 18.0}, {"purpose": "blank"}, {"mass_before_g": 1.0, "mass_after_g": 0.5}]),
)
def test_nothing_that_can_be_loaded_raises(found: tuple[Trace, ...], tags: dict[str, str | float]) -> None:
    """Whatever the arrays hold, there is an outcome with every key and finite JSON."""
    run = Run("20260314T091500Z-7f3a2c", "2026-03-14T09:15:00Z", tags, {x.channel: x for x in found}, recovered=True)
    json.dumps(process(run).as_json(), allow_nan=False)


ODD = st.sampled_from([0.0, -0.0, 1.0, -1.0, 1e-3, 18.0, 5e-324, 1e-308, 1e15, 1e100, 1e308, math.nan, math.inf])
TAGS = ["dose_g", "water_uL_per_g", "humidity_percent", "mass_before_g", "mass_after_g", "particle_diameter_um", "x"]
KNOWN = [
    "gain", "leakage_rate_per_s", "bias_current_nA", "charge_offset_nC", "net_charge_floor_nC", "scale_gain",
    "ioniser_background_nC", "scale_resolution_g", "scale_repeatability_g", "scale_linearity_g", "detection_limit_nC",
]  # fmt: skip
SOUND = simulate(PLAIN)[0]


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.dictionaries(st.sampled_from(TAGS), st.one_of(ODD, st.sampled_from(["", "\ud800", "many"])), max_size=3),
    st.dictionaries(st.sampled_from(KNOWN), st.builds(Known, ODD, ODD, ODD, until=st.just("nope")), max_size=2),
    st.lists(st.builds(Mark, ODD, st.just("state"), st.sampled_from(["armed", "grinding", "done", ""])), max_size=3),
    st.sampled_from([1.0, 1e-300, 1e9, 1e12, 1e305]),
    st.sampled_from([1.0, 1e-9, 0.0, 1e10, 1e306]),
)
def test_odd_numbers_are_refused_in_words(
    tags: dict[str, str | float], known: dict[str, Known], marks: list[Mark], larger: float, slower: float
) -> None:
    """Absurd tags, knowledge, marks, readings and times give an outcome with its grounds, never an error."""
    x = SOUND.traces["charge"]
    run = replace(SOUND, tags={**SOUND.tags, **tags}, knowledge=Knowledge(known), marks=tuple(marks))
    outcome = process(with_trace(run, value=x.value * larger, time_s=x.time_s * slower))
    text = json.dumps(outcome.as_json(), allow_nan=False)
    assert json.loads(text)["provenance"]["raw_sha256"]
    assert outcome.result["net_charge_nC"] is not None or outcome.worst == "reject"


@pytest.mark.parametrize(
    ("tags", "known", "words"),
    [
        ({"block": math.nan}, {}, "tag block is nan"),
        ({}, {"gain": Known(1e18, 0.001)}, "gain is said to be 1e+18"),
        ({}, {"scale_gain": Known(1.0, -math.inf)}, "scale_gain is said to be 1 with u = -inf"),
        ({}, {"gain": Known(1.0, 0.1, math.nan)}, "nan degrees of freedom"),
    ],
)
def test_what_is_no_measurement_is_named(tags: dict[str, float], known: dict[str, Known], words: str) -> None:
    """A tag or an entry of knowledge that nobody can have measured rejects the run in a sentence that names it."""
    outcome = process(replace(SOUND, tags={**SOUND.tags, **tags}, knowledge=Knowledge(known)))
    (flag,) = outcome.flags
    assert (flag.code, flag.severity) == ("not-reducible", "reject")
    assert words in flag.text


def test_a_stray_time_beyond_belief_is_set_aside() -> None:
    """Two stamps at either end of what a number holds are left out; the answer stays."""
    time_s = SOUND.traces["charge"].time_s.copy()
    time_s[[100, 101]] = [-1.7e308, 1.7e308]
    net = process(with_trace(SOUND, time_s=time_s)).result["net_charge_nC"]
    assert net is not None
    assert net.value == pytest.approx(value(process(SOUND)), abs=net.U95)

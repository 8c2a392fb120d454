"""Every flag is raised by a run that has the fault and not by one just inside the threshold."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from chargebench.processing.flags import TABLE, raised
from chargebench.processing.recipe import Recipe, process
from chargebench.runs.run import Known, Mark, Run
from tests.processing.simulate import Bench, simulate

NAMES = ("time_s", "value", "status", "sequence", "device_ms", "received_ns")
PLAIN = Bench(walk=0.003, seed=8, rate_Hz=64.0, mass_g=18.0)
Make = Callable[[], Run]


def made(**changes: object) -> Run:
    """A plain run with changes."""
    return simulate(PLAIN, **changes)[0]


def changed(run: Run, channel: str = "charge", **arrays: object) -> Run:
    """The run with arrays of one trace replaced."""
    return replace(run, traces={**run.traces, channel: replace(run.traces[channel], **arrays)})  # type: ignore[arg-type]


def kept(run: Run, keep: np.ndarray, channel: str = "charge") -> Run:
    """The run with some lines of one trace left out."""
    return changed(run, channel, **{n: getattr(run.traces[channel], n)[keep] for n in NAMES})


def without(start_s: float, end_s: float) -> Run:
    """Lines lost between two times."""
    run = made()
    t = run.traces["charge"].time_s
    return kept(run, (t < start_s) | (t > end_s))


def told(status: int, start_s: float, end_s: float) -> Run:
    """A status said between two times."""
    run = made()
    x = run.traces["charge"]
    return changed(run, status=np.where((x.time_s >= start_s) & (x.time_s <= end_s), status, 0))


def scale_anew(at_s: float) -> Run:
    """A scale of which one reading says that it started anew."""
    run = made()
    x = run.traces["mass"]
    first = int(np.searchsorted(x.time_s, at_s))
    return changed(run, "mass", status=np.where(np.arange(len(x)) == first, 66, 0))


def added(size: float, start_s: float, end_s: float, channel: str = "charge", **bench: object) -> Run:
    """Something added to the readings between two times."""
    run = made(**bench)
    x = run.traces[channel]
    return changed(run, channel, value=x.value + size * ((x.time_s >= start_s) & (x.time_s < end_s)))


def with_value(change: Callable[[np.ndarray], np.ndarray]) -> Run:
    """The run with other charge readings in place of its own."""
    run = made()
    return changed(run, value=change(run.traces["charge"].value))


def creeping(rate_per_s: float, start_s: float, end_s: float) -> Run:
    """A scale that creeps between two times."""
    run = made()
    x = run.traces["mass"]
    return changed(run, "mass", value=x.value + np.round(rate_per_s * np.clip(x.time_s - start_s, 0, end_s), 2))


def one_spike(size: float) -> Run:
    """One reading in the quiet stretch that stands out."""
    run = made(walk=0.0)
    value = run.traces["charge"].value.copy()
    value[300] += size
    return changed(run, value=value)


def emptied() -> Run:
    """A reset to zero in the middle of the grind."""
    run = made(tau_s=np.inf)
    x = run.traces["charge"]
    first = int(np.argmax(x.time_s >= 16.0))
    return changed(
        run,
        value=np.where(np.arange(len(x)) >= first, x.value - x.value[first], x.value),
        status=np.where(np.arange(len(x)) == first, 2, 0),
    )


def thinned(part: float) -> Run:
    """A part of the lines lost at random."""
    run = made()
    keep = np.random.default_rng(1).random(len(run.traces["charge"])) >= part
    return kept(run, keep)


def twice(again: bool) -> Run:
    """A line sent twice."""
    run = made()
    order = np.arange(len(run.traces["charge"]))
    return kept(run, np.sort(np.append(order, 40)) if again else order)


def jumped(by_s: float) -> Run:
    """Stamps that jump forward while no line is lost."""
    run = made()
    x = run.traces["charge"]
    return changed(run, time_s=x.time_s + by_s * (x.time_s > 30.0))


def swapped(swap: bool) -> Run:
    """Two lines that arrive in the wrong order."""
    run = made()
    order = np.arange(len(run.traces["charge"]))
    if swap:
        order[[50, 51]] = order[[51, 50]]
    x = run.traces["charge"]
    return changed(run, **{n: getattr(x, n)[order] for n in NAMES if n != "sequence"})


def bent(curvature: float) -> Run:
    """A drift that bends."""
    run = made(tau_s=np.inf, charge_per_gram=0.0)
    x = run.traces["charge"]
    return changed(run, value=x.value + curvature * (x.time_s - 17.0) ** 2)


def checked(u_bias_nA: float) -> dict[str, Known]:
    """A bench check of leakage and bias current."""
    return {"leakage_rate_per_s": Known(1 / 600, 1e-6), "bias_current_nA": Known(0.02, u_bias_nA)}


def stepped(size: float, at_s: float, **bench: object) -> Run:
    """A charge that comes within no time and stays."""
    return added(size, at_s, np.inf, **bench)


def lost_all(at_s: float) -> Run:
    """An input that holds nothing from one reading to the next, and says nothing of it."""
    run = made(tau_s=np.inf)
    x = run.traces["charge"]
    held = x.value[np.argmax(x.time_s >= at_s)]
    return changed(run, value=np.where(x.time_s >= at_s, x.value - held, x.value))


def trickling(size_nC: float, for_s: float, **bench: object) -> Run:
    """Grounds without weight that fall after the rest, ever fewer."""
    run = made(**bench)
    x = run.traces["charge"]
    late = 1.0 - np.exp(-np.clip(x.time_s - 22.0, 0.0, None) / for_s)
    return changed(run, value=x.value + size_nC * late)


def coarser(step_nC: float) -> Run:
    """A range that changes in mid-grind."""
    run = made()
    x = run.traces["charge"]
    steps = np.where(x.time_s < 16.0, 0.01, step_nC)
    return changed(run, value=np.round(x.value / steps) * steps)


def waving(amplitude_nC: float) -> Run:
    """A zero that waves with 20 s."""
    run = made(before_s=30.0, after_s=30.0, walk=0.0)
    x = run.traces["charge"]
    return changed(run, value=x.value + amplitude_nC * np.sin(2.0 * np.pi * x.time_s / 20.0))


def crept(size_g: float) -> Run:
    """A scale that creeps under its load."""
    run = made(after_s=20.0)
    x = run.traces["mass"]
    return changed(
        run, "mass", value=np.round(x.value + size_g * -np.expm1(-np.clip(x.time_s - 16.0, 0.0, None) / 20.0), 2)
    )


WRONG = {"leakage_rate_per_s": Known(1 / 900, 5e-5)}
MARKS = (Mark(10.0, "state", "grinding"), Mark(22.0, "state", "settling"))
WEIGHED = {"mass_before_g": 152.3, "mass_after_g": 170.3}
FINE_SCALE = {"scale_resolution_g": Known(0.1, 0.0)}
SILENT = {"charge_per_gram": 0.0, "scale_Hz": 0.0}

CASES: dict[str, tuple[Make, Make]] = {
    "no-charge-readings": (lambda: replace(made(), traces={"mass": made().traces["mass"]}), made),
    "over-range-in-grind": (lambda: told(1, 15.0, 16.0), made),
    "over-range": (lambda: told(1, 3.0, 3.2), made),
    "reset-in-grind": (emptied, made),
    "reset": (lambda: told(2, 3.0, 3.01), made),
    "restarted": (lambda: told(66, 15.0, 15.01), lambda: told(66, -1.0, 0.001)),
    "scale-restarted": (lambda: scale_anew(15.0), lambda: scale_anew(0.0)),
    "gap-in-grind": (lambda: without(15.0, 15.6), lambda: without(15.0, 15.4)),
    "gap": (lambda: without(4.0, 4.6), lambda: without(4.0, 4.4)),
    "too-little-quiet-before": (lambda: made(before_s=3.8), lambda: made(before_s=5.5)),
    "too-little-quiet-after": (lambda: made(after_s=4.2), lambda: made(after_s=5.5)),
    "display-still": (lambda: with_value(lambda q: 0.0 * q - 4.0), lambda: made(**SILENT)),
    "display-coarse": (
        lambda: with_value(lambda q: 0.27 * np.round(q / 0.27)),
        lambda: with_value(lambda q: 0.26 * np.round(q / 0.26)),
    ),
    "no-quiet-before": (lambda: made(before_s=0.4), lambda: made(before_s=5.5)),
    "no-quiet-after": (lambda: made(after_s=0.4), lambda: made(after_s=5.5)),
    "not-quiet": (lambda: added(3.0, 4.0, 99.0), lambda: added(0.02, 4.0, 99.0)),
    "touched": (lambda: added(4.0, 4.0, 4.6), lambda: added(0.02, 4.0, 4.6)),
    "hum": (lambda: made(mains=0.034, white=0.05), lambda: made(mains=0.03, white=0.05)),
    "slow-hum": (
        lambda: made(rate_Hz=10.0, mains=0.15, mains_Hz=50.06, white=0.05),
        lambda: made(rate_Hz=10.0, mains=0.02, mains_Hz=50.06, white=0.05),
    ),
    "slow-wave": (lambda: waving(0.5), lambda: waving(0.0)),
    "late-grounds": (lambda: trickling(-3.0, 1.5, after_s=20.0), lambda: trickling(-0.02, 1.5, after_s=20.0)),
    "still-relaxing": (lambda: trickling(-30.0, 5.0), lambda: trickling(-0.02, 5.0)),
    "fell-to-start": (lambda: lost_all(16.0), lambda: lost_all(99.0)),
    "step-in-grind": (lambda: stepped(-120.0, 16.0), lambda: stepped(-20.0, 16.0)),
    "charge-without-mass": (lambda: stepped(6.0, 24.0), lambda: stepped(4.0, 24.0)),
    "range-changed": (lambda: coarser(0.4), lambda: coarser(0.1)),
    "check-contradicted": (
        lambda: made(tau_s=450.0, knowledge=WRONG),
        lambda: made(tau_s=900.0, knowledge=WRONG),
    ),
    "spikes": (lambda: one_spike(2.0), lambda: one_spike(0.1)),
    "lost-lines": (lambda: thinned(0.01), lambda: thinned(0.0005)),
    "lines-lost-in-grind": (lambda: without(15.0, 15.2), lambda: without(15.0, 15.05)),
    "repeated-lines": (lambda: twice(True), lambda: twice(False)),
    "clock-jump": (lambda: jumped(2.0), lambda: jumped(0.3)),
    "clock-backwards": (lambda: swapped(True), lambda: swapped(False)),
    "leakage-large": (lambda: made(tau_s=13.0), lambda: made(tau_s=20.0)),
    "drift-share-large": (lambda: made(knowledge=checked(8e-4)), lambda: made(knowledge=checked(1e-4))),
    "curved-drift": (lambda: bent(0.01), lambda: bent(0.0025)),
    "grind-assumed": (lambda: made(**SILENT), lambda: replace(made(**SILENT), marks=MARKS)),
    "no-mass": (lambda: made(scale_Hz=0.0), made),
    "no-mass-collected": (lambda: made(mass_g=0.04), lambda: made(mass_g=0.06)),
    "weighing-missing": (
        lambda: made(tags={"mass_after_g": 170.3}),
        lambda: made(tags=WEIGHED, knowledge=FINE_SCALE),
    ),
    "weighings-swapped": (
        lambda: made(tags={"mass_before_g": 170.3, "mass_after_g": 170.2}, scale_Hz=0.0),
        lambda: made(tags={"mass_before_g": 170.3, "mass_after_g": 170.27}, scale_Hz=0.0),
    ),
    "weighings-disagree": (
        lambda: made(tags={**WEIGHED, "mass_after_g": 170.45}, knowledge=FINE_SCALE),
        lambda: made(tags={**WEIGHED, "mass_after_g": 170.4}, knowledge=FINE_SCALE),
    ),
    "mass-not-settled": (lambda: creeping(0.008, 25.0, 99.0), lambda: creeping(0.0015, 25.0, 99.0)),
    "scale-drifting": (lambda: creeping(0.0008, 0.0, 10.0), lambda: creeping(0.0004, 0.0, 10.0)),
    "scale-creeping": (lambda: crept(0.1), lambda: crept(0.0)),
    "scale-unstable": (lambda: made(scale_noise_g=0.08), lambda: made(scale_noise_g=0.03)),
    "mass-above-dose": (lambda: made(tags={"dose_g": 17.0}), lambda: made(tags={"dose_g": 17.8})),
    "recovery-low": (lambda: made(tags={"dose_g": 20.5}), lambda: made(tags={"dose_g": 19.5})),
    "no-dose": (lambda: made(tags={"dose_g": "unknown"}), made),
    "above-breakdown": (
        lambda: made(charge_per_gram=330.0, tags={"particle_diameter_um": 500.0}),
        lambda: made(charge_per_gram=310.0, tags={"particle_diameter_um": 500.0}),
    ),
    "calibration-missing": (made, lambda: made(knowledge={"gain": Known(1.0, 0.01)})),
    "calibration-out-of-date": (
        lambda: made(knowledge={"gain": Known(1.0, 0.01, until="2026-03-13")}),
        lambda: made(knowledge={"gain": Known(1.0, 0.01, until="2026-03-14")}),
    ),
    "below-detection-limit": (
        lambda: made(knowledge={"detection_limit_nC": Known(550.0, 0.0)}),
        lambda: made(knowledge={"detection_limit_nC": Known(530.0, 0.0)}),
    ),
    "noise-floor": (
        lambda: made(knowledge={"net_charge_floor_nC": Known(0.0, 0.018)}),
        lambda: made(knowledge={"net_charge_floor_nC": Known(0.0, 0.0125)}),
    ),
    "nulls-of-other-length": (
        lambda: made(knowledge={"net_charge_floor_grind_s": Known(20.0, 0.1)}),
        lambda: made(knowledge={"net_charge_floor_grind_s": Known(17.0, 0.1)}),
    ),
    "ions-included": (
        lambda: made(tags={"treatment": "ionised"}),
        lambda: made(tags={"treatment": "ionised"}, knowledge={"ioniser_background_nC": Known(6.0, 0.5, 4.0)}),
    ),
    "wander-floor": (
        lambda: made(knowledge={"charge_walk_nC_per_root_s": Known(0.005, 0.001)}),
        lambda: made(knowledge={"charge_walk_nC_per_root_s": Known(0.003, 0.001)}),
    ),
    "wander-unknown": (
        lambda: made(knowledge={"charge_walk_span_s": Known(60.0, 0.0)}),
        lambda: made(knowledge={"charge_walk_span_s": Known(180.0, 0.0)}),
    ),
    "noisier-than-checked": (
        lambda: made(knowledge={"charge_noise_1s_nC": Known(0.002, 0.0002)}),
        lambda: made(knowledge={"charge_noise_1s_nC": Known(0.003, 0.0003)}),
    ),
    "leakage-unknown": (lambda: made(tau_s=np.inf), lambda: made(tau_s=300.0)),
    "cut-short": (
        lambda: replace(made(after_s=6.0), marks=(*MARKS[:1], Mark(28.0, "note", "stopped while grinding"))),
        lambda: replace(made(after_s=6.0), marks=(*MARKS, Mark(28.0, "note", "stopped while settling"))),
    ),
    "scale-not-stated": (
        lambda: made(scale_Hz=0.0, tags=WEIGHED),
        lambda: made(scale_Hz=0.0, tags=WEIGHED, knowledge={"scale_resolution_g": Known(0.01, 0.0)}),
    ),
    "recovered": (lambda: replace(made(), recovered=True), made),
    "not-reducible": (
        lambda: made(knowledge={"gain": Known(np.nan, 0.01)}),
        lambda: made(knowledge={"gain": Known(1.0, 0.01)}),
    ),
}


def codes(run: Run, recipe: Recipe | None = None) -> set[str]:
    """Codes of the flags of a run."""
    return {f.code for f in process(run, recipe or Recipe()).flags}


def test_every_flag_of_the_table_is_demonstrated() -> None:
    """The table of flags and the cases here name the same codes."""
    assert set(CASES) == set(TABLE)


@pytest.mark.parametrize("code", CASES)
def test_a_fault_raises_its_flag_and_its_absence_does_not(code: str) -> None:
    """The faulty run has the flag, with evidence and threshold; the sound one lacks it."""
    faulty, sound = CASES[code]
    flag = next((f for f in process(faulty()).flags if f.code == code), None)
    assert flag is not None
    assert flag.severity == TABLE[code].severity
    assert not TABLE[code].unit or {"found", "threshold", "unit"} <= set(flag.evidence)
    assert code not in codes(sound())


def test_a_recipe_moves_a_threshold() -> None:
    """A threshold set in a recipe stands in place of the table's."""
    run = made(tags={"dose_g": 20.5})
    assert "recovery-low" in codes(run)
    assert "recovery-low" not in codes(run, Recipe(thresholds={"recovery-low": 80.0}))


def test_charge_lost_to_a_reset_is_bounded() -> None:
    """What a reset in the grind costs lies within U95, which holds the bound that the flag states."""
    outcome = process(emptied())
    flag = next(f for f in outcome.flags if f.code == "reset-in-grind")
    net = outcome.result["net_charge_nC"]
    assert net is not None
    assert abs(net.value + 540.0) <= net.U95
    assert flag.evidence["lost_charge_bound_nC"] < net.U95
    assert "charge lost in the grind" in {term.name for term in outcome.budget}
    assert flag.evidence["lost_charge_bound_nC"] < 20.0
    assert outcome.worst == "reject"


@pytest.mark.parametrize("at_s", [0.5, 5.0, 9.9, 15.0, 22.2, 30.0])
def test_an_instrument_that_started_anew_leaves_no_answer(at_s: float) -> None:
    """A restart of electrometer or scale, anywhere in the run, leaves nothing per gram, whatever the thresholds."""
    lenient = Recipe(thresholds={"restarted": 99.0, "scale-restarted": 99.0})
    for run, missing in ((told(66, at_s, at_s + 0.009), "net_charge_nC"), (scale_anew(at_s), "collected_mass_g")):
        outcome = process(run, lenient)
        assert outcome.worst == "reject"
        assert outcome.result[missing] is None
        assert outcome.result["charge_to_mass_nC_per_g"] is None


@pytest.mark.parametrize(
    "fault", [lambda: added(4.0, 4.0, 4.6), lambda: added(3.0, 4.0, 99.0), lambda: told(2, 3.0, 3.01)]
)
def test_a_disturbed_quiet_stretch_keeps_the_answer(fault: Make) -> None:
    """A touched cable, a step or a reset in the quiet stretch leaves the net charge within U95 of the truth."""
    net = process(fault()).result["net_charge_nC"]
    assert net is not None
    assert net.value == pytest.approx(-540.0, abs=1.2 * net.U95)


def test_a_late_pour_belongs_to_the_grind() -> None:
    """Grounds that fall in seconds after the rest count, in charge and in mass."""
    run = made(after_s=20.0, tau_s=np.inf)
    q, m = run.traces["charge"], run.traces["mass"]
    run = changed(run, value=q.value - 60.0 * np.clip(q.time_s - 27.0, 0.0, 1.0))
    run = changed(run, "mass", value=np.round(m.value + 2.0 * np.clip(m.time_s - 27.2, 0.0, 1.0), 2))
    result = process(run).result
    net, mass = result["net_charge_nC"], result["collected_mass_g"]
    assert net is not None
    assert mass is not None
    assert net.value == pytest.approx(-600.0, abs=1.2 * net.U95)
    assert mass.value == pytest.approx(20.0, abs=0.03)


def test_raised_is_silent_inside_the_threshold() -> None:
    """A number at its threshold raises nothing, on either side."""
    assert raised("recovery-low", 90.0) == ()
    assert raised("hum", TABLE["hum"].threshold) == ()


def test_range_exceeded_to_the_end_leaves_no_charge() -> None:
    """Where the electrometer never came back into range nothing bounds the charge, and none is stated."""
    outcome = process(told(1, 15.0, 99.0))
    assert outcome.result["net_charge_nC"] is None
    assert outcome.result["charge_to_mass_nC_per_g"] is None
    assert outcome.result["positive_charge_nC"] is None
    assert outcome.worst == "reject"


def test_hand_weighings_without_a_scale_carry_the_recipe_s_readability() -> None:
    """Two weighings on an unknown scale have u = sqrt(2) d / sqrt(12) with d from the recipe."""
    mass = process(made(scale_Hz=0.0, tags=WEIGHED)).result["collected_mass_g"]
    assert mass is not None
    assert mass.u == pytest.approx(0.1 * np.sqrt(2 / 12))


def test_fine_decimals_do_not_make_a_scale_unstable() -> None:
    """A trace written with six decimals that scatters by 4 mg is as sound as one of whole hundredths."""
    assert not {"scale-unstable", "mass-not-settled"} & codes(made(scale_step_g=1e-6, scale_noise_g=0.004))


def test_an_ioniser_loosens_what_the_bench_check_says_of_the_bias() -> None:
    """Ions that add 60 pA to a bias known to 0.1 pA contradict the check in a dry run alone; both hold the truth."""
    knowledge = {"bias_current_nA": Known(-0.04, 1e-4), "leakage_rate_per_s": Known(1 / 600, 1e-6)}
    for seed in range(5):
        run, truth = simulate(PLAIN, seed=seed, knowledge=knowledge, tags={"treatment": "ionised"})
        for treatment in ("ionised", "dry"):
            outcome = process(replace(run, tags={**run.tags, "treatment": treatment}))
            net = outcome.result["net_charge_nC"]
            assert net is not None
            assert abs(net.value - truth.net_charge) <= net.U95
            assert ("check-contradicted" in {f.code for f in outcome.flags}) is (treatment == "dry")


def test_leakage_counts_against_what_the_cup_held() -> None:
    """Charge of both signs that cancels is no leakage problem for being near zero; a cup that leaks fast is one."""
    cancelling = made(charge_per_gram=0.0, bipolar=150.0, tau_s=40.0)
    outcome = process(cancelling)
    net = outcome.result["net_charge_nC"]
    assert net is not None
    assert abs(outcome.details["leakage_term_nC"]) > max(3.0 * net.u, 3.0 * abs(net.value))
    assert "leakage-large" not in {flag.code for flag in outcome.flags}
    assert "leakage-large" in codes(made(tau_s=13.0))


@pytest.mark.parametrize(
    ("before_s", "after_s", "stopped"), [(3.0, 12.0, False), (12.0, 3.0, False), (10.0, 10.0, True)]
)
def test_a_run_without_quiet_tells_no_constants(before_s: float, after_s: float, stopped: bool) -> None:
    """Less quiet than is wanted, or an end in the grind, neither gives leakage and bias nor contradicts their check."""
    marks = MARKS[:1] if stopped else ()
    alone = process(replace(made(before_s=before_s, after_s=after_s), marks=marks))
    assert alone.result["net_charge_nC"] is not None
    assert alone.result["bias_current_pA"] is None
    assert alone.result["leakage_time_constant_s"] is None
    assert "leakage-unknown" in {f.code for f in alone.flags}
    against = process(replace(made(before_s=before_s, after_s=after_s, tau_s=200.0, knowledge=WRONG), marks=marks))
    assert "check-contradicted" not in {f.code for f in against.flags}
    tau_s = against.result["leakage_time_constant_s"]
    assert tau_s is not None
    assert abs(tau_s.value - 900.0) < 100.0


@pytest.mark.parametrize(("marks", "short"), [(MARKS[:1], True), (MARKS, False)])
def test_a_recorder_that_died_in_the_grind_cut_the_run_short(marks: tuple[Mark, ...], short: bool) -> None:
    """Recovered after the grind had begun and before it had ended: said as when a person stops it there."""
    codes = {flag.code for flag in process(replace(made(after_s=6.0), marks=marks, recovered=True)).flags}
    assert ("cut-short" in codes) is short


def test_parts_of_the_charge_say_what_they_are() -> None:
    """The details name the parts as those of the net flow, with the time resolution."""
    words = str(process(made()).details["positive_and_negative_charge"])
    assert "net flow in steps of 0.1 s" in words
    assert "lower bound" in words

"""Finding the run: cases that a bench brings, one by one, and the rate over many drawn benches."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from chargebench.recording.assemble import Timed
from chargebench.recording.detect import Change, Detector
from chargebench.recording.measures import noise
from tests.recording.bench_model import Grind, readings


def detector(grind: Grind) -> Detector:
    """A detector with the usual quiet stretches."""
    return Detector(has_charge=True, has_mass=grind.scale, quiet_before_s=10.0, quiet_after_s=12.0)


def found(grind: Grind, extra: list[Timed] | None = None) -> list[Change]:
    """Changes of state up to the first done."""
    made = detector(grind)
    changes: list[Change] = []
    stream = list(readings(grind))
    if extra:
        stream = sorted(stream + extra, key=lambda reading: reading.time_s)
    for batch in batched(stream, 8):
        changes += made.feed(batch)
        if made.state == "done":
            break
    return changes


def batched(stream: list[Timed], size: int) -> Iterator[list[Timed]]:
    """As chunks bring them."""
    for first in range(0, len(stream), size):
        yield stream[first : first + size]


def states(changes: list[Change]) -> list[str]:
    """Their names."""
    return [change.state for change in changes]


def of(changes: list[Change], state: str) -> float:
    """Time of the last change to that state."""
    return next(change.time_s for change in reversed(changes) if change.state == state)


WHOLE = ["armed", "grinding", "settling", "done"]


@pytest.mark.parametrize(
    "grind",
    [
        Grind(),
        Grind(charge_to_mass_nC_per_g=0.0),
        Grind(charge_to_mass_nC_per_g=-200.0, tau_s=300.0),
        Grind(charge_to_mass_nC_per_g=2.0, noise_nC=0.5, slow_share=0.9),
        Grind(held_nC=-3500.0, tau_s=300.0, start_s=14.0),
        Grind(length_s=3.0, dose_g=5.0),
        Grind(length_s=40.0, dose_g=10.0, resolution_g=0.1, end_s=120.0),
        Grind(lag_s=2.5, resolution_g=0.1),
        Grind(hum_nC=2.0, spikes=(6.0, 17.5, 40.0)),
        Grind(scale=False),
        Grind(scale=False, charge_to_mass_nC_per_g=-15.0, noise_nC=0.3, length_s=12.0),
        Grind(scale=False, held_nC=2000.0, tau_s=400.0, spikes=(12.0,)),
    ],
    ids=lambda grind: f"{grind.charge_to_mass_nC_per_g:g}nC/g-{grind.length_s:g}s-{'scale' if grind.scale else 'none'}",
)
def test_a_grind_is_found_unaided(grind: Grind) -> None:
    """One grind, one run: start within two seconds before it and never after, end within the scale's lag after it."""
    changes = found(grind)
    assert states(changes)[:2] == WHOLE[:2]
    assert states(changes)[-1] == "done"
    assert states(changes).count("grinding") == 1
    assert grind.start_s - 2.5 <= of(changes, "grinding") <= grind.start_s + 0.2
    end_s = grind.start_s + grind.length_s
    assert end_s - 0.3 <= of(changes, "settling") <= end_s + 10.0
    assert of(changes, "done") - of(changes, "settling") >= 11.5
    assert of(changes, "grinding") - of(changes, "armed") >= 3.5


@pytest.mark.parametrize("seed", range(6))
def test_a_late_clump_belongs_to_the_run(seed: int) -> None:
    """Grounds that fall six seconds later are inside the grind, not in the quiet stretch after it."""
    grind = Grind(late_g=1.0, seed=seed, resolution_g=0.1 if seed % 2 else 0.01)
    changes = found(grind)
    assert states(changes)[-1] == "done"
    assert of(changes, "settling") >= grind.start_s + grind.length_s + 6.0


def test_touching_the_cable_starts_nothing_and_disarms_nothing() -> None:
    """A spike alone leaves the bench armed."""
    assert states(found(Grind(dose_g=0.0, spikes=(20.0, 31.3, 50.0)))) == ["armed"]


def test_handling_the_cup_is_no_grind() -> None:
    """Cup taken off, emptied and put back: back to waiting, and armed again once it is quiet."""
    grind = Grind(dose_g=0.0, end_s=80.0, seed=4)
    away = [Timed("mass", t, -210.0 + 0.01 * (round(t * 10) % 2), 0) for t in np.arange(25.0, 33.0, 0.2)]
    made = detector(grind)
    changes: list[Change] = []
    still = [r for r in readings(grind) if r.channel != "mass" or not 25.0 <= r.time_s <= 33.0]
    for reading in sorted(still + away, key=lambda r: r.time_s):
        changes += made.feed([reading])
    assert states(changes) == ["armed", "waiting", "armed"]


def test_taking_the_cup_too_early_ends_the_run_where_it_was() -> None:
    """A cup that leaves the scale while settling gives a run whose quiet stretch ends before that, in words."""
    grind = Grind(seed=2)
    gone_s = grind.start_s + grind.length_s + 8.0
    made = detector(grind)
    changes: list[Change] = []
    for reading in readings(grind):
        if reading.channel == "mass" and reading.time_s > gone_s:
            reading = reading._replace(value=-0.03)
        changes += made.feed([reading])
    assert states(changes)[:4] == WHOLE
    assert of(changes, "done") <= gone_s
    assert "moved" in changes[3].text


def test_a_grind_before_quiet_is_recorded_all_the_same() -> None:
    """Who grinds too early still gets a run; that it lacks its quiet stretch is for the flags to say."""
    changes = found(Grind(start_s=6.0))
    assert states(changes) == ["grinding", "settling", "done"]


def test_by_hand_both_ways() -> None:
    """Start and finish by hand hold where nothing can be measured, as for an empty grinder."""
    grind = Grind(dose_g=0.0, end_s=80.0)
    made = detector(grind)
    changes: list[Change] = []
    for reading in readings(grind):
        changes += made.feed([reading])
        if reading.time_s >= 20.0 and made.state == "armed" and "grinding" not in states(changes):
            changes += made.by_hand("start")
        if reading.time_s >= 30.0 and made.state == "grinding":
            changes += made.by_hand("finish")
    assert states(changes) == WHOLE
    assert of(changes, "grinding") == pytest.approx(20.0, abs=0.3)
    assert of(changes, "settling") == pytest.approx(30.0, abs=0.3)


def test_a_silent_scale_does_not_hide_a_grind() -> None:
    """A scale that the bench file names and nobody hears: charge alone tells."""
    grind = replace(Grind(), scale=False)
    made = Detector(has_charge=True, has_mass=True, quiet_before_s=10.0, quiet_after_s=12.0)
    changes: list[Change] = []
    for reading in readings(grind):
        changes += made.feed([reading])
        if made.state == "done":
            break
    assert states(changes) == WHOLE


def test_current_is_integrated() -> None:
    """A picoammeter's bench finds the run from the integral of its current."""
    grind = Grind(scale=False, tau_s=1e9, noise_nC=0.0, charge_to_mass_nC_per_g=40.0)
    rng = np.random.default_rng(1)
    charge = [(r.time_s, r.value) for r in readings(grind)]
    made = detector(grind)
    changes: list[Change] = []
    for (t0, q0), (t1, q1) in pairwise(charge):
        changes += made.feed([Timed("current", t1, (q1 - q0) / (t1 - t0) + rng.normal(0, 0.02), 0)])
        if made.state == "done":
            break
    assert states(changes) == WHOLE


def test_clocks_that_leap_start_over() -> None:
    """Time that runs away by an hour or backwards raises nothing and finds the next grind."""
    grind = Grind(seed=9)
    made = detector(grind)
    for offset_s in (0.0, 3600.0, -5000.0):
        changes: list[Change] = []
        for reading in readings(replace(grind, end_s=18.0)):
            made.feed([reading._replace(time_s=reading.time_s + offset_s)])
    for reading in readings(grind):
        changes += made.feed([reading._replace(time_s=reading.time_s + 9000.0)])
        if made.state == "done":
            break
    assert states(changes)[-1] == "done"


def drawn(seed: int, *, scale: bool = True) -> Grind:
    """A bench and a grind drawn from the ranges that a recorder must serve."""
    rng = np.random.default_rng(seed)
    start_s, length_s = float(rng.uniform(14, 30)), float(rng.uniform(3, 40))
    ratio = 0.0 if scale and rng.random() < 0.2 else float(rng.choice([-1, 1]) * rng.uniform(0 if scale else 20, 200))
    return Grind(
        start_s=start_s,
        length_s=length_s,
        end_s=start_s + length_s + 75.0,
        dose_g=float(rng.uniform(5, 25)),
        charge_to_mass_nC_per_g=ratio,
        tau_s=float(np.exp(rng.uniform(np.log(300), np.log(3000)))),
        bias_pA=float(rng.uniform(-50, 50)),
        noise_nC=float(np.exp(rng.uniform(np.log(0.02), np.log(0.5)))),
        slow_share=float(rng.uniform(0, 0.9)),
        slow_s=float(rng.uniform(0.5, 8)),
        hum_nC=float(rng.uniform(0, 1)),
        held_nC=float(rng.uniform(-2000, 2000)),
        lag_s=float(rng.uniform(0.1, 2)),
        resolution_g=float(rng.choice([0.001, 0.01, 0.1])),
        scale_noise_g=float(rng.uniform(0, 0.04)),
        spikes=tuple(rng.uniform(3, 60, rng.integers(0, 3))),
        scale=scale,
        seed=seed,
    )


def well_found(grind: Grind) -> bool:
    """Whether the run was found, with start and end where they were."""
    changes = found(grind)
    if not changes or changes[-1].state != "done" or changes[-1].text or "grinding" not in states(changes):
        return False
    end_s = grind.start_s + grind.length_s
    start = next(change.time_s for change in changes if change.state == "grinding")
    return grind.start_s - 3 <= start <= grind.start_s + 0.3 and end_s - 0.3 <= of(changes, "settling") <= end_s + 10


def test_49_of_50_drawn_benches_are_found() -> None:
    """Leakage 300–3000 s, bias ±50 pA, noise 0.02–0.5 nC, 0 to ±200 nC/g, grinds of 3–40 s, with a scale."""
    assert sum(well_found(drawn(seed)) for seed in range(50)) >= 49


def test_9_of_10_are_found_without_a_scale() -> None:
    """The same from 20 nC/g up where charge alone must tell."""
    assert sum(well_found(drawn(seed, scale=False)) for seed in range(30)) >= 27


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("scale", [True, False])
def test_thirty_quiet_minutes_start_nothing(seed: int, scale: bool) -> None:
    """Half an hour of noise, wander, leakage and a touched cable now and then: armed, and nothing more."""
    touched = tuple(np.random.default_rng(seed).uniform(30, 1800, 6))
    grind = replace(drawn(seed, scale=scale), dose_g=0.0, start_s=1e9, end_s=1800.0, spikes=touched)
    assert states(found(grind)) == ["armed"]


@pytest.mark.parametrize("grind", [Grind(), Grind(scale=False)], ids=["scale", "none"])
def test_quiet_is_counted_while_it_is_waited_for(grind: Grind) -> None:
    """Before and after a grind quiet grows to what is needed, never beyond; in other states nothing is counted."""
    made = detector(grind)
    counted: dict[str, list[tuple[float, float]]] = {}
    for batch in batched(list(readings(grind)), 8):
        made.feed(batch)
        if made.state == "done":
            break
        if made.quiet_so_far is not None:
            counted.setdefault(made.state, []).append(made.quiet_so_far)
    assert list(counted) == ["waiting", "settling"]
    for state, needed_s in (("waiting", 10.0), ("settling", 12.0)):
        quiet_s = [had for had, _ in counted[state]]
        assert {needed for _, needed in counted[state]} == {needed_s}
        assert quiet_s[0] <= 3.0
        assert quiet_s[-1] > needed_s - 2.0
        assert max(quiet_s) <= needed_s


def test_a_touch_begins_the_count_of_quiet_anew() -> None:
    """A cup that is lifted and put back takes the quiet there was."""
    grind = Grind(dose_g=0.0, end_s=40.0)
    lifted = [Timed("mass", t, -210.0, 0) for t in np.arange(7.0, 8.0, 0.2)]
    still = [r for r in readings(grind) if r.channel != "mass" or not 7.0 <= r.time_s < 8.0]
    made, counted = detector(grind), {}
    for reading in sorted(still + lifted, key=lambda r: r.time_s):
        made.feed([reading])
        if made.quiet_so_far is not None:
            counted[round(reading.time_s)] = made.quiet_so_far[0]
    assert counted[6] > 4.0
    assert counted[9] < 2.0
    assert counted[15] > 5.0


def test_neither_drift_nor_one_step_is_noise() -> None:
    """Noise of blocks is that about a drift, however fast, and one step adds nothing to it."""
    white = np.random.default_rng(3).normal(0.0, 0.5, 40)
    ramp, leap = 2.5 * np.arange(40), np.where(np.arange(40) > 20, 80.0, 0.0)
    for values in (white, white + ramp, white + leap, white - ramp + leap):
        assert noise(values) == pytest.approx(noise(white), rel=0.1)


def test_a_charge_that_runs_away_is_not_quiet() -> None:
    """A charge that comes in at 10 nC/s, far beyond what an empty cup leaks, is nothing to be ready with."""
    made = detector(Grind())
    changes: list[Change] = []
    for reading in readings(Grind(dose_g=0.0, end_s=60.0)):
        runs_away = reading.channel == "charge"
        changes += made.feed([reading._replace(value=10.0 * reading.time_s) if runs_away else reading])
    assert states(changes) == []

"""Where a run is quiet: a cup that leaks fast is, late pours and touches are not."""

from __future__ import annotations

import numpy as np
import pytest

from chargebench.processing.recipe import process
from chargebench.runs.run import Run
from tests.processing.simulate import Bench, simulate
from tests.processing.test_process import half_width, value, with_trace

WAITED_S = 60.0


def waited(tau_s: float, charge_per_gram: float = -50.0) -> tuple[Run, float]:
    """A run of 18 g with a minute of quiet on both sides, and its net charge."""
    bench = Bench(
        charge_per_gram=charge_per_gram, grind_s=10.0, before_s=WAITED_S, after_s=WAITED_S, tau_s=tau_s, rate_Hz=16.0,
        walk=0.005, seed=11,
    )  # fmt: skip
    run, truth = simulate(bench)
    return run, truth.net_charge


def disturbed(run: Run, size: float, start_s: float, end_s: float = np.inf) -> Run:
    """The run with something added to its charge for a while."""
    x = run.traces["charge"]
    return with_trace(run, value=x.value + size * ((x.time_s >= start_s) & (x.time_s < end_s)))


@pytest.mark.parametrize("tau_s", [60.0, 100.0, 300.0, np.inf])
@pytest.mark.parametrize("charge_per_gram", [-50.0, 0.0, 200.0])
def test_a_cup_that_leaks_is_quiet(tau_s: float, charge_per_gram: float) -> None:
    """However fast it empties, all but a second and a half of the minute after the grind is used, and rightly."""
    run, net_charge = waited(tau_s, charge_per_gram)
    outcome = process(run)
    assert outcome.details["quiet_after_s"] >= WAITED_S - 1.5
    assert value(outcome) == pytest.approx(net_charge, abs=half_width(outcome))


@pytest.mark.parametrize("off", [-4.0, 4.0])
def test_a_last_reading_alone_in_its_block_is_no_step(off: float) -> None:
    """One reading four standard deviations off, at the end of a run and of a block, disturbs nothing."""
    bench = Bench(rate_Hz=80.0, white=0.08, tau_s=1000.0, seed=3)
    run, _ = simulate(bench)
    x = run.traces["charge"]
    last = int(np.argmax(x.time_s > 30.0))  # blocks of a quarter of a second begin half a step before their first
    keep = {n: getattr(x, n)[: last + 1].copy() for n in ("time_s", "value", "status", "sequence", "device_ms")}
    keep["value"][-1] += off * bench.white
    outcome = process(with_trace(run, **keep, received_ns=x.received_ns[: last + 1]))
    assert not {flag.code for flag in outcome.flags} & {"not-quiet", "touched"}


@pytest.mark.parametrize("tau_s", [60.0, 300.0, np.inf])
def test_a_late_pour_ends_the_quiet_of_a_cup_that_leaks(tau_s: float) -> None:
    """What falls in without mass half a minute after the grind is no part of the run, and is said."""
    run, net_charge = waited(tau_s)
    outcome = process(disturbed(run, -5.0, WAITED_S + 45.0))
    assert "not-quiet" in {flag.code for flag in outcome.flags}
    assert outcome.details["quiet_after_s"] <= 36.0
    assert value(outcome) == pytest.approx(net_charge, abs=half_width(outcome))


@pytest.mark.parametrize("tau_s", [100.0, 300.0, np.inf])
def test_a_reset_after_the_grind_is_no_part_of_it(tau_s: float) -> None:
    """Emptied in the middle of the quiet, a cup leaks no more; what it leaked before was quiet all the same."""
    run, net_charge = waited(tau_s)
    x = run.traces["charge"]
    first = int(np.argmax(x.time_s >= WAITED_S + 30.0))
    since_s = x.time_s[first:] - x.time_s[first]
    shown, status = x.value.copy(), x.status.copy()
    shown[first:] -= x.value[first] * np.exp(-since_s / tau_s)
    status[first] = 2
    outcome = process(with_trace(run, value=shown, status=status))
    assert "reset-in-grind" not in {flag.code for flag in outcome.flags}
    assert outcome.details["quiet_after_s"] >= WAITED_S - 2.5
    assert value(outcome) == pytest.approx(net_charge, abs=half_width(outcome))


@pytest.mark.parametrize("tau_s", [60.0, 300.0, np.inf])
def test_a_touched_cable_is_left_out_of_a_cup_that_leaks(tau_s: float) -> None:
    """A disturbance that comes back costs its own seconds, not the rest of the stretch."""
    run, net_charge = waited(tau_s)
    outcome = process(disturbed(run, 4.0, WAITED_S + 40.0, WAITED_S + 40.6))
    assert "touched" in {flag.code for flag in outcome.flags}
    assert outcome.details["quiet_after_s"] >= WAITED_S - 4.0
    assert value(outcome) == pytest.approx(net_charge, abs=half_width(outcome))

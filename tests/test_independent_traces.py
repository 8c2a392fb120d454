"""Self-check of the independent traces: the cup against closed forms, the truth against what was put in."""

import ast
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests import independent_traces as traces
from tests.benchmarks import independent_cells as cells
from tests.independent_traces import Event, Setting

STILL = Setting(white_nC=0.0, scale_noise_g=0.0, vibration_g=0.0, resolution_g=0.0, bias_nA=0.0)
PLAIN = replace(STILL, before_s=0.0, edge_s=0.0, unsteady=0.0, after_s=70.0)


def held(setting, *times_s):
    """Charge on the cup at some times."""
    fall = traces.Fall(setting, *traces.course(setting, np.random.default_rng(setting.seed)))
    return traces.held_nC(setting, fall, np.array(times_s, dtype=float))


@pytest.mark.parametrize("module", [traces, cells])
def test_imports_nothing_of_the_program(module):
    """A yardstick shares no code with what it measures: standard library, numpy, and the yardstick's own parts."""
    found = set()
    for node in ast.walk(ast.parse(Path(module.__file__).read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            found.add(node.module)
    assert found <= {"__future__", "collections.abc", "dataclasses", "math", "numpy", "tests.independent_traces"}


def test_a_leaking_cup_shows_what_the_closed_form_says():
    """tau 300 s, bias 0.01 nC/s, -20 nC/s for 10 s: displays as equation dq/dt = i + I_b - q/tau solved in closed form.

    Source: that solution, rounded to 1e-6 nC, worked out apart from this simulator.
    """
    setting = replace(PLAIN, tau_s=300.0, bias_nA=0.01, grind_s=10.0, mass_g=20.0, charge_per_gram_nC=-10.0)
    shown = held(setting, 5.0, 10.0, 40.0, 70.0)
    assert shown == pytest.approx([-99.121691, -196.605045, -177.610114, -160.422789], abs=2e-6)
    assert traces.play(setting).truth.net_charge_nC == pytest.approx(-200.0, abs=1e-9)


@pytest.mark.parametrize(
    ("share", "seen"), [(0.02, 0.9901), (0.05, 0.9754), (0.1, 0.9516), (0.2, 0.9063), (0.5, 0.7869), (1.0, 0.6321)]
)
def test_leakage_takes_its_part_during_the_grind(share, seen):
    """After a steady grind of that share of tau the cup holds (1 - exp(-x))/x of the charge (closed form)."""
    setting = replace(PLAIN, tau_s=10.0 / share, grind_s=10.0, mass_g=1.0, charge_per_gram_nC=1.0)
    assert held(setting, 10.0)[0] == pytest.approx(seen, abs=6e-5)


@pytest.mark.parametrize("tau_s", [20.0, 400.0, math.inf])
def test_a_charge_put_on_at_once_decays_from_there(tau_s):
    """A step shows wholly in the next reading and then decays with tau; a zero leaves nothing."""
    quiet = replace(STILL, charge_per_gram_nC=0.0, tau_s=tau_s, before_s=30.0)
    stepped = replace(quiet, events=(Event("step", 10.0, 50.0),))
    assert held(stepped, 9.9999, 10.0, 25.0) == pytest.approx([0.0, 50.0, 50.0 * math.exp(-15.0 / tau_s)], abs=1e-2)
    zeroed = replace(stepped, events=(*stepped.events, Event("zero", 20.0)))
    assert held(zeroed, 19.9999, 20.0, 25.0) == pytest.approx([50.0 * math.exp(-10.0 / tau_s), 0, 0], abs=1e-2)


@pytest.mark.parametrize("changes", [{}, {"late_share": 0.04, "late_kind": "dribble"}, {"late_share": 0.02}])
@pytest.mark.parametrize("factor", [1.0, 1.8])
def test_the_truth_is_what_the_grounds_carried_in(changes, factor):
    """Displayed charge corrected by equation (2) gives the stated charge, late grounds among it; the scale its mass."""
    s = replace(STILL, tau_s=200.0, bias_nA=-0.05, start_nC=4.0, bipolar_nC=60.0, late_factor=factor, **changes)
    made, t = traces.play(s), np.arange(0.0, 42.0, 0.002)
    q = held(s, *t)
    net = q[-1] - q[0] + np.sum(0.5 * (q[1:] + q[:-1])) * 0.002 / s.tau_s - s.bias_nA * t[-1]
    assert made.truth.net_charge_nC == pytest.approx(net, abs=1e-3)
    share = changes.get("late_share", 0.0)
    expected = -30.0 * 18.0 * (1.0 - share + factor * share)
    assert made.truth.net_charge_nC == pytest.approx(expected, abs=1e-9)
    assert made.truth.mass_g == pytest.approx(18.0)
    assert made.mass_g[-1] - made.mass_g[0] == pytest.approx(18.0, abs=1e-3)


@pytest.mark.parametrize("event", [Event("pulse", 29.0, 30.0, 1.0), Event("step", 29.0, 30.0), Event("zero", 20.0)])
def test_what_moves_without_grounds_is_no_truth(event):
    """Touches, steps and discharges change what is shown, not what was deposited."""
    calm, moved = traces.play(STILL), traces.play(replace(STILL, events=(event,)))
    assert moved.truth == calm.truth
    assert np.max(np.abs(moved.charge_nC - calm.charge_nC)) > 20.0


@pytest.mark.parametrize(
    ("changes", "sd"),
    [
        ({"white_nC": 0.3}, 0.3),
        ({"correlated_nC": 0.3, "memory_s": 0.5}, 0.3),
        ({"walk_nC_per_root_s": 0.1}, 0.1 * math.sqrt(20.0)),
        ({"wave_nC": 0.4}, 0.4 / math.sqrt(2.0)),
        ({"mains_nC": 0.4, "mains_Hz": 50.03}, 0.4 / math.sqrt(2.0)),
    ],
)
def test_noise_is_as_large_as_it_says(changes, sd):
    """Over 400 runs the wobble 20 s into a run has the standard deviation set (a walk: times the root of time)."""
    setting, t = replace(STILL, **changes), np.arange(401) / 20.0
    last = [traces.wobble_nC(setting, t, np.random.default_rng(i))[-1] for i in range(400)]
    assert np.std(last) == pytest.approx(sd, rel=0.12)


def test_flicker_has_as_much_in_each_octave():
    """1/f noise has the variance set, per factor e of frequency, in a fast and in a slow octave alike."""
    power = np.zeros(4096 // 2 + 1)
    for i in range(60):
        power += (
            np.abs(np.fft.rfft(traces.flicker(8192, 20.0, np.random.default_rng(i))[:4096] * np.hanning(4096))) ** 2
        )
    f = np.fft.rfftfreq(4096, 0.05)
    density = power / 60 * 2 / (20.0 * np.sum(np.hanning(4096) ** 2))
    for low in (0.05, 1.0, 4.0):
        band = (f >= low) & (f < 2 * low)
        assert np.sum(density[band]) * f[1] == pytest.approx(math.log(2.0), rel=0.15)


def test_a_display_changes_its_steps_with_its_range():
    """Readings after the change are multiples of the coarse step, those before of the fine one."""
    made = traces.play(replace(STILL, white_nC=0.05, display_nC=0.01, range_at_s=20.0, coarse_nC=1.0))
    late = made.charge_s >= 20.0
    assert made.charge_nC[late] == pytest.approx(np.round(made.charge_nC[late]), abs=1e-9)
    early = made.charge_nC[~late]
    assert early == pytest.approx(np.round(100.0 * early) / 100.0, abs=1e-9)
    assert np.max(np.abs(early - np.round(early))) > 0.02


def test_every_cell_draws_the_same_again_and_others_with_another_seed():
    """A cell's run is settled by its name, number and seed, and plays without an oddity."""
    for name in cells.CELLS:
        first, again, other = cells.drawn(name, 3, 1), cells.drawn(name, 3, 1), cells.drawn(name, 3, 2)
        assert first == again
        assert first != other
        made = traces.play(first.setting)
        assert np.all(np.isfinite(made.charge_nC))
        assert np.all(np.diff(made.mass_s) > 0)

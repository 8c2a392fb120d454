"""Bench runs made from the physics alone, for tests: shares no code with the virtual bench or with processing.

The cup obeys dq/dt = i(t) + I_b - q/tau, solved by exact exponential steps on a fine time grid; noise, folded mains,
scale lag and rounding come on top. The truth is handed back beside the run.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.signal import lfilter

from chargebench.runs.run import Knowledge, Known, Mark, Run, Trace


@dataclass(frozen=True)
class Bench:
    """What is simulated; every number can be set. Noise levels in nC, `walk` in nC per root second."""

    charge_per_gram: float = -30.0
    mass_g: float = 18.0
    grind_s: float = 12.0
    before_s: float = 10.0
    after_s: float = 12.0
    rate_Hz: float = 100.0
    tau_s: float = 600.0
    bias_nA: float = 0.02
    offset_nC: float = 0.5
    white: float = 0.05
    correlated: float = 0.0
    memory_s: float = 1.0
    walk: float = 0.0
    mains: float = 0.0
    mains_Hz: float = 50.03
    bipolar: float = 0.0
    ramp_s: float = 0.4
    scale_Hz: float = 10.0
    scale_lag_s: float = 0.6
    scale_step_g: float = 0.01
    scale_noise_g: float = 0.004
    display_step: float = 0.0
    jitter: float = 0.0
    seed: int = 1
    knowledge: dict[str, Known] = field(default_factory=dict)
    tags: dict[str, float | str] = field(default_factory=dict)


@dataclass(frozen=True)
class Truth:
    """What went into the cup."""

    net_charge: float
    mass_g: float
    charge_to_mass: float
    onset_s: float
    end_s: float
    positive: float
    negative: float


def flow(bench: Bench, t: np.ndarray) -> np.ndarray:
    """Share of the mass per second at each time: a plateau with ramps at both ends."""
    ramp = min(bench.ramp_s, 0.3 * bench.grind_s)
    x = t - bench.before_s
    rate = np.clip(np.minimum(x / ramp, (bench.grind_s - x) / ramp), 0.0, 1.0)
    return rate / (bench.grind_s - ramp)


def noise(bench: Bench, t: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """White + exponentially correlated + random walk + one mains line as the samples see it."""
    n, dt = len(t), np.diff(t, prepend=t[0] - 1.0 / bench.rate_Hz)
    out = bench.white * rng.standard_normal(n)
    if bench.correlated:
        a = np.exp(-1.0 / bench.rate_Hz / bench.memory_s)
        start = bench.correlated * rng.standard_normal()
        drive = bench.correlated * np.sqrt(1 - a * a) * rng.standard_normal(n)
        out += lfilter([1.0], [1.0, -a], drive, zi=[a * start])[0]
    if bench.walk:
        out += bench.walk * np.cumsum(np.sqrt(dt) * rng.standard_normal(n))
    if bench.mains:
        out += bench.mains * np.sin(2 * np.pi * bench.mains_Hz * t + rng.uniform(0, 2 * np.pi))
    return out


def displayed(bench: Bench, t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Charge that the cup shows without noise, and the charge that has fallen in, at times `t`."""
    fine = np.linspace(t[0], t[-1], 20 * int(np.ceil(t[-1] - t[0])) * 10 + 1)
    share = flow(bench, 0.5 * (fine[1:] + fine[:-1]))
    h = fine[1] - fine[0]
    total = np.sum(share) * h
    x = (0.5 * (fine[1:] + fine[:-1]) - bench.before_s) / bench.grind_s
    current = (
        share / total * bench.mass_g * (bench.charge_per_gram + bench.bipolar * np.cos(2 * np.pi * np.clip(x, 0, 1)))
    )
    current *= np.where((x > 0) & (x < 1), 1.0, 0.0)
    target = bench.charge_per_gram * bench.mass_g
    current += share / total * (target - np.sum(current) * h)
    k = 0.0 if np.isinf(bench.tau_s) else 1.0 / bench.tau_s
    a = np.exp(-h * k)
    gain = h if k == 0 else (1 - a) / k
    q = lfilter([1.0], [1.0, -a], gain * (current + bench.bias_nA), zi=[a * bench.offset_nC])[0]
    q = np.concatenate(([bench.offset_nC], q))
    fallen = np.concatenate(([0.0], np.cumsum(current) * h))
    return np.interp(t, fine, q), np.interp(t, fine, fallen)


def weighed(bench: Bench, t: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """What the scale shows: lagging, noisy, rounded."""
    fine = np.arange(0.0, t[-1] + 0.02, 0.01)
    share = np.cumsum(flow(bench, fine))
    mass = 150.0 + bench.mass_g * share / share[-1]
    if bench.scale_lag_s > 0:
        a = np.exp(-0.01 / bench.scale_lag_s)
        mass = lfilter([1 - a], [1.0, -a], mass, zi=[a * mass[0]])[0]
    shown = np.interp(t, fine, mass) + bench.scale_noise_g * rng.standard_normal(len(t))
    return np.round(shown / bench.scale_step_g) * bench.scale_step_g


def trace(channel: str, t: np.ndarray, v: np.ndarray, status: np.ndarray | None = None) -> Trace:
    """A trace as an instrument with a line counter and a clock would give it."""
    n = len(t)
    status = np.zeros(n, dtype=np.int64) if status is None else status
    return Trace(
        channel,
        channel,
        t,
        v,
        status,
        np.arange(n) % 65536,
        np.round(t * 1000).astype(np.int64),
        (t * 1e9).astype(np.int64),
    )


def run_of(traces: list[Trace], bench: Bench, marks: tuple[Mark, ...] = (), **other: object) -> Run:
    """A run that holds the traces."""
    tags = {"coffee": "Larkfield", "grinder": "Tern", "dose_g": bench.mass_g, "treatment": "dry", **bench.tags}
    return Run(
        "20260314T091500Z-7f3a2c", "2026-03-14T09:15:00Z", tags, {x.channel: x for x in traces}, marks,
        knowledge=Knowledge(dict(bench.knowledge)), **other,  # type: ignore[arg-type]
    )  # fmt: skip


def times(bench: Bench, rng: np.random.Generator) -> np.ndarray:
    """Stamps of the charge readings."""
    span = bench.before_s + bench.grind_s + bench.after_s
    t = np.arange(0.0, span, 1.0 / bench.rate_Hz)
    if bench.jitter:
        t = t + bench.jitter / bench.rate_Hz * rng.uniform(-0.45, 0.45, len(t))
    return t


def simulate(bench: Bench = Bench(), **changes: object) -> tuple[Run, Truth]:
    """A run and its truth."""
    bench = replace(bench, **changes)  # type: ignore[arg-type]
    rng = np.random.default_rng(bench.seed)
    t = times(bench, rng)
    q, fallen = displayed(bench, t)
    shown = q + noise(bench, t, rng)
    if bench.display_step:
        shown = np.round(shown / bench.display_step) * bench.display_step
    traces = [trace("charge", t, shown)]
    if bench.scale_Hz > 0:
        mass_t = np.arange(0.03, t[-1], 1.0 / bench.scale_Hz)
        traces.append(trace("mass", mass_t, weighed(bench, mass_t, rng)))
    rates = np.diff(fallen)
    net = bench.charge_per_gram * bench.mass_g
    return run_of(traces, bench), Truth(
        net, bench.mass_g, bench.charge_per_gram, bench.before_s, bench.before_s + bench.grind_s,
        float(np.sum(rates[rates > 0])), float(np.sum(rates[rates < 0])),
    )  # fmt: skip


def simulate_current(bench: Bench, white_nA: float = 0.05, wander_nA: float = 0.0) -> tuple[Run, Truth]:
    """The run of an instrument that reads current: means over each reading, white noise and a random walk per root s.

    Such an input does not leak, and of the bench's own noise it has none.
    """
    still = replace(bench, tau_s=np.inf, white=0.0, correlated=0.0, walk=0.0, mains=0.0)
    run, truth = simulate(still)
    t, step_s = run.traces["charge"].time_s, 1.0 / bench.rate_Hz
    edges = np.append(t, t[-1] + step_s) - 0.5 * step_s
    current = np.diff(displayed(still, np.clip(edges, t[0], t[-1]))[0]) / np.diff(np.clip(edges, t[0], t[-1]))
    rng = np.random.default_rng(bench.seed + 1)
    current += white_nA * rng.standard_normal(len(t))
    current += wander_nA * np.cumsum(np.sqrt(step_s) * rng.standard_normal(len(t)))
    return replace(run, traces={"current": trace("current", t, current), "mass": run.traces["mass"]}), truth

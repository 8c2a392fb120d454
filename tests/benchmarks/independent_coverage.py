"""Coverage on traces of an independent simulator: does U95 hold the truth, and where it does not, is it said?

Run as ``python -m tests.benchmarks.independent_coverage [--runs 300] [--cells NAME,NAME] [--seed N] [--dump FILE]``;
`NAME` is a cell of `tests.benchmarks.independent_cells` or a part of its name. A line of the table holds

- ``net %``, ``Q/m %``: runs with an answer whose U95 holds the truth;
- ``none``: runs without an answer for Q/m (rejected: no miss);
- ``told``: of the misses of net charge or Q/m, the part that bears a doubt or a reject;
- ``alarm``: of all runs, the part that does;
- ``U net``, ``U Q/m``: median U95; ``x`` beside each: median of U95 over the oracle's.
  Two states of the program compare run by run (`--dump`): most of U95 of Q/m is the scale's steps, of which a cell
  draws four, and a median that lies between two of them moves by a tenth where no run does;
- ``b net``, ``b Q/m``: median of the error in units of U95 (how lopsided), followed by the commonest grave flags.

The oracle is told the law of the noise, when the last grounds fell, every event and the true mass, and what the bench
check said where that is true; it must find levels, bias current and leakage.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path

import numpy as np
from scipy.linalg import cho_factor, cho_solve, matmul_toeplitz, solve
from scipy.special import ndtr

from chargebench.processing.qualify.occasion import Occasion
from chargebench.processing.qualify.zero import zero
from chargebench.processing.recipe import process
from chargebench.processing.series import clean
from chargebench.runs.run import Knowledge, Known, Run, Trace
from tests.benchmarks.independent_cells import CELLS, Drawn, drawn
from tests.independent_traces import Setting, Traces, at_rest, flicker_lines, moved_nC, play

OPEN_RATE_PER_S = 1 / 60.0
"""How fast the oracle thinks a bench can leak where nobody checked."""
OPEN_BIAS_NA = 1.0


@dataclass(frozen=True)
class Row:
    """One run: the answer and the truth in nC and nC/g (NaN without an answer), the oracle's U95, and the flags."""

    cell: str
    number: int
    net_nC: float
    u95_net_nC: float
    true_net_nC: float
    ratio: float
    u95_ratio: float
    true_ratio: float
    oracle_net_nC: float
    oracle_ratio: float
    flags: tuple[str, ...]
    worst: str | None

    @property
    def held_net(self) -> bool:
        return abs(self.net_nC - self.true_net_nC) <= self.u95_net_nC

    @property
    def held_ratio(self) -> bool:
        return abs(self.ratio - self.true_ratio) <= self.u95_ratio

    @property
    def alarmed(self) -> bool:
        return self.worst in ("doubt", "reject")

    @property
    def missed(self) -> bool:
        """Whether an answer was given that does not hold the truth."""
        net = math.isfinite(self.net_nC) and not self.held_net
        return net or (math.isfinite(self.ratio) and not self.held_ratio)


# --- to the program ---------------------------------------------------------------------------------------------------


def trace_of(channel: str, time_s: np.ndarray, value: np.ndarray) -> Trace:
    """A trace as an instrument with a line counter and a clock that counts milliseconds gives it."""
    ms = np.round(1000.0 * time_s).astype(np.int64)
    n = np.arange(len(ms))
    return Trace(channel, channel, ms / 1000.0, value, np.zeros(len(ms)), n % 65536, ms, ms * 1_000_000)


def zero_known(then: Setting) -> dict[str, Known]:
    """What the program's own check of the zero makes of the empty cup."""
    time_s, shown_nC = at_rest(then)
    line = np.arange(len(time_s))
    check = zero(Occasion("bench", "2026-03-13T09:00:00Z"), clean(time_s, shown_nC, 0 * line, line, 5.0, 0.5))
    return {key: Known(x.value, x.u, x.dof, "zero check", "2026-03-13") for key, x in check.values.items()}


def run_of(one: Drawn, made: Traces) -> Run:
    """The program's own run of a simulated one."""
    known: dict[str, Known] = {}
    for key, told in (("leakage_rate_per_s", one.rate_check_per_s), ("bias_current_nA", one.bias_check_nA)):
        if told is not None:
            known[key] = Known(*told, source="leakage check", date="2026-03-13")
    if one.zero_check is not None:
        known |= zero_known(one.zero_check)
    if one.resolution_told:
        known["scale_resolution_g"] = Known(one.setting.resolution_g, 0.0, source="bench file")
    traces = [trace_of("charge", made.charge_s, made.charge_nC), trace_of("mass", made.mass_s, made.mass_g)]
    tags = {"coffee": "Larkfield", "grinder": "Tern", "treatment": "dry", "dose_g": one.dose_g}
    return Run(
        "20260314T091500Z-7f3a2c", "2026-03-14T09:15:00Z", tags, {x.channel: x for x in traces},
        knowledge=Knowledge(known),
    )  # fmt: skip


# --- the oracle -------------------------------------------------------------------------------------------------------


def disturbed(setting: Setting, time_s: np.ndarray) -> np.ndarray:
    """Readings that an event moves for a moment, which no one can use."""
    out = np.zeros(len(time_s), dtype=bool)
    for event in setting.events:
        out |= (time_s >= event.at_s) & (time_s <= event.at_s + event.lasts_s)
    return out


def noise_covariance(setting: Setting, means: np.ndarray, time_s: np.ndarray, coarse: np.ndarray) -> np.ndarray:
    """Covariance of the block means that the rows of `means` make of the readings, by the law of the noise.

    Of the steps of a display, the part that the noise does not stir up (dither) is one and the same for all readings.
    """
    s, n = setting, len(time_s)
    dither_nC = math.hypot(s.white_nC, s.correlated_nC)
    cov = np.zeros((len(means), len(means)))
    for part, step_nC in ((~coarse, s.display_nC), (coarse, s.coarse_nC)):
        hidden = math.exp(-((2 * math.pi * dither_nC / step_nC) ** 2)) if step_nC else 0.0
        whole = (means @ part)[:, None]
        cov += (means * part * (s.white_nC**2 + (1.0 - hidden) * step_nC**2 / 12.0)) @ means.T
        cov += hidden * step_nC**2 / 12.0 * whole @ whole.T
    along = s.correlated_nC**2 * np.exp(-np.arange(n) / (s.rate_Hz * s.memory_s))
    if s.flicker_nC:
        f, variance, whole = flicker_lines(s.rate_Hz, n / s.rate_Hz)
        spectrum = np.zeros(whole // 2 + 1)
        spectrum[1 : 1 + len(f)] = 0.5 * whole * variance
        along = along + s.flicker_nC**2 * np.fft.irfft(spectrum, whole)[:n]
    cov += means @ matmul_toeplitz(along, means.T)
    for size, f_Hz in ((s.mains_nC, s.mains_Hz), (s.wave_nC, 1.0 / s.wave_s)):
        wave = means @ np.exp(2j * np.pi * f_Hz * time_s)
        cov += 0.5 * size**2 * np.real(np.outer(wave, wave.conj()))
    still_to_come = np.cumsum(means[:, ::-1], axis=1)[:, ::-1]
    return cov + s.walk_nC_per_root_s**2 / s.rate_Hz * still_to_come @ still_to_come.T


def oracle(one: Drawn, made: Traces) -> tuple[float, float]:
    """Net charge in nC and U95 for one who knows the law of the noise.

    Generalised least squares on means over half a second, in levels before and after, bias current and leakage; a
    leakage below none is ruled out. What events put on the cup is known and taken off.
    """
    s, t, q = one.setting, made.charge_s, made.charge_nC
    integral = np.concatenate(([0.0], np.cumsum(0.5 * (q[1:] + q[:-1]) * np.diff(t))))
    q = q - sum(moved_nC(event, t) for event in s.events if event.kind != "zero")
    after = t >= made.truth.last_s
    usable = ((t <= made.truth.onset_s) | after) & ~disturbed(s, t)
    _, label = np.unique(np.floor(t[usable] / 0.5) + 1e6 * after[usable], return_inverse=True)
    means = np.zeros((int(label.max()) + 1, len(t)))
    means[label, np.flatnonzero(usable)] = 1.0
    means /= means.sum(axis=1, keepdims=True)
    cov = noise_covariance(s, means, t, t >= s.range_at_s)
    late = means @ after > 0.5
    X = np.column_stack((~late, late, means @ (t - t.mean()), -(means @ (integral - integral.mean())))).astype(float)
    weigh = cho_factor(cov + 1e-12 * np.eye(len(cov)))
    precision, found = X.T @ cho_solve(weigh, X), X.T @ cho_solve(weigh, means @ q)
    rate = one.rate_check_per_s if one.check_holds and one.rate_check_per_s else (0.0, OPEN_RATE_PER_S)
    bias = one.bias_check_nA if one.check_holds and one.bias_check_nA else (0.0, OPEN_BIAS_NA)
    for index, (value, u) in ((3, rate), (2, bias)):
        precision[index, index] += u**-2
        found[index] += value * u**-2
    V = solve(precision, np.eye(4), assume_a="pos")
    g = np.array([-1.0, 1.0, 0.0, 0.0])
    pull = float(V[3] @ g) / V[3, 3]
    shift, narrowed = cut(float(V[3] @ found), float(V[3, 3]))
    half = 1.96 * math.sqrt(float(g @ V @ g) + pull**2 * (narrowed - V[3, 3]))
    return float(g @ V @ found) + pull * shift, half


def cut(mean: float, variance: float) -> tuple[float, float]:
    """Shift of the mean, and the variance, of a normal distribution of which what lies below zero is cut off."""
    sd = math.sqrt(variance)
    a = max(mean / sd, -5.0)
    hazard = math.exp(-0.5 * a * a) / math.sqrt(2.0 * math.pi) / float(ndtr(a))
    return sd * hazard, variance * max(1.0 - hazard * (hazard + a), 1e-6)


# --- the table --------------------------------------------------------------------------------------------------------


def judged(cell: str, seed: int, number: int) -> Row:
    """One run played and reduced."""
    one = drawn(cell, number, seed)
    made = play(one.setting)
    outcome = process(run_of(one, made))
    net, ratio = (outcome.result[key] for key in ("net_charge_nC", "charge_to_mass_nC_per_g"))
    _, best = oracle(one, made)
    nan = (math.nan, math.nan)
    return Row(
        cell, number,
        *(nan if net is None else (net.value, net.U95)), made.truth.net_charge_nC,
        *(nan if ratio is None else (ratio.value, ratio.U95)), made.truth.charge_to_mass_nC_per_g,
        best, best / made.truth.mass_g,
        tuple(flag.code for flag in outcome.flags if flag.severity != "note"), outcome.worst,
    )  # fmt: skip


def share(of: Iterable[bool]) -> float:
    """Percent that are so; NaN of none."""
    seen = list(of)
    return 100.0 * sum(seen) / len(seen) if seen else math.nan


def middle(values: Iterable[float]) -> float:
    """Median; NaN of none."""
    seen = list(values)
    return float(np.median(seen)) if seen else math.nan


HEAD = (
    f"{'cell':32} {'runs':>5} {'none':>5} {'net %':>6} {'Q/m %':>6} {'told %':>7} {'alarm %':>7} {'U net':>8} {'x':>6} "
    f"{'U Q/m':>8} {'x':>6} {'b net':>6} {'b Q/m':>6}  doubts and rejects"
)


def line(cell: str, rows: Sequence[Row]) -> str:
    """The cell's line of the table."""
    net = [r for r in rows if math.isfinite(r.net_nC)]
    ratio = [r for r in rows if math.isfinite(r.ratio)]
    common = Counter(code for r in rows for code in r.flags).most_common(3)
    return (
        f"{cell:32} {len(rows):5d} {len(rows) - len(ratio):5d} {share(r.held_net for r in net):6.1f} "
        f"{share(r.held_ratio for r in ratio):6.1f} {share(r.alarmed for r in rows if r.missed):7.1f} "
        f"{share(r.alarmed for r in rows):7.1f} {middle(r.u95_net_nC for r in net):8.4f} "
        f"{middle(r.u95_net_nC / r.oracle_net_nC for r in net):6.2f} {middle(r.u95_ratio for r in ratio):8.5f} "
        f"{middle(r.u95_ratio / r.oracle_ratio for r in ratio):6.2f} "
        f"{middle((r.net_nC - r.true_net_nC) / r.u95_net_nC for r in net):6.2f} "
        f"{middle((r.ratio - r.true_ratio) / r.u95_ratio for r in ratio):6.2f}  "
        + ", ".join(f"{code} {n}" for code, n in common)
    )


def chosen(words: str) -> list[str]:
    """Cells whose name holds one of the words; all without a word."""
    wanted = [word.strip() for word in words.split(",") if word.strip()]
    found = [cell for cell in CELLS if not wanted or any(word in cell for word in wanted)]
    if not found:
        sys.exit(f"no cell is called {words!r}; there are: {'; '.join(CELLS)}")
    return found


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--runs", type=int, default=300, help="runs a cell")
    parser.add_argument("--cells", default="", help="cells, or parts of their names, with commas between")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--dump", type=Path, help="a JSON file for every run with all that was drawn")
    said = parser.parse_args()
    kept: list[Row] = []
    print(HEAD)
    with ProcessPoolExecutor(said.processes) as pool:
        for cell in chosen(said.cells):
            rows = list(pool.map(partial(judged, cell, said.seed), range(said.runs), chunksize=10))
            print(line(cell, rows), flush=True)
            kept += rows
    if said.dump:
        told = [asdict(r) | {"missed": r.missed, "drawn": drawn(r.cell, r.number, said.seed).numbers()} for r in kept]
        said.dump.write_text(json.dumps(told, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()

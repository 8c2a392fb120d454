"""Coverage study: do the stated 95 % intervals hold the truth, and are they as narrow as they can be?

Run as ``python -m tests.benchmarks.coverage [RUNS] [SEED] [--rates 10,50]``; at such rates mains folds to a line near
0 Hz. Runs are drawn over leakage 100 s to infinity, bias current ±50 pA, white, correlated, random-walk and
folded-mains noise and all of them together, grinds of 3 to 40 s, quiet stretches of 10 to 60 s and charge per gram from
-200 to +200 nC/g including 0; half of them with a bench check of the leakage. The oracle is told the noise's
covariance, the true quiet stretches and the true mass, and solves the same equation by generalised least squares; it
shares no code with processing.
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.special import ndtr

from chargebench.processing.recipe import process
from chargebench.runs.run import Known, Run
from tests.processing.simulate import Bench, Truth, simulate

NOISES = ("white", "correlated", "walk", "mains", "all")
TAUS_S = (100.0, 300.0, 1000.0, 3000.0, np.inf)
GRINDS_S = (3.0, 8.0, 20.0, 40.0)
WAITS_S = ((10.0, 12.0), (10.0, 12.0), (25.0, 30.0), (60.0, 60.0))
"""Seconds of quiet before and after."""
RATIOS = (-200.0, -50.0, -5.0, 0.0, 5.0, 50.0, 200.0)
RATES_HZ = (8.0, 10.0, 16.0, 40.0, 50.0, 64.0, 100.0)


@dataclass(frozen=True)
class Row:
    """One run: in which strata it lies, whether each interval held, and widths against the oracle's."""

    strata: tuple[str, ...]
    held_net: bool
    held_ratio: bool
    width_net: float
    width_ratio: float
    error_net: float
    u95_net: float


def draw(rng: np.random.Generator, seed: int, rates_Hz: Sequence[float] = RATES_HZ) -> tuple[Bench, tuple[str, ...]]:
    """A bench drawn at random, and the strata it lies in."""
    kind = str(rng.choice(NOISES))
    tau_s = float(rng.choice(TAUS_S))
    grind_s = float(rng.choice(GRINDS_S))
    before_s, after_s = WAITS_S[int(rng.integers(len(WAITS_S)))]
    ratio = float(rng.choice(RATIOS))
    checked = bool(rng.random() < 0.5)

    def level(low: float, high: float, *kinds: str) -> float:
        value = float(np.exp(rng.uniform(np.log(low), np.log(high))))
        return value if kind in (*kinds, "all") else 0.0

    rate = 0.0 if np.isinf(tau_s) else 1.0 / tau_s
    u_rate = max(0.03 * rate, 3e-5)
    known = {"leakage_rate_per_s": Known(max(rate + u_rate * rng.standard_normal(), 0.0), u_rate)} if checked else {}
    bench = Bench(
        charge_per_gram=ratio, mass_g=float(rng.choice((8.0, 18.0, 30.0))), grind_s=grind_s, tau_s=tau_s,
        before_s=before_s, after_s=after_s, rate_Hz=float(rng.choice(rates_Hz)),
        bias_nA=float(rng.uniform(-0.05, 0.05)),
        offset_nC=float(rng.normal(0, 2)), white=float(np.exp(rng.uniform(np.log(0.02), np.log(0.2)))),
        correlated=level(0.02, 0.2, "correlated"), memory_s=float(np.exp(rng.uniform(np.log(0.2), np.log(5.0)))),
        walk=level(0.005, 0.1, "walk"), mains=level(0.05, 0.5, "mains"), mains_Hz=50.0 + float(rng.normal(0, 0.03)),
        bipolar=float(rng.choice((0.0, 0.0, 30.0))), scale_lag_s=float(rng.uniform(0.1, 1.2)), seed=seed,
        knowledge=known,
    )  # fmt: skip
    strata = (
        f"noise {kind}", f"quiet {before_s:g}+{after_s:g} s", f"tau {tau_s:g} s", f"grind {grind_s:g} s",
        f"Q/m {ratio:+g} nC/g", "leakage checked" if checked else "leakage unchecked", f"{bench.rate_Hz:g} Hz",
    )  # fmt: skip
    return bench, strata


def oracle(bench: Bench, run: Run, truth: Truth) -> tuple[float, float]:
    """Net charge and its 95 % half width for one who knows the noise and the stretches."""
    t, q = run.traces["charge"].time_s, run.traces["charge"].value
    s = np.concatenate(([0.0], np.cumsum(0.5 * (q[1:] + q[:-1]) * np.diff(t))))
    quiet = (t <= truth.onset_s) | (t >= truth.end_s)
    group = np.floor(t[quiet] / 0.2).astype(int)
    _, start = np.unique(group, return_index=True)
    count = np.diff(np.append(start, len(group))).astype(float)

    def mean(x: np.ndarray) -> np.ndarray:
        return np.add.reduceat(x[quiet], start) / count

    tb, sb = mean(t), mean(s)
    lag = np.abs(tb[:, None] - tb)
    cov = np.diag(bench.white**2 / count)
    cov += bench.correlated**2 * np.exp(-lag / bench.memory_s) + bench.walk**2 * np.minimum(tb[:, None], tb)
    wave = [mean(f(2 * np.pi * bench.mains_Hz * t)) for f in (np.cos, np.sin)]
    cov += 0.5 * bench.mains**2 * sum(np.outer(w, w) for w in wave)
    after = tb > 0.5 * (truth.onset_s + truth.end_s)
    X = np.column_stack((~after, after, tb - tb.mean(), -(sb - sb.mean()))).astype(float)
    P = X.T @ cho_solve(cho_factor(cov), X)
    known = bench.knowledge.get("leakage_rate_per_s")
    centre, u = (known.value, known.u) if known else (0.0, 1 / 60.0)
    P[3, 3] += u**-2
    P[2, 2] += 1.0
    V = np.linalg.inv(P)
    h = X.T @ cho_solve(cho_factor(cov), mean(q)) + np.array([0, 0, 0, centre * u**-2])
    beta = V @ h
    g = np.array([-1.0, 1.0, 0, 0])
    gain = V[3] @ g / V[3, 3]
    shift, narrowed = _cut(float(beta[3]), float(np.sqrt(V[3, 3])))
    half = 1.96 * float(np.sqrt(g @ V @ g - gain**2 * V[3, 3] + gain**2 * narrowed**2))
    return float(g @ beta + gain * shift), half


def oracle_widths(bench: Bench, run: Run, truth: Truth) -> tuple[float, float]:
    """The oracle's 95 % half widths of net charge and of charge to mass; of the mass it knows the error, too."""
    _, half = oracle(bench, run, truth)
    return half, half / truth.mass_g


def _cut(centre: float, sd: float) -> tuple[float, float]:
    """Shift of the mean and standard deviation of a Gaussian cut off below zero."""
    a = centre / sd
    hazard = np.exp(-0.5 * a * a) / np.sqrt(2 * np.pi) / ndtr(a)
    return sd * float(hazard), float(sd * np.sqrt(max(1 - hazard * (hazard + a), 1e-6)))


def study(runs: int, seed: int = 0, rates_Hz: Sequence[float] = RATES_HZ, talk: bool = False) -> list[Row]:
    """Reduce `runs` simulated runs."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(runs):
        bench, strata = draw(rng, int(rng.integers(1 << 31)), rates_Hz)
        run, truth = simulate(bench)
        result = process(run).result
        net, ratio = result["net_charge_nC"], result["charge_to_mass_nC_per_g"]
        if net is None or ratio is None:
            rows.append(Row(strata, False, False, np.inf, np.inf, np.nan, np.nan))
            continue
        best, best_ratio = oracle_widths(bench, run, truth)
        rows.append(
            Row(
                strata, abs(net.value - truth.net_charge) <= net.U95,
                abs(ratio.value - truth.charge_to_mass) <= ratio.U95, net.U95 / best, ratio.U95 / best_ratio,
                net.value - truth.net_charge, net.U95,
            )
        )  # fmt: skip
        if talk and not rows[-1].held_net:
            print(i, bench, strata, net, net.U95, truth.net_charge, f"oracle {best:.4f}")
    return rows


def table(rows: Iterable[Row]) -> list[tuple[str, int, float, float, float, float]]:
    """Stratum, runs, coverage of net charge and of Q/m, median width of both over the oracle's."""
    groups: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        for name in ("all runs", *row.strata):
            groups[name].append(row)

    def mean(of: Callable[[Row], float], group: list[Row]) -> float:
        return float(np.mean([of(r) for r in group]))

    return [
        (
            name, len(group), mean(lambda r: r.held_net, group), mean(lambda r: r.held_ratio, group),
            float(np.median([r.width_net for r in group])), float(np.median([r.width_ratio for r in group])),
        )
        for name, group in sorted(groups.items())
    ]  # fmt: skip


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("runs", type=int, nargs="?", default=1000)
    parser.add_argument("seed", type=int, nargs="?", default=0)
    parser.add_argument("--rates", default="", help="sampling rates to draw from, in Hz, with commas between")
    parser.add_argument("-v", action="store_true", help="print each run whose interval missed")
    said = parser.parse_args()
    rates_Hz = tuple(float(x) for x in said.rates.split(",")) if said.rates else RATES_HZ
    print(f"{'stratum':22} {'runs':>5} {'net %':>7} {'Q/m %':>7} {'width':>7} {'Q/m w':>7}")
    for name, n, net, ratio, w_net, w_ratio in table(study(said.runs, said.seed, rates_Hz, said.v)):
        print(f"{name:22} {n:5d} {100 * net:7.1f} {100 * ratio:7.1f} {w_net:7.2f} {w_ratio:7.2f}")


if __name__ == "__main__":
    main()

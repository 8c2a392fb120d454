"""A bench on paper: charge and mass traces of one grind with known truth, without ports, bytes or waiting.

Equation of the electrometer: dq/dt = i(t) + I_b - q/τ, solved step by step exactly for constant i over a step. Noise is
white plus a slow autoregressive part plus hum; the scale lags by a first-order filter, is noisy and rounds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from heapq import merge

import numpy as np

from chargebench.recording.assemble import Timed

LINES_PER_S = 20.0
WEIGHINGS_PER_S = 5.0


@dataclass(frozen=True)
class Grind:
    """What happens on the bench; times in seconds from the start of the recording."""

    start_s: float = 20.0
    length_s: float = 9.0
    dose_g: float = 18.0
    charge_to_mass_nC_per_g: float = 60.0
    tau_s: float = 1000.0
    bias_pA: float = 0.0
    noise_nC: float = 0.1
    slow_share: float = 0.5
    slow_s: float = 3.0
    hum_nC: float = 0.0
    held_nC: float = 0.0
    lag_s: float = 0.7
    resolution_g: float = 0.01
    scale_noise_g: float = 0.01
    spikes: tuple[float, ...] = ()
    late_g: float = 0.0
    scale: bool = True
    end_s: float = 90.0
    seed: int = 0


def traces(grind: Grind) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Charge times and charges, mass times and masses."""
    rng = np.random.default_rng(grind.seed)
    time_s = np.arange(0.0, grind.end_s, 1.0 / LINES_PER_S)
    fallen_g = _fallen(time_s, grind)
    charge_nC = _leaky(time_s, fallen_g * grind.charge_to_mass_nC_per_g, grind)
    charge_nC += _noise(time_s, grind, rng)
    mass_s = np.arange(0.03, grind.end_s, 1.0 / WEIGHINGS_PER_S)
    mass_g = _lagging(time_s, fallen_g, grind.lag_s)[np.searchsorted(time_s, mass_s).clip(max=len(time_s) - 1)]
    mass_g = 210.0 + mass_g + rng.normal(0.0, grind.scale_noise_g, len(mass_s))
    return time_s, charge_nC, mass_s, np.round(mass_g / grind.resolution_g) * grind.resolution_g


def _fallen(time_s: np.ndarray, grind: Grind) -> np.ndarray:
    """Mass in the cup: a smooth ramp, and a late clump six seconds after."""
    x = np.clip((time_s - grind.start_s) / grind.length_s, 0.0, 1.0)
    ramp = x + 0.08 * np.sin(2 * np.pi * x) / (2 * np.pi)
    late = np.clip((time_s - grind.start_s - grind.length_s - 6.0) / 0.3, 0.0, 1.0)
    return grind.dose_g * ramp + grind.late_g * late


def _leaky(time_s: np.ndarray, deposited_nC: np.ndarray, grind: Grind) -> np.ndarray:
    step_s = time_s[1] - time_s[0]
    keep = np.exp(-step_s / grind.tau_s)
    gain = grind.tau_s * (1.0 - keep)
    arriving = np.diff(deposited_nC, prepend=0.0) / step_s + grind.bias_pA / 1000.0
    return _recursive(arriving * gain, keep, grind.held_nC)


def _recursive(added: np.ndarray, keep: float, first: float) -> np.ndarray:
    """y[i] = keep·y[i-1] + added[i], y[0] = first."""
    found = [first]
    for more in added[1:].tolist():
        found.append(found[-1] * keep + more)
    return np.array(found)


def _noise(time_s: np.ndarray, grind: Grind, rng: np.random.Generator) -> np.ndarray:
    white = rng.normal(0.0, grind.noise_nC * np.sqrt(1.0 - grind.slow_share), len(time_s))
    rho = np.exp(-1.0 / (LINES_PER_S * grind.slow_s))
    kicks = rng.normal(0.0, grind.noise_nC * np.sqrt(grind.slow_share * (1.0 - rho**2)), len(time_s))
    slow = _recursive(kicks, rho, rng.normal(0.0, grind.noise_nC * np.sqrt(grind.slow_share)))
    hum = grind.hum_nC * np.sin(2 * np.pi * 50.03 * time_s + rng.uniform(0, 6.28))
    touched = sum((25.0 * np.exp(-((time_s - at) ** 2) / (2 * 0.08**2)) for at in grind.spikes), np.zeros_like(time_s))
    return white + slow + hum + touched


def _lagging(time_s: np.ndarray, mass_g: np.ndarray, lag_s: float) -> np.ndarray:
    keep = np.exp(-(time_s[1] - time_s[0]) / lag_s)
    return _recursive(mass_g * (1.0 - keep), keep, 0.0)


def readings(grind: Grind) -> Iterator[Timed]:
    """The traces in order of time."""
    time_s, charge_nC, mass_s, mass_g = (values.tolist() for values in traces(grind))
    charges = [Timed("charge", t, q, 0) for t, q in zip(time_s, charge_nC, strict=True)]
    masses = [Timed("mass", t, m, 0) for t, m in zip(mass_s, mass_g, strict=True)] if grind.scale else []
    yield from merge(charges, masses, key=lambda reading: reading.time_s)

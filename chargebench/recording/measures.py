"""What blocks of charge and mass say: noise, quiet, ramps. Owns the thresholds of detection; pure functions of arrays.

All thresholds are common practice on benches of this kind, no source; they were tried on simulated runs (see
``tests/recording/test_detection_rate.py``) and err towards not starting.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from chargebench.recording.blocks import Floats

__all__ = [
    "Before",
    "charge_quiet",
    "charge_still",
    "departure_s",
    "leak_bound",
    "mass_moved",
    "mass_noise",
    "mass_steady",
    "noise",
    "ramp",
    "slope_of",
]


@dataclass(frozen=True, slots=True)
class Before:
    """What the charge did before a grind: level at its start, slope, noise of blocks."""

    charge_nC: float = 0.0
    slope_nC_per_s: float = 0.0
    noise_nC: float = 0.0


LEAST_BLOCKS = 8
MAD = 1.4826
SHORTEST_TAU_S = 150.0
OWN_CURRENT_NA = 0.3
WANDER_NC = 0.6
TYPICAL_TAU_S = 600.0


def noise(values: Floats) -> float:
    """Standard deviation of block values from their successive differences: neither drift nor one step enters."""
    if len(values) < 3:
        return 0.0
    steps = np.diff(values)
    return float(MAD * np.median(np.abs(steps - np.median(steps))) / np.sqrt(2.0))


def mass_noise(values: Floats) -> float:
    """As `noise`, from the mean square: a scale that mostly repeats its last digit has a median of zero."""
    if len(values) < 3:
        return 0.0
    steps = np.sort(np.abs(np.diff(values)))[: max(2, int(0.9 * len(values)))]
    return float(np.sqrt(np.mean(steps**2) / 2.0))


def mass_moved(mass_g: Floats) -> float:
    """Change of mass over a short stretch, from the medians of its ends."""
    third = max(len(mass_g) // 3, 1)
    return abs(float(np.median(mass_g[-third:]) - np.median(mass_g[:third])))


def leak_bound(charge_nC: float) -> float:
    """Steepest slope, in nC/s, that leakage and bias current may give an electrometer that displays that charge."""
    return abs(charge_nC) / SHORTEST_TAU_S + OWN_CURRENT_NA


def _parabola(time_s: Floats, charge_nC: Floats) -> tuple[Floats, float]:
    """Residuals from a parabola, and its slope at the end."""
    x = time_s - time_s[-1]
    coefficients = np.polynomial.polynomial.polyfit(x, charge_nC, 2)
    residual: Floats = charge_nC - np.polynomial.polynomial.polyval(x, coefficients)
    return residual, float(coefficients[1])


def charge_quiet(time_s: Floats, charge_nC: Floats, span_s: float) -> bool:
    """Whether nothing but leakage, bias current and noise is seen over the whole span.

    A short spike (a touched cable) is passed over when it is not at the end; a step or a ramp is not.
    """
    if len(time_s) < LEAST_BLOCKS or np.diff(time_s).max() > 2.0:
        return False
    if time_s[-1] - time_s[0] < span_s - max(0.6, 2.5 * float(np.median(np.diff(time_s)))):
        return False
    sigma_nC = noise(charge_nC)
    limit_nC = max(5.0 * sigma_nC, WANDER_NC)
    residual, slope = _parabola(time_s, charge_nC)
    spread = MAD * np.median(np.abs(residual))
    kept = np.abs(residual) <= max(6.0 * spread, limit_nC)
    if kept.mean() < 0.9 or not kept[-4:].all():
        return False
    if not kept.all():
        residual, slope = _parabola(time_s[kept], charge_nC[kept])
    rms = float(np.sqrt(np.mean(residual**2)))
    return rms <= limit_nC and abs(slope) <= leak_bound(float(charge_nC[-1])) + 4.0 * sigma_nC


def slope_of(time_s: Floats, charge_nC: Floats) -> float:
    """Slope in nC/s of a straight line; 0 with too little to tell."""
    return float(np.polyfit(time_s - time_s[-1], charge_nC, 1)[0]) if len(time_s) > 3 else 0.0


def charge_still(time_s: Floats, charge_nC: Floats, before: Before) -> bool:
    """Whether no charge arrives over a short stretch, given what the charge did before the grind."""
    if len(time_s) < 4:
        return True
    slope, level = np.polyfit(time_s - time_s[-1], charge_nC, 1)
    residual = charge_nC - level - slope * (time_s - time_s[-1])
    span_s = max(float(time_s[-1] - time_s[0]), 1.0)
    limit_nC = max(5.0 * before.noise_nC, WANDER_NC)
    calm = float(np.sqrt(np.mean(residual**2))) <= limit_nC
    leak = leak_bound(float(level) - before.charge_nC) + 2.0 * limit_nC / span_s
    return calm and abs(slope - before.slope_nC_per_s) <= leak


def mass_steady(mass_g: Floats, step_g: float) -> bool:
    """Whether a scale stays where it is, `step_g` being the least change that counts."""
    if len(mass_g) < 3:
        return True
    third = max(len(mass_g) // 3, 1)
    drift_g = abs(float(np.median(mass_g[-third:]) - np.median(mass_g[:third])))
    low, high = np.percentile(mass_g, [5, 95])
    return drift_g <= step_g and high - low <= 2.0 * step_g


def _leaking(time_s: Floats, charge_nC: Floats, at_s: Floats) -> tuple[Floats, Floats, float]:
    """Expected charge at `at_s` after a quiet stretch, how far it may be off for the unknown τ, and the noise."""
    x, later = time_s - time_s[-1], at_s - time_s[-1]
    bend = 1.0 / (2.0 * TYPICAL_TAU_S)
    design = np.column_stack([np.ones_like(x), x - bend * x**2])
    kept = np.ones(len(x), dtype=bool)
    for _ in range(2):
        (level, slope), *_rest = np.linalg.lstsq(design[kept], charge_nC[kept], rcond=None)
        residual = charge_nC - design @ (level, slope)
        spread = MAD * float(np.median(np.abs(residual)))
        kept = np.abs(residual) <= 5.0 * spread + 1e-9
    expected: Floats = level + slope * (later - bend * later**2)
    return expected, abs(slope) * later**2 * bend, max(spread, noise(charge_nC))


def ramp(before: tuple[Floats, Floats], after: tuple[Floats, Floats], hop: int, least_nC: float) -> float:
    """Charge that has come in since a quiet stretch and is still coming, in nC; 0 where it is no steady ramp.

    Over every `hop` blocks of `after` at least `least_nC` of the same sign must come: a spike or a step does not.
    """
    (time_s, charge_nC), (later_s, later_nC) = before, after
    if len(time_s) < LEAST_BLOCKS or len(later_s) < 3 * hop:
        return 0.0
    expected, off, sigma_nC = _leaking(time_s, charge_nC, later_s)
    excess = later_nC - expected
    sign = float(np.sign(excess[-1]))
    steady = bool((sign * (excess[hop:] - excess[:-hop]) > max(least_nC, 6.0 * sigma_nC)).all())
    total_nC = float(excess[-1])
    return total_nC if steady and abs(total_nC) > max(3.0, 15.0 * sigma_nC) + off[-1] else 0.0


def departure_s(before: tuple[Floats, Floats], after: tuple[Floats, Floats]) -> float | None:
    """Time at which the charge leaves, for good, what a quiet stretch leads to expect; None where it does not.

    For good: it is not back for three blocks in a row afterwards, as it is after a spike.
    """
    (time_s, charge_nC), (later_s, later_nC) = before, after
    if len(time_s) < LEAST_BLOCKS or len(later_s) < 5:
        return None
    expected, off, sigma_nC = _leaking(time_s, charge_nC, later_s)
    home = np.abs(later_nC - expected) <= max(6.0 * sigma_nC, 0.1) + off
    together = np.flatnonzero(home[:-2] & home[1:-1] & home[2:])
    left = int(together[-1]) + 3 if together.size else 0
    return float(later_s[left]) if left < len(later_s) - 1 else None

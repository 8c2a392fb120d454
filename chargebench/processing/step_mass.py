"""Steps on the mass: when it rose, how much was collected, how fast, and what is doubtful about the scale.

Owns the order in which the functions of `mass` are used on a run's material.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from chargebench.processing.mass import (
    NOT_LINEAR,
    Level,
    ScaleDrift,
    at_rest_since,
    collected,
    corrected,
    crossing,
    drift_between,
    lag,
    loaded_slope,
    minimal_drift,
    resolution,
    settled,
)
from chargebench.processing.outcome import Estimate
from chargebench.processing.ratio import Source, estimate, summed
from chargebench.processing.series import median
from chargebench.processing.stretches import mass_rise
from chargebench.processing.work import Material, Work
from chargebench.runs.water import number_of

__all__ = ["LAG_DOUBT", "collect", "find_rise", "put_in", "time_grind"]

Floats = npt.NDArray[np.float64]

FINE_STEP_G = 0.01
"""Steps finer than this (g) are decimals of whoever wrote the trace, not a promise of the scale."""
CALM_S = 0.2
"""Seconds after the charge has come to rest from which on a slope beside the scale's lag is drift."""
LAG_DOUBT = 0.5
"""Relative standard uncertainty of the scale's lag (judgement, type B): a flow that dies away looks like lag."""


def find_rise(work: Work) -> None:
    """When the mass rose, the scale's lag taken out; nothing where nothing is collected."""
    t, m = work.scale_blocks.time_s, work.scale_blocks.value
    if len(m) < 8:
        return
    step_g = resolution(work.material.scale.value)
    work.scale_noise_g = float(np.percentile(np.abs(np.diff(m)), 30)) / 0.545 + 0.3 * step_g
    if not work.material.collects:
        return
    smallest_g = work.p("smallest_mass_g")
    m = m - minimal_drift(work.material.scale, min(8.0, 0.25 * float(t[-1] - t[0]))) * (t - t[0])
    rise = mass_rise(t, m, work.scale_noise_g, smallest_g)
    if rise is None:
        return
    work.lag_s = lag(t, m, None, median(m[-max(3, len(m) // 20) :]), work.scale_noise_g)
    blown_up_g = work.scale_noise_g * math.hypot(1.0, work.lag_s / work.p("mass_block_s"))
    work.rise = mass_rise(t, corrected(t, m, work.lag_s), blown_up_g, smallest_g) or rise
    work.details["scale_lag_s"] = work.lag_s


def _by_hand(material: Material) -> tuple[Level, Level] | None:
    """The two weighings of a cup weighed by hand."""
    before, after = _told_masses(material)
    return None if before is None or after is None else (Level(before, 0.0), Level(after, 0.0))


def _told_masses(material: Material) -> tuple[float | None, float | None]:
    return number_of(material.tags, "mass_before_g"), number_of(material.tags, "mass_after_g")


def collect(work: Work) -> None:
    """Collected mass with its sources of error, recovery, and the flags that go with them."""
    material = work.material
    by_hand = _by_hand(material)
    on_port = _settled_levels(work) if len(material.scale) and not material.scale.restarts_s else None
    drift = None if on_port is None else drift_between(*_drifting(work, *on_port))
    work.levels = by_hand or on_port
    if by_hand is not None:
        work.steps.append("collected mass from the cup weighed by hand before and after")
    elif on_port is not None and drift is not None:
        work.steps.append("collected mass from settled means of the scale")
        _scale_flags(work, *on_port, drift)
    work.flag("weighing-missing", sum(mass is None for mass in _told_masses(material)) % 2)
    if work.levels is None:
        if restarts_s := material.scale.restarts_s:
            work.flag("scale-restarted", len(restarts_s), always=True, at_s=list(restarts_s))
        elif material.collects:
            work.flag("no-mass")
        return
    known, repeatability_g = material.known, _stated(work, "repeatability")
    seen_g = resolution(material.scale.value) if by_hand is None else 0.0
    step_g = x.value if (x := known.get("scale_resolution_g")) is not None else seen_g
    if by_hand is not None and not (step_g > 0.0 or repeatability_g > 0.0):
        step_g = work.p("hand_readability_g")
        work.flag("scale-not-stated", readability_g=step_g)
    gain = known.get("scale_gain")
    mass_g, errors = collected(
        *work.levels, step_g, repeatability_g, _stated(work, "linearity"), 0.0 if gain is None else gain.u,
        None if by_hand is not None else drift,
    )  # fmt: skip
    factor = 1.0 if gain is None else gain.value
    work.mass_g = factor * mass_g
    sources = [Source(e.name, e.value_g, e.u_g, "g", e.kind, e.dof, e.shared, factor * e.factor) for e in errors]
    work.mass = summed(work.mass_g, sources, work.made)
    work.result["collected_mass_g"] = found = estimate(work.mass, work.made)
    if by_hand is not None:
        work.flag("weighings-swapped", -found.value)
    if by_hand is not None and on_port is not None:
        port_g, errors = collected(*on_port, resolution(material.scale.value), repeatability_g, 0.0, 0.0, drift)
        u_g = math.hypot(found.u, FINE_STEP_G, *(factor * e.u_g for e in errors))
        apart_g = abs(found.value - factor * port_g)
        work.flag("weighings-disagree", apart_g / u_g, by_hand_g=found.value, on_port_g=factor * port_g)
    if material.collects:
        _recovery(work, found)


def put_in(work: Work, made: dict[Any, Source]) -> tuple[Any, Any] | None:
    """Coffee and water put in, in g, as variables; None where no dose is told.

    The dose is taken to be weighed on a scale as good as the cup's. Water is so many sprays as well as the sprayer's
    check found them to be alike; without one, as sure as the recipe says (judgement, type B).
    """
    dose_g, water_g = work.material.dose_g, work.material.water_g
    if dose_g is None:
        return None
    u_dose_g = math.hypot(_stated(work, "resolution") / math.sqrt(12.0), _stated(work, "repeatability"))
    water = [Source("water", water_g, work.p("water_relative_u") * water_g, "g", "B")]
    spray, spread = work.material.known.get("spray_g"), work.material.known.get("spray_sd_g")
    if spray is not None and spread is not None and spray.value > 0.0:
        sprays = water_g / spray.value
        water = [
            Source("sprays unlike each other", 0.0, spread.value, "g", "B", spread.dof, factor=math.sqrt(sprays)),
            Source("mass of a spray", spray.value, spray.u, "g", "B", spray.dof, "sprayer", sprays),
        ]
    return summed(dose_g, [Source("dose", dose_g, u_dose_g, "g", "B")], made), summed(water_g, water, made)


def _stated(work: Work, figure: str) -> float:
    """What the bench file says of the scale, in g; 0 where it says nothing."""
    known = work.material.known.get(f"scale_{figure}_g")
    return 0.0 if known is None else known.value


def _settled_levels(work: Work) -> tuple[Level, Level] | None:
    """Settled means before the grind and at the end of the run."""
    scale, s, window_s = work.material.scale, work.stretches, work.p("settled_s")
    t = scale.time_s
    start = s.grind_s[0] if s.how != "none" else float(t[0]) + window_s
    done = s.grind_s[1]
    if work.rise is not None:
        start, done = min(start, work.rise[0]), work.rise[1]
    start -= 0.2
    before = settled(scale, at_rest_since(scale, min(float(t[0]), start), start), start, drifts=True)
    last = float(t[-1])
    calm_s = done + 5.0 * work.lag_s
    after = settled(scale, min(max(calm_s, last - window_s), last - 0.4 * window_s), last, drifts=True)
    if before is None or after is None:
        return None
    return before, after


def _drifting(work: Work, before: Level, after: Level) -> tuple[Level, Level]:
    """The levels with the slopes that tell of drift: after the grind from when the charge tells that all has fallen."""
    scale = work.material.scale
    start_s, last = work.stretches.after_s[0] + CALM_S, float(scale.time_s[-1])
    found = loaded_slope(scale, start_s, last) if last - start_s >= 0.4 * work.p("settled_s") else None
    slope, u = found or (0.0, math.inf)
    return before, replace(after, slope_g_per_s=slope, u_slope_g_per_s=u)


def _scale_flags(work: Work, before: Level, after: Level, drift: ScaleDrift) -> None:
    """What is doubtful about the scale that weighed."""
    window_s = work.p("settled_s")
    step_g = resolution(work.material.scale.value)
    bent = abs(after.slope_g_per_s - before.slope_g_per_s)
    u_bent = math.hypot(before.u_slope_g_per_s, after.u_slope_g_per_s, 1e-12)
    if drift.moving or (bent > NOT_LINEAR * u_bent and bent * window_s > 2.0 * max(step_g, FINE_STEP_G)):
        work.flag("mass-not-settled", bent / u_bent, always=drift.moving, slope_g_per_s=after.slope_g_per_s)
    elif drift.u_g > max(step_g, after.u_g):
        work.flag("scale-creeping", drift.distance, drift_g=drift.g, u_drift_g=drift.u_g)
    if abs(before.slope_g_per_s) > NOT_LINEAR * before.u_slope_g_per_s:
        work.flag("scale-drifting", abs(before.slope_g_per_s) * 60.0, taken_off_g=drift.g)
    scatter_g = max(before.noise_g, after.noise_g)
    work.flag("scale-unstable", scatter_g / max(step_g, FINE_STEP_G), scatter_g=scatter_g, resolution_g=step_g)


def _recovery(work: Work, mass: Estimate) -> None:
    """Collected mass over what was put in."""
    made = dict(work.made)
    given = put_in(work, made)
    if given is None:
        work.flag("no-dose")
        return
    put_in_g = estimate(given[0] + given[1], made).value
    recovery = estimate(100.0 * work.mass / (given[0] + given[1]), made)
    work.result["recovery_percent"] = recovery
    if mass.value - 2.0 * mass.u > put_in_g:
        work.flag("mass-above-dose", mass.value / put_in_g, put_in_g=put_in_g)
    work.flag("recovery-low", recovery.value, put_in_g=put_in_g)


def time_grind(work: Work) -> None:
    """Throughput between 10 and 90 % of the collected mass, and the time the whole mass takes at it."""
    if work.levels is None or work.rise is None:
        return
    t, m = work.scale_blocks.time_s, work.scale_blocks.value
    ends = [median(part) for part in (m[t < work.rise[0]], m[-max(3, len(m) // 20) :]) if len(part)]
    if len(ends) < 2 or ends[1] <= ends[0]:
        return
    total_g = ends[1] - ends[0]
    work.true_mass_g = corrected(t, m, work.lag_s) - ends[0]
    low, high = _ten_to_ninety(t, work.true_mass_g, total_g)
    if not high > low:
        return
    rate = 0.8 * total_g / (high - low)
    one_s = max(work.material.scale.step_s / math.sqrt(12.0), work.scale_noise_g / rate)
    less, more = (
        _ten_to_ninety(t, corrected(t, m, (1.0 + part) * work.lag_s) - ends[0], total_g)
        for part in (-LAG_DOUBT, LAG_DOUBT)
    )
    lag_part_s = 0.5 * abs((more[1] - more[0]) - (less[1] - less[0]))
    u_s = math.hypot(math.sqrt(2.0) * one_s, lag_part_s if math.isfinite(lag_part_s) else LAG_DOUBT * work.lag_s)
    work.result["grind_time_s"] = Estimate((high - low) / 0.8, u_s / 0.8)
    work.result["throughput_g_per_s"] = Estimate(rate, rate * u_s / (high - low))
    work.details |= {"time_10_percent_s": low, "time_90_percent_s": high}


def _ten_to_ninety(time_s: Floats, mass_g: Floats, total_g: float) -> tuple[float, float]:
    """Times at which 10 and 90 % of the mass had fallen; NaN where it never passes them."""
    return crossing(time_s, mass_g, 0.1 * total_g), crossing(time_s, mass_g, 0.9 * total_g)

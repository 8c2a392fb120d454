"""Zero and noise: what an open, untouched input reads. Owns the numbers that tell a quiet bench from a noisy one."""

from __future__ import annotations

import math
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from chargebench.bounded import JsonObject
from chargebench.processing.flags import TABLE
from chargebench.processing.outcome import Estimate, Flag
from chargebench.processing.qualify.allan import AllanPoint, allan_deviation, block_means, random_walk
from chargebench.processing.qualify.hum import Hum, find_hum, reading_rate_Hz
from chargebench.processing.qualify.occasion import Occasion
from chargebench.processing.qualify.qualification import Qualification
from chargebench.processing.series import Series

__all__ = ["find_spikes", "zero"]

Floats = npt.NDArray[np.float64]

SHORTEST_S: Final = 10.0
SHORT_S: Final = TABLE["wander-unknown"].threshold
"""Below this a zero that waves with half a minute or a minute is not seen, and a run takes it for its drift."""
SPIKE_SIGMAS: Final = 8.0
SPIKE_NEIGHBOURS: Final = 11
HUM_SHARE: Final = 3.0
"""Hum above this many times the noise of a reading is flagged."""
DRIFT_SIGMAS: Final = 3.0


def find_spikes(value: Floats) -> npt.NDArray[np.int64]:
    """Readings that stand out from the running median of their neighbours, on both sides of which it goes on as before.

    Parameters
    ----------
    value : float64 array (n,)

    Returns
    -------
    int64 array
        Indices, ascending.
    """
    from scipy.ndimage import median_filter

    off = value - median_filter(value, SPIKE_NEIGHBOURS, mode="nearest")
    spread = float(np.percentile(np.abs(off), 95)) / 1.96  # up to one reading in twenty may be a spike
    if spread == 0.0:  # a coarse display: most readings equal their median
        spread = float(np.std(off))
    return np.flatnonzero(np.abs(off) > SPIKE_SIGMAS * spread) if spread else np.empty(0, np.int64)


def zero(occasion: Occasion, series: Series, unit: Literal["nC", "nA"] = "nC") -> Qualification:
    """Noise at several averaging times, wander, drift, hum and spikes of an untouched input.

    Parameters
    ----------
    occasion : Occasion
    series : Series
        Ten seconds and more without a break; `SHORT_S` and more serve better.
    unit : str
        ``nC`` for a charge reading, ``nA`` for a current reading.

    Returns
    -------
    Qualification
        ``charge_noise_1s_nC`` or ``current_noise_1s_nA``: Allan deviation of 1 s means; of a charge whose trace is long
        enough also ``charge_walk_nC_per_root_s`` and ``charge_walk_span_s``, over how long that was seen.

    Raises
    ------
    ValueError
        When the trace is too short or has a break in it.

    Notes
    -----
    Wander is what 1 s means spread about a straight line beyond what neighbouring ones differ: it does not shrink by
    averaging over a longer quiet stretch. Spikes are left out of every other number.
    """
    t, value = series.time_s, series.value
    if len(t) < 2 or t[-1] - t[0] < SHORTEST_S:
        raise ValueError(
            f"zero: {(t[-1] - t[0]) if len(t) else 0:.1f} s of readings, allowed {SHORTEST_S:g} s and more"
        )
    if series.breaks:
        broken = series.breaks[0]
        raise ValueError(f"zero: {broken.kind} at {broken.start_s:.3f} s; record it again without one")
    spikes = find_spikes(value)
    t, quiet = np.delete(t, spikes), np.delete(value, spikes)
    means = block_means(t, quiet, 1.0)
    short_s = _short_width(series.step_s)
    points = allan_deviation(block_means(t, quiet, short_s), short_s, [m for m in (1, 2, 5) if m * short_s < 0.99])
    points += allan_deviation(means, 1.0)
    drift, sd = _drift(means)
    one_second = next(p for p in points if p.averaging_s == 1.0)
    noise = Estimate(one_second.deviation, one_second.u, one_second.dof)
    rate_Hz = reading_rate_Hz(t)
    hums = find_hum(t, quiet)
    details: JsonObject = {
        "seconds": float(t[-1] - t[0]),
        "readings": len(value),
        "rate_Hz": rate_Hz,
        f"mean_{unit}": float(np.mean(quiet)),
        f"noise_of_a_reading_{unit}": _reading_noise(quiet, hums, rate_Hz),
        f"sd_of_1s_means_{unit}": sd,
        f"wander_{unit}": math.sqrt(max(0.0, sd**2 - noise.value**2)),
        f"drift_{unit}_per_s": drift.value,
        f"u_drift_{unit}_per_s": drift.u,
        "allan": [_point(p, unit) for p in points],
        "spikes": _spike_details(series.time_s, value, spikes, unit),
        "hum": [_hum(h, unit) for h in hums],
    }
    values = {{"nC": "charge_noise_1s_nC", "nA": "current_noise_1s_nA"}[unit]: noise}
    if unit == "nC" and (walk := random_walk(means)) is not None:
        values |= {
            "charge_walk_nC_per_root_s": Estimate(*walk),
            "charge_walk_span_s": Estimate(details["seconds"], 0.0),
        }
    flags = _flags(details, hums, drift, unit)
    return occasion.qualification("zero", values, details, flags)


def _short_width(step_s: float) -> float:
    """Shortest averaging time: a tenth of a second, or a part of a second that holds four readings."""
    return next((w for w in (0.1, 0.2, 0.5) if w >= 4 * step_s), 1.0)


def _reading_noise(value: Floats, hums: list[Hum], rate_Hz: float) -> float:
    """Standard deviation of one reading, hum taken out, by second differences, which slow changes leave alone."""
    square = float(np.mean(np.diff(value, 2) ** 2))
    for hum in hums:
        if hum.found and hum.amplitude is not None:
            square -= 0.5 * (hum.amplitude * (2.0 - 2.0 * math.cos(2.0 * math.pi * hum.seen_at_Hz / rate_Hz))) ** 2
    return math.sqrt(max(0.0, square) / 6.0)


def _drift(means: Floats) -> tuple[Estimate, float]:
    """Slope of 1 s means per second and their standard deviation about the line.

    The slope's uncertainty allows for correlated residuals (Newey-West, as in statsmodels), since wander makes the
    plain one too small.
    """
    import statsmodels.api as sm

    n = len(means)
    seconds = np.arange(n) - (n - 1) / 2
    lags = min(n // 4, max(1, round(1.3 * math.sqrt(n))))
    fit = sm.OLS(means, sm.add_constant(seconds)).fit(
        cov_type="HAC", cov_kwds={"maxlags": lags, "use_correction": True}
    )
    sd = math.sqrt(float(np.sum(fit.resid**2)) / (n - 2))
    return Estimate(float(fit.params[1]), float(fit.bse[1]), n - 2), sd


def _point(point: AllanPoint, unit: str) -> dict[str, float]:
    return {
        "averaging_s": point.averaging_s,
        f"deviation_{unit}": point.deviation,
        f"u_{unit}": point.u,
        "dof": point.dof,
    }


def _spike_details(time_s: Floats, value: Floats, spikes: npt.NDArray[np.int64], unit: str) -> JsonObject:
    off = np.abs(value[spikes] - float(np.median(value)))
    return {
        "count": len(spikes),
        f"largest_{unit}": float(np.max(off)) if len(spikes) else 0.0,
        "times_s": [float(s) for s in time_s[spikes[:20]]],
    }


def _hum(hum: Hum, unit: str) -> JsonObject:
    return {
        "mains_Hz": hum.mains_Hz,
        "seen_at_Hz": hum.seen_at_Hz,
        f"amplitude_{unit}": hum.amplitude,
        f"u_amplitude_{unit}": hum.u,
        "found": hum.found,
        "hidden": hum.hidden,
    }


def _flags(details: JsonObject, hums: list[Hum], drift: Estimate, unit: str) -> list[Flag]:
    noise = details[f"noise_of_a_reading_{unit}"]
    flags = []
    if details["seconds"] < SHORT_S:
        text = (
            "The trace is short: noise over the length of a grind is poorly known, and a zero that waves with half a "
            f"minute or a minute is not seen; record {SHORT_S:g} s and more."
        )
        flags.append(Flag("short", "note", text, {"seconds": details["seconds"], "threshold_s": SHORT_S}))
    if details["spikes"]["count"]:
        text = "Single readings jump: a cable was touched, or a contact is loose."
        flags.append(Flag("spikes", "doubt", text, details["spikes"] | {"threshold_sigmas": SPIKE_SIGMAS}))
    if abs(drift.value) > DRIFT_SIGMAS * drift.u and drift.u > 0:
        text = "The input drifts: bias current, or charge left on the cup that leaks away."
        slope = {f"drift_{unit}_per_s": drift.value, "threshold": DRIFT_SIGMAS * drift.u}
        flags.append(Flag("drift", "note", text, slope))
    for hum in hums:
        evidence = {f"amplitude_{unit}": hum.amplitude, "seen_at_Hz": hum.seen_at_Hz, "mains_Hz": hum.mains_Hz}
        if hum.found and hum.amplitude is not None and hum.amplitude > HUM_SHARE * noise:
            text = f"Hum of {hum.mains_Hz:g} Hz mains is larger than the noise: look at grounding and shielding."
            flags.append(Flag("hum", "doubt", text, evidence | {f"threshold_{unit}": HUM_SHARE * noise}))
        if hum.hidden:
            text = (
                f"At this rate {hum.mains_Hz:g} Hz hum folds to nearly 0 Hz: it would look like an offset that creeps."
            )
            flags.append(Flag("hum-hidden", "note", text, evidence))
    return flags

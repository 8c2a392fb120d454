"""Leakage: a known charge is put on the cup and decays. Owns time constant and bias current with uncertainties.

The trace is fitted with the very model that corrects runs, so that what is found here means the same there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

from chargebench.processing.charge import ChargeFit, DriftPriors, charge_fit, posterior_cov
from chargebench.processing.drift import Prior
from chargebench.processing.integral import block_sums, charge_integral
from chargebench.processing.outcome import Estimate, Flag
from chargebench.processing.qualify.occasion import Occasion
from chargebench.processing.qualify.qualification import Qualification
from chargebench.processing.series import Series
from chargebench.processing.stretches import Stretches

__all__ = ["leakage"]

BROAD: Final = DriftPriors(leakage=Prior(0.0, 1.0), bias=Prior(0.0, 100.0))
"""Time constants of 1 s and more, bias currents of 100 nA and less: nothing is known beforehand. That 1/τ is never
negative is left to the runs: cut off here as well, a bench that does not leak would seem to leak a little, and its bias
current would be off by what that takes away."""
RESOLVED: Final = 3.0
"""Standard uncertainties that 1/τ must lie above zero to be called found."""
POOR: Final = 0.1
BLOCK_S: Final = 0.1
FIT: Final[Mapping[str, float | str]] = {
    "blocks_for_fit": 120.0,
    "block_s": BLOCK_S,
    "alias_ratio": 40.0,
    "alias_cycles": 3.0,
    "drift_model": "leakage",
    "curved_log_odds": 5.0,
}


def _fit(series: Series, before_end_s: float, after_start_s: float) -> ChargeFit | None:
    integral, bridges = charge_integral(series)
    fine = block_sums(series, integral, max(BLOCK_S, 2.0 * series.step_s))
    first_s, last_s = float(series.time_s[0]), float(series.time_s[-1])
    stretches = Stretches((first_s, before_end_s), (after_start_s, last_s), (before_end_s, after_start_s), how="marks")
    return charge_fit(series, fine, bridges, stretches, BROAD, FIT)


def leakage(occasion: Occasion, series: Series, before_end_s: float, after_start_s: float) -> Qualification:
    """Time constant and bias current from a charge that was put on the cup and left alone.

    Parameters
    ----------
    occasion : Occasion
    series : Series
        Charge in nC: quiet, then the injection, then the decay, the longer the better.
    before_end_s, after_start_s : float
        End of the quiet stretch before the injection, and start of the undisturbed decay.

    Returns
    -------
    Qualification
        ``leakage_rate_per_s`` (1/τ, which is what the data tell; it may be 0 within its uncertainty) and
        ``bias_current_nA``.

    Raises
    ------
    ValueError
        When either stretch is too short, or there is a break in the trace.

    Notes
    -----
    q = c - S/τ + I_b·t with S the time integral of q, over both stretches at once; the covariance of correlated noise
    is averaged over what the residuals allow (see `chargebench.processing.drift`). A rate found below zero is given as
    zero, its uncertainty kept.
    """
    if not len(series) or series.breaks:
        what = f"{series.breaks[0].kind} at {series.breaks[0].start_s:.3f} s" if series.breaks else "no reading"
        raise ValueError(f"leakage: {what}; allowed is a charge trace without a break")
    fit = _fit(series, before_end_s, after_start_s)
    if fit is None:
        spans = f"{before_end_s - series.time_s[0]:.1f} s before and {series.time_s[-1] - after_start_s:.1f} s after"
        raise ValueError(f"leakage: {spans} the injection; both must hold a second of readings and more")
    posterior = fit.posterior
    slope, u, dof = posterior.interval(posterior.vector(leakage=1.0))
    rate = Estimate(max(0.0, slope), u, dof)
    bias = Estimate(*posterior.interval(posterior.vector(bias=1.0)))
    details = _details(fit, rate, bias, float(series.time_s[-1]) - after_start_s)
    values = {"leakage_rate_per_s": rate, "bias_current_nA": bias}
    return occasion.qualification("leakage", values, details, _flags(rate, details))


def _details(fit: ChargeFit, rate: Estimate, bias: Estimate, decay_s: float) -> dict[str, Any]:
    covariance = posterior_cov(fit.posterior)
    i, j = (fit.posterior.names.index(name) for name in ("leakage", "bias"))
    tau: dict[str, Any] = {"shortest_leakage_time_constant_s": 1.0 / (rate.value + rate.U95)}
    if rate.value > RESOLVED * rate.u:
        tau |= {"leakage_time_constant_s": 1 / rate.value, "u_leakage_time_constant_s": rate.u / rate.value**2}
    return tau | {
        "bias_current_pA": bias.value * 1e3,
        "u_bias_current_pA": bias.u * 1e3,
        "correlation_rate_bias": float(covariance[i, j] / math.sqrt(covariance[i, i] * covariance[j, j])),
        "injected_charge_nC": fit.net[0],
        "u_injected_charge_nC": fit.net[1],
        "decay_s": decay_s,
        "noise_of_a_reading_nC": fit.noise[0],
    }


def _flags(rate: Estimate, details: Mapping[str, Any]) -> list[Flag]:
    evidence = {"rate_per_s": rate.value, "u_rate_per_s": rate.u}
    if rate.value <= RESOLVED * rate.u:
        text = "No leakage was found beyond the uncertainty: inject more charge or wait longer for a better bound."
        return [Flag("leakage-not-resolved", "note", text, evidence | {"threshold_u": RESOLVED})]
    if rate.u > POOR * rate.value:
        text = "The time constant is poorly known: inject more charge or wait longer."
        return [Flag("leakage-poor", "doubt", text, evidence | {"threshold_relative": POOR})]
    return []

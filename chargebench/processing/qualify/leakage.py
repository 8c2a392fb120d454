"""Leakage: a known charge is put on the cup and decays. Owns time constant and bias current with uncertainties.

The trace is fitted with the very model that corrects runs, so that what is found here means the same there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

from chargebench.bounded import JsonObject
from chargebench.processing.charge import ChargeFit
from chargebench.processing.outcome import Estimate, Flag
from chargebench.processing.qualify.occasion import Occasion
from chargebench.processing.qualify.qualification import Qualification
from chargebench.processing.qualify.step import fit_step
from chargebench.processing.series import Series

__all__ = ["leakage"]

RESOLVED: Final = 3.0
"""Standard uncertainties that 1/τ must lie above zero to be called found."""
POOR: Final = 0.1


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
        ``leakage_rate_per_s`` (1/τ, which is what the data tell; it may be 0 within its uncertainty),
        ``bias_current_nA`` and ``correlation_rate_bias``: while the charge decays, more leakage looks much like less
        bias current of its sign, so that the two are known far better together than apart.

    Raises
    ------
    ValueError
        When either stretch is too short, or there is a break in the trace.

    Notes
    -----
    q = c - S/τ + I_b·t with S the time integral of q, over both stretches at once; the covariance of correlated noise
    is averaged over what the residuals allow (see `chargebench.processing.drift`). A rate found below zero is given as
    zero, with the bias current that goes with it, uncertainties kept.
    """
    if not len(series):
        raise ValueError("leakage: no reading; allowed is a charge trace without a break")
    ends = float(series.time_s[0]), float(series.time_s[-1])
    fit = fit_step(series, (ends[0], before_end_s), (after_start_s, ends[1]))
    posterior = fit.posterior
    slope, u, dof = posterior.interval(posterior.vector(leakage=1.0))
    rate = Estimate(max(0.0, slope), u, dof)
    found_nA, u_bias_nA, dof_bias = posterior.interval(posterior.vector(bias=1.0))
    together = _correlation(fit)
    bias = Estimate(found_nA + together * u_bias_nA / u * (rate.value - slope), u_bias_nA, dof_bias)
    details = _details(fit, rate, bias, ends[1] - after_start_s)
    values = {
        "leakage_rate_per_s": rate, "bias_current_nA": bias, "correlation_rate_bias": Estimate(together, 0.0),
    }  # fmt: skip
    return occasion.qualification("leakage", values, details, _flags(rate, details))


def _correlation(fit: ChargeFit) -> float:
    """Of the errors of leakage rate and bias current."""
    covariance = fit.posterior.covariance
    i, j = (fit.posterior.names.index(name) for name in ("leakage", "bias"))
    return float(covariance[i, j] / math.sqrt(covariance[i, i] * covariance[j, j]))


def _details(fit: ChargeFit, rate: Estimate, bias: Estimate, decay_s: float) -> JsonObject:
    tau: JsonObject = {"shortest_leakage_time_constant_s": 1.0 / (rate.value + rate.U95)}
    if rate.value > RESOLVED * rate.u:
        tau |= {"leakage_time_constant_s": 1 / rate.value, "u_leakage_time_constant_s": rate.u / rate.value**2}
    return tau | {
        "bias_current_pA": bias.value * 1e3,
        "u_bias_current_pA": bias.u * 1e3,
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

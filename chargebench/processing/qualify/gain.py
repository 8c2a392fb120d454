"""Charge calibration: known charges C·V against what the bench displays. Owns the straight line and its verdict."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from chargebench.bounded import JsonObject
from chargebench.processing.outcome import Estimate, Flag
from chargebench.processing.qualify.line import Line, fit_line
from chargebench.processing.qualify.occasion import Occasion
from chargebench.processing.qualify.qualification import Qualification

__all__ = ["Level", "Standard", "gain"]

Floats = npt.NDArray[np.float64]

FEWEST_LEVELS: Final = 3
FEW_LEVELS: Final = 5
SCATTER_CHANCE: Final = 0.01
SIGMAS: Final = 3.0
PLAUSIBLE_GAIN: Final = (0.5, 2.0)


@dataclass(frozen=True)
class Standard:
    """The charge standard: a capacitor and a voltage source.

    Attributes
    ----------
    capacitor_nF, u_capacitor_nF : float
        Capacitance and its standard uncertainty, the same for every level.
    u_volts : float
        Standard uncertainty of each voltage by itself: setting, resolution, noise.
    u_volts_relative : float
        Relative standard uncertainty of the voltmeter's calibration, the same for every level.
    """

    capacitor_nF: float
    u_capacitor_nF: float
    u_volts: float = 0.0
    u_volts_relative: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what cannot be.

        Raises
        ------
        ValueError
            When the capacitance is not above zero or an uncertainty is negative.
        """
        if not (self.capacitor_nF > 0 and math.isfinite(self.capacitor_nF)):
            raise ValueError(f"capacitor: {self.capacitor_nF:g} nF, allowed above 0")
        if min(self.u_capacitor_nF, self.u_volts, self.u_volts_relative) < 0:
            raise ValueError("charge standard: uncertainties must not be negative")

    @property
    def u_relative(self) -> float:
        """Relative standard uncertainty that all levels share; it does not average down."""
        return math.hypot(self.u_capacitor_nF / self.capacitor_nF, self.u_volts_relative)


@dataclass(frozen=True)
class Level:
    """One injection: the voltage step, and the step the bench displayed with its standard uncertainty."""

    volts: float
    reading_nC: float
    u_reading_nC: float


def gain(occasion: Occasion, standard: Standard, levels: Sequence[Level]) -> Qualification:
    """Calibration factor of the charge reading, from known charges of both signs.

    Parameters
    ----------
    occasion : Occasion
    standard : Standard
    levels : sequence of Level
        Three and more, at two different voltages and more.

    Returns
    -------
    Qualification
        ``gain``: true charge per displayed charge.

    Raises
    ------
    ValueError
        When there are too few levels, an uncertainty of a reading is not above zero, or the line does not converge.

    Notes
    -----
    reading = a + b·C·V by least squares with errors in both coordinates; gain = 1/b. Where the scatter is larger than
    the stated uncertainties tell, they are enlarged by its ratio (Birge). What the levels share (capacitor, voltmeter)
    is added after the fit. The offset a belongs to the injection, not to runs: a run's charge is a difference, in
    which a constant of the display cancels.
    """
    if len(levels) < FEWEST_LEVELS:
        raise ValueError(f"gain: {len(levels)} levels, allowed {FEWEST_LEVELS} and more")
    volts = np.array([level.volts for level in levels])
    reading = np.array([level.reading_nC for level in levels])
    u_reading = np.array([level.u_reading_nC for level in levels])
    known = standard.capacitor_nF * volts
    u_known = standard.capacitor_nF * standard.u_volts
    line = fit_line(known, reading, u_known, u_reading)
    if line.slope == 0:
        raise ValueError("gain: the display does not follow the charge at all; check the wiring of the standard")
    birge = max(1.0, line.residual_sd)
    factor = 1.0 / line.slope
    u_fit = birge * line.u_slope / line.slope**2
    u = math.hypot(u_fit, factor * standard.u_relative)
    dof = math.inf if birge == 1.0 else line.dof * (u / u_fit) ** 4
    residuals = _residuals(line, known, reading, np.hypot(u_reading, line.slope * u_known))
    details = _details(line, birge, standard, residuals) | {"u_fit": u_fit, "levels": len(levels)}
    flags = _gain_flags(factor) + _levels_flags(volts) + _line_flags(line, birge, residuals)
    return occasion.qualification("gain", {"gain": Estimate(factor, u, dof)}, details, flags)


def _residuals(line: Line, known: Floats, reading: Floats, u: Floats) -> list[dict[str, float]]:
    """For the residual plot: displayed less line, against the standard."""
    off = reading - (line.intercept + line.slope * known)
    return [
        {"standard_nC": float(k), "reading_nC": float(r), "residual_nC": float(d), "u_nC": float(s)}
        for k, r, d, s in zip(known, reading, off, u, strict=True)
    ]


def _details(line: Line, birge: float, standard: Standard, residuals: list[dict[str, float]]) -> JsonObject:
    scaled = birge**2 * line.covariance
    return {
        "model": "reading_nC = offset_nC + slope * capacitor_nF * volts",
        "offset_nC": line.intercept,
        "u_offset_nC": math.sqrt(scaled[0, 0]),
        "slope": line.slope,
        "u_slope": math.sqrt(scaled[1, 1]),
        "covariance_offset_slope": float(scaled[0, 1]),
        "birge_ratio": line.residual_sd,
        "chi_square": line.sum_of_squares,
        "chi_square_p": line.chi_square_p,
        "dof": line.dof,
        "shared_relative_u": standard.u_relative,
        "capacitor_nF": standard.capacitor_nF,
        "u_capacitor_nF": standard.u_capacitor_nF,
        "u_volts": standard.u_volts,
        "u_volts_relative": standard.u_volts_relative,
        "residuals": residuals,
    }


def _curvature_sigmas(residuals: list[dict[str, float]]) -> float:
    """How many standard uncertainties a quadratic term lies from zero; 0 with fewer than four different levels."""
    known = np.array([r["standard_nC"] for r in residuals])
    if len(np.unique(known)) < 4:
        return 0.0
    left = np.array([r["residual_nC"] for r in residuals])
    weight = 1 / np.array([r["u_nC"] for r in residuals])
    terms, covariance = np.polyfit(known / np.ptp(known), left, 2, w=weight, cov="unscaled")
    return float(abs(terms[0]) / math.sqrt(covariance[0, 0]))


def _levels_flags(volts: Floats) -> list[Flag]:
    """Whether the levels tried can show what they should."""
    flags = []
    if np.all(volts >= 0) or np.all(volts <= 0):
        flags.append(Flag("one-sign", "doubt", "Only one sign of charge was tried; coffee comes in both."))
    if len(volts) < FEW_LEVELS:
        text = f"Only {len(volts)} levels: a bend or a wrong entry would go unnoticed."
        flags.append(Flag("few-levels", "doubt", text, {"levels": len(volts), "threshold_levels": FEW_LEVELS}))
    return flags


def _gain_flags(factor: float) -> list[Flag]:
    """Whether the factor can be one."""
    low, high = PLAUSIBLE_GAIN
    if factor < 0:
        text = "The display has the wrong sign: swap the leads or the polarity."
        return [Flag("polarity", "reject", text, {"gain": factor})]
    if not low <= factor <= high:
        text = "The gain is far from 1: check the units of capacitor, voltage and display."
        return [Flag("gain-implausible", "doubt", text, {"gain": factor, "threshold_low": low, "threshold_high": high})]
    return []


def _line_flags(line: Line, birge: float, residuals: list[dict[str, float]]) -> list[Flag]:
    """Whether the points lie on the line."""
    flags = []
    if line.chi_square_p < SCATTER_CHANCE:
        text = "The readings scatter more than their stated uncertainties allow; the uncertainty was enlarged."
        worst = max(abs(r["residual_nC"]) / r["u_nC"] for r in residuals)
        evidence = {"birge_ratio": birge, "p": line.chi_square_p, "threshold_p": SCATTER_CHANCE, "worst_sigmas": worst}
        flags.append(Flag("scatter", "doubt", text, evidence))
    if (bend := _curvature_sigmas(residuals)) > SIGMAS:
        text = "The residuals bend: the display is not linear over these charges."
        flags.append(Flag("curved", "doubt", text, {"sigmas": bend, "threshold_sigmas": SIGMAS}))
    if (offset := abs(line.intercept) / (birge * line.u_intercept)) > SIGMAS:
        text = "No voltage would still read a charge: the switch or lead adds some of its own."
        flags.append(Flag("injection-offset", "note", text, {"sigmas": offset, "threshold_sigmas": SIGMAS}))
    return flags

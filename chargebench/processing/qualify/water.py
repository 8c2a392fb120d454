"""Density of water and what a balance in air makes of it. Pure formulas; no measurement of ours."""

from __future__ import annotations

from typing import Final

__all__ = ["AIR_G_PER_ML", "WEIGHTS_G_PER_ML", "density_g_per_mL", "uL_per_weighed_mg"]

AIR_G_PER_ML: Final = 0.0012
"""Air at 20 °C and 101 kPa, the conventional value of OIML D 28."""
WEIGHTS_G_PER_ML: Final = 8.0
"""Density of the weights a balance was adjusted with, the conventional value of OIML D 28."""


def density_g_per_mL(temperature_C: float) -> float:
    """Density of air-free water at 101.325 kPa.

    Parameters
    ----------
    temperature_C : float
        0 to 40 °C.

    Returns
    -------
    float
        g/mL. Tap water is denser by what is dissolved in it, usually less than 0.001; the formula's own u is 1e-6.

    Raises
    ------
    ValueError
        When the temperature is outside 0 to 40 °C.

    Notes
    -----
    M. Tanaka, G. Girard, R. Davis, A. Peuto, N. Bignell, Metrologia 38 (2001) 301, equation 1.
    """
    if not 0.0 <= temperature_C <= 40.0:
        raise ValueError(f"water temperature: {temperature_C:g} °C, allowed 0 to 40 °C")
    t = temperature_C
    return 0.999974950 * (1.0 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))


def uL_per_weighed_mg(temperature_C: float) -> float:
    """Volume of water that a balance in air shows as 1 mg: the factor Z of ISO 8655-6.

    Raises
    ------
    ValueError
        As `density_g_per_mL`.
    """
    water = density_g_per_mL(temperature_C)
    return (1.0 - AIR_G_PER_ML / WEIGHTS_G_PER_ML) / (water - AIR_G_PER_ML)

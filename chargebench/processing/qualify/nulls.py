"""Null grinds: what the bench reads when no coffee falls. Blanks (grinder empty) and the ioniser's own ions.

Pure statistics on the net charges that the ordinary recipe found for such runs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from chargebench.bounded import JsonObject
from chargebench.processing.outcome import Estimate, Flag
from chargebench.processing.qualify.limits import limits
from chargebench.processing.qualify.occasion import Occasion
from chargebench.processing.qualify.qualification import Qualification

__all__ = ["FEW_RUNS", "blank", "ioniser"]

Floats = npt.NDArray[np.float64]

FEW_RUNS: Final = 5
"""Fewer runs than this are flagged: with 4 degrees of freedom a standard deviation is good to a third only."""
CHANCE: Final = 0.05


def _charges(values: npt.ArrayLike, what: str) -> Floats:
    charges = np.asarray(values, np.float64)
    if charges.ndim != 1 or len(charges) < 2 or not np.all(np.isfinite(charges)):
        raise ValueError(f"{what}: {charges.size} net charges, allowed 2 and more finite ones")
    if np.ptp(charges) == 0:
        raise ValueError(f"{what}: every net charge is {charges[0]:g} nC; runs that truly repeat scatter")
    return charges


def _mean(charges: Floats) -> Estimate:
    n = len(charges)
    return Estimate(float(np.mean(charges)), float(np.std(charges, ddof=1)) / math.sqrt(n), n - 1)


def _differs_from_zero(estimate: Estimate) -> bool:
    return abs(estimate.value) > estimate.U95


def _few(n: int) -> list[Flag]:
    if n >= FEW_RUNS:
        return []
    text = f"Only {n} runs: the spread is poorly known, and the limits are wide because of it."
    return [Flag("few-runs", "doubt", text, {"runs": n, "threshold_runs": FEW_RUNS})]


def _spread(charges: Floats) -> JsonObject:
    mean = _mean(charges)
    return {
        "runs": len(charges),
        "net_charges_nC": [float(q) for q in charges],
        "mean_nC": mean.value,
        "u_mean_nC": mean.u,
        "sd_nC": float(np.std(charges, ddof=1)),
    }


def _lengths(key: str, grinds_s: npt.ArrayLike | None) -> dict[str, Estimate]:
    """How long the null grinds lasted, so that runs of another length can be told; nothing where nobody knows."""
    lengths = np.asarray([] if grinds_s is None else grinds_s, np.float64)
    if not lengths.size:
        return {}
    if not np.all((lengths > 0) & np.isfinite(lengths)):
        raise ValueError(f"length of the null grinds: {lengths.tolist()} s, allowed above 0")
    spread = float(np.std(lengths, ddof=1)) if lengths.size > 1 else 0.0
    return {key: Estimate(float(np.mean(lengths)), spread, max(lengths.size - 1, 1))}


def blank(
    occasion: Occasion, net_charges_nC: npt.ArrayLike, dose_g: float, grinds_s: npt.ArrayLike | None = None
) -> Qualification:
    """Detection capability from blank runs: grinder running empty, cup handled as in a run.

    Parameters
    ----------
    occasion : Occasion
    net_charges_nC : float array (n,)
        Net charge of each blank, n of 2 and more.
    dose_g : float
        Dose for which the limits are stated per gram.
    grinds_s : float array (n,), optional
        How long each lasted.

    Returns
    -------
    Qualification
        ``net_charge_floor_nC`` (0, with the root mean square of the blanks as its u), ``detection_limit_nC``, and
        ``net_charge_floor_grind_s`` where the lengths are known.

    Raises
    ------
    ValueError
        When there are fewer than two charges, they are all the same, or the dose or a length is not above zero.

    Notes
    -----
    A run's result is not corrected for the blank, so a blank mean that is not zero is added to both limits by its
    absolute value. The charge may have either sign; limits are one-sided, for the sign that is found, as in
    L. A. Currie, Pure Appl. Chem. 67 (1995) 1699 and ISO 11843. A blank holds what handling, switching and the
    empty grinder add; it does not hold what only coffee brings, such as dust that misses the cup.
    """
    charges = _charges(net_charges_nC, "blank")
    if not (dose_g > 0 and math.isfinite(dose_g)):
        raise ValueError(f"dose: {dose_g:g} g, allowed above 0")
    n, mean, sd = len(charges), _mean(charges), float(np.std(charges, ddof=1))
    found = limits(sd, n - 1, blanks=n)
    shift = abs(mean.value)
    detection = shift + found.detection
    flags = _few(n)
    if _differs_from_zero(mean):
        text = "The blanks do not average to zero: something besides coffee charges the cup."
        flags.append(Flag("blank-not-zero", "doubt", text, {"mean_nC": mean.value, "threshold_nC": mean.U95}))
    charge_limits = {
        "critical_level": shift + found.critical,
        "detection_limit": detection,
        "quantitation_limit": shift + found.quantitation,
    }
    details = _spread(charges) | {f"{key}_nC": value for key, value in charge_limits.items()}
    details |= {f"{key}_nC_per_g": value / dose_g for key, value in charge_limits.items()}
    details |= {"dose_g": dose_g, "chance_of_either_mistake": CHANCE}
    values = {
        "net_charge_floor_nC": Estimate(0.0, math.hypot(mean.value, sd), n - 1),
        "detection_limit_nC": Estimate(detection, found.detection / math.sqrt(2 * (n - 1)), n - 1),
    } | _lengths("net_charge_floor_grind_s", grinds_s)
    return occasion.qualification("blank", values, details, flags)


def ioniser(
    occasion: Occasion,
    net_charges_nC: npt.ArrayLike,
    off_charges_nC: Sequence[float] = (),
    grinds_s: npt.ArrayLike | None = None,
    cup_capacitance_pF: float | None = None,
) -> Qualification:
    """Background that an ioniser's own ions leave in the cup, from null grinds with it on.

    Parameters
    ----------
    occasion : Occasion
    net_charges_nC : float array (n,)
        Net charge of each null grind with the ioniser on, n of 2 and more.
    off_charges_nC : sequence of float
        The same with it off; with two and more the offset is the difference (Welch), else it is taken against zero.
    grinds_s : float array (n,), optional
        How long each null grind lasted, for the offset as a current.
    cup_capacitance_pF : float or None
        Capacitance of the inner cup to its shield, for the offset as a voltage.

    Returns
    -------
    Qualification
        ``ioniser_background_nC``: the mean, with the uncertainty of one further run's background,
        s·sqrt(1 + 1/n); and ``ioniser_background_grind_s`` where the lengths are known.

    Raises
    ------
    ValueError
        When there are fewer than two charges, they are all the same, or a length or capacitance is not above zero.

    Notes
    -----
    IEC 61340-4-7 tells an ioniser's balance by the offset voltage of an isolated plate; a cup of known capacitance is
    such a plate, but of another shape, so voltages compare within one bench only.
    """
    charges = _charges(net_charges_nC, "ioniser")
    if cup_capacitance_pF is not None and not (cup_capacitance_pF > 0 and math.isfinite(cup_capacitance_pF)):
        raise ValueError(f"cup capacitance: {cup_capacitance_pF:g}, allowed above 0")
    lengths = _lengths("ioniser_background_grind_s", grinds_s)
    n, mean, sd = len(charges), _mean(charges), float(np.std(charges, ddof=1))
    offset = mean if len(off_charges_nC) < 2 else _difference(mean, _mean(_charges(off_charges_nC, "ioniser off")))
    details = _spread(charges) | {"offset_nC": offset.value, "u_offset_nC": offset.u, "offset_dof": offset.dof}
    details["off_charges_nC"] = [float(q) for q in off_charges_nC]
    for length in lengths.values():
        details |= {"offset_current_nA": offset.value / length.value, "u_offset_current_nA": offset.u / length.value}
    if cup_capacitance_pF is not None:
        per_volt_nC = cup_capacitance_pF / 1e3
        details |= {"offset_voltage_V": offset.value / per_volt_nC, "u_offset_voltage_V": offset.u / per_volt_nC}
    flags = _few(n)
    if _differs_from_zero(offset):
        text = (
            "The ioniser is out of balance: its own ions charge the cup, and every ionised run is corrected for them."
        )
        flags.append(Flag("ioniser-offset", "note", text, {"offset_nC": offset.value, "threshold_nC": offset.U95}))
    values = {"ioniser_background_nC": Estimate(mean.value, sd * math.sqrt(1 + 1 / n), n - 1)}
    return occasion.qualification("ioniser", values | lengths, details, flags)


def _difference(a: Estimate, b: Estimate) -> Estimate:
    """Difference of two means with Welch-Satterthwaite degrees of freedom."""
    variance = a.u**2 + b.u**2
    return Estimate(a.value - b.value, math.sqrt(variance), variance**2 / (a.u**4 / a.dof + b.u**4 / b.dof))

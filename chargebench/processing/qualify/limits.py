"""Critical level, detection limit and quantitation limit from blanks. Pure statistics; knows no charge and no mass."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

__all__ = ["QUANTITATION_FACTOR", "Limits", "limits"]

QUANTITATION_FACTOR: Final = 10.0
"""Quantitation limit over standard deviation: relative standard deviation of 10 % there (IUPAC 1995)."""


@dataclass(frozen=True)
class Limits:
    """What a method can tell from nothing, all in the unit of the standard deviation given.

    Attributes
    ----------
    critical : float
        A result above it is called different from the blank, wrongly so with probability alpha.
    detection : float
        A true value that stays below the critical level with probability beta only.
    quantitation : float
        Ten standard deviations; more where the standard deviation itself is poorly known.
    dof : float
        Degrees of freedom of the standard deviation.
    """

    critical: float
    detection: float
    quantitation: float
    dof: float


def _noncentrality(critical_t: float, dof: float, beta: float) -> float:
    """Shift at which a noncentral t with `dof` stays below `critical_t` with probability `beta`."""
    from scipy.optimize import brentq
    from scipy.special import nctdtr

    return float(brentq(lambda shift: nctdtr(dof, shift, critical_t) - beta, 0.0, 10.0 * critical_t + 10.0))


def limits(
    sd: float, dof: float = math.inf, blanks: int | None = None, alpha: float = 0.05, beta: float = 0.05
) -> Limits:
    """Limits of a single result that is compared with blanks.

    Parameters
    ----------
    sd : float
        Standard deviation of a blank result, above zero.
    dof : float
        Its degrees of freedom; infinite where it is known.
    blanks : int or None
        Number of blanks whose mean the result is compared with, which adds 1/blanks to the variance; None where the
        blank value is known.
    alpha, beta : float
        Chances of either mistake; one-sided.

    Returns
    -------
    Limits

    Raises
    ------
    ValueError
        When the standard deviation is not above zero or there is less than one degree of freedom.

    Notes
    -----
    L. A. Currie, Pure Appl. Chem. 67 (1995) 1699: with sd known, 1.645 and 3.29 sd. With sd estimated, Student t for
    the critical level and the noncentral t for the detection limit, as ISO 11843-2 and -5; normality assumed. The
    quantitation limit grows as the critical level does (our choice: neither text treats few blanks), which keeps it
    above the detection limit.
    """
    if not (sd > 0 and math.isfinite(sd)):
        raise ValueError(f"standard deviation of the blanks: {sd:g}, allowed above 0")
    if dof < 1:
        raise ValueError(f"degrees of freedom of the blanks: {dof:g}, allowed 1 and above")
    from scipy.special import ndtri, stdtrit

    spread = sd * math.sqrt(1.0 + (1.0 / blanks if blanks else 0.0))
    sure = float(ndtri(1 - alpha))
    if math.isinf(dof):
        critical, shift = sure, sure + float(ndtri(1 - beta))
    else:
        critical = float(stdtrit(dof, 1 - alpha))
        shift = _noncentrality(critical, dof, beta)
    return Limits(critical * spread, shift * spread, QUANTITATION_FACTOR * critical / sure * spread, dof)

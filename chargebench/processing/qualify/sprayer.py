"""Grams a sprayer gives per spray, from weighings of the bottle. Pure statistics; water is water."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from chargebench.bounded import JsonObject
from chargebench.processing.outcome import Estimate, Flag
from chargebench.processing.qualify.occasion import Occasion
from chargebench.processing.qualify.qualification import Qualification
from chargebench.processing.qualify.water import density_g_per_mL, uL_per_weighed_mg

__all__ = ["Weighing", "sprayer", "spread_of"]

Floats = npt.NDArray[np.float64]

FEWEST_WEIGHINGS: Final = 3
FEW_WEIGHINGS: Final = 5
LARGE_SPREAD: Final = 0.10
"""Relative spread of one spray above which counting sprays is flagged. Common practice, no source."""
TREND_CHANCE: Final = 0.01


@dataclass(frozen=True)
class Weighing:
    """The bottle's weight before and after a number of sprays, in g as the scale shows it."""

    sprays: int
    before_g: float
    after_g: float

    def __post_init__(self) -> None:
        """Refuse what cannot be.

        Raises
        ------
        ValueError
            When there is no spray, a weight is not finite, or the bottle did not become lighter.
        """
        if self.sprays < 1:
            raise ValueError(f"weighing: {self.sprays} sprays, allowed 1 and more")
        if not (math.isfinite(self.before_g) and math.isfinite(self.after_g) and self.after_g < self.before_g):
            raise ValueError(f"weighing: {self.before_g:g} g before, {self.after_g:g} g after; must become lighter")

    @property
    def given_g(self) -> float:
        """What the sprays took away."""
        return self.before_g - self.after_g


def _spray_sd(sprays: Floats, given: Floats, per_spray: float, u_difference_g: float) -> float:
    """Standard deviation of one spray, the weighings' own variance taken out.

    With var(given) = N·s² + u², the sum of (given - N·mean)²/N expects (n - 1)·s² + u²·(sum of 1/N - n/sum of N).
    """
    n = len(sprays)
    squares = float(np.sum((given - sprays * per_spray) ** 2 / sprays))
    weighing = u_difference_g**2 * float(np.sum(1 / sprays) - n / np.sum(sprays))
    return math.sqrt(max(0.0, squares - weighing) / (n - 1))


def spread_of(sprays: int, spray: Estimate, spray_sd_g: float) -> Estimate:
    """Mass of so many sprays, with the uncertainty of doing it once more.

    Sprays vary independently; what is not known of the mean is common to them all.
    """
    return Estimate(sprays * spray.value, math.sqrt(sprays * spray_sd_g**2 + (sprays * spray.u) ** 2), spray.dof)


def sprayer(
    occasion: Occasion,
    weighings: Sequence[Weighing],
    temperature_C: float,
    u_weighing_g: float = 0.0,
    u_scale_relative: float = 0.0,
) -> Qualification:
    """Mass and volume per spray.

    Parameters
    ----------
    occasion : Occasion
    weighings : sequence of Weighing
        Three and more, in order.
    temperature_C : float
        Of the water, 0 to 40 °C.
    u_weighing_g : float
        Standard uncertainty of one reading of the scale: repeatability and resolution. A difference has sqrt(2) of it.
    u_scale_relative : float
        Relative standard uncertainty of the scale's calibration, common to all weighings.

    Returns
    -------
    Qualification
        ``spray_g`` (mass as weighed, which is how coffee is weighed too) and ``spray_sd_g`` (spread of one spray).

    Raises
    ------
    ValueError
        When there are too few weighings, an uncertainty is negative, or the temperature is out of range.
    """
    if len(weighings) < FEWEST_WEIGHINGS:
        raise ValueError(f"sprayer: {len(weighings)} weighings, allowed {FEWEST_WEIGHINGS} and more")
    if min(u_weighing_g, u_scale_relative) < 0:
        raise ValueError("sprayer: uncertainties of the scale must not be negative")
    sprays = np.array([w.sprays for w in weighings], np.float64)
    given = np.array([w.given_g for w in weighings])
    n, total = len(weighings), float(np.sum(sprays))
    per_spray = float(np.sum(given)) / total
    u_difference = math.sqrt(2) * u_weighing_g
    sd = _spray_sd(sprays, given, per_spray, u_difference)
    u = math.sqrt(sd**2 / total + n * u_difference**2 / total**2 + (u_scale_relative * per_spray) ** 2)
    spray = Estimate(per_spray, u, n - 1)
    values = {"spray_g": spray, "spray_sd_g": Estimate(sd, sd / math.sqrt(2 * (n - 1)), n - 1)}
    flags = _flags(given / sprays, sd, per_spray)
    details = _details(weighings, spray, sd, temperature_C)
    return occasion.qualification("sprayer", values, details, flags)


def _details(weighings: Sequence[Weighing], spray: Estimate, sd: float, temperature_C: float) -> JsonObject:
    uL_per_g = 1e3 * uL_per_weighed_mg(temperature_C)
    several = {k: spread_of(k, spray, sd) for k in (1, 2, 3, 5, 10)}
    return {
        "weighings": [
            {"sprays": w.sprays, "before_g": w.before_g, "after_g": w.after_g, "g_per_spray": w.given_g / w.sprays}
            for w in weighings
        ],
        "water_temperature_C": temperature_C,
        "water_density_g_per_mL": density_g_per_mL(temperature_C),
        "spray_uL": spray.value * uL_per_g,
        "u_spray_uL": spray.u * uL_per_g,
        "relative_spread_of_one_spray": sd / spray.value,
        "sprays": [{"sprays": k, "mass_g": e.value, "u_g": e.u} for k, e in several.items()],
    }


def _trend_p(per_spray: Floats) -> float:
    """Chance of such a correlation of mass per spray with order, were there no trend."""
    from scipy.special import stdtr

    n = len(per_spray)
    if n < 4 or np.ptp(per_spray) == 0:
        return 1.0
    r = float(np.corrcoef(np.arange(n), per_spray)[0, 1])
    t = abs(r) * math.sqrt((n - 2) / max(1 - r**2, 1e-12))
    return 2 * float(stdtr(n - 2, -t))


def _flags(per_spray: Floats, sd: float, mean: float) -> list[Flag]:
    flags = []
    if len(per_spray) < FEW_WEIGHINGS:
        text = f"Only {len(per_spray)} weighings: the spread of a spray is poorly known."
        flags.append(
            Flag("few-weighings", "doubt", text, {"weighings": len(per_spray), "threshold_weighings": FEW_WEIGHINGS})
        )
    if sd > LARGE_SPREAD * mean:
        text = "Sprays differ much from one to the next: weigh the water of each dose instead of counting sprays."
        flags.append(Flag("spray-spread", "doubt", text, {"relative_spread": sd / mean, "threshold": LARGE_SPREAD}))
    if (p := _trend_p(per_spray)) < TREND_CHANCE:
        text = "Mass per spray changes from weighing to weighing: the pump is not primed, or the bottle runs empty."
        flags.append(Flag("spray-trend", "doubt", text, {"p": p, "threshold_p": TREND_CHANCE}))
    return flags

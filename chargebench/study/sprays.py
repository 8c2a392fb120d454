"""Water arithmetic: µL per gram of coffee, mL, g and whole sprays of one bottle. Pure; no file, no plan."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable
from dataclasses import dataclass

from chargebench.processing.qualify.water import density_g_per_mL

__all__ = ["Portion", "alike", "portion"]


@dataclass(frozen=True)
class Portion:
    """The water of one run.

    Attributes
    ----------
    wanted_uL_per_g, reached_uL_per_g : float
        Dose asked for, and the nearest that whole sprays reach (equal where no sprayer is known).
    u_reached_uL_per_g : float
        Standard uncertainty of the reached dose from the spread of the sprays; 0 where none is known.
    volume_mL, mass_g : float
        Of the reached dose.
    sprays : int or None
        Whole sprays; None where no sprayer is known.
    """

    wanted_uL_per_g: float
    reached_uL_per_g: float
    u_reached_uL_per_g: float
    volume_mL: float
    mass_g: float
    sprays: int | None

    @property
    def error_uL_per_g(self) -> float:
        """What whole sprays add to (or take from) the dose asked for."""
        return self.reached_uL_per_g - self.wanted_uL_per_g


def portion(
    wanted_uL_per_g: float,
    coffee_g: float,
    spray_g: float | None = None,
    u_spray_g: float = 0.0,
    temperature_C: float = 20.0,
) -> Portion:
    """Water for one run.

    Parameters
    ----------
    wanted_uL_per_g : float
        Dose asked for, µL of water per g of coffee.
    coffee_g : float
        Mass of the beans, g.
    spray_g, u_spray_g : float
        Mass of one spray and the standard deviation between sprays, g; sprays are taken as independent of each other.
    temperature_C : float
        Of the water, for its density.

    Notes
    -----
    A dose above zero gets at least one spray: a run planned as misted is never left dry by rounding.
    """
    density = density_g_per_mL(temperature_C)
    volume_mL = wanted_uL_per_g * coffee_g / 1000.0
    if spray_g is None:
        return Portion(wanted_uL_per_g, wanted_uL_per_g, 0.0, volume_mL, volume_mL * density, None)
    sprays = max(round(volume_mL * density / spray_g), 1) if wanted_uL_per_g > 0 else 0
    mass_g = sprays * spray_g
    uL_per_g_of_g = 1000.0 / density / coffee_g
    return Portion(
        wanted_uL_per_g,
        mass_g * uL_per_g_of_g,
        math.sqrt(sprays) * u_spray_g * uL_per_g_of_g,
        mass_g / density,
        mass_g,
        sprays,
    )


def alike(portions: Iterable[Portion]) -> list[list[Portion]]:
    """Groups of two and more portions, asked for apart, that come to the same number of sprays."""
    counted = sorted((p for p in set(portions) if p.sprays), key=lambda p: (p.sprays or 0, p.wanted_uL_per_g))
    groups = [list(group) for _, group in itertools.groupby(counted, key=lambda p: p.sprays)]
    return [group for group in groups if len(group) > 1]

"""What a virtual bench is made of: coffee, grinder, dose curve, electrometer, scale, room. Owns the known truth.

Values only: nothing here draws a random number, keeps time or writes a byte. All names are invented.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from chargebench.errors import InputError

__all__ = [
    "SCENARIOS",
    "Coffee",
    "DoseCurve",
    "Electrometer",
    "Grinder",
    "Room",
    "ScaleModel",
    "Scenario",
    "Sprayer",
    "scenario",
]


@dataclass(frozen=True)
class DoseCurve:
    """Charge per gram of dry coffee against water dose: an exponential approach to a plateau.

    Attributes
    ----------
    dry_nC_per_g, plateau_nC_per_g : float
        Charge without water and with very much of it, signed.
    scale_uL_per_g : float
        Dose over which the distance to the plateau falls to 1/e; infinite where water does nothing.
    """

    dry_nC_per_g: float
    plateau_nC_per_g: float = 0.0
    scale_uL_per_g: float = 8.686

    def remaining(self, dose_uL_per_g: float) -> float:
        """Share of the distance between dry and plateau that is left, 0..1."""
        return math.exp(-dose_uL_per_g / self.scale_uL_per_g)

    def at(self, dose_uL_per_g: float) -> float:
        """Charge at a dose, nC per gram of dry coffee."""
        return self.plateau_nC_per_g + (self.dry_nC_per_g - self.plateau_nC_per_g) * self.remaining(dose_uL_per_g)

    def dose_at(self, charge_nC_per_g: float) -> float | None:
        """Dose at which the curve passes a charge, µL/g, or None where it never does."""
        span = self.dry_nC_per_g - self.plateau_nC_per_g
        left = (charge_nC_per_g - self.plateau_nC_per_g) / span if span else 0.0
        if not 0.0 < left <= 1.0 or math.isinf(self.scale_uL_per_g):
            return None
        return -self.scale_uL_per_g * math.log(left)

    def dose_within(self, band_nC_per_g: float) -> float | None:
        """Dose from which on the charge stays inside ± a band, µL/g, or None where it never does."""
        if abs(self.dry_nC_per_g) <= band_nC_per_g and abs(self.plateau_nC_per_g) <= band_nC_per_g:
            return 0.0
        if abs(self.plateau_nC_per_g) > band_nC_per_g:
            return None
        return self.dose_at(math.copysign(band_nC_per_g, self.dry_nC_per_g))

    def fraction_dose(self, fraction: float = 0.1) -> float | None:
        """Dose at which the size of the charge first falls to a fraction of its dry size, µL/g, or None."""
        return self.dose_at(fraction * self.dry_nC_per_g)

    def crossing_dose(self) -> float | None:
        """Dose at which the sign changes, µL/g; None where it does not."""
        return self.dose_at(0.0) if self.plateau_nC_per_g else None

    def truth(self, fraction: float = 0.1, band_nC_per_g: float | None = None) -> dict[str, float | None]:
        """The neutralising doses that follow from the curve; the band is 5 % of the dry charge unless given."""
        band = abs(self.dry_nC_per_g) * 0.05 if band_nC_per_g is None else band_nC_per_g
        return {
            "fraction": fraction,
            "fraction_dose_uL_per_g": self.fraction_dose(fraction),
            "band_nC_per_g": band,
            "equivalence_dose_uL_per_g": self.dose_within(band),
            "crossing_dose_uL_per_g": self.crossing_dose(),
        }


@dataclass(frozen=True)
class Coffee:
    """A coffee. `bipolar_nC_per_g` arrives in either sign and cancels in the net charge."""

    name: str = "Ostermoor washed"
    bipolar_nC_per_g: float = 6.0


@dataclass(frozen=True)
class Grinder:
    """A grinder's flow and losses.

    Attributes
    ----------
    filter_g_per_s, espresso_g_per_s : float
        Steady throughput at the two settings; a much lower second one is a bottleneck at the burrs.
    dead_time_s, ramp_s, tail_s : float
        From switching on to the first grounds; linear rise of the flow; time constant of its end.
    recovery, recovery_sd : float
        Share of dose and water that reaches the cup, and its run-to-run spread.
    mist_slowdown : float
        Share of the throughput that a large water dose takes away.
    lumpiness : float
        Relative spread of the flow over tenths of a second.
    """

    name: str = "Quarrystone"
    filter_g_per_s: float = 1.9
    espresso_g_per_s: float = 1.2
    dead_time_s: float = 0.6
    ramp_s: float = 0.7
    tail_s: float = 0.5
    recovery: float = 0.982
    recovery_sd: float = 0.004
    mist_slowdown: float = 0.05
    lumpiness: float = 0.2


@dataclass(frozen=True)
class Electrometer:
    """Charge input of the board, and what disturbs it.

    Attributes
    ----------
    leakage_time_constant_s, bias_current_pA : float
        τ and I_b; τ may be infinite.
    gain : float
        True charge per displayed charge.
    white_nC, correlated_nC, wander_nC : float
        Standard deviations of white noise, of noise with memory `correlated_s`, and of each of three slower parts
        (1, 10, 100 s), together close to 1/f.
    hum_nC, hum_Hz : float
        Amplitude and frequency of the mains' pick-up, sampled as it comes: it may alias.
    spikes_per_min, spike_nC : float
        Touched cables; none by default.
    range_nC, lines_per_s : float
        Over range beyond; rate of charge lines, 1..200.
    plates : bool
        Two more inputs: plates beside the chute that catch a share of the positive (charge2) and negative (charge3)
        grounds.
    uptime_ms : int
        Device clock at virtual time zero; near 2³² it soon wraps.
    speaks : str
        ``framed``, or ``scpi`` for an instrument that answers when it is asked. The second has no clock of its own on
        the wire, so it is for a bench at speed 1.
    """

    leakage_time_constant_s: float = 900.0
    bias_current_pA: float = 12.0
    gain: float = 1.0
    white_nC: float = 0.03
    correlated_nC: float = 0.02
    correlated_s: float = 0.3
    wander_nC: float = 0.01
    hum_nC: float = 0.03
    hum_Hz: float = 50.02
    spikes_per_min: float = 0.0
    spike_nC: float = 4.0
    range_nC: float = 2000.0
    lines_per_s: float = 80.0
    plates: bool = False
    uptime_ms: int = 5000
    speaks: str = "framed"


@dataclass(frozen=True)
class ScaleModel:
    """The scale under the cup: first-order lag, noise, rounding to `resolution_g`, lines without a clock."""

    tare_g: float = 152.3
    lag_s: float = 0.3
    noise_g: float = 0.003
    vibration_g: float = 0.03
    resolution_g: float = 0.01
    lines_per_s: float = 10.0


@dataclass(frozen=True)
class Sprayer:
    """A bottle that loses about the same at every spray."""

    spray_g: float = 0.11
    spray_sd_g: float = 0.004


@dataclass(frozen=True)
class Room:
    """Air, ioniser, handling, and how alike two runs are.

    Attributes
    ----------
    humidity_percent, temperature_C, humidity_return_s : float
        The room's, and the time in which the chamber's air returns to it.
    humidity_per_uL : float
        Rise of the chamber's humidity per µL of water ground.
    scatter_relative, scatter_nC_per_g : float
        Run-to-run spread of the charge: of its size, and on top.
    handling_nC : float
        Spread of the stray charge that any grind brings, empty ones too.
    carry_over, carry_over_return_s : float
        Share of the water of one run that acts in the next, and the time in which it dries.
    ioniser_efficiency : float
        Share of the grounds' charge that the ioniser takes away.
    ioniser_background_nC, ioniser_spread_nC : float
        Charge that its ions bring in one grind, mean and spread.
    ioniser_current_pA : float
        Steady current while it is switched on outside a grind.
    """

    humidity_percent: float = 41.0
    temperature_C: float = 21.4
    humidity_return_s: float = 35.0
    humidity_per_uL: float = 0.03
    scatter_relative: float = 0.06
    scatter_nC_per_g: float = 0.3
    handling_nC: float = 0.15
    carry_over: float = 0.0
    carry_over_return_s: float = 60.0
    ioniser_efficiency: float = 0.9
    ioniser_background_nC: float = 6.0
    ioniser_spread_nC: float = 2.0
    ioniser_current_pA: float = 40.0


@dataclass(frozen=True)
class Scenario:
    """Everything a virtual bench is made of; change a part with `dataclasses.replace`.

    Attributes
    ----------
    calibrated : bool
        True where the bench file states gain, leakage and bias, each off the truth as its stated uncertainty allows.
    """

    name: str = "quarry"
    place: str = "test room behind the bakery at Nether Quill"
    coffee: Coffee = field(default_factory=Coffee)
    grinder: Grinder = field(default_factory=Grinder)
    curve: DoseCurve = field(default_factory=lambda: DoseCurve(-60.0))
    electrometer: Electrometer = field(default_factory=Electrometer)
    scale: ScaleModel = field(default_factory=ScaleModel)
    room: Room = field(default_factory=Room)
    sprayer: Sprayer = field(default_factory=Sprayer)
    calibrated: bool = True

    @property
    def neutralising_dose_uL_per_g(self) -> float | None:
        """True dose that leaves a tenth of the dry charge, µL/g, or None where no dose does."""
        return self.curve.fraction_dose()


SCENARIOS: Mapping[str, Scenario] = MappingProxyType(
    {
        s.name: s
        for s in (
            Scenario(),
            Scenario(
                "weir",
                coffee=Coffee("Vellick Ridge natural", 9.0),
                grinder=Grinder("Weirbrook flat", 2.6, 2.5, mist_slowdown=0.0),
                curve=DoseCurve(-38.0, 3.0, 7.0),
            ),
            Scenario(
                "tollgate",
                coffee=Coffee("Sallow Fen dark", 4.0),
                grinder=Grinder("Tollgate cone", 1.1, 0.7, recovery=0.971, mist_slowdown=0.12),
                curve=DoseCurve(35.0, 0.0, 4.0),
            ),
            Scenario(
                "millrace",
                coffee=Coffee("Harrow Down decaf", 3.0),
                grinder=Grinder("Millrace hand", 0.8, 0.5, ramp_s=1.2, lumpiness=0.5),
                curve=DoseCurve(-22.0, -22.0, math.inf),
            ),
            Scenario(
                "kiln",
                coffee=Coffee("Ember Moss dark", 12.0),
                grinder=Grinder("Kilnhouse", 3.2, 2.0),
                curve=DoseCurve(-75.0, -12.0, 12.0),
            ),
        )
    }
)
"""Ready-made ones: plain (`quarry`), sign change (`weir`), positive (`tollgate`), no effect (`millrace`), never
neutral (`kiln`)."""


def scenario(name: str) -> Scenario:
    """A ready-made scenario by name.

    Raises
    ------
    InputError
        When there is none of that name.
    """
    if name not in SCENARIOS:
        raise InputError(f"scenario {name!r}: there are {', '.join(SCENARIOS)}")
    return SCENARIOS[name]

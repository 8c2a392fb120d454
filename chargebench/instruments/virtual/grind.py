"""One grind: what was asked for, what truly falls into the cup, and when. Owns the draw of a run's truth.

Pure: a random generator goes in, a frozen `Grind` comes out. Knows nothing of instruments, ports or clocks.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import accumulate

import numpy as np
import numpy.typing as npt

from chargebench.bounded import JsonObject
from chargebench.errors import InputError
from chargebench.instruments.virtual.scenario import Scenario

__all__ = ["Fall", "Grind", "GrindOrder", "draw_grind", "loss", "step"]

Floats = npt.NDArray[np.float64]
TREATMENTS = ("dry", "misted", "ionised", "misted+ionised")
PURPOSES = ("grind", "blank", "purge")
SETTINGS = ("filter", "espresso")
_GRID_S = 0.005
_WATER_G_PER_UL = 0.000998
_CLUMPS_PER_S = 6.0
_CLUMP_SHARE = 0.3


@dataclass(frozen=True)
class GrindOrder:
    """What a person asks the virtual grinder to do.

    Raises
    ------
    InputError
        When a value is out of range, or treatment and water contradict each other.
    """

    dose_g: float
    water_uL_per_g: float = 0.0
    treatment: str = "dry"
    purpose: str = "grind"
    setting: str = "filter"

    def __post_init__(self) -> None:
        for name, low, high in (("dose_g", 0.0, 200.0), ("water_uL_per_g", 0.0, 500.0)):
            value = getattr(self, name)
            if not low <= value <= high:
                raise InputError(f"{name} {value!r}: allowed {low:g} to {high:g}")
        for name, choices in (("treatment", TREATMENTS), ("purpose", PURPOSES), ("setting", SETTINGS)):
            if getattr(self, name) not in choices:
                raise InputError(f"{name} {getattr(self, name)!r}: allowed {', '.join(choices)}")
        if ("misted" in self.treatment) != (self.water_uL_per_g > 0):
            raise InputError(f"treatment {self.treatment!r} does not go with {self.water_uL_per_g:g} µL of water per g")

    @property
    def water_uL(self) -> float:
        """Water sprayed on the beans, µL."""
        return self.dose_g * self.water_uL_per_g


@dataclass(frozen=True, eq=False)
class Fall:
    """What has fallen by a time: mass and charges, piecewise linear, constant after the end.

    Attributes
    ----------
    start_s : float
        Virtual time of the first point.
    grid_s : float64 array (n,)
        Seconds since `start_s`, rising.
    mass_g, charge_nC, positive_nC, negative_nC : float64 array (n,)
        Fallen so far; `charge_nC` is net, stray charge and ions included, `negative_nC` is below zero.
    """

    start_s: float
    grid_s: Floats
    mass_g: Floats
    charge_nC: Floats
    positive_nC: Floats
    negative_nC: Floats

    @property
    def end_s(self) -> float:
        """Virtual time after which nothing falls."""
        return self.start_s + float(self.grid_s[-1])

    def at(self, what: str, time_s: Floats) -> Floats:
        """One of the four quantities at virtual times, shape of `time_s`."""
        fallen: Floats = getattr(self, what)
        return np.interp(time_s - self.start_s, self.grid_s, fallen)


@dataclass(frozen=True, eq=False)
class Grind:
    """A grind under way: its fall and the truth about it, units in the keys."""

    fall: Fall
    truth: JsonObject = field(default_factory=dict)


def step(start_s: float, charge_nC: float) -> Fall:
    """A known charge put on the cup within 50 ms, without mass."""
    ramp = np.array([0.0, 1.0])
    nothing = np.zeros(2)
    return Fall(
        start_s,
        0.05 * ramp,
        nothing,
        charge_nC * ramp,
        max(charge_nC, 0.0) * ramp,
        min(charge_nC, 0.0) * ramp,
    )


def loss(start_s: float, mass_g: float) -> Fall:
    """A mass taken off the scale within 50 ms, without charge: a bottle put back lighter."""
    nothing = np.zeros(2)
    return Fall(start_s, np.array([0.0, 0.05]), np.array([0.0, -mass_g]), nothing, nothing, nothing)


def _smooth_noise(rng: np.random.Generator, count: int, memory_s: float) -> Floats:
    """Noise of standard deviation 1 with a memory, on the grid, shape (count,)."""
    keep = float(np.exp(-_GRID_S / memory_s))
    fresh = np.sqrt(1 - keep**2) * rng.standard_normal(count)
    fresh[0] = rng.standard_normal()
    return np.array(list(accumulate(fresh, lambda last, new: keep * last + new)))


def _flow(scenario: Scenario, order: GrindOrder, mass_g: float, water: float, rng: np.random.Generator) -> Floats:
    """Relative flow on the grid, from switching on to the end of the tail, shape (n,)."""
    grinder = scenario.grinder
    rate = grinder.filter_g_per_s if order.setting == "filter" else grinder.espresso_g_per_s
    rate *= 1 - grinder.mist_slowdown * (1 - float(np.exp(-water / 20.0)))
    full_s = max(mass_g / rate + grinder.ramp_s / 2 - grinder.tail_s, 1.5 * grinder.ramp_s)
    time_s = np.arange(0.0, grinder.dead_time_s + full_s + 6 * grinder.tail_s, _GRID_S) - grinder.dead_time_s
    shape = np.clip(time_s / grinder.ramp_s, 0.0, 1.0) * np.exp(-np.clip(time_s - full_s, 0.0, None) / grinder.tail_s)
    flow: Floats = shape * np.exp(grinder.lumpiness * _smooth_noise(rng, len(time_s), 0.15))
    return flow


def _cumulated(rate: Floats, total: float) -> Floats:
    """Running share of a total that arrives at a relative rate; begins at 0 and ends exactly at the total."""
    running: Floats = np.concatenate(([0.0], np.cumsum((rate[1:] + rate[:-1]) / 2)))
    share: Floats = running / running[-1]
    return total * share


def _clumped(flow: Floats, rng: np.random.Generator) -> Floats:
    """Relative rate at which charge of one sign arrives: part with the flow, part in clumps of some 30 ms."""
    count = rng.poisson(_CLUMPS_PER_S * len(flow) * _GRID_S) + 1
    clumps = np.zeros(len(flow))
    places = rng.choice(len(flow), size=count, p=flow / flow.sum())
    np.add.at(clumps, places, rng.gamma(1.5, size=count))
    clumps = np.convolve(clumps, np.hanning(9)[1:-1], mode="same")
    rate: Floats = (1 - _CLUMP_SHARE) * flow / flow.sum() + _CLUMP_SHARE * clumps / clumps.sum()
    return rate


def _charges_per_gram(scenario: Scenario, water: float, ionised: bool, rng: np.random.Generator) -> tuple[float, float]:
    """Positive and negative charge per gram of dry coffee of one run, nC/g; the second is below zero."""
    room, curve = scenario.room, scenario.curve
    net = curve.at(water) * float(np.exp(room.scatter_relative * rng.standard_normal() - room.scatter_relative**2 / 2))
    net += room.scatter_nC_per_g * rng.standard_normal()
    hidden = scenario.coffee.bipolar_nC_per_g * (0.3 + 0.7 * curve.remaining(water))
    left = 1 - room.ioniser_efficiency if ionised else 1.0
    return left * (max(net, 0.0) + hidden), left * (min(net, 0.0) - hidden)


def _collected(scenario: Scenario, order: GrindOrder, rng: np.random.Generator) -> tuple[float, float]:
    """Mass that reaches the cup with its water, and the dry coffee in it, g."""
    fed_g = order.dose_g + order.water_uL * _WATER_G_PER_UL
    recovery = min(scenario.grinder.recovery + scenario.grinder.recovery_sd * rng.standard_normal(), 1.0)
    collected_g = fed_g * recovery
    return collected_g, collected_g * order.dose_g / fed_g if fed_g else 0.0


def _ratio(value: float, by: float) -> float | None:
    """Quotient, or None where there is nothing to divide by."""
    return value / by if by > 0 else None


def _timing(fall: Fall) -> dict[str, float | None]:
    """When the grounds fell, read off the true mass; None for an empty grind."""
    mass_g = fall.mass_g
    if not mass_g[-1] > 0:
        return dict.fromkeys(("flow_start_s", "flow_end_s", "t10_s", "t90_s", "grind_time_s", "throughput_g_per_s"))
    shares = (0.001, 0.1, 0.9, 0.999)
    start, t10, t90, end = (float(np.interp(share * mass_g[-1], mass_g, fall.grid_s)) for share in shares)
    return {
        "flow_start_s": fall.start_s + start,
        "flow_end_s": fall.start_s + end,
        "t10_s": fall.start_s + t10,
        "t90_s": fall.start_s + t90,
        "grind_time_s": (t90 - t10) / 0.8,
        "throughput_g_per_s": 0.8 * float(mass_g[-1]) / (t90 - t10),
    }


def draw_grind(
    scenario: Scenario,
    order: GrindOrder,
    rng: np.random.Generator,
    start_s: float,
    carried_uL_per_g: float = 0.0,
    ioniser_on: bool = False,
) -> Grind:
    """Draw what one grind truly does.

    Parameters
    ----------
    carried_uL_per_g : float
        Water left from earlier runs that acts in this one.
    ioniser_on : bool
        True where the ioniser runs anyway; a treatment that names it switches it on for the grind.

    Returns
    -------
    Grind
        In its truth, `positive_charge_nC` and `negative_charge_nC` are what the grounds carried;
        `rising_charge_nC` and `falling_charge_nC` are the part of it that an ideal cup could tell apart in time.
    """
    room = scenario.room
    ionised = ioniser_on or "ionised" in order.treatment
    water = order.water_uL_per_g + carried_uL_per_g
    mass_g, dry_g = _collected(scenario, order, rng)
    positive_per_g, negative_per_g = _charges_per_gram(scenario, water, ionised, rng)
    stray_nC = room.handling_nC * rng.standard_normal()
    ions_nC = (room.ioniser_background_nC + room.ioniser_spread_nC * rng.standard_normal()) if ionised else 0.0
    flow = _flow(scenario, order, mass_g or 10.0, water, rng)
    grid_s: Floats = _GRID_S * np.arange(len(flow), dtype=np.float64)
    positive_nC = _cumulated(_clumped(flow * (1.4 - grid_s / grid_s[-1]), rng), positive_per_g * dry_g)
    negative_nC = _cumulated(_clumped(flow, rng), negative_per_g * dry_g)
    charge_nC = positive_nC + negative_nC + (stray_nC + ions_nC) * grid_s / grid_s[-1]
    fall = Fall(start_s, grid_s, _cumulated(flow, mass_g), charge_nC, positive_nC, negative_nC)
    rises = np.diff(charge_nC)
    net_nC = float(charge_nC[-1])
    truth = {
        "start_s": start_s,
        "end_s": fall.end_s,
        "dose_g": order.dose_g,
        "water_uL_per_g": order.water_uL_per_g,
        "carried_water_uL_per_g": carried_uL_per_g,
        "treatment": order.treatment,
        "purpose": order.purpose,
        "setting": order.setting,
        "ioniser": ionised,
        "net_charge_nC": net_nC,
        "positive_charge_nC": float(positive_nC[-1]),
        "negative_charge_nC": float(negative_nC[-1]),
        "rising_charge_nC": float(rises[rises > 0].sum()),
        "falling_charge_nC": float(rises[rises < 0].sum()),
        "stray_charge_nC": stray_nC,
        "ion_charge_nC": ions_nC,
        "expected_charge_nC_per_g": scenario.curve.at(water),
        "collected_mass_g": mass_g,
        "dry_mass_g": dry_g,
        "charge_to_mass_nC_per_g": _ratio(net_nC, mass_g),
        "charge_to_dry_mass_nC_per_g": _ratio(net_nC, dry_g),
        "recovery_percent": 100 * mass_g / (order.dose_g + order.water_uL * _WATER_G_PER_UL) if order.dose_g else None,
        "leakage_time_constant_s": scenario.electrometer.leakage_time_constant_s,
        "bias_current_pA": scenario.electrometer.bias_current_pA,
        **_timing(fall),
    }
    return Grind(fall, truth)

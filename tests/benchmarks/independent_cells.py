"""Cells of the independent coverage table: what is drawn in each. Knows nothing of the program.

A run of a cell is settled by the cell's name, its number and the seed. Every cell starts from the same wide draw
(`base`) and sets what it is about.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, replace

import numpy as np

from tests.independent_traces import Event, Setting

Range = tuple[float, float]


@dataclass(frozen=True)
class Drawn:
    """One run to play.

    Attributes
    ----------
    rate_check_per_s, bias_check_nA : (value, u) or None
        What a bench check said of 1/tau and of the bias current.
    check_holds : bool
        Whether that check is true within its u.
    resolution_told : bool
        Whether the bench file states the scale's steps.
    dose_g : float
        Coffee weighed into the grinder.
    zero_check : Setting or None
        The bench as it was when its zero was checked; its `before_s` is how long the empty cup was watched.
    """

    cell: str
    number: int
    setting: Setting
    rate_check_per_s: Range | None = None
    bias_check_nA: Range | None = None
    check_holds: bool = True
    resolution_told: bool = False
    dose_g: float = 18.0
    zero_check: Setting | None = None

    def numbers(self) -> dict[str, object]:
        """All that was drawn, as JSON can hold it."""
        flat = {k: v for k, v in asdict(self).items() if k not in ("setting", "zero_check")} | asdict(self.setting)
        return {k: str(v) if isinstance(v, float) and not math.isfinite(v) else v for k, v in flat.items()}


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """A number whose logarithm is evenly spread."""
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def sign(rng: np.random.Generator) -> float:
    """Plus or minus one."""
    return float(rng.choice((-1.0, 1.0)))


def checked(rng: np.random.Generator, tau_s: float) -> Range:
    """What an honest leakage check says of 1/tau, and its u."""
    rate = 0.0 if math.isinf(tau_s) else 1.0 / tau_s
    u = max(log_uniform(rng, 0.02, 0.08) * rate, 2e-5)
    return max(rate + u * float(rng.standard_normal()), 0.0), u


def base(rng: np.random.Generator, cell: str, number: int) -> Drawn:
    """What all cells have in common."""
    near_zero = rng.random() < 0.25
    mass_g = float(rng.uniform(15.0, 20.0))
    resolution_g = float(rng.choice((0.01, 0.02, 0.05, 0.1)))
    setting = Setting(
        seed=int(rng.integers(1 << 31)),
        before_s=float(rng.uniform(10.0, 20.0)),
        grind_s=float(rng.uniform(5.0, 30.0)),
        after_s=float(rng.uniform(10.0, 20.0)),
        mass_g=mass_g,
        charge_per_gram_nC=float(rng.normal(0.0, 1.0) if near_zero else rng.uniform(-80.0, 80.0)),
        bipolar_nC=float(rng.normal(0.0, 40.0)) if rng.random() < 0.3 else 0.0,
        edge_s=float(rng.uniform(0.2, 1.0)),
        tau_s=math.inf if rng.random() < 1 / 6 else log_uniform(rng, 300.0, 3000.0),
        bias_nA=float(rng.uniform(-0.05, 0.05)),
        start_nC=float(rng.normal(0.0, 2.0)),
        rate_Hz=float(rng.choice((8.0, 16.0, 20.0, 50.0))),
        white_nC=log_uniform(rng, 0.02, 0.2),
        correlated_nC=log_uniform(rng, 0.01, 0.1),
        memory_s=log_uniform(rng, 0.2, 5.0),
        display_nC=float(rng.choice((0.0, 0.001, 0.01, 0.1))),
        scale_Hz=float(rng.choice((5.0, 10.0))),
        lag_s=float(rng.uniform(0.3, 1.5)),
        resolution_g=resolution_g,
        scale_noise_g=log_uniform(rng, 0.2, 0.6) * resolution_g,
        vibration_g=log_uniform(rng, 0.02, 0.2),
    )
    check = checked(rng, setting.tau_s) if rng.random() < 0.5 else None
    return Drawn(
        cell, number, setting, check, None, True, bool(rng.random() < 0.5), mass_g / float(rng.uniform(0.96, 0.999))
    )


def having(drawn: Drawn, **changes: object) -> Drawn:
    """The same with another setting."""
    return replace(drawn, setting=replace(drawn.setting, **changes))


def clearly_charged(rng: np.random.Generator, drawn: Drawn, least: float = 5.0, most: float = 80.0) -> Drawn:
    """The same with coffee that is clearly charged."""
    return having(drawn, charge_per_gram_nC=sign(rng) * float(rng.uniform(least, most)))


def wrong_leakage(low_s: float, high_s: float) -> Callable[[np.random.Generator, Drawn], Drawn]:
    """tau from a range where a check said 900 ± 40 s."""

    def make(rng: np.random.Generator, drawn: Drawn) -> Drawn:
        told = having(clearly_charged(rng, drawn), tau_s=float(rng.uniform(low_s, high_s)))
        return replace(told, rate_check_per_s=(1 / 900.0, 40.0 / 900.0**2), check_holds=False)

    return make


def wrong_bias(rng: np.random.Generator, drawn: Drawn) -> Drawn:
    """60 pA where a check said 12 ± 2 pA; its leakage is right."""
    told = having(drawn, bias_nA=0.060, tau_s=log_uniform(rng, 600.0, 3000.0))
    return replace(
        told, bias_check_nA=(0.012, 0.002), rate_check_per_s=checked(rng, told.setting.tau_s), check_holds=False
    )


def wrong_leakage_right_bias(rng: np.random.Generator, drawn: Drawn) -> Drawn:
    """tau 400 to 500 s where a check said 900 ± 40 s; what it said of the bias current is right."""
    told = wrong_leakage(400.0, 500.0)(rng, drawn)
    return replace(told, bias_check_nA=(told.setting.bias_nA + 0.002 * float(rng.standard_normal()), 0.002))


def right_check(rng: np.random.Generator, drawn: Drawn) -> Drawn:
    """Leakage and bias current checked, both right, the bias current to 2 pA."""
    told = leakage_known(True)(rng, drawn)
    return replace(told, bias_check_nA=(told.setting.bias_nA + 0.002 * float(rng.standard_normal()), 0.002))


def late(kind: str) -> Callable[[np.random.Generator, Drawn], Drawn]:
    """0.3 to 4 % of the mass falls for 2 to 5 s after the burrs stop."""

    def make(rng: np.random.Generator, drawn: Drawn) -> Drawn:
        return having(
            clearly_charged(rng, drawn), late_share=log_uniform(rng, 0.003, 0.04), late_s=float(rng.uniform(2.0, 5.0)),
            late_kind=kind, late_factor=float(rng.uniform(0.7, 2.0)),
        )  # fmt: skip

    return make


def touch(kind: str) -> Callable[[np.random.Generator, Drawn], Drawn]:
    """1 to 10 % of Q moves 0.5 to 3 s after the grind, for good or for a moment."""

    def make(rng: np.random.Generator, drawn: Drawn) -> Drawn:
        s = clearly_charged(rng, drawn).setting
        size = sign(rng) * log_uniform(rng, 0.01, 0.1) * abs(s.charge_per_gram_nC) * s.mass_g
        lasts = float(rng.uniform(0.0, 0.3)) if kind == "step" else log_uniform(rng, 0.3, 2.0)
        at_s = s.before_s + s.grind_s + float(rng.uniform(0.5, 3.0))
        return replace(drawn, setting=replace(s, events=(Event(kind, at_s, size, lasts),)))

    return make


def coarser(factor: float) -> Callable[[np.random.Generator, Drawn], Drawn]:
    """The display's steps become so many times as wide in mid-grind; in one run of four so many times as fine."""

    def make(rng: np.random.Generator, drawn: Drawn) -> Drawn:
        s = drawn.setting
        fine = float(rng.choice((0.001, 0.01) if factor >= 100 else (0.001, 0.01, 0.1)))
        steps = (fine, factor * fine) if rng.random() < 0.75 else (factor * fine, fine)
        at_s = s.before_s + float(rng.uniform(0.1, 0.9)) * s.grind_s
        return having(drawn, display_nC=steps[0], coarse_nC=steps[1], range_at_s=at_s)

    return make


def unsteady_scale(mass_g: float, creeps: bool) -> Callable[[np.random.Generator, Drawn], Drawn]:
    """A scale that drifts by 0.2 to 3 mg/s all the time, or begins to when it is loaded and calms down."""

    def make(rng: np.random.Generator, drawn: Drawn) -> Drawn:
        speed = sign(rng) * log_uniform(rng, 0.0002, 0.003)
        creep_s = log_uniform(rng, 5.0, 30.0)
        light = mass_g < 5.0
        resolution_g = float(rng.choice((0.001, 0.01, 0.01))) if light else drawn.setting.resolution_g
        told = having(
            drawn, mass_g=mass_g, resolution_g=resolution_g, scale_noise_g=log_uniform(rng, 0.2, 0.6) * resolution_g,
            creep_s=creep_s, **({"creep_g": speed * creep_s} if creeps else {"drift_g_per_s": speed}),
        )  # fmt: skip
        if light:
            told = having(told, grind_s=float(rng.uniform(3.0, 8.0)), bipolar_nC=0.0)
        return replace(told, dose_g=mass_g / float(rng.uniform(0.96, 0.999)))

    return make


def wave(rng: np.random.Generator, drawn: Drawn) -> Drawn:
    """The zero waves with 25 to 60 s, two to six times as high as the noise of a reading."""
    white = log_uniform(rng, 0.02, 0.1)
    return having(
        drawn, white_nC=white, wave_nC=float(rng.uniform(2.0, 6.0)) * white, wave_s=float(rng.uniform(25.0, 60.0))
    )


def zero_checked(make: Callable[[np.random.Generator, Drawn], Drawn]) -> Callable[[np.random.Generator, Drawn], Drawn]:
    """A run of another cell on a bench whose empty cup was watched for three minutes on another day.

    The room's waves were up to a quarter higher or lower then, and up to a tenth slower or faster.
    """

    def checked_first(rng: np.random.Generator, drawn: Drawn) -> Drawn:
        told = make(rng, drawn)
        s = told.setting
        then = replace(
            s, seed=int(rng.integers(1 << 31)), before_s=180.0, wave_nC=s.wave_nC * log_uniform(rng, 0.8, 1.25),
            wave_s=s.wave_s * float(rng.uniform(0.9, 1.1)),
        )  # fmt: skip
        return replace(told, zero_check=then)

    return checked_first


def noise(kind: str) -> Callable[[np.random.Generator, Drawn], Drawn]:
    """One kind of noise beside the white one, or all of them."""

    def make(rng: np.random.Generator, drawn: Drawn) -> Drawn:
        def level(low: float, high: float, name: str) -> float:
            value = log_uniform(rng, low, high)
            return value if kind in (name, "all") else 0.0

        hum = rng.choice((0, 1, 2, 3, 4))
        rate_Hz, mains_Hz = ((8.0, 50.0), (16.0, 50.0), (20.0, 50.0), (8.0, 60.0), (50.0, 60.0))[int(hum)]
        told = having(
            drawn, correlated_nC=level(0.02, 0.2, "ar1"), walk_nC_per_root_s=level(0.003, 0.05, "walk"),
            flicker_nC=level(0.02, 0.15, "flicker"), mains_nC=level(0.05, 0.5, "hum"),
            mains_Hz=mains_Hz + float(rng.normal(0.0, 0.03)),
        )  # fmt: skip
        return having(told, rate_Hz=rate_Hz) if kind in ("hum", "all") else told

    return make


def leakage_known(known: bool) -> Callable[[np.random.Generator, Drawn], Drawn]:
    """With a check that is right, or without one, on a bench that leaks."""

    def make(rng: np.random.Generator, drawn: Drawn) -> Drawn:
        told = having(drawn, tau_s=log_uniform(rng, 300.0, 3000.0))
        return replace(told, rate_check_per_s=checked(rng, told.setting.tau_s) if known else None)

    return make


def neutral(rng: np.random.Generator, drawn: Drawn) -> Drawn:
    """Coffee that is all but neutral, with charge of both signs on the way."""
    return having(drawn, charge_per_gram_nC=float(rng.normal(0.0, 0.5)), bipolar_nC=float(rng.normal(0.0, 40.0)))


def strong(rng: np.random.Generator, drawn: Drawn) -> Drawn:
    """80 to 200 nC/g."""
    return clearly_charged(rng, drawn, 80.0, 200.0)


def jump(where: str) -> Callable[[np.random.Generator, Drawn], Drawn]:
    """20 to 100 % of Q lost or gained between two readings, or everything lost, in the grind or while settling."""

    def make(rng: np.random.Generator, drawn: Drawn) -> Drawn:
        s = clearly_charged(rng, drawn).setting
        share = float(rng.uniform(0.1, 0.9))
        at_s = s.before_s + share * s.grind_s
        if where.endswith("settling"):
            at_s = s.before_s + s.grind_s + float(rng.uniform(0.5, 0.7 * s.after_s))
        size = sign(rng) * float(rng.uniform(0.2, 1.0)) * s.charge_per_gram_nC * s.mass_g
        event = Event("zero", at_s) if where.startswith("zero") else Event("step", at_s, size)
        return replace(drawn, setting=replace(s, events=(event,)))

    return make


CELLS: Mapping[str, Callable[[np.random.Generator, Drawn], Drawn]] = {
    "leakage check wrong": wrong_leakage(400.0, 500.0),
    "leakage check wrong, mild": wrong_leakage(650.0, 750.0),
    "leakage check wrong, severe": wrong_leakage(120.0, 250.0),
    "leakage check wrong, bias right": wrong_leakage_right_bias,
    "bias check wrong": wrong_bias,
    "late grounds, fading": late("fading"),
    "late grounds, dribble": late("dribble"),
    "touch, pulse": touch("pulse"),
    "touch, step": touch("step"),
    "range x10": coarser(10.0),
    "range x100": coarser(100.0),
    "drift of the scale, 1 g": unsteady_scale(1.0, False),
    "creep of the scale, 1 g": unsteady_scale(1.0, True),
    "drift of the scale, 18 g": unsteady_scale(18.0, False),
    "creep of the scale, 18 g": unsteady_scale(18.0, True),
    "slow wave": wave,
    "slow wave, zero checked": zero_checked(wave),
    "jump in the grind": jump("grind"),
    "jump while settling": jump("settling"),
    "zero in the grind": jump("zero, grind"),
    "zero while settling": jump("zero, settling"),
    "held: white": noise("white"),
    "held: correlated": noise("ar1"),
    "held: walk": noise("walk"),
    "held: 1/f": noise("flicker"),
    "held: hum": noise("hum"),
    "held: all noise": noise("all"),
    "held: leakage checked": leakage_known(True),
    "held: leakage unchecked": leakage_known(False),
    "held: leakage and bias checked": right_check,
    "held: white, zero checked": zero_checked(noise("white")),
    "held: walk, zero checked": zero_checked(noise("walk")),
    "held: neutral": neutral,
    "held: strong": strong,
}


def drawn(cell: str, number: int, seed: int = 0) -> Drawn:
    """Run `number` of a cell."""
    rng = np.random.default_rng([seed, *cell.encode(), number])
    return CELLS[cell](rng, base(rng, cell, number))

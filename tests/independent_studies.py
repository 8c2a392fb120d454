"""Makes up whole studies with a known truth, by itself: nothing of chargebench is imported here.

A yardstick for whatever draws conclusions from runs: numpy and the standard library only, with dose curves, scatter,
blocks, shared errors and an ioniser of its own. `make_study` draws one study and returns plain values::

    {"runs": [...], "truth": {...}, "design": {...}}

A run is a dict: ``run, purpose, treatment, water_uL_per_g, dose_g, block, order``, what the bench would read of it
(``charge_to_mass_nC_per_g, net_charge_nC, collected_mass_g``), its standard uncertainties (``u_nC_per_g`` of its own,
``shared_u_nC_per_g`` by cause), and what only the simulator knows (``ions_nC``, ``grounds_nC``).

The model of run i in block b: ``q = m(d) + s(m) z_i + B_b(m) + ions_i / mass``, read as
``q (1 + gain) + bias + u e_i``, with ``s(m)`` the root sum of squares of a constant and a proportional part; gain and
bias are drawn once for a study.
Null grinds (blanks) hold the ions alone, drawn anew each time.
"""

import math
from dataclasses import asdict, dataclass, field
from functools import lru_cache

import numpy as np

HIGHEST_UL_PER_G = 1e4


@dataclass(frozen=True)
class Curve:
    """A dose curve: ``plateau + (dry - plateau) g(d) + rise_nC_per_g (d / scale)² / 100``.

    ``g`` by `kind`: ``exponential`` exp(-d/scale), ``hinge`` max(0, 1 - d/scale), ``logistic``
    1/(1 + (d/scale)^steepness).
    With a rise the curve need not be monotone.
    """

    kind: str = "exponential"
    dry_nC_per_g: float = -60.0
    plateau_nC_per_g: float = 0.0
    scale_uL_per_g: float = 9.0
    steepness: float = 2.5
    rise_nC_per_g: float = 0.0

    def mean(self, dose_uL_per_g):
        """True mean charge to mass at doses, nC/g."""
        d = np.asarray(dose_uL_per_g, float)
        x = d / self.scale_uL_per_g
        if self.kind == "exponential":
            g = np.exp(-x)
        elif self.kind == "hinge":
            g = np.maximum(0.0, 1.0 - x)
        elif self.kind == "logistic":
            g = 1.0 / (1.0 + x**self.steepness)
        else:
            raise ValueError(f"kind: {self.kind!r} found, exponential, hinge or logistic is allowed")
        return self.plateau_nC_per_g + (self.dry_nC_per_g - self.plateau_nC_per_g) * g + self.rise_nC_per_g * x**2 / 100

    @lru_cache(maxsize=1024)  # noqa: B019 (curves are few and frozen)
    def first_dose(self, level_nC_per_g, touching=True):
        """Lowest dose at which the mean comes to a level, from the dry side; infinite where it never does.

        ``touching`` False asks for the other side as well: a curve that only comes down to the level does not count.
        """
        above = math.copysign(1.0, self.dry_nC_per_g - level_nC_per_g)
        if self.dry_nC_per_g == level_nC_per_g:
            return 0.0
        dose = np.concatenate([[0.0], np.geomspace(1e-3, HIGHEST_UL_PER_G, 20_001)])
        left = above * (self.mean(dose) - level_nC_per_g)
        slack = 1e-9 * abs(self.dry_nC_per_g)
        there = left < -slack if not touching else left <= 0.0
        if not there.any():
            return math.inf
        i = int(np.argmax(there))
        low, high = dose[i - 1], dose[i]
        for _ in range(80):
            middle = 0.5 * (low + high)
            if above * (float(self.mean(middle)) - level_nC_per_g) > 0.0:
                low = middle
            else:
                high = middle
        return float(high)


def curve_through(kind, dry, plateau, dose, fraction=0.1, steepness=2.5):
    """A curve of a kind that comes down to a fraction of its dry value at `dose`; the plateau must lie beyond that."""
    left = (fraction * dry - plateau) / (dry - plateau)
    if not 0.0 < left < 1.0:
        raise ValueError(f"plateau: {plateau:g} found, the curve never comes down to {fraction:g} of {dry:g}")
    unit = {"exponential": -math.log(left), "hinge": 1.0 - left, "logistic": (1.0 / left - 1.0) ** (1.0 / steepness)}
    return Curve(kind, dry, plateau, dose / unit[kind], steepness)


@dataclass(frozen=True)
class Design:
    """What is done and how it scatters.

    Attributes
    ----------
    doses_uL_per_g : tuple of float
        Misted doses, each `repeats` times a block; dry runs come `dry_per_block` times.
    dry_per_block : int
        One: shuffled in with the others. More: spread evenly, the first before and the last after all others.
    block_ratio : float
        Standard deviation of block effects in units of `block_kind`: ``scatter`` (what a run at that level scatters
        by), ``gain`` (the proportional part), ``shift`` (the constant part).
    ionised_nC_per_g : float or None
        True mean charge of the grounds of ionised runs, without what the ions themselves bring; None for no such runs.
    blanks : int
        Null grinds with the ioniser on.
    u_gain, u_bias_nC_per_g : float
        Standard deviations of the shared errors, drawn once for a study and stated by the bench.
    """

    doses_uL_per_g: tuple = (5.0, 10.0, 20.0, 40.0, 80.0)
    blocks: int = 4
    repeats: int = 1
    dry_per_block: int = 1
    constant_nC_per_g: float = 1.0
    proportional: float = 0.12
    block_ratio: float = 0.0
    block_kind: str = "scatter"
    u_run_nC_per_g: float = 0.1
    u_gain: float = 0.0
    u_bias_nC_per_g: float = 0.0
    mass_g: float = 18.0
    mass_spread: float = 0.01
    ionised_nC_per_g: float | None = None
    ionised_per_block: int = 1
    ions_nC: float = 0.0
    ions_sd_nC: float = 0.0
    blanks: int = 0
    band_nC_per_g: float | None = None
    limit_nC_per_g: float | None = None
    fraction: float = 0.1


@dataclass
class Draws:
    """What is drawn once for a study: errors common to its runs, and one number for each block."""

    gain: float
    bias_nC_per_g: float
    blocks: dict = field(default_factory=dict)


def scatter_nC_per_g(design, mean_nC_per_g):
    """Standard deviation of a run about the mean of its treatment in its block, ions left out."""
    return math.hypot(design.constant_nC_per_g, design.proportional * mean_nC_per_g)


def block_shift_nC_per_g(design, mean_nC_per_g):
    """Standard deviation of what a block moves a run at that level by."""
    size = {
        "scatter": scatter_nC_per_g(design, mean_nC_per_g),
        "gain": design.proportional * mean_nC_per_g,
        "shift": design.constant_nC_per_g,
    }
    return design.block_ratio * size[design.block_kind]


def draw_once(design, rng):
    """What all runs of a study share."""
    return Draws(design.u_gain * rng.normal(), design.u_bias_nC_per_g * rng.normal())


def layout(design, rng):
    """Treatment and dose of each run of a block, in order."""
    wet = [("misted", d) for d in design.doses_uL_per_g] * design.repeats
    if design.ionised_nC_per_g is not None:
        wet += [("ionised", 0.0)] * design.ionised_per_block
    if design.dry_per_block == 1:
        wet.append(("dry", 0.0))
    order = [wet[i] for i in rng.permutation(len(wet))]
    if design.dry_per_block > 1:
        gaps = np.round(np.linspace(0, len(order), design.dry_per_block)).astype(int)
        for place in gaps[::-1]:
            order.insert(int(place), ("dry", 0.0))
    return order


def mean_of(design, curve, treatment, dose_uL_per_g):
    """True mean charge to mass of the grounds, ions not counted, nC/g."""
    return design.ionised_nC_per_g if treatment == "ionised" else float(curve.mean(dose_uL_per_g))


def make_run(design, curve, drawn, rng, name, treatment, dose_uL_per_g, block, order):
    """One grind as the bench reads it."""
    mean = mean_of(design, curve, treatment, dose_uL_per_g)
    z = drawn.blocks.setdefault(block, rng.normal())
    grounds = mean + scatter_nC_per_g(design, mean) * rng.normal() + block_shift_nC_per_g(design, mean) * z
    mass = design.mass_g * (1.0 + design.mass_spread * rng.normal())
    ions = design.ions_nC + design.ions_sd_nC * rng.normal() if treatment == "ionised" else 0.0
    read = (grounds + ions / mass) * (1.0 + drawn.gain) + drawn.bias_nC_per_g + design.u_run_nC_per_g * rng.normal()
    shared = {"gain": design.u_gain * abs(read), "leakage": design.u_bias_nC_per_g}
    return {
        "run": name, "purpose": "grind", "treatment": treatment, "water_uL_per_g": dose_uL_per_g,
        "dose_g": design.mass_g, "block": block, "order": order, "charge_to_mass_nC_per_g": read,
        "net_charge_nC": read * mass, "collected_mass_g": mass, "u_nC_per_g": design.u_run_nC_per_g,
        "shared_u_nC_per_g": {cause: u for cause, u in shared.items() if u > 0.0}, "ions_nC": ions,
        "grounds_nC": grounds * mass,
    }  # fmt: skip


def make_blank(design, drawn, rng, name, block, order):
    """One null grind with the ioniser on: its ions alone, in an empty cup."""
    ions = design.ions_nC + design.ions_sd_nC * rng.normal()
    error = (drawn.bias_nC_per_g + design.u_run_nC_per_g * rng.normal()) * design.mass_g
    return {
        "run": name, "purpose": "blank", "treatment": "ionised", "water_uL_per_g": 0.0, "dose_g": 0.0, "block": block,
        "order": order, "charge_to_mass_nC_per_g": None, "net_charge_nC": ions * (1.0 + drawn.gain) + error,
        "collected_mass_g": 0.0, "u_nC_per_g": design.u_run_nC_per_g, "shared_u_nC_per_g": {}, "ions_nC": ions,
        "grounds_nC": 0.0,
    }  # fmt: skip


def make_study(design, curve, rng, name="study"):
    """One study: its blanks, then its blocks in order."""
    drawn, runs = draw_once(design, rng), []
    for i in range(design.blanks):
        runs.append(make_blank(design, drawn, rng, f"{name}-n{i:02}", str(1 + i % design.blocks), len(runs)))
    for block in range(1, design.blocks + 1):
        for treatment, dose in layout(design, rng):
            order = len(runs)
            runs.append(make_run(design, curve, drawn, rng, f"{name}-{order:03}", treatment, dose, str(block), order))
    return {"runs": runs, "truth": truth_of(design, curve), "design": asdict(design), "curve": asdict(curve)}


def mean_absolute(mean, sd):
    """Mean of |x| of a normal x: the folded normal distribution."""
    if sd == 0.0:
        return abs(mean)
    x = mean / sd
    return sd * math.sqrt(2.0 / math.pi) * math.exp(-0.5 * x * x) + mean * math.erf(x / math.sqrt(2.0))


def arm_truth(design, curve, treatment, dose_uL_per_g):
    """Means over all runs that might have been made alike, ions taken off: of the charge and of its absolute value.

    The spread that folds the absolute value is that of runs freed of the mean charge of the ions but not of its spread.
    """
    mean = mean_of(design, curve, treatment, dose_uL_per_g)
    parts = [scatter_nC_per_g(design, mean), block_shift_nC_per_g(design, mean), design.u_run_nC_per_g]
    if treatment == "ionised":
        parts.append(design.ions_sd_nC / design.mass_g)
    sd = math.hypot(*parts)
    return {"mean_nC_per_g": mean, "sd_nC_per_g": sd, "mean_absolute_nC_per_g": mean_absolute(mean, sd)}


def truth_of(design, curve):
    """What a perfect study would find.

    ``fraction``, ``limit``, ``crossing``: dose in µL/g, infinite where the curve never gets there (None where no limit
    was set). ``band_nC_per_g``: as fixed, else the larger of the limit and 5 % of the true dry value. ``inside``:
    whether the true mean of each tested dose lies in the band; ``neutral_from``: lowest tested dose from which all do,
    or None.
    ``arms``: by ``(treatment, dose)``.
    """
    dry, limit = curve.dry_nC_per_g, design.limit_nC_per_g
    band = design.band_nC_per_g or max(0.05 * abs(dry), limit or 0.0)
    doses = sorted({0.0, *design.doses_uL_per_g})
    inside = {dose: bool(abs(float(curve.mean(dose))) <= band) for dose in doses}
    neutral_from = None
    for dose in reversed(doses):
        if not inside[dose]:
            break
        neutral_from = dose
    arms = [("dry", 0.0), *(("misted", dose) for dose in design.doses_uL_per_g)]
    if design.ionised_nC_per_g is not None:
        arms.append(("ionised", 0.0))
    return {
        "fraction": curve.first_dose(design.fraction * dry),
        "limit": None if limit is None else curve.first_dose(math.copysign(min(limit, abs(dry)), dry)),
        "crossing": curve.first_dose(0.0, touching=False),
        "band_nC_per_g": band,
        "inside": inside,
        "neutral_from": neutral_from,
        "arms": {arm: arm_truth(design, curve, *arm) for arm in arms},
    }


def trace_of(charge_nC, mass_g, rng, quiet_s=9.0, grind_s=6.0, after_s=12.0, rate_Hz=20.0, white_nC=0.02):
    """Readings of a run on a bench without leakage, for whoever wants to see a charge as a trace.

    The grind is a smooth fall (raised cosine); the scale reads the mass with 4 mg of noise at half the rate.
    """
    time_s = np.arange(0.0, quiet_s + grind_s + after_s, 1.0 / rate_Hz)
    x = np.clip((time_s - quiet_s) / grind_s, 0.0, 1.0)
    share = x - np.sin(2.0 * np.pi * x) / (2.0 * np.pi)
    return {
        "time_s": time_s,
        "charge_nC": charge_nC * share + white_nC * rng.normal(size=len(time_s)),
        "mass_time_s": time_s[::2],
        "mass_g": 150.0 + (mass_g * share + 0.004 * rng.normal(size=len(time_s)))[::2],
        "grind_s": (quiet_s, quiet_s + grind_s),
    }

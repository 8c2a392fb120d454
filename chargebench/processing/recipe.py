"""Recipes, and the one function that makes an Outcome of a Run.

The only file of this room that opens a Run. A recipe is a name, a version and numbers; the order of the steps is that
of `process`, and an Outcome lists them.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from chargebench import __version__
from chargebench.errors import RecipeError
from chargebench.processing import flags as watch
from chargebench.processing.charge import ChargeFit, DriftPriors, charge_fit, running
from chargebench.processing.drift import Prior
from chargebench.processing.grind import arrival, mass_steps, parts
from chargebench.processing.integral import Bridge, block_sums, charge_integral, integrate_current
from chargebench.processing.mass import Level, at_rest_since, collected, corrected, crossing, lag, resolution, settled
from chargebench.processing.outcome import RESULT_UNITS, BudgetTerm, Estimate, Flag, Outcome
from chargebench.processing.ratio import Source, budget, estimate, summed
from chargebench.processing.series import Series, clean, empty
from chargebench.processing.stretches import Stretches, choose, mass_rise
from chargebench.runs.run import Known, Run

__all__ = ["DEFAULT", "Recipe", "process", "read_recipe"]

Floats = npt.NDArray[np.float64]
Value = float | str

DEFAULTS: Final[Mapping[str, tuple[Value, Any]]] = MappingProxyType(
    {
        "gap_steps": (5.0, (2.0, 1000.0)),
        "gap_s": (0.5, (0.01, 60.0)),
        "block_s": (0.1, (0.01, 2.0)),
        "detection_block_s": (0.25, (0.05, 5.0)),
        "burst_threshold": (6.0, (3.0, 50.0)),
        "join_s": (3.0, (0.1, 60.0)),
        "guard_s": (0.3, (0.0, 10.0)),
        "scale_lag_allowance_s": (2.0, (0.0, 20.0)),
        "least_quiet_s": (3.0, (0.5, 60.0)),
        "blocks_for_fit": (100.0, (20.0, 400.0)),
        "shortest_leakage_time_constant_s": (60.0, (1.0, 1e6)),
        "largest_bias_current_nA": (1.0, (1e-6, 1e3)),
        "drift_model": ("auto", ("auto", "none", "linear", "leakage", "curved")),
        "curved_log_odds": (5.0, (0.0, 1e3)),
        "alias_ratio": (40.0, (5.0, 1e6)),
        "alias_cycles": (3.0, (1.0, 100.0)),
        "settled_s": (5.0, (0.5, 60.0)),
        "mass_block_s": (0.2, (0.02, 5.0)),
        "smallest_mass_g": (0.05, (0.0, 10.0)),
        "mass_steps": (10.0, (2.0, 100.0)),
        "turn_factor": (6.0, (2.0, 50.0)),
        "particle_diameter_um": (0.0, (0.0, 5000.0)),
        "particle_density_kg_per_m3": (1000.0, (100.0, 5000.0)),
    }
)
"""Every parameter: its value and what is allowed (a range, or the words to choose from)."""


@dataclass(frozen=True)
class Recipe:
    """A named, versioned set of parameters.

    Attributes
    ----------
    name, version : str
    parameters : mapping of str to float or str
        Those that differ from the defaults may be given alone.
    thresholds : mapping of str to float
        Of flags, by code, in place of the table's.

    Raises
    ------
    RecipeError
        When a parameter or flag is unknown or a value is not allowed.
    """

    name: str = "standard"
    version: str = "1"
    parameters: Mapping[str, Value] = field(default_factory=dict)
    thresholds: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for key, value in self.parameters.items():
            _check_parameter(key, value)
        for code, value in self.thresholds.items():
            if code not in watch.TABLE:
                raise RecipeError(f"recipe {self.name!r}: no flag is called {code!r}; known: {', '.join(watch.TABLE)}")
            if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
                raise RecipeError(f"recipe {self.name!r}: threshold of {code!r} is {value!r}, expected a finite number")
        whole = {key: self.parameters.get(key, default) for key, (default, _) in DEFAULTS.items()}
        object.__setattr__(self, "parameters", MappingProxyType(whole))
        object.__setattr__(self, "thresholds", MappingProxyType(dict(self.thresholds)))


def _check_parameter(key: str, value: Value) -> None:
    if key not in DEFAULTS:
        raise RecipeError(f"recipe: no parameter is called {key!r}; known: {', '.join(DEFAULTS)}")
    allowed = DEFAULTS[key][1]
    if isinstance(allowed[0], str):
        if value not in allowed:
            raise RecipeError(f"recipe: {key} is {value!r}, allowed: {', '.join(allowed)}")
        return
    if isinstance(value, bool) or not isinstance(value, int | float) or not allowed[0] <= value <= allowed[1]:
        raise RecipeError(f"recipe: {key} is {value!r}, allowed: a number from {allowed[0]:g} to {allowed[1]:g}")


DEFAULT: Final = Recipe()


def read_recipe(path: Path) -> Recipe:
    """A recipe from a TOML file with ``name``, ``version`` and the tables ``[parameters]`` and ``[thresholds]``.

    Raises
    ------
    RecipeError
        When the file cannot be read, is no TOML, or says something that is not allowed.
    """
    try:
        content = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise RecipeError(f"recipe {path}: {error}") from error
    unknown = set(content) - {"name", "version", "parameters", "thresholds"}
    if unknown:
        raise RecipeError(
            f"recipe {path}: unknown key {min(unknown)!r}; allowed: name, version, parameters, thresholds"
        )
    tables = {key: content.get(key, {}) for key in ("parameters", "thresholds")}
    for key, table in tables.items():
        if not isinstance(table, dict):
            raise RecipeError(f"recipe {path}: {key} is {table!r}, expected a table")
    return Recipe(str(content.get("name", Path(path).stem)), str(content.get("version", "1")), **tables)


def _series(run: Run, channel: str, parameters: Mapping[str, Value]) -> Series:
    trace = run.traces.get(channel)
    if trace is None or not len(trace):
        return empty()
    rested = trace.time_s >= _rested_from_s(run)
    return clean(
        trace.time_s[rested],
        trace.value[rested],
        trace.status[rested],
        trace.sequence[rested],
        float(parameters["gap_steps"]),
        float(parameters["gap_s"]),
    )


@dataclass(frozen=True, eq=False)
class _Cup:
    """What the cup's electrometer gave."""

    series: Series
    integral: Floats
    bridges: tuple[Bridge, ...]
    leaks: bool


def _cup(run: Run, parameters: Mapping[str, Value]) -> _Cup:
    """Charge readings, or integrated current readings where there are no others."""
    charge = _series(run, "charge", parameters)
    if len(charge):
        integral, bridges = charge_integral(charge)
        return _Cup(charge, integral, bridges, True)
    current = _series(run, "current", parameters)
    series, bridges = integrate_current(current)
    return _Cup(series, np.zeros(len(series)), bridges, False)


def _number(tags: Mapping[str, Value], key: str) -> float | None:
    value = tags.get(key)
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None


def _water_g(tags: Mapping[str, Value], dose_g: float | None) -> float:
    """Water added, in g, 1 µL taken as 0.998 mg (20 °C)."""
    grams = _number(tags, "water_g")
    if grams is not None:
        return grams
    per_gram = _number(tags, "water_uL_per_g")
    return 0.0 if per_gram is None or dose_g is None else per_gram * dose_g * 0.998e-3


def _known(run: Run, key: str) -> Known | None:
    return run.knowledge.get(key)


def _priors(run: Run, parameters: Mapping[str, Value]) -> DriftPriors:
    leak, bias = _known(run, "leakage_rate_per_s"), _known(run, "bias_current_nA")
    widest = 1.0 / float(parameters["shortest_leakage_time_constant_s"])
    return DriftPriors(
        Prior(0.0, widest, True) if leak is None else Prior(leak.value, max(leak.u, 1e-9), True),
        Prior(0.0, float(parameters["largest_bias_current_nA"]))
        if bias is None
        else Prior(bias.value, max(bias.u, 1e-9)),
        leak is not None,
        bias is not None,
    )


def _states(run: Run) -> dict[str, float]:
    """First time of each state the recorder marked."""
    out: dict[str, float] = {}
    for mark in run.marks:
        if mark.kind == "state" and mark.text.split():
            out.setdefault(mark.text.split()[0].strip(":,"), mark.time_s)
    return out


def _rested_from_s(run: Run) -> float:
    """Since when the bench had been at rest when the grind began, by the recorder's marks.

    A recording begins while the cup is still being emptied and wiped; what was read until then belongs to no run. Minus
    infinity where the recorder did not mark a rest before the grind: then the traces alone decide.
    """
    rested = -math.inf
    for mark in run.marks:
        word = mark.text.split()[0].strip(":,") if mark.kind == "state" and mark.text.split() else ""
        if word == "grinding":
            return rested
        if word in ("armed", "waiting"):
            rested = mark.time_s if word == "armed" else -math.inf
    return -math.inf


def process(run: Run, recipe: Recipe = DEFAULT) -> Outcome:
    """What the recipe makes of the run; never raises on a run that could be loaded.

    Parameters
    ----------
    run : Run
    recipe : Recipe

    Returns
    -------
    Outcome
        Every key of `RESULT_UNITS`; those that cannot be had are None, with a flag that says why.
    """
    return _Reduction(run, recipe).outcome()


class _Reduction:
    """One run on its way through the steps; holds what later steps need of earlier ones."""

    def __init__(self, run: Run, recipe: Recipe) -> None:
        self.run, self.recipe, self.parameters = run, recipe, recipe.parameters
        self.flags: list[Flag] = []
        self.steps: list[str] = []
        self.details: dict[str, Any] = {}
        self.curves: dict[str, dict[str, Any]] = {}
        self.result: dict[str, Estimate | None] = dict.fromkeys(RESULT_UNITS)
        self.budget: tuple[BudgetTerm, ...] = ()
        self.made: dict[Any, Source] = {}

    def p(self, name: str) -> float:
        return float(self.parameters[name])

    def flag(self, code: str, found: float = 1.0, always: bool = False, **evidence: Any) -> None:
        self.flags += watch.raised(code, found, self.recipe.thresholds, always=always, **evidence)

    def outcome(self) -> Outcome:
        run = self.run
        if run.recovered:
            self.flag("recovered")
        self.cup = _cup(run, self.parameters)
        self.scale = _series(run, "mass", self.parameters)
        self.dose_g = _number(run.tags, "dose_g")
        self.water_g = _water_g(run.tags, self.dose_g)
        self._stretches()
        self._charge()
        self._mass()
        self._grind()
        self._ratio()
        self._provenance()
        return Outcome(
            run.run_id, run.started, run.tags, run.recovered, self.result, tuple(self.flags), self.provenance,
            self.budget, self.curves, self.details,
        )  # fmt: skip

    def _stretches(self) -> None:
        series = self.cup.series
        width = max(self.p("block_s"), 2.0 * series.step_s if math.isfinite(series.step_s) else 0.0)
        if len(series):
            width = max(width, (series.time_s[-1] - series.time_s[0]) / 4000.0)
        self.fine = block_sums(series, self.cup.integral, width)
        detect = block_sums(series, self.cup.integral, max(self.p("detection_block_s"), width))
        self.mass_blocks = block_sums(self.scale, np.zeros(len(self.scale)), max(self.p("mass_block_s"), 1e-3))
        self.mass_noise = self._scale_noise()
        self._rise()
        floor = 1e-9 * max(1.0, float(np.max(np.abs(series.value)))) if len(series) else 1e-9
        self.stretches: Stretches = choose(
            detect, self.rise, _states(self.run), threshold=self.p("burst_threshold"), join_s=self.p("join_s"),
            guard_s=self.p("guard_s"), lag_s=self.p("scale_lag_allowance_s"), floor=floor,
            least_s=self.p("least_quiet_s"),
        )  # fmt: skip
        s = self.stretches
        self.steps.append(f"quiet stretches and grind chosen from {s.how}")
        if s.how == "assumed":
            self.flag("grind-assumed")
        for code, kind in (("touched", "transient"), ("not-quiet", "step")):
            found = [x[:2] for x in s.left_out if x[2] == kind]
            self.flag(code, len(found), at_s=[list(x) for x in found])

    def _rise(self) -> None:
        """When the mass rose, the scale's lag taken out."""
        t, m = self.mass_blocks.time_s, self.mass_blocks.value
        self.rise = mass_rise(t, m, self.mass_noise, self.p("smallest_mass_g"))
        self.lag_s = 0.0
        if self.run.tags.get("purpose") == "blank":
            self.rise = None  # nothing is collected: whatever moved the scale was no grind
        if self.rise is None:
            return
        final = float(np.median(m[-max(3, len(m) // 20) :]))
        self.lag_s = lag(t, m, None, final, self.mass_noise)
        blown_up = self.mass_noise * math.hypot(1.0, self.lag_s / self.p("mass_block_s"))
        self.rise = mass_rise(t, corrected(t, m, self.lag_s), blown_up, self.p("smallest_mass_g")) or self.rise

    def _scale_noise(self) -> float:
        m = self.mass_blocks.value
        if len(m) < 8:
            return 0.0
        steps = np.abs(np.diff(m))
        return float(np.percentile(steps, 30)) / 0.545 + 0.3 * resolution(self.scale.value)

    def _charge(self) -> None:
        series, s = self.cup.series, self.stretches
        self.fit: ChargeFit | None = None
        if not len(series):
            self.flag("no-charge-readings", -1.0)
            return
        self._trace_flags(series)
        self.fit = charge_fit(
            series, self.fine, self.cup.bridges, s, _priors(self.run, self.parameters), self.parameters, self.cup.leaks
        )
        before, after = s.quiet(self.fine.time_s)
        lengths = [float(np.ptp(self.fine.time_s[x])) if x.any() else 0.0 for x in (before, after)]
        for name, length in zip(("before", "after"), lengths, strict=True):
            lacking = self.fit is None and length <= min(lengths)
            self.flag(f"no-quiet-{name}", length, always=lacking)
            if not lacking and length >= watch.TABLE[f"no-quiet-{name}"].threshold:
                self.flag(f"too-little-quiet-{name}", length)
        if self.fit is None:
            return
        self._drift_results(self.fit)

    def _trace_flags(self, series: Series) -> None:
        s = self.stretches
        inner = (s.before_s[1], s.after_s[0])
        for kind in ("over", "reset", "gap"):
            broken = [b for b in series.breaks if b.kind == kind]
            inside = [b for b in broken if b.end_s > inner[0] and b.start_s < inner[1]]
            outside = [b for b in broken if b not in inside]
            name = {"over": "over-range"}.get(kind, kind)
            size = (lambda bs: sum(b.end_s - b.start_s for b in bs)) if kind == "gap" else len
            if inside:
                lost = sum(self._lost_bound(b.index) for b in inside)
                self.flag(f"{name}-in-grind", size(inside), at_s=[b.start_s for b in inside], lost_charge_bound_nC=lost)
            if outside:
                self.flag(name, size(outside), at_s=[b.start_s for b in outside])
        total = len(series) + series.lost
        self.flag("lost-lines", series.lost / max(total, 1), lost_lines=series.lost)
        self.flag("repeated-lines", series.repeated)
        self.flag("clock-jump", len(series.jumps), at_s=list(series.jumps))
        self.flag("clock-backwards", series.backwards)

    def _lost_bound(self, index: int) -> float:
        """Largest charge that can have come in across a break at the fastest rate seen beside it."""
        t, v = self.cup.series.time_s, self.cup.series.value
        lo, hi = max(0, index - 50), min(len(t), index + 50)
        left, right = slice(lo, index), slice(index, hi)
        rates = [np.max(np.abs(np.diff(v[x]) / np.diff(t[x]))) for x in (left, right) if len(t[x]) > 1]
        return float(max(rates, default=0.0) * (t[index] - t[index - 1]))

    def _drift_results(self, fit: ChargeFit) -> None:
        post = fit.posterior
        self.steps.append(
            f"joint fit of both quiet stretches, drift model {fit.model}, noise averaged over {len(set(post.shape))} shapes"
        )
        if "bias" in post.names:
            value, u, dof = post.interval(post.vector(bias=1.0))
            self.result["bias_current_pA"] = Estimate(1e3 * value, 1e3 * u, dof)
        self._leakage_result(fit)
        self.result["noise_nC"] = Estimate(*fit.noise)
        for alias in fit.aliases:
            self.flag(
                "hum", math.sqrt(alias.significance), frequency_Hz=alias.frequency_Hz, amplitude_nC=alias.amplitude
            )
        if abs(fit.leakage_term) > 3.0 * fit.net[1]:
            share = abs(fit.leakage_term) / max(abs(fit.net[0]), 1e-12)
            self.flag("leakage-large", share, leakage_term_nC=fit.leakage_term)
        self.flag("drift-share-large", fit.drift_share)
        if fit.model == "curved":
            self.flag("curved-drift", fit.evidence["curved"] - max(fit.evidence["leakage"], fit.evidence["linear"]))
        self.details |= {
            "drift_model": fit.model,
            "log_evidence": dict(fit.evidence),
            "leakage_term_nC": fit.leakage_term,
            "drift_term_nC": fit.drift_term,
            "drift_share": fit.drift_share,
            "quiet_before_s": fit.quiet_s[0],
            "quiet_after_s": fit.quiet_s[1],
        }

    def _leakage_result(self, fit: ChargeFit) -> None:
        """Time constant from the rate; none where the rate cannot be told from zero."""
        post = fit.posterior
        if "leakage" not in post.names:
            return
        rate, u, dof = post.interval(post.vector(leakage=1.0))
        self.details |= {"leakage_rate_per_s": rate, "u_leakage_rate_per_s": u}
        if rate > 2.0 * u:
            self.result["leakage_time_constant_s"] = Estimate(1.0 / rate, u / rate**2, dof)
        else:
            self.flag("leakage-unknown")

    def _mass(self) -> None:
        self.levels: tuple[Level, Level] | None = None
        by_hand = [_number(self.run.tags, f"mass_{x}_g") for x in ("before", "after")]
        if by_hand[0] is not None and by_hand[1] is not None:
            self.levels = Level(by_hand[0], 0.0), Level(by_hand[1], 0.0)
            self.steps.append("collected mass from the cup weighed by hand before and after")
        elif len(self.scale):
            self.levels = self._settled_levels()
        if self.levels is None:
            if self.run.tags.get("purpose") != "blank":
                self.flag("no-mass")
            return
        stated = {k: _known(self.run, f"scale_{k}_g") for k in ("resolution", "repeatability", "linearity")}
        seen = resolution(self.scale.value) if len(self.scale) and by_hand[0] is None else 0.0
        gain = _known(self.run, "scale_gain")
        d = stated["resolution"].value if stated["resolution"] else seen
        mass, errors = collected(
            *self.levels,
            d,
            _worth(stated["repeatability"]),
            _worth(stated["linearity"]),
            0.0 if gain is None else gain.u,
        )
        factor = 1.0 if gain is None else gain.value
        sources = [Source(e.name, 0.0, e.u_g, "g", e.kind, e.dof, e.shared) for e in errors if e.u_g > 0]  # type: ignore[arg-type]
        self.mass_g = factor * mass
        self.mass = summed(self.mass_g, sources, self.made)
        self.result["collected_mass_g"] = estimate(self.mass, self.made)
        self._mass_flags()

    def _settled_levels(self) -> tuple[Level, Level] | None:
        t = self.scale.time_s
        s = self.stretches
        window = self.p("settled_s")
        start = s.grind_s[0] if s.how != "none" else float(t[0]) + window
        if self.rise:
            start = min(start, self.rise[0])
        before = settled(self.scale, at_rest_since(self.scale, min(t[0], start), start - 0.2), start - 0.2)
        end = max(self.rise[1] if self.rise else s.grind_s[1], float(t[-1]) - window)
        after = settled(self.scale, end, float(t[-1]))
        if before is None or after is None:
            return None
        self.steps.append("collected mass from settled means of the scale")
        moving = abs(after.slope_g_per_s) / after.u_slope_g_per_s if after.u_slope_g_per_s > 0 else 0.0
        if abs(after.slope_g_per_s) * window > 2.0 * resolution(self.scale.value):
            self.flag("mass-not-settled", moving, slope_g_per_s=after.slope_g_per_s)
        if abs(before.slope_g_per_s) > 3.0 * before.u_slope_g_per_s:
            self.flag("scale-drifting", abs(before.slope_g_per_s) * 60.0)
        step = resolution(self.scale.value)
        if step > 0:
            self.flag("scale-unstable", max(before.noise_g, after.noise_g) / step)
        return before, after

    def _mass_flags(self) -> None:
        mass = self.result["collected_mass_g"]
        if mass is None or self.run.tags.get("purpose") == "blank":
            return
        if self.dose_g is None or self.dose_g <= 0:
            self.flag("no-dose")
            return
        put_in = self.dose_g + self.water_g
        self.result["recovery_percent"] = Estimate(100.0 * mass.value / put_in, 100.0 * mass.u / put_in, mass.dof)
        if mass.value - 2.0 * mass.u > put_in:
            self.flag("mass-above-dose", mass.value / put_in)
        self.flag("recovery-low", 100.0 * mass.value / put_in)

    def _grind(self) -> None:
        if self.levels is not None and self.rise is not None and len(self.mass_blocks) >= 8:
            self._mass_timing()
        if self.fit is not None:
            self._running_charge(self.fit)

    def _mass_timing(self) -> None:
        assert self.levels is not None and self.rise is not None
        t, m = self.mass_blocks.time_s, self.mass_blocks.value
        tare, full = self.levels[0].mass_g, self.levels[1].mass_g
        if self.result["collected_mass_g"] is None or len(self.scale) == 0:
            return
        last = float(np.median(m[-max(3, len(m) // 20) :]))
        first = float(np.median(m[: max(3, len(m) // 20)]))
        tare, full = first, last
        self.true_mass = corrected(t, m, self.lag_s) - tare
        total = full - tare
        low, high = (crossing(t, self.true_mass, x * total) for x in (0.1, 0.9))
        self.details["scale_lag_s"] = self.lag_s
        if not (math.isfinite(low) and math.isfinite(high) and high > low):
            return
        rate = 0.8 * total / (high - low)
        u_time = math.sqrt(2.0) * max(0.5 * self.scale.step_s, self.mass_noise / rate)
        u_time = math.hypot(u_time, 0.02 * self.lag_s)
        seconds = (high - low) / 0.8
        self.result["grind_time_s"] = Estimate(seconds, u_time / 0.8)
        self.result["throughput_g_per_s"] = Estimate(rate, rate * u_time / (high - low))
        self.details |= {"time_10_percent_s": low, "time_90_percent_s": high}

    def _running_charge(self, fit: ChargeFit) -> None:
        gain = self._gain()[0]
        names = [n for n in fit.posterior.names if n.startswith("level_before")]
        charge, u = running(fit, self.fine, names[-1])
        s = self.stretches
        t = self.fine.time_s
        inside = (t >= s.before_s[1]) & (t <= s.after_s[0])
        noise = self._running_noise(charge)
        self.curves["running_charge"] = {"time_s": t, "charge_nC": gain * charge, "u_nC": gain * np.hypot(u, noise)}
        up, down, count = parts(charge[inside], 0.0, fit.net[0], noise, self.p("turn_factor"))
        own = noise * math.sqrt(max(count, 0) * 0.5)
        dof = fit.net[2]
        u_part = math.hypot(fit.net[1], own)
        u_up = u_part if up > 0 else noise
        u_down = u_part if down < 0 else noise
        self.result["positive_charge_nC"] = Estimate(gain * up, gain * max(u_up, noise), dof)
        self.result["negative_charge_nC"] = Estimate(gain * down, gain * max(u_down, noise), dof)
        self.steps.append(f"running charge with {count} turns beyond noise")
        if hasattr(self, "true_mass") and self.mass_g > self.p("smallest_mass_g"):
            self._along_mass(t[inside], charge[inside], fit, noise, gain)

    def _running_noise(self, charge: Floats) -> float:
        before, after = self.stretches.quiet(self.fine.time_s)
        values = [float(np.std(charge[x])) for x in (before, after) if np.count_nonzero(x) > 2]
        return max(values, default=0.0)

    def _along_mass(self, t: Floats, charge: Floats, fit: ChargeFit, noise: float, gain: float) -> None:
        if len(t) < 4:
            return
        mt = self.mass_blocks.time_s
        along = mass_steps(
            t, gain * charge, gain * noise, mt, self.true_mass, float(self.mass_g), int(self.p("mass_steps"))
        )
        self.curves["charge_by_mass"] = {
            "mass_g": along.mass_g, "time_s": along.time_s, "charge_nC": along.charge_nC,
            "charge_per_gram_nC_per_g": along.charge_per_gram, "u_nC_per_g": along.u,
        }  # fmt: skip
        self.details["charge_per_gram_steps_nC_per_g"] = along.charge_per_gram.tolist()
        self.details["u_charge_per_gram_steps_nC_per_g"] = along.u.tolist()
        if abs(fit.net[0]) > 10.0 * fit.net[1]:
            part = (mt >= t[0]) & (mt <= t[-1])
            if np.count_nonzero(part) > 4:
                late = arrival(mt[part], self.true_mass[part], 0.0, float(self.mass_g))
                self.details["mass_lags_charge_s"] = late - arrival(t, charge, 0.0, fit.net[0])

    def _gain(self) -> tuple[float, float, float]:
        gain = _known(self.run, "gain")
        return (1.0, 0.0, math.inf) if gain is None else (gain.value, gain.u, gain.dof)

    def _charge_sources(self, fit: ChargeFit) -> list[Source]:
        """Independent sources of the net charge as displayed: readings, and what was known beforehand."""
        post = fit.posterior
        net, u, dof = fit.net
        priors = _priors(self.run, self.parameters)
        cov = np.einsum("k,kij->ij", post.weight, post.cov)
        pull = cov @ fit.direction
        sources = []
        used = 0.0
        rows = (
            ("leakage", "leakage time constant", priors.leakage, priors.leakage_from_bench, "1/s"),
            ("bias", "bias current", priors.bias, priors.bias_from_bench, "nA"),
        )
        for column, words, prior, from_bench, unit in rows:
            if column not in post.names:
                continue
            slope = float(pull[post.names.index(column)]) / prior.u**2
            part = min((slope * prior.u) ** 2, max(u * u - used, 0.0) * 0.999)
            if part <= 0.0:
                continue
            used += part
            words += ", bench check" if from_bench else ", assumed range"
            factor = math.copysign(math.sqrt(part) / prior.u, slope)
            sources.append(
                Source(words, prior.value, prior.u, unit, "B", math.inf, "leakage" if from_bench else "", factor)
            )
        own = math.sqrt(max(u * u - used, 0.0))
        sources.insert(0, Source("charge readings", net, own, "nC", "A", dof))
        floor = _known(self.run, "net_charge_floor_nC")
        if floor is not None:
            self.flag("noise-floor", floor.u / u if u > 0 else math.inf, floor_nC=floor.u)
            if floor.u > u:
                sources.append(
                    Source("spread of null grinds", 0.0, math.sqrt(floor.u**2 - u * u), "nC", "B", floor.dof)
                )
        return sources

    def _ratio(self) -> None:
        gain, u_gain, gain_dof = self._gain()
        self._calibration_flags()
        if self.fit is None:
            return
        factor = summed(
            gain, [Source("charge gain", gain, u_gain, "", "B", gain_dof, "gain")] if u_gain > 0 else [], self.made
        )
        displayed = summed(self.fit.net[0], self._charge_sources(self.fit), self.made)
        charge = factor * displayed
        background = _known(self.run, "ioniser_background_nC")
        if background is not None and "ionised" in str(self.run.tags.get("treatment", "")):
            name = "ioniser background"
            charge = charge - summed(
                background.value,
                [Source(name, background.value, background.u, "nC", "B", background.dof, "ioniser")],
                self.made,
            )
            self.steps.append("ioniser background subtracted")
        self.result["net_charge_nC"] = net = estimate(charge, self.made)
        limit = _known(self.run, "detection_limit_nC")
        if limit is not None and limit.value > 0:
            self.flag("below-detection-limit", abs(net.value) / limit.value, limit_nC=limit.value)
        mass = self.result["collected_mass_g"]
        if mass is None:
            return
        if mass.value <= max(self.p("smallest_mass_g"), 3.0 * mass.u):
            if self.run.tags.get("purpose") != "blank":
                self.flag("no-mass-collected", mass.value, always=True)
            return
        ratio = charge / self.mass
        self.result["charge_to_mass_nC_per_g"] = q = estimate(ratio, self.made)
        self.budget = budget(ratio, self.made)
        if self.dose_g is not None and self.dose_g > 0:
            dry = ratio * ((self.dose_g + self.water_g) / self.dose_g)
            self.result["charge_to_dry_mass_nC_per_g"] = estimate(dry, self.made)
        self._breakdown_flag(q)

    def _breakdown_flag(self, q: Estimate) -> None:
        size_um = _number(self.run.tags, "particle_diameter_um") or self.p("particle_diameter_um")
        if size_um > 0:
            bound = breakdown_bound(size_um, self.p("particle_density_kg_per_m3"))
            self.flag("above-breakdown", abs(q.value) / bound, bound_nC_per_g=bound, particle_diameter_um=size_um)

    def _calibration_flags(self) -> None:
        gain = _known(self.run, "gain")
        if gain is None:
            self.flag("calibration-missing")
        elif gain.until and self.run.started[:10] > gain.until[:10]:
            self.flag("calibration-out-of-date", _days_between(gain.until, self.run.started), valid_until=gain.until)

    def _provenance(self) -> None:
        s = self.stretches
        self.provenance = {
            "recipe": self.recipe.name,
            "recipe_version": self.recipe.version,
            "parameters": dict(self.parameters),
            "thresholds": {c: self.recipe.thresholds.get(c, w.threshold) for c, w in watch.TABLE.items()},
            "software": f"chargebench {__version__}",
            "raw_sha256": self.run.raw_sha256(),
            "model": None if self.fit is None else self.fit.model,
            "stretches_s": {
                "before": list(s.before_s),
                "grind": list(s.grind_s),
                "after": list(s.after_s),
                "left_out": [list(x) for x in s.left_out],
                "how": s.how,
            },
            "steps": list(self.steps),
            "knowledge": {
                key: {"value": k.value, "u": k.u, "source": k.source, "date": k.date, "until": k.until}
                for key, k in self.run.knowledge.known.items()
            },
        }


def _worth(known: Known | None) -> float:
    return 0.0 if known is None else known.value


def _days_between(first: str, second: str) -> float:
    from datetime import date

    try:
        return float((date.fromisoformat(second[:10]) - date.fromisoformat(first[:10])).days)
    except ValueError:
        return math.inf


def breakdown_bound(diameter_um: float, density_kg_per_m3: float) -> float:
    """Largest charge-to-mass in nC/g that spheres can hold before the air at their surface breaks down.

    6 sigma / (rho d) with sigma = epsilon0 x 3 MV/m, 26.56 uC/m2 (CODATA epsilon0; a soft bound below 100 um, where the
    air withstands more).
    """
    sigma_C_per_m2 = 8.8541878128e-12 * 3.0e6
    return 1e6 * 6.0 * sigma_C_per_m2 / (density_kg_per_m3 * diameter_um * 1e-6)

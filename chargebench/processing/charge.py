"""Net charge of a run from block means: which stretches are quiet, which drift model holds, what the net charge is.

Owns the joining of `stretches`, `noise` and `drift`. Works on arrays alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from chargebench.processing.columns import alias_columns, levels, ramps
from chargebench.processing.decay import LEAKS_MUCH, STEEPEST, straightened
from chargebench.processing.display import displays, rounded_more, unseen_part
from chargebench.processing.drift import Design, Posterior, Prior, fit, whiten, whitened
from chargebench.processing.integral import Blocks, Bridge, merge
from chargebench.processing.noise import (
    Alias,
    Shape,
    alias_gain,
    covariance,
    find_aliases,
    grid_of,
    integrated_shapes,
    shapes,
)
from chargebench.processing.priors import Comparison, DriftPriors, compared
from chargebench.processing.relaxing import Fading
from chargebench.processing.series import Series, median
from chargebench.processing.slow_lines import slow_lines
from chargebench.processing.stretches import Stretches

__all__ = ["ChargeFit", "charge_fit", "running"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

MODELS = {"bias": "linear", "leakage": "leakage", "curvature": "curved"}
"""Names of the drift models by the column that each adds to the one before it."""


@dataclass(frozen=True, eq=False)
class ChargeFit:
    """Joint fit of both quiet stretches.

    Attributes
    ----------
    posterior : Posterior
    model : str
        Simplest drift the evidence asks for: ``none``, ``linear``, ``leakage`` or ``curved``.
    evidence : mapping of str to float
        Log evidence of each model over that of ``none``.
    net : (float, float, float)
        Net charge as displayed (nC), its standard uncertainty, degrees of freedom.
    direction : array (p,)
        Net charge as a combination of the columns.
    noise : (float, float, float)
        Standard deviation of a single reading about the fit, its standard uncertainty, degrees of freedom.
    aliases : tuple of Alias
    bridges : tuple of Bridge
        Unknown integrals inside the grind that bear on the net charge.
    leakage_term, drift_term : float
        What leakage and the whole drift correction contribute to the net charge, in nC.
    drift_share : float
        Part of the variance of the net charge that comes from the drift across the grind.
    display_step, hidden : (float, float)
        Smallest step of the display before and after (0 where it never moved), and the part of what lies within one
        that stays hidden.
    quiet_s : (float, float)
        Length of quiet readings used before and after.
    origin_s : float
        Middle of the grind, from which drift is counted.
    residuals : mapping of str to array
    priors : DriftPriors
        What was believed of leakage and bias beforehand.
    comparison : Comparison
        Of what a check said of them with what the run says.
    design : Design
        What was fitted; its time is counted from `origin_s`.
    """

    posterior: Posterior
    model: str
    evidence: Mapping[str, float]
    net: tuple[float, float, float]
    direction: Floats
    noise: tuple[float, float, float]
    aliases: tuple[Alias, ...]
    bridges: tuple[Bridge, ...]
    leakage_term: float
    drift_term: float
    drift_share: float
    display_step: tuple[float, float]
    hidden: tuple[float, float]
    quiet_s: tuple[float, float]
    origin_s: float
    residuals: Mapping[str, Floats]
    priors: DriftPriors
    comparison: Comparison
    design: Design

    @property
    def u_display(self) -> float:
        """Standard uncertainty of the net charge for what the display hides of both levels."""
        return math.hypot(*map(unseen_part, self.display_step, self.hidden))

    def own_precision(self) -> Floats:
        """Mean information of the readings alone."""
        return np.asarray(np.einsum("k,kij->ij", self.posterior.weight, self.posterior.own_precision))


def _pieces(series: Series, stretches: Stretches) -> list[tuple[Floats, Floats]]:
    """Unbroken quiet readings."""
    out = []
    cuts = [b.index for b in series.breaks]
    for start_s, end_s in (stretches.before_s, stretches.after_s):
        part = series.within(start_s, end_s)
        inner = [i for i in cuts if part.start < i < part.stop]
        for lo, hi in zip([part.start, *inner], [*inner, part.stop], strict=True):
            if hi - lo >= 8:
                out.append((series.time_s[lo:hi], series.value[lo:hi]))
    return out


def charge_fit(
    series: Series,
    fine: Blocks,
    bridges: tuple[Bridge, ...],
    stretches: Stretches,
    priors: DriftPriors,
    parameters: Mapping[str, float | str],
    leaks: bool = True,
    fading: Fading | None = None,
) -> ChargeFit | None:
    """Fit both quiet stretches; None where either is too short to carry a level.

    Parameters
    ----------
    series : Series
        Charge in nC.
    fine : Blocks
        Short blocks of it.
    bridges : tuple of Bridge
        Unknown integrals across breaks.
    stretches : Stretches
    priors : DriftPriors
    parameters : mapping
        Of the recipe.
    leaks : bool
        False for a current-reading instrument, whose integral does not leak.
    fading : Fading, optional
        What may be left, at the beginning of the second stretch, of grounds that fell late.
    """
    is_before, is_after = stretches.quiet(fine.time_s)
    if np.count_nonzero(is_before) < 4 or np.count_nonzero(is_after) < 4:
        return None
    quiet_s = _lengths(fine, is_before, is_after)
    width = max(sum(quiet_s) / float(parameters["blocks_for_fit"]), float(parameters["block_s"]))
    both = merge(fine, is_before | is_after, width)
    origin = float(0.5 * (fine.time_s[is_before][-1] + fine.time_s[is_after][0]))
    before = both.time_s < origin
    columns, last, first = levels(both, before)
    if len(both) < len(columns) + 4:
        return None
    column_priors: dict[str, Prior] = {}
    asked = str(parameters["drift_model"])
    columns["bias"] = both.time_s - origin
    if leaks and asked not in ("none", "linear"):
        middle = float(np.interp(origin, fine.time_s, fine.integral))
        columns["leakage"] = middle - both.integral
    if fading is not None:
        since_s = np.maximum(both.time_s - float(both.time_s[~before][0]), 0.0)
        columns["fading"] = np.where(before, 0.0, np.exp(-since_s / fading.decay_s))
        columns["fading_slowly"] = np.where(before, 0.0, np.exp(-since_s / (2.0 * fading.decay_s)))
        column_priors |= dict.fromkeys(("fading", "fading_slowly"), Prior(0.0, max(fading.u_nC, 1e-9)))
    aliases = find_aliases(
        _pieces(series, stretches), series.step_s, float(parameters["alias_ratio"]), float(parameters["alias_cycles"])
    )
    visible = tuple(
        a for a in aliases if float(np.max(np.abs(alias_gain(a.frequency_Hz, series.step_s, both.count)))) > 0.03
    )
    extra, extra_priors = alias_columns(visible, both, before, series.step_s, origin)
    display = displays(fine, is_before, is_after)
    unseen = [unseen_part(*side) for side in display]
    slopes = (
        ramps(columns, both.time_s)
        if any(u > 0.05 * step for u, (step, _) in zip(unseen, display, strict=True))
        else {}
    )
    columns |= extra | slopes
    column_priors |= extra_priors | {name: Prior(0.0, max(unseen["after" in name], 1e-12)) for name in slopes}
    floor = max(1e-9 * max(float(np.max(np.abs(fine.value))), 1e-3), min(unseen))
    grid = grid_of(both.time_s, both.count, series.step_s)
    if display[0][0] != display[1][0]:
        grid = replace(grid, white=grid.white * rounded_more(fine, is_before, is_after, before, unseen, both.count))
    design = priors.put_into(Design(grid, both.value, columns, column_priors, floor))
    fastest_Hz = float(parameters["alias_cycles"]) / max(quiet_s)
    X = np.column_stack(list(columns.values()))
    kinds = shapes() if leaks else integrated_shapes()
    candidates = (*kinds, *slow_lines(both.value, X, design.grid, series.step_s, fastest_Hz))
    design, posterior, priors, comparison = _believed(design, candidates, priors)
    evidence = _evidence(design, posterior)
    model = _model(evidence, asked, float(parameters["curved_log_odds"]), leaks)
    if model == "curved":
        design = _with_curvature(design)
        posterior = fit(design, candidates)
    if not series.resets:  # after one, blocks hold more than is there to decay
        design, posterior = _decaying(design, posterior, candidates)
    return _finish(
        design, posterior, model, evidence, (last, first), aliases, bridges, stretches, quiet_s, origin, fine, leaks,
        both.time_s, display, priors, comparison,
    )  # fmt: skip


def _believed(
    design: Design, candidates: Sequence[Shape], priors: DriftPriors
) -> tuple[Design, Posterior, DriftPriors, Comparison]:
    """The fit with what a check said of leakage and bias, or where the run contradicts that, without."""
    seen = whiten(design, candidates)
    posterior = seen.posterior(design)
    if priors.otherwise is None:
        return design, posterior, priors, Comparison()
    free = priors.otherwise.put_into(design)
    own = seen.posterior(free)
    comparison = compared(design, own, priors)
    if comparison.contradicts:
        return free, own, priors.otherwise, comparison
    return design, posterior, priors, comparison


def _decaying(design: Design, posterior: Posterior, candidates: Sequence[Shape]) -> tuple[Design, Posterior]:
    """Fit the decay itself where much of the charge leaks within the stretches; else leave all as it is.

    Up to a time constant the kinds of noise that are likely stay so. A second fit follows only where the first moved so
    far that the curve left its tangent.
    """
    if "leakage" not in design.columns:
        return design, posterior
    base, found = design, _named(posterior)
    pieces = [name for name in base.names if name.startswith("level")]
    longest_s = max(float(np.ptp(base.columns["bias"][base.columns[name] > 0.0])) for name in pieces)
    if not LEAKS_MUCH < found["leakage"] * longest_s < STEEPEST:
        return design, posterior
    if found["leakage"] * longest_s < 1.0:
        candidates = tuple(dict.fromkeys(posterior.shape))
    for _ in range(2):
        design = straightened(base, pieces, found)
        posterior = fit(design, candidates)
        before, found = found["leakage"], _named(posterior)
        away = 0.5 * ((found["leakage"] - before) * longest_s) ** 2 * float(np.max(np.abs(base.y)))
        if away < 0.1 * math.sqrt(float(np.min(posterior.scale2))) or found["leakage"] <= 0.0:
            break
    return design, posterior


def _named(posterior: Posterior) -> dict[str, float]:
    """Coefficients by name, averaged over the mixture."""
    return dict(zip(posterior.names, posterior.centre.tolist(), strict=True))


def _lengths(fine: Blocks, is_before: Bools, is_after: Bools) -> tuple[float, float]:
    """Seconds of quiet readings before and after."""
    step = np.gradient(fine.time_s)
    step = np.minimum(step, 2.0 * median(step))
    return float(np.sum(step[is_before])), float(np.sum(step[is_after]))


def _with_curvature(design: Design) -> Design:
    """The design with a parabola about the middle of the grind."""
    x = design.columns["bias"]
    span = float(np.max(np.abs(x)))
    spread = float(np.std(design.y))
    columns = {**design.columns, "curvature": x * x}
    priors = {**design.priors, "curvature": Prior(0.0, max(spread, 1e-6) / span**2)}
    return replace(design, columns=columns, priors=priors)


def _evidence(design: Design, posterior: Posterior) -> dict[str, float]:
    """Log evidence of the drift models over no drift at all, under the likeliest noise; flat levels count alike.

    How the errors of leakage and bias hang together is left out: models without one of them have no such thing, and all
    are to be compared on the same terms. The answer does not hang on it, only the name of the model. Each model has one
    column more than the one before, so one factor tells of all.
    """
    best = posterior.best
    columns, priors = (curved := _with_curvature(design)).columns, curved.priors
    names = [*(name for name in columns if name not in MODELS), *(name for name in MODELS if name in columns)]
    y = design.y
    for level in (columns[name] for name in names if name.startswith("level")):
        y = y - level * (float(level @ y) / float(level @ level))
    right = np.column_stack((*(columns[name] for name in names), y)) / math.sqrt(float(posterior.scale2[best]))
    white, _ = whitened(covariance(posterior.shape[best], design.grid), right)
    P0 = np.array([priors[name].u ** -2 if name in priors else 0.0 for name in names])
    m0 = np.array([priors[name].value if name in priors else 0.0 for name in names])
    G = white.T @ white
    M, h = G[:-1, :-1] + np.diag(P0), G[:-1, -1] + P0 * m0
    unit = np.maximum(np.sqrt(np.diag(M)), 1e-300)
    L = np.linalg.cholesky(M / unit[:, None] / unit + 1e-12 * np.eye(len(M)))
    gains = 0.5 * (np.linalg.solve(L, h / unit) ** 2 - P0 * m0 * m0 + np.log(np.maximum(P0, 1e-300)))
    gains -= np.log(np.diag(L) * unit)
    found, out = 0.0, {"none": 0.0}
    for name, model in MODELS.items():
        found += float(gains[names.index(name)]) if name in names else 0.0
        out[model] = found
    return out


def _model(evidence: Mapping[str, float], asked: str, curved_log_odds: float, leaks: bool) -> str:
    """Model asked for, or the simplest one the evidence does not speak against."""
    if asked != "auto":
        return asked
    if evidence["curved"] > max(evidence["leakage"], evidence["linear"], 0.0) + curved_log_odds:
        return "curved"
    names = ("none", "linear", "leakage") if leaks else ("none", "linear")
    best = max(evidence[n] for n in names)
    return next(n for n in names if evidence[n] >= best - 1.0)


def _finish(
    design: Design,
    posterior: Posterior,
    model: str,
    evidence: Mapping[str, float],
    ends: tuple[str, str],
    aliases: tuple[Alias, ...],
    bridges: tuple[Bridge, ...],
    stretches: Stretches,
    quiet_s: tuple[float, float],
    origin_s: float,
    fine: Blocks,
    leaks: bool,
    time_s: Floats,
    display: tuple[tuple[float, float], tuple[float, float]],
    priors: DriftPriors,
    comparison: Comparison,
) -> ChargeFit:
    """Net charge and what stands beside it."""
    direction = posterior.vector(**{ends[1]: 1.0, ends[0]: -1.0})
    net, u, dof = posterior.interval(direction)
    rate = _named(posterior).get("leakage", 0.0)
    mine = tuple(b for b in bridges if b.end_s > stretches.before_s[1] and b.start_s < stretches.after_s[0])
    per_bridge = rate if leaks else 1.0
    u_levels = [unseen_part(*side) for side in display]
    extra = math.sqrt(sum((per_bridge * b.half_width) ** 2 / 3.0 for b in mine))
    residual = design.y - np.column_stack([design.columns[name] for name in posterior.names]) @ posterior.centre
    is_before, is_after = stretches.quiet(fine.time_s)
    inside = (fine.spread > 0) & (is_before | is_after)
    within = float(np.sqrt(np.mean(fine.spread[inside] ** 2))) if inside.any() else 0.0
    single = math.hypot(within, float(np.std(residual)))
    n_eff = max(float(len(design.y)) / 2.0, 4.0)
    left, right = _edge_values(fine, is_before, is_after)
    window = fine.integral[is_after][0] - fine.integral[is_before][-1]
    return ChargeFit(
        posterior, model, evidence, (net, math.hypot(u, extra, *u_levels), dof), direction,
        (single, single / math.sqrt(2.0 * n_eff), n_eff), aliases, mine,
        rate * float(window), net - (right - left), _drift_share(posterior, direction),
        (display[0][0], display[1][0]), (display[0][1], display[1][1]), quiet_s, origin_s,
        {"time_s": time_s, "residual_nC": residual}, priors, comparison,
        design,
    )  # fmt: skip


def _edge_values(fine: Blocks, is_before: Bools, is_after: Bools) -> tuple[float, float]:
    """Displayed charge at the inner ends of the quiet stretches."""
    return float(np.mean(fine.value[is_before][-3:])), float(np.mean(fine.value[is_after][:3]))


def _drift_share(posterior: Posterior, direction: Floats) -> float:
    """Part of the variance that vanishes once leakage, bias and curvature are held fixed."""
    cov = posterior.covariance
    drift = [i for i, n in enumerate(posterior.names) if n in ("bias", "leakage", "curvature")]
    total = float(direction @ cov @ direction)
    if total <= 0.0 or not drift:
        return 0.0
    c = cov[drift] @ direction
    part = cov[np.ix_(drift, drift)]
    scale = np.sqrt(np.maximum(np.diag(part), 1e-300))
    solved = np.linalg.solve(part / scale[:, None] / scale + 1e-12 * np.eye(len(drift)), c / scale)
    return float(np.clip(float((c / scale) @ solved) / total, 0.0, 1.0))


def running(fit_: ChargeFit, fine: Blocks) -> tuple[Floats, Floats]:
    """Charge deposited by each time of the fine blocks and its standard uncertainty, in nC as displayed."""
    posterior = fit_.posterior
    names = posterior.names
    x = fine.time_s - fit_.origin_s
    rows = np.zeros((len(fine), len(names)))
    rows[:, [n for n in range(len(names)) if names[n].startswith("level_before")][-1]] = -1.0
    if "bias" in names:
        rows[:, names.index("bias")] = -x
    if "leakage" in names:
        rows[:, names.index("leakage")] = fine.integral - float(np.interp(fit_.origin_s, fine.time_s, fine.integral))
    if "curvature" in names:
        rows[:, names.index("curvature")] = -x * x
    charge = fine.value + rows @ posterior.centre
    variance = np.sum(rows @ posterior.covariance * rows, axis=1)
    return np.asarray(charge), np.sqrt(np.maximum(variance, 0.0))

"""Steps on the charge: choose the stretches, fit the drift, say what is doubtful about the trace.

Owns the order in which `stretches`, `charge` and `grind` are used on a run's material.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from chargebench.processing.charge import ChargeFit, charge_fit
from chargebench.processing.drift import Prior
from chargebench.processing.grind import arrival, mass_steps, parts
from chargebench.processing.integral import block_sums
from chargebench.processing.outcome import Estimate
from chargebench.processing.priors import DriftPriors, known_priors
from chargebench.processing.qualify.allan import block_means, noise_of_means
from chargebench.processing.relaxing import calm_since_s
from chargebench.processing.series import Break, Series, median
from chargebench.processing.slow_lines import folds_slowly
from chargebench.processing.step_mass import LAG_DOUBT
from chargebench.processing.step_sudden import watch_sudden
from chargebench.processing.stretches import PAD_S, choose
from chargebench.processing.work import Material, Work

__all__ = ["choose_stretches", "drift_priors", "fit_charge", "running_charge"]

Floats = npt.NDArray[np.float64]

MOST_DELAYS = 3
"""Times that the quiet stretch after the grind is put off for a charge that still relaxes."""
A_STEP = 1.1
"""Steps of the display that no burst is made of."""


def choose_stretches(work: Work) -> None:
    """Cut the run into quiet, grind, quiet."""
    series, fine = work.material.cup.series, work.fine
    width_s = max(work.p("detection_block_s"), fine_width_s(series, work.p("block_s")))
    shown = work.material.cup.steps if series.resets else None  # after one, the series goes on from where it was
    detect = block_sums(series, shown, width_s, spread=False)
    size = max(1.0, float(np.max(fine.high)), -float(np.min(fine.low))) if len(fine) else 1.0
    steps = np.interp(detect.time_s, fine.time_s, fine.display_steps) if len(detect) else np.zeros(0)
    floor = np.maximum(1e-9 * size, A_STEP * steps / work.p("burst_threshold"))
    work.stretches = choose(
        detect, work.rise, work.material.states, threshold=work.p("burst_threshold"), join_s=work.p("join_s"),
        guard_s=work.p("guard_s"), lag_s=work.p("scale_lag_allowance_s"), floor=floor, least_s=work.p("least_quiet_s"),
    )  # fmt: skip
    s = work.stretches
    work.steps.append(f"quiet stretches and grind chosen from {s.how}")
    if s.how == "assumed":
        work.flag("grind-assumed")
    spikes = _leave_out_spikes(work)
    for code, kind in (("touched", "transient"), ("not-quiet", "step")):
        found = [[x[0], x[1]] for x in s.left_out if x[2] == kind and not _is_spike(x, spikes, work)]
        work.flag(code, len(found), at_s=found, beyond_x_noise=work.p("burst_threshold"))


def _is_spike(part: tuple[float, float, str], spikes: Floats, work: Work) -> bool:
    """Whether a part left out is no longer than one block with a spike in it makes it."""
    short = part[1] - part[0] <= 2.0 * PAD_S + 2.5 * work.p("detection_block_s")
    return short and bool(np.any((spikes > part[0]) & (spikes < part[1])))


def fine_width_s(series: Series, block_s: float) -> float:
    """Width of the fine blocks: at least two readings, at most 4000 blocks in a run."""
    if len(series) < 2:
        return block_s
    return max(block_s, 2.0 * series.step_s, float(series.time_s[-1] - series.time_s[0]) / 4000.0)


def _leave_out_spikes(work: Work) -> Floats:
    """Leave out quiet blocks in which a single reading stands far from the others; their times."""
    fine, s = work.fine, work.stretches
    before, after = replace(s, left_out=()).quiet(fine.time_s)
    quiet = np.flatnonzero((before | after) & (fine.count >= 4))
    if len(quiet) < 8:
        return np.empty(0)
    reach = np.maximum(fine.high - fine.value, fine.value - fine.low)[quiet]
    usual = median(fine.spread[quiet])
    single = reach > 0.7 * np.sqrt(fine.count[quiet]) * fine.spread[quiet]
    least = np.maximum(max(work.p("spike_threshold") * usual, 1e-12), A_STEP * fine.display_steps[quiet])
    spikes = fine.time_s[quiet[single & (reach > least)]]
    work.flag("spikes", len(spikes), at_s=spikes.tolist()[:20], beyond_x_noise=work.p("spike_threshold"))
    if 0 < len(spikes) <= len(quiet) // 4:
        half = 0.5 * fine_width_s(work.material.cup.series, work.p("block_s"))
        work.stretches = s.without(tuple((float(t) - half, float(t) + half, "spike") for t in spikes))
    return np.asarray(spikes)


def drift_priors(material: Material, work: Work) -> DriftPriors:
    """What the bench check, or else the recipe, says of leakage and bias.

    An ioniser's ions are a steady current of their own, which no bench check has seen.
    """
    widest = 1.0 / work.p("shortest_leakage_time_constant_s")
    assumed = DriftPriors(Prior(0.0, widest, True), Prior(0.0, work.p("largest_bias_current_nA")))
    return known_priors(material.known, assumed, work.p("ion_current_nA") if material.ionised else 0.0)


def fit_charge(work: Work) -> None:
    """Joint fit of the quiet stretches and the flags that go with it."""
    cup = work.material.cup
    if not len(cup.series):
        work.flag("no-charge-readings", -1.0)
        return
    _trace_flags(work, cup.series)
    if cup.series.restarts_s:
        work.flag("restarted", len(cup.series.restarts_s), always=True, at_s=list(cup.series.restarts_s))
        return
    if len(work.fine) > 1 and float(np.ptp(work.fine.high)) == float(np.ptp(work.fine.low)) == 0.0:
        work.flag("display-still", shown_nC=float(work.fine.high[0]))
        return
    _fit_what_is_quiet(work)
    spans = _quiet_spans(work)
    for name, span in spans.items():
        lacking = work.fit is None and span <= min(spans.values())
        work.flag(f"no-quiet-{name}" if lacking else f"too-little-quiet-{name}", span, always=lacking)
    if work.fit is not None:
        _drift_results(work, work.fit)
        watch_sudden(work, work.fit)


def _fit_what_is_quiet(work: Work) -> None:
    """Fit the quiet stretches; where the charge still relaxes when the second begins, begin it later."""
    cup, priors = work.material.cup, drift_priors(work.material, work)
    if not _tells_of_drift(work):
        priors = replace(priors, otherwise=None)
    began_s, fading = work.stretches.after_s[0], None
    for delays in range(MOST_DELAYS + 1):
        s = work.stretches
        work.fit = charge_fit(cup.series, work.fine, cup.bridges, s, priors, work.recipe.parameters, cup.leaks, fading)
        if work.fit is None:
            return
        longest_s = s.after_s[1] - s.after_s[0] - work.p("least_quiet_s")
        decay, later_s, left = calm_since_s(work.fit.design, work.fit.posterior, max(longest_s, 0.0))
        fading = left or fading
        stays = bool(later_s) and later_s >= longest_s
        if stays or delays == MOST_DELAYS:
            work.flag("still-relaxing", abs(decay.distance), decay_s=decay.decay_s, height_nC=decay.height_nC)
        if not later_s or delays == MOST_DELAYS:
            break
        work.stretches = replace(s, after_s=(s.after_s[0] + later_s, s.after_s[1]))
    if (later_s := work.stretches.after_s[0] - began_s) > 0.0:
        work.steps.append(
            f"quiet stretch after the grind begun {later_s:.1f} s later, when the charge had come to rest"
        )
        work.flag("late-grounds", later_s)


def _tells_of_drift(work: Work) -> bool:
    """Whether the run may say anything of leakage and bias: both quiet stretches are as long as is wanted.

    The ends of a recording that was stopped in the grind are no quiet stretches; they may neither contradict a check
    nor give a constant.
    """
    if work.material.stopped_in_grind:
        return False
    return all(span >= work.least(f"too-little-quiet-{name}") for name, span in _quiet_spans(work).items())


def _quiet_spans(work: Work) -> dict[str, float]:
    """Seconds from the first to the last quiet block, before and after."""
    t = work.fine.time_s
    parts = zip(("before", "after"), work.stretches.quiet(t), strict=True)
    return {name: float(np.ptp(t[x])) if x.any() else 0.0 for name, x in parts}


def _trace_flags(work: Work, series: Series) -> None:
    """Flags on lines, clock, range, resets and gaps."""
    inner = (work.stretches.before_s[1], work.stretches.after_s[0])
    for kind, name in (("over", "over-range"), ("reset", "reset"), ("gap", "gap")):
        broken = [b for b in series.breaks if b.kind == kind]
        inside = [b for b in broken if b.end_s > inner[0] and b.start_s < inner[1]]
        outside = [b for b in broken if b not in inside]
        for code, found in ((f"{name}-in-grind", inside), (name, outside)):
            size = sum(b.end_s - b.start_s for b in found) if kind == "gap" else len(found)
            lost = sum(_lost_bound(series, b) for b in found)
            evidence: dict[str, object] = {"at_s": [b.start_s for b in found], "lost_charge_bound_nC": lost}
            if kind == "gap":
                evidence["longer_than_s"] = work.p("gap_s")
            work.flag(code, size, False, **evidence)
            if found is inside and kind != "gap" and work.lost_nC is not None:
                work.lost_nC += lost
    edge = series.over_s and (series.over_s[0] < series.time_s[0] or series.over_s[1] > series.time_s[-1])
    if edge:
        work.flag("over-range-in-grind", 1.0, at_s=list(series.over_s))
        work.lost_nC = None
    work.flag("lost-lines", series.lost / max(len(series) + series.lost, 1), lost_lines=series.lost)
    missing_s = np.diff(series.losses_s[(series.losses_s[:, 1] > inner[0]) & (series.losses_s[:, 0] < inner[1])])
    work.flag("lines-lost-in-grind", float(np.sum(np.maximum(missing_s - series.step_s, 0.0))))
    work.flag("repeated-lines", series.repeated)
    work.flag("clock-jump", len(series.jumps), at_s=list(series.jumps), longer_than_s=work.p("gap_s"))
    work.flag("clock-backwards", series.backwards)


def _lost_bound(series: Series, broken: Break) -> float:
    """Largest charge that can have come in across a break at the fastest rate seen within half a second of it."""
    t, v, i = series.time_s, series.value, broken.index
    rates = [0.0]
    for part in (series.within(broken.start_s - 0.5, broken.start_s), series.within(broken.end_s, broken.end_s + 0.5)):
        if part.stop - part.start > 1:
            rates.append(abs(float((v[part.stop - 1] - v[part.start]) / (t[part.stop - 1] - t[part.start]))))
            rates.append(float(np.max(np.abs(np.diff(v[part]) / np.diff(t[part])))))
    return max(rates) * float(t[i] - t[i - 1])


def _drift_results(work: Work, fit: ChargeFit) -> None:
    """Bias, leakage, noise, and flags on the drift."""
    post = fit.posterior
    shapes = len({id(shape) for shape in post.shape})
    work.steps.append(
        f"joint fit of both quiet stretches, drift model {fit.model}, noise averaged over {shapes} shapes"
    )
    tells = _tells_of_drift(work)
    if "bias" in post.names and (tells or fit.priors.bias_from_bench):
        value, u, dof = post.interval(post.vector(bias=1.0))
        work.result["bias_current_pA"] = Estimate(1e3 * value, 1e3 * u, dof)
    _leakage_result(work, fit, tells)
    work.result["noise_nC"] = Estimate(*fit.noise)
    for alias in fit.aliases:
        ratio = alias.amplitude / max(fit.noise[0], 1e-12)
        work.flag("hum", ratio, frequency_Hz=alias.frequency_Hz, amplitude_nC=alias.amplitude)
    waves = [weight for weight, shape in zip(post.weight.tolist(), post.shape, strict=True) if shape.line]
    step_s = work.material.cup.series.step_s
    _, folds = folds_slowly(step_s, work.p("alias_cycles") / max(fit.quiet_s))
    work.flag("slow-hum" if folds else "slow-wave", sum(waves), readings_per_s=1.0 / step_s)
    _compared_with_zero(work)
    work.flag("check-contradicted", fit.comparison.distance, False, **_by_the_run(fit))
    work.flag("display-coarse", max(fit.hidden), display_steps_nC=list(fit.display_step))
    if fit.display_step[0] != fit.display_step[1]:
        work.flag("range-changed", max(fit.hidden), display_steps_nC=list(fit.display_step))
    if abs(fit.leakage_term) > 3.0 * fit.net[1]:
        held_nC = max(abs(fit.net[0]), _most_held(work), 1e-12)
        work.flag("leakage-large", abs(fit.leakage_term) / held_nC, leakage_term_nC=fit.leakage_term, held_nC=held_nC)
    work.flag("drift-share-large", fit.drift_share)
    work.flag("curved-drift", fit.evidence["curved"] - max(fit.evidence["leakage"], fit.evidence["linear"], 0.0))
    work.details |= {
        "drift_model": fit.model,
        "log_evidence": dict(fit.evidence),
        "leakage_term_nC": fit.leakage_term,
        "drift_term_nC": fit.drift_term,
        "drift_share": fit.drift_share,
        "quiet_before_s": fit.quiet_s[0],
        "quiet_after_s": fit.quiet_s[1],
    }


def _most_held(work: Work) -> float:
    """Most charge in nC, as displayed, that the cup held beyond what it began the grind with."""
    s, t = work.stretches, work.fine.time_s
    before, _ = s.quiet(t)
    shown = work.fine.value[(t >= s.before_s[1]) & (t <= s.after_s[0])]
    return float(np.max(np.abs(shown - work.fine.value[before][-1]), initial=0.0))


def _by_the_run(fit: ChargeFit) -> dict[str, float]:
    """Leakage and bias by the run alone, as evidence; empty where nothing was checked."""
    own = fit.comparison.own or {}
    found: dict[str, float] = {}
    for column, key, factor in (("leakage", "leakage_rate_per_s", 1.0), ("bias", "bias_current_pA", 1e3)):
        if column in own:
            found |= {key: factor * own[column][0], f"u_{key}": factor * own[column][1]}
    return found


def _compared_with_zero(work: Work) -> None:
    """Whether quiet readings are as quiet as they were when the bench was checked."""
    checked, series, s = work.material.known.get("charge_noise_1s_nC"), work.material.cup.series, work.stretches
    if checked is None or not work.material.cup.leaks or checked.value <= 0.0 or series.breaks or s.left_out:
        return
    parts = [series.within(*stretch) for stretch in (s.before_s, s.after_s)]
    try:
        noise_nC = noise_of_means(block_means(series.time_s[part], series.value[part], 1.0) for part in parts)
    except ValueError:  # too few readings a second to compare
        return
    if noise_nC is not None:
        work.flag("noisier-than-checked", noise_nC / checked.value, noise_1s_nC=noise_nC, checked_nC=checked.value)


def _leakage_result(work: Work, fit: ChargeFit, tells: bool) -> None:
    """Time constant from the rate; none where the rate cannot be told from zero, or neither run nor check tells."""
    post = fit.posterior
    if "leakage" not in post.names or not (tells or fit.priors.leakage_from_bench):
        work.flag("leakage-unknown")
        return
    rate, u, dof = post.interval(post.vector(leakage=1.0))
    work.details |= {"leakage_rate_per_s": rate, "u_leakage_rate_per_s": u}
    if rate > 2.0 * u:
        work.result["leakage_time_constant_s"] = Estimate(1.0 / rate, u / rate**2, dof)
    else:
        work.flag("leakage-unknown")


def running_charge(work: Work) -> None:
    """Running charge, its rising and falling parts, and its course along the mass.

    Charge of both signs that falls in at the same time cancels in the cup: the parts are those of the net flow.
    """
    fit = work.fit
    if fit is None or work.lost_nC is None:
        return
    s, t, gain = work.stretches, work.fine.time_s, work.material.gain
    charge, u_running = work.running
    before, after = s.quiet(t)
    noise = max(float(np.std(charge[x])) for x in (before, after))
    work.curves["running_charge"] = {"time_s": t, "charge_nC": gain * charge, "u_nC": gain * np.hypot(u_running, noise)}
    inside = (t >= s.before_s[1]) & (t <= s.after_s[0])
    flow, net = _without_ions(work, t[inside], charge[inside], fit.net[0])
    open_nC = math.hypot(noise, float(np.max(u_running[inside], initial=0.0)))  # the drift makes no turns either
    up, down, turns, u_turns = parts(flow, 0.0, net, open_nC, work.p("turn_factor"))
    work.parts = (up, down, u_turns if turns else math.sqrt(max(noise**2 - fit.net[1] ** 2, 0.0)))
    work.steps.append(f"running charge with {turns} turns beyond noise")
    step_s, least = fine_width_s(work.material.cup.series, work.p("block_s")), gain * work.p("turn_factor") * open_nC
    work.details["positive_and_negative_charge"] = (
        f"rising and falling parts of the net flow in steps of {step_s:.2g} s, turns below {least:.2g} nC left out: "
        "what arrives together cancels, so each is a lower bound of the charge of its sign"
    )
    if work.true_mass_g is not None and work.mass_g > work.p("smallest_mass_g"):
        _along_mass(work, t[inside], gain * charge[inside], gain * noise, work.true_mass_g)


def _without_ions(work: Work, t: Floats, charge: Floats, net: float) -> tuple[Floats, float]:
    """Displayed charge in the grind, and at its end, less what an ioniser's ions bring, evenly while it lasts.

    Ions go along with grounds of either sign, so they belong to the part in whose time they come.
    """
    ions, (start_s, end_s) = work.material.ions, work.stretches.grind_s
    if ions is None or end_s <= start_s:
        return charge, net
    brought = ions.value / work.material.gain
    return charge - brought * np.clip((t - start_s) / (end_s - start_s), 0.0, 1.0), net - brought


def _along_mass(work: Work, t: Floats, charge: Floats, noise: float, true_mass_g: Floats) -> None:
    """Charge per gram in equal steps of mass, and how late the mass comes after the charge."""
    if len(t) < 4 or work.fit is None:
        return
    mass_t, total_g = work.scale_blocks.time_s, work.mass_g
    along = mass_steps(t, charge, noise, mass_t, true_mass_g, total_g, int(work.p("mass_steps")))
    work.curves["charge_by_mass"] = {
        "mass_g": along.mass_g, "time_s": along.time_s, "charge_nC": along.charge_nC,
        "charge_per_gram_nC_per_g": along.charge_per_gram, "u_nC_per_g": along.u,
    }  # fmt: skip
    work.details["charge_per_gram_steps_nC_per_g"] = along.charge_per_gram.tolist()
    work.details["u_charge_per_gram_steps_nC_per_g"] = along.u.tolist()
    part = (mass_t >= t[0]) & (mass_t <= t[-1])
    if abs(work.fit.net[0]) > 10.0 * work.fit.net[1] and np.count_nonzero(part) > 4:
        late_s = arrival(mass_t[part], true_mass_g[part], 0.0, total_g) - arrival(t, charge, charge[0], charge[-1])
        steps_s = math.hypot(work.material.scale.step_s, work.material.cup.series.step_s) / math.sqrt(12.0)
        work.result["mass_lag_s"] = Estimate(late_s, math.hypot(LAG_DOUBT * work.lag_s, steps_s))

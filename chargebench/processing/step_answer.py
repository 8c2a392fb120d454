"""Last step: net charge, charge-to-mass and their budget from the fit, the mass and what is known of the bench.

Owns which source of error enters where, and which of them are shared by all runs of a bench.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from typing import Any, NamedTuple

import numpy as np

from chargebench.processing.charge import ChargeFit
from chargebench.processing.outcome import ResultKey
from chargebench.processing.ratio import Source, budget, estimate, summed
from chargebench.processing.step_mass import put_in
from chargebench.processing.work import Work
from chargebench.runs.water import number_of

__all__ = ["answer", "breakdown_bound"]

BREAKDOWN_V_PER_M = 3.0e6
VACUUM_PERMITTIVITY = 8.8541878128e-12
SURE_OF_WALK = 2.0
"""Standard uncertainties that a wander seen at the zero check must lie above none to count."""
NEGLIGIBLE = 1e-3
"""Part of u below which a source is not listed."""


def answer(work: Work) -> None:
    """Net charge, charge-to-mass on the collected and on the dry basis, and the budget."""
    _calibration_flags(work)
    if work.fit is None or work.lost_nC is None:
        return
    sources = _sources(work, work.fit)
    floor = _floor(work, sources)
    if floor is not None:
        work.flag(floor.code, floor.least_nC / floor.u_nC, floor_nC=floor.least_nC)
    if work.material.cup.leaks:
        watched = work.material.known.get("charge_walk_span_s")
        work.flag("wander-unknown", 0.0 if watched is None else watched.value)
    ions = _ions(work)
    charge = _true_charge(work, work.fit.net[0], sources, floor, ions, work.made)
    work.result["net_charge_nC"] = net = estimate(charge, work.made)
    _tell_of_ions(work)
    _parts(work, sources, ions)
    _compared_with_nulls(work)
    limit = work.material.known.get("detection_limit_nC")
    if limit is not None and limit.value > 0:
        work.flag("below-detection-limit", abs(net.value) / limit.value, limit_nC=limit.value)
    mass = work.result["collected_mass_g"]
    if mass is None:
        return
    if mass.value <= max(work.p("smallest_mass_g"), 3.0 * mass.u):
        if work.material.collects:
            work.flag("no-mass-collected", mass.value, always=True)
        return
    ratio = charge / work.mass
    work.result["charge_to_mass_nC_per_g"] = q = estimate(ratio, work.made)
    work.budget = budget(ratio, work.made)
    made = dict(work.made)
    if (given := put_in(work, made)) is not None:
        work.result["charge_to_dry_mass_nC_per_g"] = estimate(ratio * (1.0 + given[1] / given[0]), made)
    size_um = number_of(work.material.tags, "particle_diameter_um") or work.p("particle_diameter_um")
    if size_um > 0:
        bound = breakdown_bound(size_um, work.p("particle_density_kg_per_m3"))
        work.flag("above-breakdown", abs(q.value) / bound, bound_nC_per_g=bound, particle_diameter_um=size_um)


def _true_charge(
    work: Work,
    displayed_nC: float,
    sources: Sequence[Source],
    floor: _Floor | None,
    ions: Sequence[Source],
    made: dict[Any, Source],
) -> Any:
    """A charge as a variable: gain times what was displayed, less what the ioniser brings, no surer than a floor.

    Null grinds are corrected by the gain as runs are, so the error of the gain is taken to be the same in both.
    """
    gain, factor = work.material.known.get("gain"), 1.0
    if gain is not None:
        factor = summed(gain.value, [Source("charge gain", gain.value, gain.u, "", "B", gain.dof, "gain")], made)
    displayed = summed(displayed_nC, sources, made)
    if ions:
        displayed = displayed - summed(sum(source.value for source in ions), ions, made) / work.material.gain
    charge = factor * displayed
    return charge if floor is None else charge + summed(0.0, [floor.rest], made)


def _ions(work: Work) -> tuple[Source, ...]:
    """What the ioniser's own ions bring, in true nC: their mean, an error common to all runs, and this run's own.

    Nothing in a run without it, in a null grind (which shows them) or where nobody has checked. What is known is the
    u of one further run, s·sqrt(1 + 1/n), with n - 1 degrees of freedom; so s/sqrt(n) of it is common, and s the run's
    own. Where no degrees of freedom are told it cannot be parted, and all of it is common.
    """
    background = work.material.ions
    if background is None:
        return ()
    u_mean_nC, u_run_nC = parted(background.u, background.dof)
    mean = Source("ioniser background", background.value, u_mean_nC, "nC", "B", background.dof, "ioniser", 1.0, "ions")
    own = Source("ioniser background, this run's", 0.0, u_run_nC, "nC", "B", background.dof, "", 1.0, "ions")
    return (mean, own) if u_run_nC > 0.0 else (mean,)


def parted(u_further_run: float, dof: float) -> tuple[float, float]:
    """u of a mean and of a single run about it, from the u of one further run and the degrees of freedom of both."""
    if not math.isfinite(dof):
        return u_further_run, 0.0
    n = dof + 1.0
    u_run = u_further_run / math.sqrt(1.0 + 1.0 / n)
    return u_run / math.sqrt(n), u_run


def _tell_of_ions(work: Work) -> None:
    """What was taken off for the ioniser's ions, and where that comes from; or that they are in the charge."""
    background = work.material.ions
    if background is None:
        if work.material.ionised and work.material.collects:
            work.flag("ions-included")
        return
    u_mean_nC, u_run_nC = parted(background.u, background.dof)
    work.steps.append("ioniser background subtracted")
    work.details["ioniser_background"] = {
        "charge_nC": background.value,
        "u_nC": u_mean_nC,
        "u_run_nC": u_run_nC,
        "dof": background.dof if math.isfinite(background.dof) else None,
        "source": background.source,
        "date": background.date,
    }


def _compared_with_nulls(work: Work) -> None:
    """Whether the null grinds that the run relies on lasted about as long as it."""
    grind_s = work.stretches.grind_s[1] - work.stretches.grind_s[0]
    ions = ("ioniser_background_grind_s",) if work.material.ions is not None else ()
    keys = ("net_charge_floor_grind_s", *ions)
    for nulls in filter(None, map(work.material.known.get, keys)):
        if min(grind_s, nulls.value) > 0.0:
            found = max(grind_s / nulls.value, nulls.value / grind_s)
            work.flag("nulls-of-other-length", found, grind_s=grind_s, null_grinds_s=nulls.value)


class _Floor(NamedTuple):
    """What u of a charge is never below, what it was before, both in true nC, and the flag that says so."""

    code: str
    name: str
    least_nC: float
    dof: float
    u_nC: float

    @property
    def rest(self) -> Source:
        """What is missing."""
        return Source(self.name, 0.0, math.sqrt(self.least_nC**2 - self.u_nC**2), "nC", "B", self.dof)


def _floor(work: Work, sources: Sequence[Source]) -> _Floor | None:
    """The highest floor that bench checks set above the u of these sources of a displayed charge, if any does.

    The spread of null grinds; and the random walk seen at the zero check over the time between the quiet stretches,
    which a short stretch of quiet readings cannot rule out.
    """
    known, size = work.material.known, abs(work.material.gain)
    u_nC = size * math.sqrt(sum((source.factor * source.u) ** 2 for source in sources))
    floors = []
    if (spread := known.get("net_charge_floor_nC")) is not None:
        floors.append(_Floor("noise-floor", "spread of null grinds", spread.u, spread.dof, u_nC))
    walk = known.get("charge_walk_nC_per_root_s")
    if walk is not None and work.material.cup.leaks and walk.value > SURE_OF_WALK * walk.u:
        apart_s = max(work.stretches.after_s[0] - work.stretches.before_s[1], 0.0)
        least_nC = size * walk.value * math.sqrt(apart_s)
        floors.append(_Floor("wander-floor", "wander seen at the zero check", least_nC, walk.dof, u_nC))
    highest = max(floors, key=lambda floor: floor.least_nC, default=None)
    return highest if highest is not None and highest.least_nC > max(u_nC, 1e-15) else None


def _parts(work: Work, sources: Sequence[Source], ions: Sequence[Source]) -> None:
    """Rising and falling parts of the running charge, which add up to the net charge.

    `running_charge` has taken the ions out of the course of the charge; here they bring only their errors.
    """
    if work.parts is None:
        return
    up, down, u_turns = work.parts
    own = [*sources, Source("turns of the running charge", 0.0, u_turns, "nC", "B")]
    floor, unsure = _floor(work, own), [replace(source, value=0.0) for source in ions]
    signs: tuple[tuple[ResultKey, float], ...] = (("positive_charge_nC", up), ("negative_charge_nC", down))
    for key, value in signs:
        made: dict[Any, Source] = {}
        work.result[key] = estimate(_true_charge(work, value, own, floor, unsure, made), made)


def _sources(work: Work, fit: ChargeFit) -> list[Source]:
    """Independent sources of the displayed net charge: readings, and what was known or assumed beforehand.

    The fit is linear in readings and priors, so each prior's part of the variance is (slope of the answer in the prior
    times the prior's u) squared, and the readings have the rest.
    """
    net, u, dof = fit.net
    left, found = u * u - fit.u_display**2, []
    for source in _drift_sources(work, fit):
        part = min((source.factor * source.u) ** 2, 0.999 * max(left, 0.0))
        if part > 0.0:
            found.append(replace(source, factor=math.copysign(math.sqrt(part) / source.u, source.factor)))
            left -= part
    sources = [Source("charge readings", net, math.sqrt(max(left, 0.0)), "nC", "A", dof), *found]
    if fit.u_display > NEGLIGIBLE * u:
        sources.append(Source("steps of the charge display", 0.0, fit.u_display, "nC", "B"))
    if work.lost_nC:
        sources.append(Source("charge lost in the grind", 0.0, work.lost_nC / math.sqrt(3.0), "nC", "B"))
    return sources


def _drift_sources(work: Work, fit: ChargeFit) -> list[Source]:
    """What was known of leakage and bias beforehand, each with how far it moves the net charge.

    Where one check found both, the bias current that goes with a leakage rate moves along with it, and how far the bias
    current may be from there is the second source: those two are independent.
    """
    post, priors, known = fit.posterior, fit.priors, work.material.known
    pull = np.einsum("k,kij,j->i", post.weight, post.cov, fit.direction)
    found: list[Source] = []
    along, apart = 0.0, 1.0
    for column, key, words, prior, from_bench, unit in (
        ("leakage", "leakage_rate_per_s", "leakage rate", priors.leakage, priors.leakage_from_bench, "1/s"),
        ("bias", "bias_current_nA", "bias current", priors.bias, priors.bias_from_bench, "nA"),
    ):
        if column not in post.names:
            continue
        moved = (float(pull[post.names.index(column)]) / prior.u - along) / apart**2
        where, shared = ("bench check", "leakage") if from_bench else ("assumed range", "")
        dof = entry.dof if from_bench and (entry := known.get(key)) else math.inf
        factor, u = moved / prior.u, apart * prior.u
        found.append(Source(f"{words}, {where}", prior.value, u, unit, "B", dof, shared, factor))
        along, apart = priors.correlation * moved, math.sqrt(1.0 - priors.correlation**2)
    return found


def _calibration_flags(work: Work) -> None:
    """Whether a calibration is known and still holds on the day of the run."""
    gain = work.material.known.get("gain")
    if gain is None:
        work.flag("calibration-missing")
    elif gain.until:
        work.flag("calibration-out-of-date", _days(gain.until, work.material.started), valid_until=gain.until)


def _days(first: str, second: str) -> float:
    """Days from one ISO date to another; 0 where either is none."""
    try:
        return float((date.fromisoformat(second[:10]) - date.fromisoformat(first[:10])).days)
    except ValueError:
        return 0.0


def breakdown_bound(diameter_um: float, density_kg_per_m3: float) -> float:
    """Largest charge-to-mass in nC/g that spheres can hold before the air at their surface breaks down.

    6 sigma / (rho d) with sigma = epsilon0 x 3 MV/m, 26.56 uC/m2 (CODATA epsilon0; a soft bound below 100 um, where the
    air withstands more).
    """
    sigma_C_per_m2 = VACUUM_PERMITTIVITY * BREAKDOWN_V_PER_M
    return 1e6 * 6.0 * sigma_C_per_m2 / (density_kg_per_m3 * diameter_um * 1e-6)

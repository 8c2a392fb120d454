"""Compares treatments: each with dry and with each other, on signed and on absolute charge-to-mass.

Owns the arms, their background correction and the tests between two arms. Fits no curve.

Signed means hide runs of both signs; absolute ones hide a change of sign. Both are tested, and the words say which.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from chargebench.study.equivalence import tolerance_factor
from chargebench.study.intervals import holm
from chargebench.study.rows import SIGNED_SHARES, Floats, StudyRun, dose_levels, usable

__all__ = ["Arm", "arms_of", "compare", "compare_treatments", "ioniser_background"]

TREATMENTS = ("dry", "misted", "ionised", "misted+ionised")


@dataclass(frozen=True, eq=False)
class Arm:
    """Runs treated alike.

    Attributes
    ----------
    name : str
        Treatment, with the dose where water was given.
    treatment : str
    dose_uL_per_g : float
    q_nC_per_g : float64 array (n,)
        Signed; ioniser background taken off.
    block : tuple of str
    shared_u_nC_per_g : mapping of str to float
        Uncertainty common to all runs of the arm, by cause, with the sign of its effect.
    """

    name: str
    treatment: str
    dose_uL_per_g: float
    q_nC_per_g: Floats
    block: tuple[str, ...]
    shared_u_nC_per_g: Mapping[str, float] = field(default_factory=dict)
    runs: tuple[StudyRun, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Summary: signed mean, absolute mean, RMS, tolerance interval."""
        q, n = self.q_nC_per_g, len(self.q_nC_per_g)
        sd = float(q.std(ddof=1)) if n > 1 else math.nan
        half = tolerance_factor(n) * sd if n > 1 else math.nan
        return {
            "name": self.name,
            "treatment": self.treatment,
            "dose_uL_per_g": self.dose_uL_per_g,
            "n": n,
            "mean_nC_per_g": float(q.mean()),
            "sd_nC_per_g": sd,
            "u_nC_per_g": math.hypot(sd / math.sqrt(n), *self.shared_u_nC_per_g.values()),
            "mean_absolute_nC_per_g": float(np.abs(q).mean()),
            "rms_nC_per_g": float(np.sqrt((q**2).mean())),
            "tolerance_nC_per_g": [float(q.mean()) - half, float(q.mean()) + half],
            "signs": [int((q < 0).sum()), int((q > 0).sum())],
        }


def ioniser_background(rows: Sequence[StudyRun]) -> tuple[float, float, int]:
    """Mean charge in nC that the ioniser alone puts into the cup, its standard uncertainty, and the number of blanks.

    From blanks (grinder running empty) with the ioniser on: (0, 0, 0) without any, infinite uncertainty from one.
    """
    charges = np.array(
        [
            row.net_charge_nC
            for row in rows
            if row.purpose == "blank" and "ionised" in row.treatment and not row.excluded and row.worst != "reject"
        ]
    )
    charges = charges[np.isfinite(charges)]
    if len(charges) == 0:
        return 0.0, 0.0, 0
    u = float(charges.std(ddof=1) / math.sqrt(len(charges))) if len(charges) > 1 else math.inf
    return float(charges.mean()), u, len(charges)


def arms_of(rows: Sequence[StudyRun]) -> tuple[Arm, ...]:
    """Arms of all grinds that count: dry first, then misted by dose, then those with the ioniser."""
    background, u_background, _ = ioniser_background(rows)
    return tuple(_arm(runs, background, u_background) for runs in _alike(usable(rows)))


def _alike(rows: Sequence[StudyRun]) -> Iterator[list[StudyRun]]:
    """Runs of one treatment and dose level together, in the order of `TREATMENTS` and dose."""
    for treatment in TREATMENTS:
        own = [row for row in rows if row.treatment == treatment]
        wet = "misted" in treatment
        level = (
            dose_levels(np.array([row.water_uL_per_g for row in own])) if wet else np.zeros(len(own), dtype=np.int64)
        )
        for number in np.unique(level):
            yield [row for row, at in zip(own, level, strict=True) if at == number]


def _arm(runs: list[StudyRun], background_nC: float, u_background_nC: float) -> Arm:
    q = np.array([row.charge_to_mass.value for row in runs if row.charge_to_mass is not None])
    mass = np.array([row.collected_mass_g for row in runs])
    causes = {cause for row in runs for cause in row.shared_u}
    sign = float(np.sign(q.mean()))
    shared = {
        c: (sign if c in SIGNED_SHARES else 1.0) * float(np.mean([r.shared_u.get(c, 0.0) for r in runs]))
        for c in causes
    }
    if "ionised" in runs[0].treatment and background_nC != 0 and np.isfinite(mass).all() and (mass > 0).all():
        q = q - background_nC / mass
        shared["ioniser"] = u_background_nC * float((1 / mass).mean())
    wet, treatment = "misted" in runs[0].treatment, runs[0].treatment
    dose = float(np.median([row.water_uL_per_g for row in runs])) if wet else 0.0
    told = f"{dose:.3g} µL/g" if math.isfinite(dose) else "dose not told"
    name = f"{treatment} {told}" if wet else treatment
    return Arm(name, treatment, dose, q, tuple(row.block for row in runs), shared, tuple(runs))


def _shared_u(first: Arm, second: Arm, absolute: bool) -> float:
    """Uncertainty of a difference from shared causes: what moves both alike cancels."""
    sign_a, sign_b = (np.sign(arm.q_nC_per_g.mean()) if absolute else 1.0 for arm in (first, second))
    causes = {*first.shared_u_nC_per_g, *second.shared_u_nC_per_g}
    a, b = first.shared_u_nC_per_g, second.shared_u_nC_per_g
    return float(np.sqrt(sum((sign_a * a.get(c, 0.0) - sign_b * b.get(c, 0.0)) ** 2 for c in causes)))


def compare(first: Arm, second: Arm, band_nC_per_g: float | None, absolute: bool, seed: int) -> dict[str, Any]:
    """Difference ``first - second``.

    Returns
    -------
    dict
        ``difference_nC_per_g``, ``u_nC_per_g``, ``ci95_nC_per_g``, ``t``, ``dof``, ``p_welch``, ``p_permutation``,
        ``block_adjusted`` and ``equivalence`` (90 % interval, whether inside ±band). Needs two runs in each arm;
        without them only the difference is given.
    """
    from scipy import stats

    a, b = (np.abs(arm.q_nC_per_g) if absolute else arm.q_nC_per_g for arm in (first, second))
    found: dict[str, Any] = {"difference_nC_per_g": float(a.mean() - b.mean()), "n": [len(a), len(b)]}
    if min(len(a), len(b)) < 2 or max(a.std(), b.std()) == 0:
        return found
    parts = [(float(x.var(ddof=1)) / len(x), len(x) - 1) for x in (a, b)]  # by hand: scipy warns where one arm is even
    own = math.sqrt(sum(part for part, _ in parts))
    welch_dof = own**4 / sum(part**2 / free for part, free in parts)
    shared = _shared_u(first, second, absolute)
    u = math.hypot(own, shared)
    dof = welch_dof * (u / own) ** 4
    t95, t90 = (float(stats.t.ppf(level, dof)) * u if math.isfinite(u) else math.inf for level in (0.975, 0.95))
    d = found["difference_nC_per_g"]
    return {
        **found,
        "u_nC_per_g": u,
        "dof": dof,
        "t": d / u,
        "ci95_nC_per_g": [d - t95, d + t95],
        "p_welch": float(2 * stats.t.sf(abs(d) / u, dof)),
        "p_permutation": _permutation_p(a, b, seed),
        "block_adjusted": _block_adjusted(a, first.block, b, second.block),
        "equivalence": None if band_nC_per_g is None else _inside(d, t90, band_nC_per_g),
    }


def _inside(difference: float, half90: float, band: float) -> dict[str, Any]:
    return {
        "band_nC_per_g": band,
        "interval90_nC_per_g": [difference - half90, difference + half90],
        "equivalent": abs(difference) + half90 < band,
    }


def _permutation_p(a: Floats, b: Floats, seed: int) -> float:
    """p of the difference of means under exchange of runs: exact up to 5,000 exchanges, else from as many drawn."""
    from scipy import stats

    def difference(x: Floats, y: Floats, axis: int = -1) -> Floats:
        found: Floats = np.mean(x, axis=axis) - np.mean(y, axis=axis)
        return found

    test = stats.permutation_test((a, b), difference, vectorized=True, n_resamples=5000, random_state=seed)
    return float(test.pvalue)


def _block_adjusted(a: Floats, block_a: Sequence[str], b: Floats, block_b: Sequence[str]) -> dict[str, Any] | None:
    """Difference within blocks: t test on the differences of block means; None with fewer than three shared blocks."""
    from scipy import stats

    both = sorted(set(block_a) & set(block_b))
    if len(both) < 3:
        return None

    def means(q: Floats, block: Sequence[str]) -> Floats:
        name = np.array(block)
        return np.array([q[name == one].mean() for one in both])

    gap = means(a, block_a) - means(b, block_b)
    if gap.std() == 0:
        return None
    test = stats.ttest_1samp(gap, 0.0)
    low, high = test.confidence_interval(0.95)
    return {
        "blocks": len(both),
        "difference_nC_per_g": float(gap.mean()),
        "ci95_nC_per_g": [float(low), float(high)],
        "p": float(test.pvalue),
    }


def dunnett_p(arms: Sequence[Floats], control: Floats, seed: int) -> list[float]:
    """p values of each arm against the control (Dunnett 1955); assumes one scatter for all arms."""
    from scipy import stats

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of an arm without scatter, which the others make up for
        found: npt.NDArray[np.float64] = stats.dunnett(*arms, control=control, random_state=seed).pvalue
    return [float(value) for value in found]


def compare_treatments(rows: Sequence[StudyRun], band_nC_per_g: float | None, seed: int) -> dict[str, Any]:
    """All comparisons of a group.

    Returns
    -------
    dict
        ``arms``; ``against_dry`` and ``against_each_other``, each a list with ``signed`` and ``absolute`` parts and
        Holm-adjusted p values; ``ioniser_background``; ``witnesses``; ``conclusions``.
    """
    from chargebench.study.witnesses import witness_words, witnesses

    arms = arms_of(rows)
    dry = next((arm for arm in arms if arm.treatment == "dry"), None)
    others = [arm for arm in arms if arm is not dry]
    against = [] if dry is None else _pairs([(arm, dry) for arm in others], band_nC_per_g, seed)
    if dry is not None:
        _add_dunnett(against, others, dry, seed)
    between = _pairs(_each_other(arms), band_nC_per_g, seed)
    background, u_background, blanks = ioniser_background(rows)
    seen = witnesses(arms)
    said = [words for item in (*against, *between) if (words := _words(item))]
    if len(arms) > 1:
        said += [*_background_words(arms, blanks), witness_words(seen)]
    return {
        "arms": [arm.as_json() for arm in arms],
        "against_dry": against,
        "against_each_other": between,
        "ioniser_background": {"charge_nC": background, "u_nC": u_background, "blanks": blanks},
        "witnesses": seen,
        "conclusions": said,
    }


def _each_other(arms: Sequence[Arm]) -> list[tuple[Arm, Arm]]:
    """Every arm with an ioniser against every arm of another treatment but dry; doses of one treatment are a curve."""
    ionised = [arm for arm in arms if "ionised" in arm.treatment]
    others = [arm for arm in arms if arm.treatment != "dry"]
    rank = {name: place for place, name in enumerate(TREATMENTS)}
    return [(a, b) for a in ionised for b in others if rank[b.treatment] < rank[a.treatment]]


def _pairs(pairs: Sequence[tuple[Arm, Arm]], band: float | None, seed: int) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = [
        {
            "first": a.name,
            "second": b.name,
            "signed": compare(a, b, band, False, seed),
            "absolute": compare(a, b, band, True, seed),
        }
        for a, b in pairs
    ]
    for kind in ("signed", "absolute"):
        tested = [item[kind] for item in found if "p_welch" in item[kind]]
        for item, p in zip(tested, holm([item["p_welch"] for item in tested]) if tested else [], strict=True):
            item["p_holm"] = p
    return found


def _add_dunnett(found: list[dict[str, Any]], others: Sequence[Arm], dry: Arm, seed: int) -> None:
    """Put Dunnett's p beside each comparison with dry."""
    ready = [i for i, arm in enumerate(others) if len(arm.q_nC_per_g) > 1]
    if not ready or len(dry.q_nC_per_g) < 2 or not max(arm.q_nC_per_g.std() for arm in (dry, *others)) > 0:
        return
    parts: tuple[tuple[str, Callable[[Floats], Floats]], ...] = (("signed", lambda q: q), ("absolute", np.abs))
    for kind, of in parts:
        p = dunnett_p([of(others[i].q_nC_per_g) for i in ready], of(dry.q_nC_per_g), seed)
        for i, value in zip(ready, p, strict=True):
            found[i][kind]["p_dunnett"] = value


def _words(item: Mapping[str, Any]) -> str:
    """One sentence on the absolute charge, with the signed one named where a change of sign makes them differ."""
    part, signed = item["absolute"], item["signed"]
    if "p_holm" not in part:
        return ""
    low, high = part["ci95_nC_per_g"]
    said = (
        f"{item['first']} against {item['second']}: |Q/m| differs by {part['difference_nC_per_g']:+.3g} nC/g, "
        f"95 % interval {low:+.3g} to {high:+.3g}, adjusted p {part['p_holm']:.2g}"
    )
    equal = part["equivalence"]
    if part["p_holm"] >= 0.05:
        shown = bool(equal and equal["equivalent"] and signed["equivalence"]["equivalent"])
        said += "; shown equivalent" if shown else "; no difference shown, which does not show them equal"
    if abs(signed["difference_nC_per_g"]) > 2 * abs(part["difference_nC_per_g"]) and signed["p_holm"] < 0.05:
        said += f"; the signed values differ more, by {signed['difference_nC_per_g']:+.3g} nC/g"
    return said + "."


def _background_words(arms: Sequence[Arm], blanks: int) -> list[str]:
    if not any("ionised" in arm.treatment for arm in arms):
        return []
    if blanks == 0:
        return ["The ioniser's own charge was not measured (no blanks with the ioniser on): ionised values contain it."]
    return [f"The ioniser's own charge, from {blanks} blanks, is taken off the ionised runs with its uncertainty."]

"""Compares treatments: each with dry and with each other, on signed and on absolute charge-to-mass.

Owns which arms are compared and what is said of it. Fits no curve.

Signed means hide runs of both signs; absolute ones hide a change of sign. Both are tested, and the words say which.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from chargebench.study.arms import TREATMENTS, Arm, arms_of, ions_taken_off
from chargebench.study.comparison import compare, contrast, dunnett_p, holm, together
from chargebench.study.rows import StudyRun

__all__ = ["Arm", "arms_of", "compare", "compare_treatments", "dunnett_p", "holm"]

KINDS = ("signed", "absolute")


def compare_treatments(rows: Sequence[StudyRun], band_nC_per_g: float | None, seed: int) -> dict[str, Any]:
    """All comparisons of a group.

    Returns
    -------
    dict
        ``arms``; ``against_dry`` and ``against_each_other``, each a list with ``signed`` and ``absolute`` parts that
        carry, beside what `compare` gives, p values and intervals adjusted for all differences of the list
        (``p_adjusted``, ``simultaneous_ci95_nC_per_g``) and ``p_holm``; ``ioniser_background`` as the outcomes tell
        it; ``witnesses``; ``conclusions``.
    """
    from chargebench.study.witnesses import witness_words, witnesses

    arms = arms_of(rows)
    dry = next((arm for arm in arms if arm.treatment == "dry"), None)
    others = [arm for arm in arms if arm is not dry]
    against = [] if dry is None else _pairs([(arm, dry) for arm in others], dry, band_nC_per_g, seed)
    if dry is not None:
        _add_dunnett(against, others, dry, seed)
    between = []
    rank = {name: place for place, name in enumerate(TREATMENTS)}
    for ionised in (arm for arm in arms if "ionised" in arm.treatment):  # doses of one treatment are a curve, no pairs
        before = [(ionised, arm) for arm in others if rank[arm.treatment] < rank[ionised.treatment]]
        between += _pairs(before, ionised, band_nC_per_g, seed)
    ions, seen = ions_taken_off(rows), witnesses(arms)
    said = [words for item in (*against, *between) if (words := _words(item))]
    if len(arms) > 1:
        said += [*_ion_words(ions), witness_words(seen)]
    return {
        "arms": [arm.as_json() for arm in arms],
        "against_dry": against,
        "against_each_other": between,
        "ioniser_background": ions,
        "witnesses": seen,
        "conclusions": said,
    }


def _pairs(pairs: Sequence[tuple[Arm, Arm]], common: Arm, band: float | None, seed: int) -> list[dict[str, Any]]:
    """Comparisons that share an arm, each beside the others."""
    found: list[dict[str, Any]] = [
        {"first": a.name, "second": b.name, **{k: compare(a, b, band, k == "absolute", seed) for k in KINDS}}
        for a, b in pairs
    ]
    for kind in KINDS:
        told = {i: one for i, (a, b) in enumerate(pairs) if (one := contrast(a, b, kind == "absolute")) is not None}
        adjusted = holm([one.p for one in told.values()])
        for i, p_holm, (p, ends) in zip(told, adjusted, together(list(told.values()), common), strict=True):
            found[i][kind] |= {"p_holm": p_holm, "p_adjusted": p, "simultaneous_ci95_nC_per_g": ends}
    return found


def _add_dunnett(found: list[dict[str, Any]], others: Sequence[Arm], dry: Arm, seed: int) -> None:
    """Put Dunnett's p beside each comparison with dry: his own where runs are independent, else within blocks."""
    ready = [i for i, arm in enumerate(others) if len(arm.q_nC_per_g) > 1]
    if not ready or len(dry.q_nC_per_g) < 2 or not max(arm.q_nC_per_g.std() for arm in (dry, *others)) > 0:
        return
    for kind in KINDS:
        arms = [np.abs(arm.q_nC_per_g) if kind == "absolute" else arm.q_nC_per_g for arm in (dry, *others)]
        plain = dunnett_p([arms[i + 1] for i in ready], arms[0], seed)
        for i, value in zip(ready, plain, strict=True):
            part = found[i][kind]
            part["p_dunnett"] = part["p_adjusted"] if part.get("block_adjusted") else value


def _words(item: Mapping[str, Any]) -> str:
    """One sentence on the absolute charge, with the signed one named where a change of sign makes them differ."""
    part, signed = item["absolute"], item["signed"]
    if "p_adjusted" not in part or "p_adjusted" not in signed:
        return ""
    low, high = part["simultaneous_ci95_nC_per_g"]
    where = f" {part['basis']}" if part["block_adjusted"] else ""
    said = (
        f"{item['first']} against {item['second']}: |Q/m| differs{where} by {part['difference_nC_per_g']:+.3g} nC/g, "
        f"95 % interval with all others {low:+.3g} to {high:+.3g}, adjusted p {part['p_adjusted']:.2g}"
    )
    equal = part["equivalence"]
    if part["p_adjusted"] >= 0.05:
        shown = bool(equal and equal["equivalent"] and signed["equivalence"]["equivalent"])
        said += "; shown equivalent" if shown else "; no difference shown, which does not show them equal"
    if abs(signed["difference_nC_per_g"]) > 2 * abs(part["difference_nC_per_g"]) and signed["p_adjusted"] < 0.05:
        said += f"; the signed values differ more, by {signed['difference_nC_per_g']:+.3g} nC/g"
    return said + "."


def _ion_words(ions: Mapping[str, Any]) -> list[str]:
    """What was taken off for the ioniser's ions; where nothing was, a flag of the group says so."""
    if not ions["runs"]:
        return []
    known = f" ({'; '.join(ions['sources'])})" if ions["sources"] else ""
    left = "" if not ions["contained_in"] else f"; {ions['contained_in']} others contain it"
    return [
        f"The ioniser's own charge, {ions['charge_nC']:+.3g} nC{known}, was taken off {ions['runs']} ionised runs, "
        f"each in its own outcome, with its uncertainty{left}."
    ]

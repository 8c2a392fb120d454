"""Judges what a study says against what is true: doses, levels, treatments, verdicts.

Owns where in the JSON of an answer each thing stands; an answer of another shape is followed here and nowhere else.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from tests.benchmarks.study_tally import Tally


def flagged(group: Mapping[str, Any]) -> bool:
    """Whether the answer bears a flag that doubts or rejects."""
    return any(flag["severity"] in ("doubt", "reject") for flag in group["flags"])


def claimed_doses(answer: Mapping[str, Any]) -> Sequence[float | None] | None:
    """Doses that an answer does not rule out; None where it makes no claim."""
    if answer["status"] == "not identifiable":
        return None
    if answer["status"] == "above highest dose":
        ends = answer["ci95"] if answer["ci95"] and answer["ci95"][0] is not None else answer["bracket"]
    else:
        ends = answer["ci95"] or answer["bracket"]
    return None if ends is None else (ends[0] or 0.0, ends[1])


def student(mean: float, u: float | None, dof: float | None) -> tuple[float, float] | None:
    """95 % interval as a reader makes it of a mean, its u and the degrees of freedom; None without a u."""
    from scipy.special import stdtrit

    if u is None or not math.isfinite(u) or (dof is not None and dof <= 0):
        return None
    half = u * (1.96 if dof is None else float(stdtrit(max(dof, 1.0), 0.975)))
    return mean - half, mean + half


def judge_doses(tally: Tally, group: Mapping[str, Any], truth: Mapping[str, Any], bootstrap: bool = True) -> None:
    """Doses by curve, means of levels, doses called neutral."""
    doubt, doses = flagged(group), group["neutralising_dose"]
    if doses is None:
        return
    for name in ("fraction", "limit", "crossing"):
        if truth[name] is not None:
            tally.interval(name, claimed_doses(doses[name]), truth[name], doubt)
            boot = doses[name].get("bootstrap_ci95") if bootstrap else None
            ends = None if boot is None else (boot[0] or 0.0, boot[1])
            tally.interval(f"{name}, bootstrap", ends, truth[name], doubt)
    for level in group["levels"]:
        arm = truth["arms"].get(("misted" if level["dose_uL_per_g"] else "dry", level["dose_uL_per_g"]))
        if arm is not None:
            ends = level.get("ci95_nC_per_g") or student(level["mean_nC_per_g"], level["u_nC_per_g"], level["dof"])
            tally.interval("levels", ends, arm["mean_nC_per_g"], doubt)
    found = doses["equivalence"]["value"]
    at_or_above = [dose for dose in truth["inside"] if found is not None and dose >= found - 1e-9]
    tally.call("neutral wrongly", not all(truth["inside"][dose] for dose in at_or_above), doubt)
    tally.call("(neutral at all)", found is not None, True)


def arm_key(arm: Mapping[str, Any]) -> tuple[str, float]:
    """How the simulator names an arm."""
    return arm["treatment"], arm["dose_uL_per_g"] if "misted" in arm["treatment"] else 0.0


def judge_treatments(tally: Tally, group: Mapping[str, Any], truth: Mapping[str, Any]) -> None:
    """Means of arms, differences against dry and of ionised and misted, equivalence."""
    found, doubt = group["treatments"], flagged(group)
    if found is None or "against_dry" not in found:
        return
    arms = {arm["name"]: truth["arms"].get(arm_key(arm)) for arm in found["arms"]}
    for arm in found["arms"]:
        if arms[arm["name"]] is not None and arm["treatment"] == "ionised":
            dof = arm.get("dof", arm["n"] - 1)
            ends = arm.get("ci95_nC_per_g") or student(arm["mean_nC_per_g"], arm["u_nC_per_g"], dof)
            tally.interval("mean ionised", ends, arms[arm["name"]]["mean_nC_per_g"], doubt)
    for kind in ("against_dry", "against_each_other"):
        for pair in found[kind]:
            first, second = arms[pair["first"]], arms[pair["second"]]
            if first is not None and second is not None:
                judge_pair(tally, kind, pair, first, second, doubt)
        judge_together(tally, kind, found[kind], arms, doubt)


WORDS = {"against_dry": "against dry", "against_each_other": "ionised - misted"}
NEAR = 2.5
"""Differences outside the band, and below so many times it, are those that may be called equivalent wrongly."""
KEYS = {"signed": "mean_nC_per_g", "absolute": "mean_absolute_nC_per_g"}


def judge_together(
    tally: Tally, kind: str, pairs: Sequence[Mapping[str, Any]], arms: Mapping[str, Any], doubt: bool
) -> None:
    """Intervals that are to hold all together: whether they do, by the difference that lies furthest out."""
    for part, key in KEYS.items():
        outs = []
        for pair in pairs:
            ends, first, second = (
                pair[part].get("simultaneous_ci95_nC_per_g"),
                arms[pair["first"]],
                arms[pair["second"]],
            )
            if ends and first is not None and second is not None:
                middle, half = (ends[0] + ends[1]) / 2, (ends[1] - ends[0]) / 2
                outs.append(((first[key] - second[key] - middle) / half, 2 * half))
        if outs:
            furthest, width = max(outs, key=lambda out: abs(out[0]))
            tally.claims[f"{WORDS[kind]}, {part}, all together"].append((abs(furthest) <= 1, doubt, width))


def judge_pair(
    tally: Tally,
    kind: str,
    pair: Mapping[str, Any],
    first: Mapping[str, float],
    second: Mapping[str, float],
    doubt: bool,
) -> None:
    """One comparison: intervals as printed and adjusted for blocks, and whether it was called equivalent."""
    words = WORDS[kind]
    if kind == "against_dry" and pair["first"].startswith("ionised"):
        words = "ionised - dry"
    for part, key in KEYS.items():
        said, true = pair[part], first[key] - second[key]
        tally.interval(f"{words}, {part}", said.get("ci95_nC_per_g"), true, doubt)
        adjusted = said.get("block_adjusted")
        if adjusted:
            tally.interval(f"{words}, {part}, in blocks", adjusted["ci95_nC_per_g"], true, doubt)
        equal = said.get("equivalence")
        if equal and 1 - 1e-9 <= abs(true) / equal["band_nC_per_g"] < NEAR:
            tally.call(f"{words}, {part}: equivalent wrongly", bool(equal["equivalent"]), doubt)

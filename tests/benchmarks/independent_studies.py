"""How often what a study says is right, on studies from a simulator that shares no code with the program.

Run as ``python -m tests.benchmarks.independent_studies [--studies 300] [--cells few,ions] [--seed N]``; ``--cells``
takes families (ions, blocks, few, next, held) or beginnings of cell names. For each cell and each thing that is said it
prints how many times it was said, how often the interval holds the truth, how many of the misses bear a flag that
doubts or rejects, and the median width; then wrong calls: a dose called neutral that is not (or a higher one is not),
treatments called equivalent that differ by the band and more, advice that contradicts the answer. ``<<`` marks what is
covered less than 93 times in a hundred (wrong calls: made more than 7 times) without a flag on nine of ten misses.
"""

from __future__ import annotations

import argparse
import gc
import math
import multiprocessing
import os
import time
import zlib
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from tests.benchmarks.study_cells import Cell, all_cells

RESAMPLES = 400
ENOUGH, OFTEN = 93.0, 7.0
Claim = tuple[bool, bool, float]
"""Whether right, whether the answer bears a doubt or a reject, width."""


class Tally:
    """What was said in the studies of a cell, and whether it was right."""

    def __init__(self) -> None:
        self.claims: dict[str, list[Claim]] = defaultdict(list)
        self.calls: dict[str, list[tuple[bool, bool]]] = defaultdict(list)
        self.numbers: dict[str, list[float]] = defaultdict(list)
        self.failures: list[str] = []

    def interval(self, what: str, ends: Sequence[float | None] | None, truth: float | None, flagged: bool) -> None:
        """Count an interval; one that was not given is not counted."""
        if ends is None or truth is None or any(end is not None and math.isnan(end) for end in ends):
            return
        low, high = (default if end is None else end for end, default in zip(ends, (-math.inf, math.inf), strict=True))
        self.claims[what].append((low <= truth <= high, flagged, high - low))

    def any_wrong(self) -> bool:
        """Whether anything that was said was wrong."""
        wrong = (call[0] for what, calls in self.calls.items() if not what.startswith("(") for call in calls)
        return any(wrong) or any(not claim[0] for claims in self.claims.values() for claim in claims)

    def add(self, other: Tally) -> None:
        """Take over what another has counted."""
        for what, claims in other.claims.items():
            self.claims[what] += claims
        for what, calls in other.calls.items():
            self.calls[what] += calls

    def call(self, what: str, wrong: bool, flagged: bool) -> None:
        """Count a verdict that may be wrong."""
        self.calls[what].append((wrong, flagged))


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
    for kind in ("against_dry", "ionised_minus_misted"):
        for pair in found[kind]:
            first, second = arms[pair["first"]], arms[pair["second"]]
            if first is not None and second is not None:
                judge_pair(tally, kind, pair, first, second, doubt)


def judge_pair(
    tally: Tally,
    kind: str,
    pair: Mapping[str, Any],
    first: Mapping[str, float],
    second: Mapping[str, float],
    doubt: bool,
) -> None:
    """One comparison: intervals as printed and adjusted for blocks, and whether it was called equivalent."""
    words = {"against_dry": "against dry", "ionised_minus_misted": "ionised - misted"}[kind]
    if kind == "against_dry" and pair["first"].startswith("ionised"):
        words = "ionised - dry"
    for part, key in (("signed", "mean_nC_per_g"), ("absolute", "mean_absolute_nC_per_g")):
        said, true = pair[part], first[key] - second[key]
        tally.interval(f"{words}, {part}", said.get("ci95_nC_per_g"), true, doubt)
        adjusted = said.get("block_adjusted")
        if adjusted:
            tally.interval(f"{words}, {part}, in blocks", adjusted["ci95_nC_per_g"], true, doubt)
        equal = said.get("equivalence")
        if equal:
            wrong = bool(equal["equivalent"]) and abs(true) >= equal["band_nC_per_g"] * (1 - 1e-9)
            tally.call(f"{words}, {part}: equivalent wrongly", wrong, doubt)


def one_study(cell: Cell, rng: np.random.Generator, tally: Tally, number: int) -> None:
    """Draw a study, ask the program, judge what it says.

    In cells on doses only, two studies of three are asked for the quick answer of a live update first, which has the
    same intervals; the whole one, which bears all flags, is asked for where the quick one is wrong.
    """
    from chargebench.study.answer import answer
    from chargebench.study.rows import Question
    from chargebench.study.whole import whole_answer
    from tests.benchmarks.study_adapter import rows_of
    from tests.independent_studies import make_study

    study = make_study(cell.design, cell.curve, rng)
    rows, truth, design = rows_of(study["runs"], cell.known_from), study["truth"], cell.design
    question = Question(
        band_nC_per_g=design.band_nC_per_g, detection_limit_nC_per_g=design.limit_nC_per_g, resamples=RESAMPLES
    )
    quickly = cell.doses_only and number % 3 > 0
    if quickly:
        quick = Tally()
        judge_doses(quick, answer(rows, replace(question, resamples=0))["groups"][0], truth)
        if not quick.any_wrong():
            tally.add(quick)
            return
    group = whole_answer(rows, question)["groups"][0]
    judge_doses(tally, group, truth, bootstrap=not quickly)
    if not quickly:
        judge_treatments(tally, group, truth)
    if design.ionised_nC_per_g is not None and cell.known_from != "nothing":
        said = any("not measured" in words for words in group["treatments"]["conclusions"])
        tally.call("says that the ions were not measured", said, False)


def cell_tally(cell: Cell, studies: int, seed: int) -> tuple[Tally, float]:
    """All studies of a cell, and how long one took in ms."""
    from tests.benchmarks.study_sequence import one_sequence

    gc.freeze()
    rng = np.random.default_rng([seed, zlib.crc32(cell.name.encode())])
    tally, start = Tally(), time.perf_counter()
    for number in range(studies):
        try:
            if cell.sequential is None:
                one_study(cell, rng, tally, number)
            else:
                one_sequence(cell, rng, tally)
        except Exception as error:  # noqa: BLE001 (an answer that dies is one of the findings)
            tally.failures.append(f"study {number}: {type(error).__name__}: {error}")
    return tally, (time.perf_counter() - start) / studies * 1e3


def mark(bad_share: float, allowed: float, misses: int, misses_flagged: int) -> str:
    """``<<`` where a thing is wrong too often without being flagged."""
    return "<<" if bad_share > allowed and misses_flagged < 0.9 * misses else ""


def lines_of(tally: Tally) -> Iterable[str]:
    """The table of a cell."""
    for what, claims in tally.claims.items():
        misses = [claim for claim in claims if not claim[0]]
        told = sum(claim[1] for claim in misses)
        covered = 100 * (1 - len(misses) / len(claims))
        width = float(np.median([claim[2] for claim in claims]))
        share = f"{100 * told / len(misses):4.0f}" if misses else "   -"
        sign = mark(100 - covered, 100 - ENOUGH, len(misses), told)
        yield f"  {what:42} {len(claims):6} {covered:7.1f} {share} {width:10.3g} {sign}"
    for what, calls in tally.calls.items():
        wrong = [call for call in calls if call[0]]
        told = sum(call[1] for call in wrong)
        share = f"{100 * told / len(wrong):4.0f}" if wrong else "   -"
        part = 100 * len(wrong) / len(calls)
        sign = "" if what.startswith("(") else mark(part, OFTEN, len(wrong), told)
        yield f"  {what:42} {len(calls):6} {part:7.1f} {share} {'':10} {sign}"
    for what, values in tally.numbers.items():
        yield f"  {what:42} {len(values):6} {'':7} {'':4} {np.median(values):10.3g}"
    if tally.failures:
        yield f"  DIED {len(tally.failures)} times, first {tally.failures[0]}"


def chosen_cells(wanted: str) -> list[Cell]:
    """Cells of families or by the beginning of their names, in the order of the table; all for an empty text."""
    families = all_cells()
    if not wanted:
        return [cell for cells in families.values() for cell in cells]
    words = [word.strip() for word in wanted.split(",")]
    found = [c for f, cells in families.items() for c in cells if any(w == f or c.name.startswith(w) for w in words)]
    if not found:
        raise SystemExit(f"--cells: {wanted!r} names none of {', '.join(families)} and no beginning of a cell's name")
    return found


def _work(job: tuple[Cell, int, int]) -> str:
    cell, studies, seed = job
    tally, cost = cell_tally(cell, studies, seed)
    return "\n".join([f"{cell.name} ({studies} studies, {cost:.0f} ms each)", *lines_of(tally)])


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--studies", type=int, default=300)
    parser.add_argument("--cells", default="")
    parser.add_argument("--seed", type=int, default=20260314)
    parser.add_argument("--processes", type=int, default=2)
    given = parser.parse_args()
    for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(threads, "1")
    jobs = [(cell, given.studies, given.seed) for cell in chosen_cells(given.cells)]
    print(
        f"{given.studies} studies a cell, seed {given.seed}; SE of a 95 % share {math.sqrt(0.0475 / given.studies):.1%}"
    )
    print(f"  {'what is said':42} {'times':>6} {'covered':>7} {'told':>4} {'width':>10}")
    print("  (of wrong calls: how often made; told: misses with a doubt or reject, %)", flush=True)
    with multiprocessing.get_context("spawn").Pool(given.processes, maxtasksperchild=8) as pool:
        for text in pool.imap(_work, jobs):
            print(text, flush=True)


if __name__ == "__main__":
    main()

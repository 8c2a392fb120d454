"""How often a study's intervals and verdicts are right, on simulated studies with a known dose curve.

Run as ``python -m tests.benchmarks.study_coverage [studies]``. Every study has 6 doses in 4 blocks; runs scatter by
12 % of their level and 1 nC/g, in quadrature; the truth is an exponential fall to a plateau. Two ladders of doses: one
set around the true dose, one of fixed doses whatever the truth. Truths of other shapes follow. The
table found last is kept in ``study_coverage.txt`` beside this file. Prints, for each truth,

- how often the 95 % set of doses for the ``fraction`` definition holds the true one (an end left open counts as open),
  by the profile and by the BCa bootstrap,
- how often the ``crossing`` was given a finite two-sided interval,
- how often ``equivalence`` called a dose neutral whose true mean, or that of a higher tested dose, lies outside ±Δ,
  with Δ 5 % of the true dry value, and how often it gave any answer.
"""

from __future__ import annotations

import math
import sys
import time
from collections import Counter
from dataclasses import dataclass

import numpy as np

from chargebench.study.bootstrap import resample
from chargebench.study.curves import EXPONENTIAL_PLATEAU, HINGE, LOG_LOGISTIC, Curve
from chargebench.study.dose import dof_of, dose_of, fall_to
from chargebench.study.equivalence import band_of, levels_of, put_to_test
from chargebench.study.fit import fit_family, select
from chargebench.study.neutralising import four_definitions
from chargebench.study.rows import Floats, Points, Question
from chargebench.study.scatter import whiten
from tests.study.made_studies import Truth, simulate

DRY = (-60.0, 35.0)
PLATEAU = (0.0, 1.0, 3.0, -5.0)
TRUE_DOSE = (2.0, 8.0, 20.0, 60.0)
AROUND = np.array([0.0, 0.25, 0.5, 1.0, 1.5, 2.5])
FIXED = np.array([0.0, 5.0, 10.0, 20.0, 40.0, 80.0])


@dataclass(frozen=True)
class OtherTruth:
    """A curve of another shape, its first shape parameter set so that it reaches 10 % of dry at `dose`."""

    curve: Curve
    dry: float
    plateau: float
    dose: float
    steepness: tuple[float, ...] = ()

    def mean(self, dose: Floats) -> Floats:
        unit = dose_of(self.curve, np.array([self.dry, self.plateau, 1.0, *self.steepness]), fall_to(0.1), 1e3)
        assert unit is not None
        parameters = np.array([self.dry, self.plateau, self.dose / unit, *self.steepness])
        return self.curve.mean(dose, parameters)


OTHERS = (
    OtherTruth(LOG_LOGISTIC, -60.0, 1.0, 20.0, (1.5,)),
    OtherTruth(LOG_LOGISTIC, -60.0, 1.0, 20.0, (2.5,)),
    OtherTruth(LOG_LOGISTIC, 35.0, 0.0, 20.0, (2.5,)),
    OtherTruth(LOG_LOGISTIC, -60.0, 1.0, 20.0, (4.0,)),
    OtherTruth(HINGE, -60.0, 1.0, 20.0),
)


def judge(truth: Truth | OtherTruth, points: Points) -> Counter[str]:
    """What went right and wrong in one study."""
    question = Question()
    white = whiten(points, question.blocks)
    levels = levels_of(points, white.scatter)
    band = band_of(levels, None, None)
    assert band is not None
    tested = put_to_test(levels, band)
    fits = fit_family(white)
    chosen = select(fits)
    found = four_definitions(chosen, white, levels, tested, band, question, "")
    fraction, crossing, neutral = found["fraction"], found["crossing"], found["equivalence"]
    low, high = fraction.ci95 or (None, None)
    boot_low, boot_high = 0.0, math.inf
    if fraction.value is not None:
        target = fall_to(question.fraction)
        resampled = resample(fits, white, 1000, question.seed)
        boot_low, boot_high = resampled.interval(
            target, float(points.doses[-1]), fraction.value, dof_of(chosen[0], white, target)
        )
    count: Counter[str] = Counter()
    count["covered"] = (low or 0.0) <= truth.dose <= (high or math.inf)
    count["bca"] = boot_low <= truth.dose <= boot_high
    count["below"] = truth.dose < (low or 0.0)
    count["above"] = truth.dose > (high or math.inf)
    count["two-sided"] = low is not None and high is not None
    count["crossing"] = crossing.ci95 is not None and None not in crossing.ci95
    at_or_above = points.doses[points.doses >= (neutral.value if neutral.value is not None else math.inf)]
    count["neutral"] = neutral.value is not None
    count["wrong"] = bool((np.abs(truth.mean(at_or_above)) > 0.05 * abs(truth.dry)).any())
    count["other curve"] = chosen[0].curve is not EXPONENTIAL_PLATEAU
    return count


HEADER = (
    "ladder  dry plateau true | covered  (BCa) truth<low truth>high two-sided"
    " | crossing | neutral wrongly | other curve | ms"
)


def row(name: str, truth: Truth | OtherTruth, studies: int) -> str:
    """One line of the table."""
    rng = np.random.default_rng([20260301, round(truth.dry) % 1000, round(truth.plateau) % 1000, round(truth.dose)])
    doses = AROUND * truth.dose if name == "around" else FIXED
    start = time.perf_counter()
    count: Counter[str] = Counter()
    for _ in range(studies):
        count.update(judge(truth, simulate(truth, doses, rng)))
    cost = (time.perf_counter() - start) / studies * 1e3
    share = {key: 100 * value / studies for key, value in count.items()}
    return (
        f"{name:6} {truth.dry:4.0f} {truth.plateau:7.0f} {truth.dose:4.0f} |"
        f" {share['covered']:7.1f} {share['bca']:6.1f}"
        f" {share['below']:9.1f} {share['above']:10.1f} {share['two-sided']:9.0f} | {share['crossing']:8.1f} |"
        f" {share['neutral']:7.1f} {share['wrong']:7.1f} | {share['other curve']:11.1f} | {cost:.1f}"
    )


def main(studies: int) -> None:
    """Print the table."""
    print(f"{studies} studies a row; percent of studies. SE of a 95 % share: {math.sqrt(0.0475 / studies):.1%}")
    print(HEADER)
    for name in ("around", "fixed"):
        for dry in DRY:
            for plateau in PLATEAU:
                for dose in TRUE_DOSE[2:3] if name == "around" else TRUE_DOSE:  # scale-free when doses scale too
                    print(row(name, Truth(dry, plateau, dose), studies), flush=True)
    for other in OTHERS:
        print(f"truth of another shape: {other.curve.name} {other.steepness}")
        for name in ("around", "fixed"):
            print(row(name, other, studies), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)

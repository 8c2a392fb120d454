"""Time of a study's bootstrap and live update against plain curve fits in the same process.

Run as ``python -m tests.benchmarks.bootstrap``. The study has 36 runs in 4 blocks: dry three times in each, and 5, 10,
20 (twice), 30 and 50 uL/g. Prints each time as a multiple of 1,000 calls of ``scipy.optimize.curve_fit`` on the same
runs with the same curve and weights, from the true parameters as start, which is the fastest they can be.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from scipy.optimize import curve_fit

from chargebench.study.answer import answer
from chargebench.study.bootstrap import resample
from chargebench.study.dose import fall_to
from chargebench.study.fit import fit_family
from chargebench.study.rows import Floats, Question, StudyRun, points_of
from chargebench.study.scatter import whiten
from tests.study.made_studies import Truth, rows_of, simulate

TRUTH = Truth(-60.0, 1.0, 20.0)


def study_of_36() -> list[StudyRun]:
    """Nine doses in four blocks would be 36 too; this is dry at start, middle and end, and 20 uL/g twice."""
    doses = np.array([0.0, 0.0, 0.0, 5.0, 10.0, 20.0, 20.0, 30.0, 50.0])
    return rows_of(simulate(TRUTH, doses, np.random.default_rng(1)))


def best_of(times: int, job: Callable[[], object]) -> float:
    """Shortest of several runs, after one to warm up."""
    job()
    found = []
    for _ in range(times):
        start = time.perf_counter()
        job()
        found.append(time.perf_counter() - start)
    return min(found)


def curve(dose: Floats, dry: float, plateau: float, decay: float) -> Floats:
    """The exponential to a plateau, as one would write it."""
    return plateau + (dry - plateau) * np.exp(-dose / decay)


def main() -> None:
    """Print the multiples."""
    rows = study_of_36()
    points = points_of(rows)
    white = whiten(points)
    fits = fit_family(white)
    start = (TRUTH.dry, TRUTH.plateau, TRUTH.decay)

    def fit_1000() -> None:
        for _ in range(1000):
            curve_fit(curve, points.dose_uL_per_g, points.q_nC_per_g, start, white.sd_nC_per_g)

    def bootstrap() -> None:
        resample(fits, white, 10_000, 1).interval(fall_to(0.1), 50.0, 20.0)

    base = best_of(3, fit_1000)
    print(f"1,000 curve_fit calls on {len(rows)} runs: {base * 1e3:.0f} ms")
    for name, job in (
        ("10,000 resamples of select and fit, with BCa", bootstrap),
        (
            "live update (answer without bootstrap)",
            lambda: answer(rows, Question(detection_limit_nC_per_g=2.0, resamples=0)),
        ),
        ("whole answer, bootstrap of 10,000 in it", lambda: answer(rows, Question(detection_limit_nC_per_g=2.0))),
    ):
        cost = best_of(5, job)
        print(f"{name}: {cost * 1e3:.1f} ms, {cost / base:.2f} of that")


if __name__ == "__main__":
    main()

"""Studies made up from a known dose curve, for tests and benchmarks."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from chargebench.processing.outcome import Estimate
from chargebench.study.rows import Floats, Points, StudyRun


@dataclass(frozen=True)
class Truth:
    """A dose curve: exponential to a plateau, reaching 10 % of its dry value at `dose`."""

    dry: float
    plateau: float
    dose: float

    @property
    def decay(self) -> float:
        ratio = (0.1 * self.dry - self.plateau) / (self.dry - self.plateau)
        return self.dose / -math.log(ratio)

    def mean(self, dose: Floats) -> Floats:
        return self.plateau + (self.dry - self.plateau) * np.exp(-dose / self.decay)


class HasMean(Protocol):
    """Anything with a mean charge-to-mass at each dose."""

    def mean(self, dose: Floats) -> Floats: ...


def simulate(truth: HasMean, doses: Floats, rng: np.random.Generator, blocks: int = 4, block_sd: float = 0.0) -> Points:
    """One study of complete blocks; `block_sd` moves a whole block, in units of the runs' own scatter."""
    dose = np.repeat(doses, blocks)
    block = np.tile(np.arange(blocks), len(doses))
    mean = truth.mean(dose)
    sd = np.hypot(0.12 * mean, 1.0)
    q = mean + sd * (rng.normal(size=len(dose)) + block_sd * rng.normal(size=blocks)[block])
    return Points(dose, q, np.full(len(dose), 0.3), block)


def rows_of(points: Points) -> list[StudyRun]:
    """Points as runs of one coffee on one grinder."""
    return [
        StudyRun(
            f"run-{i:02}", "2026-03-01T00:00:00Z", "hill lot", "flat burrs", "", "misted" if dose else "dry", "grind",
            float(dose), 18.0, str(block), i, Estimate(float(q), float(u), 30.0),
        )
        for i, (dose, q, u, block) in enumerate(
            zip(points.dose_uL_per_g, points.q_nC_per_g, points.u_nC_per_g, points.block, strict=True)
        )
    ]  # fmt: skip

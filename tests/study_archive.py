"""Archives of simulated runs, for tests of studies, reports and the command line. All names are invented."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from pathlib import Path

from chargebench.archive.archive import Archive
from chargebench.archive.import_traces import import_run
from chargebench.runs.run import Run, TagValue
from tests.processing.simulate import simulate

COFFEE, GRINDER = "hill lot", "stone burrs"
DRY_NC_PER_G, DECAY_UL_PER_G = -60.0, 9.0
FRACTION_DOSE_UL_PER_G = DECAY_UL_PER_G * math.log(10.0)
"""Where a curve that falls to zero exponentially has a tenth left."""


def mean_nC_per_g(water_uL_per_g: float) -> float:
    """True mean charge to mass at a dose."""
    return DRY_NC_PER_G * math.exp(-water_uL_per_g / DECAY_UL_PER_G)


def simulated_run(number: int, ratio_nC_per_g: float, tags: dict[str, TagValue]) -> Run:
    """One run with a given true charge to mass, the `number`-th of an invented morning."""
    run, _ = simulate(charge_per_gram=ratio_nC_per_g, mass_g=17.7, seed=number)
    minute = 15 + 2 * number
    day = f"20260302T{8 + minute // 60:02}{minute % 60:02}00Z"
    return replace(run, run_id=f"{day}-{number:06x}", started=f"2026-03-02T{day[9:11]}:{day[11:13]}:00Z", tags=tags)


def make_archive(
    folder: Path, doses: tuple[float, ...] = (0.0, 5.0, 10.0, 20.0, 30.0, 40.0), blocks: int = 3, seed: int = 1
) -> Archive:
    """An archive of a dose series in blocks: scatter 8 % and 0.6 nC/g."""
    archive = Archive(folder, create=True)
    draw = random.Random(seed)
    number = 0
    for block in range(1, blocks + 1):
        for dose in draw.sample(doses, len(doses)):
            mean = mean_nC_per_g(dose)
            tags: dict[str, TagValue] = {
                "coffee": COFFEE,
                "grinder": GRINDER,
                "dose_g": 18.0,
                "water_uL_per_g": dose,
                "treatment": "misted" if dose else "dry",
                "purpose": "grind",
                "block": str(block),
            }
            import_run(archive, simulated_run(number, mean + draw.gauss(0.0, math.hypot(0.08 * mean, 0.6)), tags))
            number += 1
    return archive

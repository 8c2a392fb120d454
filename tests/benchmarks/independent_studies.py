"""How often what a study says is right, on studies from a simulator that shares no code with the program.

Run as ``python -m tests.benchmarks.independent_studies [--studies 300] [--cells few,ions] [--seed N]``; ``--cells``
takes families (ions, blocks, few, next, held) or beginnings of cell names. For each cell and each thing that is said it
prints how many times it was said, how often the interval holds the truth, how many of the misses bear a flag that
doubts or rejects, and the median width; then wrong calls: a dose called neutral that is not (or a higher one is not),
treatments called equivalent that differ by the band and more, advice that contradicts the answer. ``<<`` marks what is
covered less than 93 times in a hundred (wrong calls: made more than 7 times) without a flag on nine of ten misses.

``--keep FILE`` writes the table as JSON; ``--before FILE`` sets one that was kept beside the new one: what was covered
then, and how much wider the intervals are now. The same seed draws the same studies, whatever the program says of them.
"""

from __future__ import annotations

import argparse
import gc
import json
import math
import multiprocessing
import os
import time
import zlib
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np

from tests.benchmarks.study_cells import Cell, all_cells
from tests.benchmarks.study_judges import judge_doses, judge_treatments
from tests.benchmarks.study_tally import HEADER, Line, Tally, lines_of

RESAMPLES = 400


def one_study(cell: Cell, rng: np.random.Generator, tally: Tally, number: int) -> None:
    """Draw a study, ask the program, judge what it says.

    In cells on doses only, two studies of three are asked for the quick answer of a live update first, which has the
    same intervals; the whole one, which bears all flags, is asked for where the quick one is wrong.
    """
    from chargebench.plain import to_json
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
        judge_doses(quick, to_json(answer(rows, replace(question, resamples=0)).groups[0]), truth)
        if not quick.any_wrong():
            tally.add(quick)
            return
    group = to_json(whole_answer(rows, question).groups[0])
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


def _work(job: tuple[Cell, int, int]) -> tuple[str, float, list[Line], list[str]]:
    cell, studies, seed = job
    tally, cost = cell_tally(cell, studies, seed)
    return cell.name, cost, list(lines_of(tally)), tally.failures


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--studies", type=int, default=300)
    parser.add_argument("--cells", default="")
    parser.add_argument("--seed", type=int, default=20260314)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--before", type=Path)
    return parser.parse_args()


def main() -> None:
    """Print the table."""
    given = _options()
    for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(threads, "1")
    jobs = [(cell, given.studies, given.seed) for cell in chosen_cells(given.cells)]
    before = json.loads(given.before.read_text(encoding="utf-8")) if given.before else {}
    error = math.sqrt(0.0475 / given.studies)
    print(f"{given.studies} studies a cell, seed {given.seed}; SE of a 95 % share {error:.1%}")
    print(HEADER)
    print("  (of wrong calls: how often made; told: misses with a doubt or reject, %)", flush=True)
    kept: dict[str, Any] = {}
    with multiprocessing.get_context("spawn").Pool(given.processes, maxtasksperchild=8) as pool:
        for name, cost, lines, failures in pool.imap(_work, jobs):
            print(f"{name} ({cost:.0f} ms a study)")
            for line in lines:
                print(line.text(before.get(name, {}).get(line.what)))
            if failures:
                print(f"  DIED {len(failures)} times, first {failures[0]}")
            print(end="", flush=True)
            kept[name] = {line.what: asdict(line) for line in lines}
            if given.keep:
                given.keep.write_text(json.dumps(kept, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()

"""The cells of `tests.benchmarks.independent_studies`: what is true, what is done, what is asked."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from tests.independent_studies import Curve, Design, curve_through

AROUND = (0.25, 0.5, 1.0, 1.5, 2.5)
FIXED = (5.0, 10.0, 20.0, 40.0, 80.0)
FOUR, THREE = (5.0, 10.0, 20.0), (10.0, 30.0)


@dataclass(frozen=True)
class Sequential:
    """A study done run by run: `start` doses once each (or `first_blocks` times), then as advised."""

    start: tuple[float, ...] = (0.0, 5.0, 10.0, 20.0, 40.0)
    first_blocks: int = 1
    width_uL_per_g: float | None = 6.0
    most_runs: int = 30
    spray_step_uL_per_g: float | None = None


@dataclass(frozen=True)
class Cell:
    """One line of the table; with `doses_only` treatments are judged in one study of three, to save time."""

    name: str
    curve: Curve
    design: Design = field(default_factory=Design)
    known_from: str = "nulls"
    sequential: Sequential | None = None
    doses_only: bool = False


def ion_cells() -> Iterator[Cell]:
    """The ioniser's own charge: known from null grinds, from a check, from both; few of them, and spread that matters.

    Ions of +5 nC/g are as many as a check of an ioniser lets pass.
    """
    curve = Curve("exponential", -60.0, 0.0, 9.0)
    base = Design(
        (10.0, 40.0), blocks=4, constant_nC_per_g=0.4, ionised_nC_per_g=-10.0, ionised_per_block=2, ions_nC=90.0,
        ions_sd_nC=2.5, blanks=5, band_nC_per_g=3.0,
    )  # fmt: skip
    for known_from in ("nulls", "check", "both", "later"):
        yield Cell(f"ions -10 {known_from} n5", curve, base, known_from)
    for known_from in ("nulls", "both"):
        yield Cell(f"ions +5 {known_from} n5", curve, replace(base, ionised_nC_per_g=5.0), known_from)
    spread = replace(base, ions_nC=40.0, ions_sd_nC=16.0, proportional=0.03)
    for blanks in (2, 3, 5, 10):
        for known_from in ("nulls", "check"):
            yield Cell(f"ions spread {known_from} n{blanks}", curve, replace(spread, blanks=blanks), known_from)
    edge = replace(spread, ionised_nC_per_g=3.0 + float(curve.mean(40.0)), ionised_per_block=6)
    for blanks in (2, 5):
        for known_from in ("nulls", "check"):
            yield Cell(f"ions at band {known_from} n{blanks}", curve, replace(edge, blanks=blanks), known_from)


def block_cells() -> Iterator[Cell]:
    """Three dry controls a block, block spread once and twice that of runs; of three kinds; 3 to 6 blocks."""
    curve = Curve("exponential", -60.0, 1.0, 9.0)
    for blocks in (3, 4, 6):
        for ratio in (0.0, 1.0, 2.0):
            for kind in ("scatter",) if ratio != 1.0 or blocks == 6 else ("scatter", "gain", "shift"):
                design = Design(FIXED, blocks, dry_per_block=3, block_ratio=ratio, block_kind=kind)
                yield Cell(f"blocks {blocks} x{ratio:g} {kind}", curve, design)
    for ratio in (1.0, 2.0):
        edge = Design(
            (10.0, 40.0), 4, dry_per_block=3, block_ratio=ratio, ionised_nC_per_g=-57.0, band_nC_per_g=3.0,
            proportional=0.01, constant_nC_per_g=0.5,
        )  # fmt: skip
        yield Cell(f"blocks 4 x{ratio:g} at band", Curve("exponential", -60.0, 1.0, 9.0), edge)


def few_cells() -> Iterator[Cell]:
    """Four doses 0/5/10/20 and three doses, under curves of every kind; and the same curves with six."""
    truths = (
        ("hinge 12", curve_through("hinge", -60.0, 0.0, 12.0)),
        ("hinge 16", curve_through("hinge", -60.0, 1.0, 16.0)),
        ("exp 12", curve_through("exponential", -60.0, 0.0, 12.0)),
        ("exp -5 12", curve_through("exponential", -60.0, -5.0, 12.0)),
        ("logistic 12", curve_through("logistic", -60.0, 1.0, 12.0, steepness=4.0)),
        ("exp +3 8", curve_through("exponential", -60.0, 3.0, 8.0)),
        ("rise 12", Curve("exponential", -60.0, 0.0, 5.2, rise_nC_per_g=-20.0)),
        ("out of reach", Curve("exponential", -60.0, -12.0, 6.0)),
    )
    for name, curve in truths:
        yield Cell(f"4 doses {name}", curve, Design(FOUR), doses_only=True)
    for name, curve in truths[:5]:
        yield Cell(f"3 doses {name}", curve, Design(THREE), doses_only=True)
    for name, curve in truths:
        yield Cell(f"6 doses {name}", curve, Design((4.0, 8.0, 12.0, 16.0, 24.0)), doses_only=True)


def held_cells() -> Iterator[Cell]:
    """Six doses in four blocks, dry once a block: ladders around the true dose and fixed ones."""
    for dry in (-60.0, 35.0):
        for plateau in (0.0, 1.0, 3.0, -5.0):
            for dose in (20.0, 2.0, 8.0, 60.0):
                curve = curve_through("exponential", dry, plateau, dose)
                if dose == 20.0:
                    around = Design(tuple(part * dose for part in AROUND), limit_nC_per_g=1.5, u_gain=0.01)
                    yield Cell(f"around {dry:g} {plateau:+g} {dose:g}", curve, around, doses_only=True)
                yield Cell(f"fixed {dry:g} {plateau:+g} {dose:g}", curve, Design(FIXED, u_gain=0.01), doses_only=True)
    others = [("logistic", -60.0, 1.0, 1.5), ("logistic", -60.0, 1.0, 2.5), ("logistic", 35.0, 0.0, 2.5)]
    others += [("logistic", -60.0, 1.0, 4.0), ("hinge", -60.0, 1.0, 1.0)]
    for kind, dry, plateau, steepness in others:
        curve = curve_through(kind, dry, plateau, 20.0, steepness=steepness)
        yield Cell(f"fixed {kind} {dry:g} s{steepness:g}", curve, Design(FIXED), doses_only=True)


def next_cells() -> Iterator[Cell]:
    """Followed advice: answers within reach, out of reach, above the doses; dry coffee that is neutral."""
    within = curve_through("exponential", -60.0, 0.0, 18.0)
    cells = (
        ("within", within, Sequential()),
        ("hinge", curve_through("hinge", -60.0, 1.0, 18.0), Sequential()),
        ("two blocks", within, Sequential(first_blocks=2)),
        ("sprays", within, Sequential(spray_step_uL_per_g=6.0)),
        ("four doses", within, Sequential((0.0, 5.0, 10.0, 20.0))),
        ("above", curve_through("exponential", -60.0, 0.0, 60.0), Sequential((0.0, 5.0, 10.0, 20.0), most_runs=24)),
        ("out of reach", Curve("exponential", -60.0, -15.0, 8.0), Sequential(most_runs=24)),
        ("neutral dry", Curve("exponential", 0.3, 0.0, 8.0), Sequential(most_runs=20)),
    )
    for name, curve, plan in cells:
        band = 3.0
        yield Cell(f"next {name}", curve, Design((), band_nC_per_g=band), sequential=plan)


FAMILIES = {"ions": ion_cells, "blocks": block_cells, "few": few_cells, "next": next_cells, "held": held_cells}


def all_cells() -> dict[str, list[Cell]]:
    """Cells by family."""
    return {name: list(made()) for name, made in FAMILIES.items()}

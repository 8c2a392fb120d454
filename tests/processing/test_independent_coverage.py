"""The bridge from the independent traces to the program, and the oracle that widths are measured against."""

from __future__ import annotations

import argparse
import math
from dataclasses import replace

import numpy as np
import pytest

from chargebench.cli.qualify import _OPTIONS
from chargebench.processing.outcome import Severity
from chargebench.processing.recipe import process
from tests.benchmarks import independent_coverage as table
from tests.benchmarks.independent_cells import CELLS, drawn
from tests.independent_traces import play

HELD = tuple(cell for cell in CELLS if cell.startswith("held"))


def test_the_oracle_is_honest() -> None:
    """Over 110 runs of cells that held, the oracle's U95 holds the truth in 90 % or more, and is no wider than it must.

    Of 110 at 95 %, fewer than 99 happen about once in a hundred draws; the draw is fixed.
    """
    parts = []
    for cell in HELD:
        for number in range(10):
            one = drawn(cell, number, 5)
            made = play(one.setting)
            found, half = table.oracle(one, made)
            parts.append((found - made.truth.net_charge_nC) / half)
    assert np.mean(np.abs(parts) <= 1.0) >= 0.90
    assert 0.8 < 1.96 * float(np.sqrt(np.mean(np.square(parts)))) < 1.25


@pytest.mark.parametrize("cell", CELLS)
def test_the_run_holds_what_was_played(cell: str) -> None:
    """The program is given the readings and the checks drawn, stamped to the millisecond, and nothing of the truth."""
    one = drawn(cell, 0, 9)
    made = play(one.setting)
    run = table.run_of(one, made)
    assert run.traces["charge"].value == pytest.approx(made.charge_nC, abs=0)
    assert run.traces["mass"].time_s == pytest.approx(made.mass_s, abs=0.00051)
    rate = run.knowledge.get("leakage_rate_per_s")
    assert (rate and (rate.value, rate.u)) == one.rate_check_per_s
    assert not run.marks
    told = {x for x in run.tags.values() if not isinstance(x, str)} | {k.value for k in run.knowledge.known.values()}
    assert not told & {made.truth.net_charge_nC, made.truth.mass_g, made.truth.charge_to_mass_nC_per_g}


def row(error_u95: float, worst: Severity | None, answered: bool = True) -> table.Row:
    """A run whose net charge is off by so many U95."""
    net, u = (100.0 + error_u95, 1.0) if answered else (math.nan, math.nan)
    return table.Row("cell", 0, net, u, 100.0, net / 10, u / 10, 10.0, 0.5, 0.05, (), worst)


def test_a_run_without_an_answer_is_no_miss() -> None:
    """Misses are answers off by more than U95; no answer is counted apart; only doubts and rejects count as told."""
    rows = [row(0.5, None), row(2.0, "note"), row(2.0, "doubt"), row(0.0, "doubt"), row(0.0, "reject", answered=False)]
    assert [r.missed for r in rows] == [False, True, True, False, False]
    assert [r.alarmed for r in rows] == [False, False, True, True, True]
    words = table.line("cell", rows).split()
    assert words[:6] == ["cell", "5", "1", "50.0", "50.0", "50.0"]
    assert words[6:9] == ["60.0", "1.0000", "2.00"]


def test_a_miss_of_the_ratio_alone_counts() -> None:
    """A net charge that holds does not excuse a charge per gram that does not."""
    assert replace(row(0.0, None), ratio=12.0).missed


def test_a_zero_check_of_the_usual_length_covers_slow_waves() -> None:
    """Of 40 runs on benches whose zero waves, checked for as long as is usual, 36 hold, and none asks for a check."""
    held = 0
    for number in range(40):
        one = drawn("slow wave, zero checked", number, 11)
        assert one.zero_check is not None
        one = replace(one, zero_check=replace(one.zero_check, before_s=usual_s()))
        made = play(one.setting)
        outcome = process(table.run_of(one, made))
        net = outcome.result["net_charge_nC"]
        assert net is not None
        held += abs(net.value - made.truth.net_charge_nC) <= net.U95
        assert "wander-unknown" not in {flag.code for flag in outcome.flags}
    assert held >= 36


def usual_s() -> float:
    """How long the command line watches the empty cup unless told otherwise."""
    parser = argparse.ArgumentParser()
    _OPTIONS["zero"](parser)
    return float(parser.parse_args([]).seconds)

"""The main job, judged from outside: an independent program plays, the command records, the truth decides."""

import pytest

pytest.importorskip("tty", reason="the player needs pseudo-terminals")

from tests.independent_player import draw_play
from tests.recorded_player import record_all

RUNS = 10


def test_answers_hold_the_truth(tmp_path):
    """Of ten runs found unaided, at least nine hold the truth within their U95; above 5 nC/g all are within 1 %."""
    judged = list(record_all([draw_play(seed) for seed in range(RUNS)], tmp_path, speed=3.0, at_once=RUNS))
    table = "\n".join(map(str, judged))
    assert all(j.outcome is not None for j in judged), table
    assert sum(j.inside for j in judged) >= 9, table
    sized = [j for j in judged if abs(j.true_nC_per_g) > 5.0]
    assert len(sized) >= 5
    assert all(abs(j.error_nC_per_g) <= 0.01 * abs(j.true_nC_per_g) for j in sized), table

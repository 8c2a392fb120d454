"""The state table."""

from __future__ import annotations

from typing import get_args

import pytest

from chargebench.recording.states import TABLE, Signal, State, step


def test_table_names_every_state_and_only_states_and_signals() -> None:
    """Each state has a row; rows lead from signals to states."""
    assert set(TABLE) == set(get_args(State))
    for row in TABLE.values():
        assert {after for _, after in row} <= set(get_args(State))
        assert {signal for signal, _ in row} <= set(get_args(Signal))


def test_every_state_can_be_reached_and_all_but_done_left() -> None:
    """From waiting every state can be reached; done is the only end."""
    reached, new = {"waiting"}, {"waiting"}
    while new:
        new = {after for state in new for _, after in TABLE[state]} - reached
        reached |= new
    assert reached == set(TABLE)
    assert [state for state, row in TABLE.items() if not row] == ["done"]


@pytest.mark.parametrize(
    ("state", "signals", "after"),
    [
        ("waiting", [], None),
        ("waiting", ["quiet"], ("quiet", "armed")),
        ("waiting", ["quiet", "start"], ("start", "grinding")),
        ("armed", ["disturbed", "grind"], ("grind", "grinding")),
        ("armed", ["quiet"], None),
        ("grinding", ["still", "finish"], ("finish", "settling")),
        ("grinding", ["still", "nothing"], ("nothing", "waiting")),
        ("settling", ["settled", "grind"], ("grind", "grinding")),
        ("settling", ["finish"], None),
        ("done", ["start", "grind"], None),
    ],
)
def test_precedence(state: State, signals: list[Signal], after: tuple[Signal, State] | None) -> None:
    """A person's word comes first; what a state does not heed leaves it as it is."""
    assert step(state, signals) == after

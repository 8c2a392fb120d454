"""Recording a plan: after each run, what comes next, and the tags of the next run. Used by ``record --plan``."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from queue import SimpleQueue
from typing import Any

from chargebench.cli.finisher import Finisher
from chargebench.errors import StudyError

__all__ = ["Planned"]


class Planned:
    """A finisher that, after each run, says what comes next in a plan and tags the next run for it.

    Called in the recorder's finishing thread; what it tells the recorder goes through the queue of commands.

    Parameters
    ----------
    finisher : Finisher
        Seals and processes.
    study, archive : Path
        The study file whose plan is followed, and where its runs are.
    tags : mapping
        Tags of every run, on top of which the plan's come.
    emit, commands
        As of the recorder.
    """

    def __init__(
        self,
        finisher: Finisher,
        study: Path,
        archive: Path,
        tags: Mapping[str, str | float],
        emit: Callable[[Mapping[str, Any]], None],
        commands: SimpleQueue[dict[str, Any]],
    ) -> None:
        self._finisher, self._study, self._archive = finisher, study, archive
        self._tags, self._emit, self._commands = tags, emit, commands

    def first(self, repeat: str | None = None, reason: str | None = None) -> dict[str, str | float]:
        """Tags of the first run: the plan's next, or the step to repeat, with the reason.

        Raises
        ------
        StudyError
            When the plan is through, or has no such step.
        """
        found = self._finisher.upcoming(self._study, self._archive)
        if repeat is not None:
            if repeat not in found["steps"]:
                allowed = ", ".join(found["steps"])
                raise StudyError(f"{self._study}: step {repeat!r} is no run of this plan; allowed are {allowed}")
            return {**self._tags, **found["steps"][repeat], "repeat_reason": str(reason)}
        self._tell(found)
        if found["next"] is None:
            raise StudyError(f"{self._study}: nothing is left to record; to do a step again use --repeat STEP")
        return {**self._tags, **found["next"]["tags"]}

    def __call__(self, journal: Path) -> dict[str, Any]:
        """Finish a journal, then prepare the next run of the plan, or stop after its last."""
        answer = self._finisher(journal)
        found = self._finisher.upcoming(self._study, self._archive)
        if found["next"] is not None:  # before it is told: whoever hears it may grind at once
            self._commands.put({"do": "tags", "tags": {**self._tags, **found["next"]["tags"]}})
        self._tell(found)
        if found["next"] is None:
            self._commands.put({"do": "stop"})
        return answer

    def _tell(self, found: Mapping[str, Any]) -> None:
        step = found["next"]
        words = [f"before it: {before['words']}" for before in found["before_next"]]
        words.append("the plan is through" if step is None else f"next, step {step['step']}: {step['words']}")
        tags = {} if step is None else step["tags"]
        event = {"event": "plan", "step": step and step["step"], "tags": tags, "text": "; ".join(words)}
        self._emit({**event, "next": step, "before_next": found["before_next"]})

"""Recording a plan: after each run, what comes next, and the tags of the next run. Used by ``record --plan``."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

from chargebench.bounded import JsonObject
from chargebench.cli.finisher import Finisher
from chargebench.errors import StorageError, UsageError

if TYPE_CHECKING:
    from chargebench.recording.segments import Row

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
    asks : bool
        Whether somebody can say that what comes before a run is done. Otherwise only waits are kept, and the rest is
        taken as done, which is said.

    Attributes
    ----------
    through, blanks : bool
        Whether nothing is left to record; whether the plan has blanks, once `first` was asked.
    """

    def __init__(
        self,
        finisher: Finisher,
        study: Path,
        archive: Path,
        tags: Mapping[str, str | float],
        emit: Callable[[Mapping[str, Any]], None],
        commands: SimpleQueue[JsonObject],
        *,
        asks: bool = True,
    ) -> None:
        self._asks, self.through, self.blanks = asks, False, False
        self._finisher, self._study, self._archive = finisher, study, archive
        self._tags, self._emit, self._commands = tags, emit, commands

    def first(self, repeat: str | None = None, reason: str | None = None) -> dict[str, str | float]:
        """Tags of the first run: the plan's next, or the step to repeat, with the reason; none where it is `through`.

        Raises
        ------
        UsageError
            When the plan has no such step.
        """
        found = self._finisher.upcoming(self._study, self._archive)
        self.blanks = any(step["kind"] == "blank" for step in found["steps"].values())
        for remark in found["remarks"]:
            self._emit({"event": "notice", "severity": "doubt", "code": "plan", "text": remark})
        more = {}
        if repeat is not None:
            if repeat not in found["steps"]:
                allowed = ", ".join(found["steps"])
                raise UsageError(f"{self._study}: step {repeat!r} is no run of this plan; allowed are {allowed}")
            again = found["steps"][repeat]
            found, more = {"next": again, "before_next": again["before"]}, {"repeat_reason": str(reason)}
        return self._go_on(found, more)

    def __call__(self, row: Row) -> JsonObject:
        """Finish a run, then prepare the next run of the plan, or stop after its last.

        Raises
        ------
        StorageError
            As `Finisher`; the plan goes on all the same.
        """
        try:
            finished = self._finisher(row)
            self._tell_unweighed(finished.get("outcome", {}))
            return finished
        finally:
            self._prepare_next()

    def _tell_unweighed(self, outcome: Mapping[str, Any]) -> None:
        """Say that a step is done for its charge only: a run is final, so a mass cannot come to it afterwards."""
        if any(flag["code"] == "no-mass" for flag in outcome.get("flags", ())):
            if outcome["tags"].get("purpose", "grind") != "grind":
                return
            text = (
                f"{outcome['run']}: its step counts as done for the charge alone: no mass, so no charge per gram in "
                "the study; a scale in the bench file weighs the next ones, and a trace that is imported can bear the "
                "tags mass_before_g and mass_after_g"
            )
            self._emit({"event": "notice", "severity": "doubt", "code": "unweighed", "text": text})

    def _prepare_next(self) -> None:
        """Ask the plan for the next step; where it has no answer recording stops, since runs would bear wrong tags."""
        try:
            found = self._finisher.upcoming(self._study, self._archive)
        except StorageError as error:
            text = f"{error}; recording stops, since the next step is not known: mend it and record again"
            self._emit({"event": "notice", "severity": "reject", "code": "plan", "text": text})
            self._commands.put({"do": "stop"})
            return
        self._go_on(found, {})

    def _go_on(self, found: Mapping[str, Any], more: Mapping[str, str]) -> dict[str, str | float]:
        """Tell the recorder of a step and then the person, who may act at once; its tags."""
        self.through = found["next"] is None
        if self.through:
            self._tell(found)
            self._commands.put({"do": "stop"})
            return {}
        tags = {**self._tags, **found["next"]["tags"], **more}
        before = [{"words": b["words"], "wait_s": b["wait_s"]} for b in found["before_next"]]
        if not self._asks:
            for errand in (e for e in before if not e["wait_s"]):
                text = f"nobody can say here that this is done; taken as done before the run: {errand['words']}"
                self._emit({"event": "notice", "severity": "doubt", "code": "unconfirmed", "text": text})
            before = [e for e in before if e["wait_s"]]
        self._commands.put({"do": "tags", "tags": tags, "before": before})
        self._tell(found)
        return tags

    def _tell(self, found: Mapping[str, Any]) -> None:
        step = found["next"]
        words = [f"before it: {before['words']}" for before in found["before_next"]]
        words.append("the plan is through" if step is None else f"next, step {step['step']}: {step['words']}")
        tags = {} if step is None else step["tags"]
        event = {"event": "plan", "step": step and step["step"], "tags": tags, "text": "; ".join(words)}
        self._emit({**event, "next": step, "before_next": found["before_next"]})

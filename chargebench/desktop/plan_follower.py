"""Follows the plan of a study: what comes next, what the study says so far, and runs that are set aside with a reason.

Owns the study file's path and the processes that are asked about it. Draws nothing; the recorder, started with the same
plan, is the business of the session.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from chargebench.desktop.asker import Asker
from chargebench.desktop.qt import QtCore, Signal
from chargebench.processing.outcome import Outcome
from chargebench.runs.text import visible

__all__ = ["PlanFollower"]

log = logging.getLogger(__name__)

LONGEST_NAME: Final = 60


class PlanFollower(QtCore.QObject):
    """Client of ``chargebench plan`` and ``chargebench study`` for one study file at a time.

    Attributes
    ----------
    study : Path or None
        The study file followed.
    name : str
        The study's own name.
    archive : Path or None
        Where the study keeps its runs.

    Signals
    -------
    found(object)
        What comes next: a dict with ``next`` (a step or None) and ``before_next`` (steps).
    said(str)
        What the study would do next to narrow its answer, in a sentence; empty where it says nothing.
    set_aside(object)
        Reason by run, of all runs that the study leaves out.
    problem(str)
        Why a question about the plan was not answered.
    """

    found = Signal(object)
    said = Signal(str)
    set_aside = Signal(object)
    problem = Signal(str)

    def __init__(self, command: Sequence[str] | None = None, parent: QtCore.QObject | None = None) -> None:
        super().__init__(parent)
        self.study: Path | None = None
        self.archive: Path | None = None
        self.name = ""
        self._pair = ("", "")
        self._noting: tuple[str, str] | None = None
        self._aside: dict[str, str] = {}
        self._steps, self._study = Asker(command, self), Asker(command, self)
        self._steps.answered.connect(self._hear_steps)
        self._steps.failed.connect(self._fail)
        self._study.answered.connect(self._hear_study)
        self._study.failed.connect(lambda words: log.warning("the study gave no answer: %s", words))

    @property
    def noting(self) -> bool:
        """Whether a run is being set aside just now."""
        return self._noting is not None

    def follow(self, study: Path) -> None:
        """Follow the plan of a study file from now on.

        Raises
        ------
        StudyError
            When the file is not acceptable; what was followed before still is.
        """
        from chargebench.study.studyfile import read_study

        content = read_study(study)
        self.study, self.name = study, content.study.name
        self.archive = study.parent / content.study.archive
        self._pair, self._aside = ("", ""), content.excluded
        self.set_aside.emit(self._aside)
        self.said.emit("")
        self._ask_steps()

    def leave(self) -> None:
        """Follow no plan any more."""
        self.study, self.archive, self.name, self._aside = None, None, "", {}
        self.drop()
        self.set_aside.emit(self._aside)
        self.said.emit("")

    def drop(self) -> None:
        """End the questions that are still open."""
        self._noting = None
        self._steps.drop()
        self._study.drop()

    def put_aside(self, run: str, reason: str) -> None:
        """Note in the study that a run does not count, and why; `found` or `problem` follows."""
        self._noting = (run, reason)
        self._ask_steps("--set-aside", run, "--reason", reason)

    def ask_study(self, outcome: Outcome) -> None:
        """Ask what the study says after a run; a question still open is asked again with this run in it."""
        tags = outcome.tags
        self._pair = (str(tags.get("coffee", "")), str(tags.get("grinder", "")))
        self._ask_study()

    def _ask_study(self) -> None:
        if self.study is not None and any(self._pair):
            self._study.ask(["study", str(self.study), "--json"])

    def _ask_steps(self, *words: str) -> None:
        if self.study is not None:
            self._steps.ask(["plan", str(self.study), *words, "--next", "--json"])

    def _hear_steps(self, answer: Mapping[str, Any]) -> None:
        noted, self._noting = self._noting, None
        if noted is not None:
            self._aside = {**self._aside, noted[0]: noted[1]}
            self.set_aside.emit(self._aside)
            self._ask_study()
        self.found.emit(answer)

    def _fail(self, words: str) -> None:
        self._noting = None
        self.problem.emit(words)

    def _hear_study(self, answer: Mapping[str, Any]) -> None:
        group = next((g for g in answer.get("groups", ()) if (g.get("coffee"), g.get("grinder")) == self._pair), None)
        following = (group or {}).get("next") or {}
        text = str(following.get("text", ""))
        names = " on ".join(visible(part, LONGEST_NAME) for part in self._pair)
        self.said.emit(f"{names}, so far: {text}" if text else "")

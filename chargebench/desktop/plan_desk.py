"""Joins a plan that is followed to the page: its words to the strip, its tags to the form, its runs to the table.

Owns what the window has to remember of a plan while it is followed, and asks the person. Touches no file or process.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from chargebench.desktop.notices import Notices
from chargebench.desktop.plan_follower import PlanFollower
from chargebench.desktop.plan_strip import PlanStrip
from chargebench.desktop.qt import QtCore, Signal
from chargebench.desktop.row import Row
from chargebench.desktop.runs_table import RunsTable
from chargebench.desktop.tag_form import TagForm
from chargebench.errors import StudyError
from chargebench.study.plan import PLAN_DECIDES, PLAN_SETS

__all__ = ["PlanDesk"]


class PlanDesk(QtCore.QObject):
    """Follows a plan on the page.

    Parameters
    ----------
    follower : PlanFollower
    strip, form, table, notices
        The parts of the page that a plan speaks through.
    parent : QObject

    Signals
    -------
    followed(bool)
        A plan is followed from now on, or none any more.
    marked()
        Other runs are set aside now.
    """

    followed = Signal(bool)
    marked = Signal()

    def __init__(
        self,
        follower: PlanFollower,
        strip: PlanStrip,
        form: TagForm,
        table: RunsTable,
        notices: Notices,
        parent: QtCore.QObject | None = None,
    ) -> None:
        super().__init__(parent)
        self.follower, self._strip, self._form, self._table, self._notices = follower, strip, form, table, notices
        self._hidden: dict[str, str | float] = {}
        self.through = False
        follower.setParent(self)
        follower.found.connect(self.show_next)
        follower.said.connect(strip.say)
        follower.problem.connect(lambda text: notices.add("reject", "plan", f"Plan: {text}"))
        follower.set_aside.connect(self._mark)

    @property
    def study(self) -> Path | None:
        """The study whose plan is followed."""
        return self.follower.study

    def follow(self, study: Path) -> None:
        """Follow a study's plan; why that cannot be is said instead."""
        try:
            self.follower.follow(study)
        except StudyError as error:
            self._notices.add("reject", "plan", f"Plan: {error}")
            return
        self._hidden, self.through = {}, False
        self._notices.resolve("plan")
        self._strip.begin(self.follower.name)
        self._form.lock(PLAN_DECIDES)
        self._table.let_set_aside(offered=True)
        self.followed.emit(True)

    def leave(self) -> None:
        """Follow no plan any more."""
        self.follower.leave()
        self._hidden, self.through = {}, False
        self._strip.hide()
        self._form.lock(())
        self._table.let_set_aside(offered=False)
        self.followed.emit(False)

    def show_next(self, found: Mapping[str, Any]) -> None:
        """What comes next, as the recorder or the plan says it: into the strip, and its tags into the form."""
        step = found.get("next") or {}
        tags = dict(found.get("tags") or step.get("tags") or {})
        self.through = not tags
        self._hidden = {key: value for key, value in tags.items() if key not in self._form.fields}
        self._strip.show_next(found)
        if tags:
            self._form.show_tags({"dose_g": "", **tags})
            self._form.announce_soon()

    def first_tags(self, texts: Mapping[str, str]) -> dict[str, str]:
        """Tags to start the recorder with: where a plan is followed it sets the others itself."""
        return {key: text for key, text in texts.items() if self.study is None or key not in PLAN_SETS}

    def whole_tags(self, texts: Mapping[str, str]) -> dict[str, str | float]:
        """Tags of the form with those of the plan that the form does not show."""
        return {**texts, **self._hidden}

    def set_aside(self, row: Row, ask: Callable[[Row, str], str | None]) -> None:
        """Ask why a run is set aside and note it in the study."""
        if self.study is None or self.follower.noting:
            return
        reason = ask(row, self.follower.name)
        if reason:
            self._notices.resolve("plan")
            self.follower.put_aside(row.run_id, reason)

    def _mark(self, reasons: Mapping[str, str]) -> None:
        self._table.set_aside(reasons)
        self.marked.emit()

"""The page: puts the panels together, hands what the session says to each, and what the person does to the session.

Owns no file, port or process. A panel that wants something emits a signal; this file joins them.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from chargebench.desktop.answer_card import AnswerCard, CautionCard, WordsCard
from chargebench.desktop.archive_reader import ArchiveReader
from chargebench.desktop.banner import StateBanner
from chargebench.desktop.controls import Controls
from chargebench.desktop.dose_chart import DoseChart
from chargebench.desktop.live_plot import LivePlot
from chargebench.desktop.notices import Notices
from chargebench.desktop.palette import DARK, LIGHT, Theme
from chargebench.desktop.plan_desk import PlanDesk
from chargebench.desktop.plan_follower import PlanFollower
from chargebench.desktop.plan_strip import PlanStrip
from chargebench.desktop.qt import QtCore, QtGui, QtWidgets, Signal
from chargebench.desktop.row import Row
from chargebench.desktop.runs_table import RunsTable
from chargebench.desktop.session import FOLLOW_MS, BenchSession
from chargebench.desktop.set_aside import ask_reason
from chargebench.desktop.style import Panel, base_height, plain_label, qt_palette, style_sheet
from chargebench.desktop.tag_form import TagForm
from chargebench.desktop.top_bar import TopBar, ask_archive, ask_bench, ask_study
from chargebench.desktop.words import port_words, rest_words, state_words
from chargebench.processing.outcome import Outcome

__all__ = ["MainWindow"]

log = logging.getLogger(__name__)

FORM_LINES: Final = 25
BOTTOM_LINES: Final = 9
"""Least heights of the form and of the runs, in heights of text."""
STALE_TICKS: Final = 150
"""Five seconds: a reading older than this is no longer shown as the present one."""
NUMBERS_EVERY: Final = 6
"""Ticks between two changes of the big figures: five a second can still be read."""


class MainWindow(QtWidgets.QMainWindow):
    """The window.

    Parameters
    ----------
    session : BenchSession
        Client of the recorder.
    reader : ArchiveReader
        Lists the archive.
    bench : Path or None
        Bench file in use; without one the window only shows the archive until one is chosen.
    archive : Path
        Folder of runs.
    theme : Theme
        Colours to begin with.
    demo : bool
        Whether this is a demonstration on a virtual bench, which the page then says.
    follower : PlanFollower, optional
        Client of the commands that know plans.

    Signals
    -------
    settled(object)
        Choices worth remembering for the next start, as a dict of texts: theme, bench or archive.
    """

    settled = Signal(object)

    def __init__(
        self,
        session: BenchSession,
        reader: ArchiveReader,
        bench: Path | None,
        archive: Path,
        theme: Theme = LIGHT,
        demo: bool = False,
        follower: PlanFollower | None = None,
    ) -> None:
        super().__init__()
        self.session, self.reader, self.bench, self.archive, self.demo = session, reader, bench, archive, demo
        session.setParent(self)
        reader.setParent(self)
        self.setWindowTitle("chargebench")
        self.setAccessibleName("chargebench")
        self.theme, self._px, self._tick = theme, 0, 0
        self._closing = False
        self._event: Mapping[str, Any] = {}
        self._heard = {"charge": (0, 0), "mass": (0, 0)}
        self._before: dict[str, float | None] = {"charge": None, "mass": None}
        self.state = self._shown = "nobench" if bench is None else "idle"
        self._build()
        follower = follower or PlanFollower()
        self.plan = PlanDesk(follower, self.strip, self.form, self.table, self.notices, self)
        self._join()
        self._ticker = QtCore.QTimer(self)
        self._ticker.setInterval(FOLLOW_MS)
        self._ticker.timeout.connect(self._on_tick)
        self._ticker.start()
        self.top.show_where(bench, archive, demo)
        self.set_theme(theme)
        self._show_state({})

    def _build(self) -> None:
        """Lay out the page."""
        page = QtWidgets.QWidget()
        page.setObjectName("page")
        page.setAccessibleName("chargebench")
        column = QtWidgets.QVBoxLayout(page)
        column.setContentsMargins(10, 8, 10, 10)
        column.setSpacing(8)
        self.top, self.notices, self.banner = TopBar(), Notices(), StateBanner()
        self.strip = PlanStrip()
        self.caption = plain_label("", "verdict", wrap=True)
        self.caption.hide()
        self.form, self.plot, self.controls = TagForm(), LivePlot(self.theme), Controls()
        self.answer, self.cautions = AnswerCard(), CautionCard()
        self.conclusion = WordsCard("What the series says")
        self.table, self.chart = RunsTable(), DoseChart(self.theme)
        for widget in (self.top, self.notices, self.banner, self.strip, self.caption):
            column.addWidget(widget)
        column.addLayout(self._middle(), 60)
        column.addLayout(self._bottom(), 40)
        self.setCentralWidget(page)
        self.form.fields["coffee"].setFocus()

    def _middle(self) -> QtWidgets.QHBoxLayout:
        row = QtWidgets.QHBoxLayout()
        row.setSpacing(8)
        live = Panel("Live", headed=False)
        live.body.addWidget(self.plot, 1)
        live.body.addWidget(self.controls)
        self.side = QtWidgets.QStackedWidget()
        self.side.setSizePolicy(QtWidgets.QSizePolicy.Policy.Expanding, QtWidgets.QSizePolicy.Policy.Ignored)
        self.side.addWidget(self.cautions)
        self.side.addWidget(self.answer)
        self.side.addWidget(self.conclusion)
        row.addWidget(self.form, 25)
        row.addWidget(live, 49)
        row.addWidget(self.side, 26)
        return row

    def _bottom(self) -> QtWidgets.QHBoxLayout:
        row = QtWidgets.QHBoxLayout()
        row.setSpacing(8)
        row.addWidget(self.table, 62)
        row.addWidget(self.chart, 38)
        return row

    def _join(self) -> None:
        """Connect panels and session."""
        session = self.session
        session.state.connect(self._on_state)
        session.port.connect(self._on_port)
        session.notice.connect(self._on_notice)
        session.plan.connect(self.plan.show_next)
        session.opened.connect(lambda _event: self.plot.begin())
        session.readings.connect(self.plot.take)
        session.outcome.connect(self._on_outcome)
        session.running.connect(self._on_running)
        session.ended.connect(self._on_ended)
        self.reader.rows.connect(self._on_rows)
        self.reader.finished.connect(self._on_read)
        self.form.changed.connect(self._send_tags)
        self.controls.connect_asked.connect(self._on_connect)
        self.controls.start_asked.connect(lambda: session.send({"do": "start"}))
        self.controls.finish_asked.connect(lambda: session.send({"do": "finish"}))
        self.controls.way_asked.connect(session.send)
        self.controls.discard_asked.connect(lambda: session.send({"do": "discard"}))
        self.top.bench_asked.connect(self._choose_bench)
        self.top.archive_asked.connect(self._choose_archive)
        self.top.plan_asked.connect(self._choose_plan)
        self.top.cautions_asked.connect(lambda: self.side.setCurrentWidget(self.cautions))
        self.top.theme_asked.connect(self._change_theme)
        for card in (self.cautions, self.conclusion):
            card.read.connect(lambda: self.side.setCurrentWidget(self.answer))
        self.table.chosen.connect(self._show_answer)
        self.table.aside_asked.connect(lambda run: self.plan.set_aside(run, lambda *about: ask_reason(self, *about)))
        self.plan.followed.connect(self._on_plan)
        self.plan.marked.connect(lambda: self.chart.show_runs(self.table.model.rows))
        quit_key = QtGui.QShortcut(QtGui.QKeySequence("Ctrl+Q"), self)
        quit_key.activated.connect(self.close)

    # -- what the session says ------------------------------------------------------------------------------------

    def _on_state(self, event: Mapping[str, Any]) -> None:
        after, self.state = self._shown, str(event.get("state", ""))
        emptying = self.state == "waiting" and after in ("done", "emptying")
        emptying = emptying and not str(event.get("hold", "")).startswith("cup")  # the scale tells from there on
        self._shown = "emptying" if emptying else self.state
        time_s = event.get("time_s")
        if isinstance(time_s, int | float):
            self.plot.add_state(self.state, float(time_s))
        if self.state == "armed":
            self._before = {name: pyramid.last_value for name, pyramid in self.plot.pyramids.items()}
        elif self.state == "waiting":
            self._before = {"charge": None, "mass": None}
        self._show_state(event)

    def _show_state(self, event: Mapping[str, Any]) -> None:
        self._event = event
        self._show_words()
        possible = self.bench is not None and not self._closing
        self.controls.show_state(self.state, self.session.alive, possible, event)

    def _show_words(self) -> None:
        """The state in words; where the recorder counts no rest itself, it is counted from the end of the grind."""
        event, rest = dict(self._event), self.session.rest_s
        words = state_words("stopping" if self._closing else self.state if "hold" in event else self._shown, event)
        if rest and self.state == "settling" and "quiet_s" not in event:
            since = self.plot.now_s - float(event.get("time_s", self.plot.now_s))
            words = state_words(self.state, {**event, "quiet_s": since, "quiet_needed_s": rest[1]})
        elif rest and self.state == "waiting" and not {"quiet_s", "hold"} & set(event) and not self._closing:
            words = replace(words, instruction=words.instruction + rest_words(rest[0]))
        self.banner.show_state(words)

    def _on_port(self, event: Mapping[str, Any]) -> None:
        severity, text = port_words(event)
        code = f"port {event.get('instrument', '')}"
        if severity == "note":
            self.notices.resolve(code)
        else:
            self.notices.add(severity, code, text)

    def _on_notice(self, event: Mapping[str, Any]) -> None:
        self.notices.add(str(event.get("severity", "note")), str(event.get("code", "")), str(event.get("text", "")))

    def _on_outcome(self, outcome: Outcome) -> None:
        self._on_rows([outcome])
        if not outcome.recovered:
            self._show_answer(Row(outcome))
            self.plan.follower.ask_study(outcome)

    def _show_answer(self, row: Row) -> None:
        self.answer.show_run(row)
        self.side.setCurrentWidget(self.answer)

    def _on_running(self, running: bool) -> None:
        if running:
            self.notices.resolve("recorder")
            self.state = self._shown = "starting"
        elif self._closing:
            self.close()
            return
        else:
            self.state = self._shown = "idle"
        self._show_state({})

    def _on_ended(self, code: int, text: str) -> None:
        if code != 0:
            self.state = self._shown = "failed"
            self.notices.add("reject", "recorder", text)
        elif self.plan.through:
            self.notices.add("note", "recorder", "The plan is through; recording has stopped")
        self._show_state({})

    def _on_rows(self, outcomes: list[Outcome]) -> None:
        self.table.add(outcomes)
        self.chart.show_runs(self.table.model.rows)

    def _on_read(self, problem: str) -> None:
        if problem:
            self.notices.add("doubt", "archive", f"Archive: {problem}")
            self.table.say("The archive could not be read whole; the notice above says why.")

    # -- what the person does -------------------------------------------------------------------------------------

    def _on_connect(self, connect: bool) -> None:
        if not connect:
            self.session.stop()
        elif self.bench is not None:
            self.connect_bench()

    def connect_bench(self) -> None:
        """Start the recorder with the tags as they stand; a wrong tag is said instead."""
        if self.bench is None:
            return
        if not self.form.acceptable:
            self.notices.add("doubt", "tags", "The tags are not acceptable yet: mend the field marked in the form")
            return
        if self.plan.through:
            words = "The plan is through: set a run aside to repeat it, or leave the plan (Ctrl+P) to record other runs"
            self.notices.add("note", "recorder", words)
            return
        self.notices.resolve("tags")
        self.session.start(self.bench, self.archive, self.plan.first_tags(self.form.texts()), self.plan.study)

    def _send_tags(self, texts: Mapping[str, str]) -> None:
        if self.session.alive:
            self.session.send({"do": "tags", "tags": self.plan.whole_tags(texts)})

    def read_archive(self) -> None:
        """List the archive anew."""
        self.table.clear()
        self.table.say("No runs here yet. The first one appears when it is sealed.")
        self.answer.show_nothing("The answer of a run appears here a moment after it ends.")
        self.chart.show_runs(())
        self.reader.read(self.archive)

    def _choose_bench(self) -> None:
        if self.session.alive:
            self.notices.add("note", "busy", "Disconnect (F4) before choosing another bench")
        elif (chosen := ask_bench(self)) is not None:
            self.bench, self.state, self._shown = chosen, "idle", "idle"
            self.top.show_where(self.bench, self.archive, self.demo)
            self.settled.emit({"bench": str(chosen.absolute())})
            self._show_state({})

    def _choose_archive(self) -> None:
        if self.session.alive:
            self.notices.add("note", "busy", "Disconnect (F4) before choosing another archive")
        elif self.plan.study is not None:
            self.notices.add("note", "busy", "The plan says where its runs go; leave it (Ctrl+P) to choose an archive")
        elif (chosen := ask_archive(self, self.archive)) is not None:
            self._use_archive(chosen)

    def _use_archive(self, folder: Path) -> None:
        self.archive = folder
        self.top.show_where(self.bench, self.archive, self.demo)
        self.settled.emit({"archive": str(folder.absolute())})
        self.read_archive()

    def _choose_plan(self) -> None:
        if self.session.alive:
            self.notices.add("note", "busy", "Disconnect (F4) before following or leaving a plan")
        elif self.plan.study is not None:
            self.plan.leave()
        elif (chosen := ask_study(self)) is not None:
            self.plan.follow(chosen)

    def _on_plan(self, followed: bool) -> None:
        """The runs of a plan go where its study keeps them."""
        self.top.show_plan(followed)
        folder = self.plan.follower.archive
        if folder is not None and folder.absolute() != self.archive.absolute():
            self._use_archive(folder)

    def _change_theme(self) -> None:
        self.set_theme(DARK if self.theme.name == "light" else LIGHT)
        self.settled.emit({"theme": self.theme.name})

    def show_caption(self, words: str) -> None:
        """One sentence across the page, used by a demonstration; empty takes it away."""
        self.caption.setText(words)
        self.caption.setVisible(bool(words))

    def show_conclusion(self, words: str) -> None:
        """The closing words of a demonstration, in the place of the answer."""
        lines = (" ".join(line.split()) for line in words.splitlines())
        self.conclusion.words.setText("\n\n".join(line for line in lines if line))
        self.side.setCurrentWidget(self.conclusion)

    def show_error(self, text: str) -> None:
        """Something went wrong inside the program: say it; the recording goes on in its own process."""
        words = f"This window met an error and goes on, as does the recorder, a process of its own: {text}"
        self.notices.add("reject", "program", words)

    # -- looks and clock ------------------------------------------------------------------------------------------

    def _on_tick(self) -> None:
        self._tick += 1
        self.plot.refresh()
        if self._tick % NUMBERS_EVERY == 0:
            self._show_numbers()
            self._show_words()
            self.strip.tick()

    def _show_numbers(self) -> None:
        """The latest readings in figures; a dash for an instrument that has not been heard for some seconds."""
        for name, number in (("charge", self.banner.charge), ("mass", self.banner.mass)):
            pyramid = self.plot.pyramids[name]
            if pyramid.count != self._heard[name][0]:
                self._heard[name] = (pyramid.count, self._tick)
            stale = self._tick - self._heard[name][1] > STALE_TICKS
            number.show_value(math.nan if stale else pyramid.last_value, self._before[name])

    def set_theme(self, theme: Theme) -> None:
        """Take on a theme everywhere."""
        self.theme, self._px = theme, base_height(self.height())
        self.setPalette(qt_palette(theme))
        self.setStyleSheet(style_sheet(theme, self._px))
        self.form.setMinimumHeight(FORM_LINES * self._px)
        self.table.setMinimumHeight(BOTTOM_LINES * self._px)
        for number in (self.banner.charge, self.banner.mass):
            number.keep_room()
        self.plot.set_theme(theme, self._px)
        self.chart.set_theme(theme, self._px)

    def resizeEvent(self, event: QtGui.QResizeEvent) -> None:
        super().resizeEvent(event)
        if base_height(self.height()) != self._px:
            self.set_theme(self.theme)

    def closeEvent(self, event: QtGui.QCloseEvent) -> None:
        """Ask the recorder to finish and stay until it has; a second request changes nothing."""
        if self.session.alive:
            event.ignore()
            self._closing = True
            self.session.stop()
            self._show_state({})
            return
        self._ticker.stop()
        self.reader.drop()
        self.plan.follower.drop()
        event.accept()

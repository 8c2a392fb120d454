"""Following a plan in the window: what is said, what is tagged, what is set aside, how it ends."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from chargebench.desktop.plan_follower import PlanFollower
from chargebench.desktop.plan_strip import before_words, next_words
from chargebench.desktop.qt import QtCore, QtWidgets
from chargebench.desktop.row import Row
from chargebench.desktop.set_aside import ReasonDialog
from chargebench.desktop.window import MainWindow
from tests.desktop.conftest import FAKE
from tests.desktop.fake_recorder import FOLLOWING, MISTED, WAIT, plan_event, sealed, sealed_runs, step

MakeWindow = Callable[..., MainWindow]
STUDY = """[study]
name = "harbour"
question = "How much water neutralises lot 7?"
archive = "runs"
[[arm]]
coffee = "Quiet Harbour lot 7"
grinder = "Fennel flat 58"
doses_uL_per_g = [6]
[[exclude]]
run = "{run}"
reason = "a spoon fell into the cup"
"""
RUN = sealed_runs()[2].run_id


@pytest.fixture
def study(tmp_path: Path) -> Path:
    """A study file that leaves one run out."""
    path = tmp_path / "study.toml"
    path.write_text(STUDY.format(run=RUN), encoding="utf-8")
    return path


def following(make_window: MakeWindow, qtbot: Any, study: Path) -> MainWindow:
    """A window that follows the plan and knows what comes next."""
    window = make_window()
    window.plan.follow(study)
    qtbot.waitUntil(lambda: window.form.fields["treatment"].currentText() == "misted", timeout=120_000)
    return window


def test_a_plan_is_chosen_shown_and_left_by_key(
    make_window: MakeWindow, qtbot: Any, monkeypatch: pytest.MonkeyPatch, study: Path
) -> None:
    """The next run stands on the page with its water in every unit, its tags in the form; leaving takes all away."""
    window = make_window()
    monkeypatch.setattr("chargebench.desktop.window.ask_study", lambda _parent: study)
    qtbot.keyClick(window, QtCore.Qt.Key.Key_P, QtCore.Qt.KeyboardModifier.ControlModifier)
    qtbot.waitUntil(lambda: "step 2" in window.strip.next.text(), timeout=120_000)
    assert window.strip.isVisible()
    assert "harbour" in window.strip.name.text()
    for words in ("Quiet Harbour lot 7 on Fennel flat 58", "6.1 µL/g = 0.11 mL = 0.11 g = 1 spray"):
        assert words in window.strip.next.text()
    assert window.form.texts()["water_uL_per_g"] == "6.1"
    assert not window.form.fields["coffee"].isEnabled()
    assert window.form.fields["note"].isEnabled()
    assert window.archive == study.parent / "runs"
    qtbot.keyClick(window, QtCore.Qt.Key.Key_P, QtCore.Qt.KeyboardModifier.ControlModifier)
    assert window.plan.study is None
    assert not window.strip.isVisible()
    assert window.form.fields["coffee"].isEnabled()
    assert not window.table.aside.isVisible()


def test_a_plan_is_followed_run_by_run_to_its_end(make_window: MakeWindow, qtbot: Any, study: Path) -> None:
    """Each run carries its step's tags and what was typed besides; a wait is counted; the end is said, not an error."""
    window = following(make_window, qtbot, study)
    said: list[str] = []
    window.plan.follower.said.connect(said.append)
    window.form.fields["note"].setText("third bottle")
    window.connect_bench()
    qtbot.waitUntil(lambda: "90 s left" in window.strip.before.text(), timeout=120_000)
    assert window.strip.before.isVisible()
    qtbot.waitUntil(lambda: window.plan.through and not window.session.alive, timeout=120_000)
    tags = [row.outcome.tags for row in reversed(window.table.model.rows)]
    assert [t["plan_step"] for t in tags] == ["1", "2", "4"]
    assert [t["treatment"] for t in tags] == ["dry", "misted", "dry"]
    assert {t["note"] for t in tags} == {"third bottle"}
    assert "through" in window.strip.next.text()
    assert not window.strip.before.isVisible()
    assert any("through" in text for text in window.notices.texts)
    assert window.banner.headline.text() == "Not recording"
    window.connect_bench()
    assert not window.session.alive
    qtbot.waitUntil(lambda: any("20 µL/g would narrow" in text for text in said), timeout=120_000)
    assert window.strip.said.isVisible()


def test_the_recorder_is_told_only_what_the_plan_does_not_say(
    make_window: MakeWindow, qtbot: Any, study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It starts with the tags that the plan leaves open; an edit later keeps the plan's own."""
    window = following(make_window, qtbot, study)
    window.form.fields["operator"].setText("KT")
    started: list[Any] = []
    monkeypatch.setattr(window.session, "start", lambda *words: started.append(words))
    window.connect_bench()
    assert started == [(window.bench, study.parent / "runs", {"operator": "KT"}, study)]
    sent: list[Any] = []
    monkeypatch.setattr(window.session, "send", sent.append)
    monkeypatch.setattr(type(window.session), "alive", property(lambda _self: True))
    window.form.fields["note"].setText("one spray too many")
    qtbot.waitUntil(lambda: bool(sent), timeout=120_000)
    assert (sent[-1]["tags"]["plan_step"], sent[-1]["tags"]["note"]) == ("2", "one spray too many")


def test_a_run_is_set_aside_with_a_reason(
    make_window: MakeWindow, qtbot: Any, study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The chosen run is marked with its reason, leaves the chart's points that count, and its step comes again."""
    window = following(make_window, qtbot, study)
    window.reader.rows.emit(sealed_runs())
    assert not window.table.aside.isEnabled()
    window.table.view.selectRow(0)
    run = window.table.model.rows[0].run_id
    monkeypatch.setattr("chargebench.desktop.window.ask_reason", lambda *_about: "the cable was touched")
    qtbot.keyClick(window, QtCore.Qt.Key.Key_E, QtCore.Qt.KeyboardModifier.ControlModifier)
    qtbot.waitUntil(lambda: "step 1" in window.strip.next.text(), timeout=120_000)
    assert window.table.model.rows[0].run_id == run
    assert window.table.model.data(window.table.model.index(0, 7)) == "✖ Set aside"
    assert "Set aside" in window.answer.verdict.text()
    assert "the cable was touched" in window.answer.flags.itemAt(0).widget().text()
    assert "do not use" in window.chart.key.text()
    assert not window.table.aside.isEnabled()


def test_what_the_study_already_leaves_out_is_marked(make_window: MakeWindow, qtbot: Any, study: Path) -> None:
    """A run excluded in the study file shows as set aside, until the plan is left."""
    window = following(make_window, qtbot, study)
    window.reader.rows.emit(sealed_runs())
    marked = [row.run_id for row in window.table.model.rows if row.set_aside]
    assert marked == [RUN]
    window.plan.leave()
    assert not [row for row in window.table.model.rows if row.set_aside]


def test_a_setting_aside_that_fails_is_said(
    make_window: MakeWindow, qtbot: Any, study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The command's own words stand on the page; nothing is marked and it can be tried again."""
    window = following(make_window, qtbot, study)
    window.reader.rows.emit(sealed_runs())
    window.table.view.selectRow(0)
    monkeypatch.setattr("chargebench.desktop.window.ask_reason", lambda *_about: "refuse")
    window.table.aside.click()
    qtbot.waitUntil(lambda: any("cannot be written" in text for text in window.notices.texts), timeout=120_000)
    assert not window.table.model.rows[0].set_aside
    assert window.table.aside.isEnabled()


@pytest.mark.parametrize("content", ["[study", "[study]\nname = 3\n", None], ids=["broken", "wrong", "missing"])
def test_a_file_that_is_no_study_is_said(make_window: MakeWindow, tmp_path: Path, content: str | None) -> None:
    """The file and what is wrong with it are named; nothing is followed."""
    window = make_window()
    path = tmp_path / "notes.toml"
    if content is not None:
        path.write_text(content, encoding="utf-8")
    window.plan.follow(path)
    assert "notes.toml" in window.notices.texts[0]
    assert window.plan.study is None
    assert not window.strip.isVisible()


def test_bench_archive_and_plan_stay_while_recording(
    make_window: MakeWindow, qtbot: Any, study: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A plan is neither left nor its archive changed under the recorder's feet."""
    window = following(make_window, qtbot, study)
    window.top.archive.click()
    assert "plan" in window.notices.texts[0]
    monkeypatch.setattr(type(window.session), "alive", property(lambda _self: True))
    window.top.plan.click()
    assert window.plan.study == study
    monkeypatch.undo()


def test_a_plan_in_words_only_is_shown_in_its_words(make_window: MakeWindow) -> None:
    """An event without numbers still says what comes next and fills the form."""
    window = make_window()
    event = plan_event(1)
    window.session.plan.emit({key: event[key] for key in ("event", "step", "tags", "text")})
    assert window.strip.next.text() == "in words"
    assert window.form.texts()["treatment"] == "misted"


def test_a_blank_clears_the_dose_and_asks_for_the_keys(make_window: MakeWindow) -> None:
    """Nothing falls in a blank, so the dose of the run before goes, and beginning and end are by hand."""
    window = make_window()
    window.form.show_tags({"dose_g": 18.0})
    blank = step(5, "ionised", "blank: run the grinder empty with the ioniser on", kind="blank")
    del blank["tags"]["dose_g"]
    window.session.plan.emit({"event": "plan", "next": blank, "before_next": [], "tags": blank["tags"], "step": 5})
    assert "dose_g" not in window.form.texts()
    assert "F5" in window.strip.next.text()


@pytest.mark.parametrize(
    ("waited_s", "words"), [(0.0, "90 s left"), (59.5, "31 s left"), (89.9, "1 s left"), (90.0, "waited")]
)
def test_a_wait_is_counted_down(waited_s: float, words: str) -> None:
    """Whole seconds that are still to go, then that it is over."""
    assert before_words(WAIT, waited_s).endswith(words)


def test_words_of_the_next_run() -> None:
    """Step, coffee, grinder and water of a run; the end in plain words."""
    assert next_words(MISTED).startswith("Next run, step 2: Quiet Harbour lot 7 on Fennel flat 58, misted: 18 g")
    assert "through" in next_words(None)


def test_the_same_step_said_again_does_not_begin_a_wait_anew(make_window: MakeWindow, qtbot: Any) -> None:
    """A wait counts from when its step came first."""
    window = make_window()
    window.strip.show_next(FOLLOWING[2])
    first = window.strip._since.msecsSinceReference()
    qtbot.wait(20)
    window.strip.show_next(FOLLOWING[2])
    assert window.strip._since.msecsSinceReference() == first
    window.strip.show_next(FOLLOWING[1])
    assert window.strip._since.msecsSinceReference() > first


def test_the_reason_must_be_given(qtbot: Any, make_window: MakeWindow) -> None:
    """Without a reason there is nothing to accept; Enter accepts one that is there; markup stays text."""
    run = sealed("20260314T110000Z-7f3a2c", 0.0, "dry", -60.0, tags={"coffee": "<b>lot</b>"})
    dialog = ReasonDialog(Row(run), "harbour", make_window())
    dialog.show()
    assert not dialog.accepting.isEnabled()
    dialog.reason.setText("   ")
    assert not dialog.accepting.isEnabled()
    labels = dialog.findChildren(QtWidgets.QLabel)
    assert any("<b>lot</b>" in label.text() for label in labels)
    assert {label.textFormat() for label in labels} == {QtCore.Qt.TextFormat.PlainText}
    qtbot.keyClicks(dialog.reason, "spoon")
    qtbot.keyClick(dialog.reason, QtCore.Qt.Key.Key_Return)
    assert dialog.result() == QtWidgets.QDialog.DialogCode.Accepted


def test_a_follower_is_dropped_with_its_questions(qtbot: Any, study: Path) -> None:
    """An answer that is no longer wanted does not arrive."""
    follower, found = PlanFollower(FAKE), []
    follower.found.connect(found.append)
    follower.follow(study)
    follower.leave()
    qtbot.wait(300)
    assert found == []

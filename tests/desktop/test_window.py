"""The window as a person meets it: states, keys, tags, answers, notices, looks and its end."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from chargebench.desktop.palette import DARK, LIGHT
from chargebench.desktop.qt import QtCore, QtGui, QtWidgets
from chargebench.desktop.window import MainWindow
from tests.desktop.fake_recorder import DOUBT, FOLLOWING, NOTE, REJECT, FakeTimed, sealed, sealed_runs

MakeWindow = Callable[..., MainWindow]
MARKUP = "<b>Bold</b> & <img src='file:///etc/passwd'>"
SPEAKING = (
    QtWidgets.QAbstractButton,
    QtWidgets.QLineEdit,
    QtWidgets.QComboBox,
    QtWidgets.QAbstractItemView,
    QtWidgets.QGraphicsView,
    QtWidgets.QScrollArea,
    QtWidgets.QProgressBar,
)


def spoken(widget: QtWidgets.QWidget) -> str:
    """What a screen reader is told a widget is called."""
    interface = QtGui.QAccessible.queryAccessibleInterface(widget)
    return interface.text(QtGui.QAccessible.Text.Name) if interface else ""


def state(window: MainWindow, name: str, time_s: float = 0.0, **more: Any) -> None:
    """A state event, as the session would pass it on."""
    window.session.state.emit({"event": "state", "state": name, "time_s": time_s, **more})


@pytest.mark.parametrize("shown", ["start", "full"])
def test_every_widget_has_an_accessible_name(make_window: MakeWindow, shown: str) -> None:
    """All that can be focused, pressed, typed into or read has a name for a screen reader."""
    window = make_window()
    if shown == "full":
        window.reader.rows.emit(sealed_runs())
        window.session.outcome.emit(sealed("20260314T110000Z-7f3a2c", 0.0, "dry", -60.0, flags=[NOTE, DOUBT]))
        window.session.notice.emit({"severity": "doubt", "code": "disk", "text": "Disk nearly full"})
    nameless = [
        w
        for w in window.findChildren(QtWidgets.QWidget)
        if (isinstance(w, SPEAKING) or w.focusPolicy() != QtCore.Qt.FocusPolicy.NoFocus)
        and w.window() is window
        and not w.objectName().startswith("qt_")
        and not spoken(w)
    ]
    assert nameless == []


def test_states_change_words_and_buttons(make_window: MakeWindow, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each state has its headline, and only the commands that make sense can be given."""
    window = make_window()
    monkeypatch.setattr(type(window.session), "alive", property(lambda _self: True))
    buttons = window.controls
    seen = {}
    for name in ("waiting", "armed", "grinding", "settling", "done"):
        state(window, name, quiet_s=6.2, quiet_needed_s=10.0)
        enabled = (buttons.start.isEnabled(), buttons.finish.isEnabled(), buttons.discard.isEnabled())
        seen[name] = (window.banner.headline.text(), enabled)
    assert seen == {
        "waiting": ("Quiet: 6 of 10 s", (True, False, True)),
        "armed": ("Armed", (True, False, True)),
        "grinding": ("Grinding", (False, True, True)),
        "settling": ("Settling: 6 of 10 s", (False, True, True)),
        "done": ("Run recorded", (False, False, False)),
    }


@pytest.mark.parametrize(
    ("hold", "command"),
    [
        ("before", {"do": "confirm"}),
        ("silent", {"do": "without", "instrument": "scale"}),
        ("cup-full", {"do": "tare"}),
        ("cup-away", {"do": "tare"}),
        ("over-range", None),
        ("plan", None),
    ],
)
def test_what_stands_in_the_way_is_cleared_with_one_key(
    make_window: MakeWindow, qtbot: Any, monkeypatch: pytest.MonkeyPatch, hold: str, command: dict[str, str] | None
) -> None:
    """F7 gives the command that clears the reason shown, and none where only the bench can clear it."""
    window = make_window()
    sent: list[Any] = []
    monkeypatch.setattr(window.session, "send", sent.append)
    monkeypatch.setattr(type(window.session), "alive", property(lambda _self: True))
    state(window, "done")
    state(window, "waiting", hold=hold, text="what to do", instrument="scale")
    assert window.controls.way.isEnabled() == (command is not None)
    assert window.controls.start.isEnabled()  # nothing can dead-lock a person
    assert "quiet" not in window.banner.headline.text().lower()
    qtbot.keyClick(window, QtCore.Qt.Key.Key_F7)
    state(window, "armed")
    assert not window.controls.way.isEnabled()
    qtbot.keyClick(window, QtCore.Qt.Key.Key_F7)
    assert [s for s in sent if s["do"] != "tags"] == ([] if command is None else [command])


def test_without_a_bench_nothing_can_be_started(make_window: MakeWindow) -> None:
    """The empty window says how to begin."""
    window = make_window(bench=None)
    assert "bench" in window.banner.headline.text().lower()
    assert "Ctrl+B" in window.banner.instruction.text()
    assert not window.controls.connector.isEnabled()
    window.connect_bench()
    assert not window.session.alive


def test_keys_command_the_recorder_while_typing(
    make_window: MakeWindow, qtbot: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Function keys work with the cursor in a field and leave no trace in it; discarding needs a second press."""
    window = make_window()
    sent: list[Any] = []
    monkeypatch.setattr(window.session, "send", sent.append)
    monkeypatch.setattr(type(window.session), "alive", property(lambda _self: True))
    field = window.form.fields["coffee"]
    window.activateWindow()
    field.setFocus()
    qtbot.keyClicks(field, "Harbour ")
    state(window, "armed")
    qtbot.keyClick(field, QtCore.Qt.Key.Key_F5)
    state(window, "grinding", 1.0)
    qtbot.keyClick(field, QtCore.Qt.Key.Key_F8)
    assert "again" in window.controls.discard.text()
    qtbot.keyClick(field, QtCore.Qt.Key.Key_F6)
    qtbot.keyClick(field, QtCore.Qt.Key.Key_F8)
    assert [s for s in sent if s["do"] != "tags"] == [{"do": "start"}, {"do": "finish"}, {"do": "discard"}]
    assert field.text() == "Harbour "


def test_a_whole_run_passes_through_the_window(make_window: MakeWindow, qtbot: Any) -> None:
    """From connecting by key to the answer: plot filled, row added, answer shown with its flag; closing ends it."""
    window = make_window()
    taken: list[Any] = []
    window.session.readings.connect(taken.extend)
    window.form.fields["coffee"].setText("Harbour")
    qtbot.keyClick(window, QtCore.Qt.Key.Key_F4)
    qtbot.waitUntil(lambda: window.table.model.rowCount() > 0, timeout=120_000)
    assert {"charge", "mass"} == {reading.channel for reading in taken}
    assert window.answer.figure.text() == "−61.70 ± 0.62 nC/g"
    assert window.side.currentWidget() is window.answer
    assert window.table.model.rows[0].outcome.tags["coffee"] == "Harbour"
    assert "○" in window.answer.verdict.text()
    window.close()
    assert window.isVisible()
    assert window.banner.headline.text() == "Stopping"
    qtbot.waitUntil(lambda: not window.isVisible(), timeout=120_000)
    assert not window.session.alive


def test_markup_in_tags_is_shown_as_text(make_window: MakeWindow) -> None:
    """Names with markup are drawn character by character in table, card, chart and notices."""
    window = make_window()
    run = sealed(
        "20260314T110000Z-7f3a2c", 0.0, "dry", -60.0, tags={"coffee": MARKUP}, flags=[{**NOTE, "text": MARKUP}]
    )
    window.session.outcome.emit(run)
    window.session.notice.emit({"severity": "note", "code": "x", "text": MARKUP})
    labels = [label for label in window.findChildren(QtWidgets.QLabel) if label.window() is window]
    assert sum(MARKUP in label.text() for label in labels) >= 3
    assert all(label.textFormat() is QtCore.Qt.TextFormat.PlainText for label in labels)
    assert MARKUP in window.table.model.data(window.table.model.index(0, 1))
    assert window.table.model.data(window.table.model.index(0, 1), QtCore.Qt.ItemDataRole.ToolTipRole) is None
    assert MARKUP in window.chart.series.currentText()


@pytest.mark.parametrize(
    ("key", "text", "words"),
    [
        ("dose_g", "eighteen", "not a number"),
        ("dose_g", "-3", "out of range"),
        ("water_uL_per_g", "1e9", "out of range"),
    ],
)
def test_wrong_tags_are_said_and_held_back(
    make_window: MakeWindow, qtbot: Any, key: str, text: str, words: str
) -> None:
    """A tag that is not acceptable is marked, explained, and neither sent nor recorded with."""
    window = make_window()
    heard: list[Any] = []
    window.form.changed.connect(heard.append)
    window.form.fields["treatment"].setCurrentText("misted")
    window.form.fields[key].setText(text)
    assert words in window.form.problem.text()
    assert window.form.fields[key].property("wrong") is True
    window.connect_bench()
    assert not window.session.alive
    qtbot.wait(500)
    assert heard == []
    window.form.fields[key].setText("18")
    assert window.form.problem.text() == ""
    qtbot.waitUntil(lambda: bool(heard), timeout=120_000)
    assert heard[-1][key] == "18"


def test_tags_that_contradict_each_other_are_said(make_window: MakeWindow) -> None:
    """Water on a dry run is refused before it is recorded."""
    window = make_window()
    window.form.show_tags({"treatment": "dry", "water_uL_per_g": 20.0})
    assert "contradicts" in window.form.problem.text()


def test_water_is_shown_in_all_and_by_mass(make_window: MakeWindow) -> None:
    """18 g at 20 µL/g are 0.36 mL, and 0.359 g with the density of water at 20 °C (0.998 g/mL)."""
    window = make_window()
    window.form.show_tags({"treatment": "misted", "dose_g": 18.0, "water_uL_per_g": 20.0})
    assert "0.36 mL = 0.359 g" in window.form.water.text()


def test_lost_port_stays_until_it_is_back(make_window: MakeWindow) -> None:
    """A lost port is told at once and withdrawn when the port is open again."""
    window = make_window()
    window.session.port.emit({"instrument": "scale", "state": "lost", "text": "unplugged"})
    assert "scale" in window.notices.texts[0]
    assert window.notices.isVisible()
    window.session.port.emit({"instrument": "scale", "state": "open", "text": ""})
    assert window.notices.texts == ()
    assert not window.notices.isVisible()


def test_graver_notices_outlive_notes(make_window: MakeWindow) -> None:
    """A flood of notes never pushes a lost port off the page, nor does the stack grow."""
    window = make_window()
    window.session.port.emit({"instrument": "scale", "state": "lost", "text": "unplugged"})
    for index in range(50):
        window.session.notice.emit({"severity": "note", "code": f"n{index}", "text": f"note {index}"})
    assert any("scale" in t for t in window.notices.texts)
    assert len(window.notices.texts) == len(window.notices.strips)


def test_the_answer_without_a_number_shows_its_flags(make_window: MakeWindow) -> None:
    """A rejected run shows no number, the verdict in words, and each flag with symbol and word, gravest first."""
    window = make_window()
    window.session.outcome.emit(sealed("20260314T110000Z-7f3a2c", 0, "dry", 0, answer=None, flags=[NOTE, REJECT]))
    assert window.answer.figure.text() == "–"
    assert "Do not use" in window.answer.verdict.text()
    texts = [window.answer.flags.itemAt(i).widget().text() for i in range(window.answer.flags.count())]
    assert [t[:8] for t in texts] == ["✖ Reject", "○ Note: "]


def test_a_recovered_run_is_listed_and_takes_no_ones_place(make_window: MakeWindow) -> None:
    """What an earlier recorder left appears as a row; the cautions of the start stay where they are."""
    window = make_window()
    window.session.outcome.emit(sealed("20260314T110000Z-7f3a2c", 0, "dry", -60.0, recovered=True))
    assert window.table.model.rowCount() == 1
    assert window.side.currentWidget() is window.cautions


def test_choosing_a_row_shows_its_answer(make_window: MakeWindow) -> None:
    """Going to a row puts that run's answer on the card."""
    window = make_window()
    window.reader.rows.emit(sealed_runs())
    window.table.view.selectRow(4)
    assert window.table.model.rows[4].run_id in window.answer.whose.text()


def test_cautions_greet_and_come_back(make_window: MakeWindow, qtbot: Any) -> None:
    """Cautions stand on the page at the start without blocking it, go when read, and return by F1."""
    window = make_window()
    assert window.side.currentWidget() is window.cautions
    assert QtWidgets.QApplication.activeModalWidget() is None
    window.cautions.button.click()
    assert window.side.currentWidget() is window.answer
    qtbot.keyClick(window, QtCore.Qt.Key.Key_F1)
    assert window.side.currentWidget() is window.cautions


def test_no_plot_opens_a_menu(make_window: MakeWindow, qtbot: Any) -> None:
    """A right click on a plot offers nothing: no export, no options."""
    window = make_window()
    window.reader.rows.emit(sealed_runs())
    for view in (window.plot.view, window.chart.view):
        qtbot.mouseClick(view.viewport(), QtCore.Qt.MouseButton.RightButton, pos=view.viewport().rect().center())
        QtWidgets.QApplication.processEvents()
        assert QtWidgets.QApplication.activePopupWidget() is None
    assert [
        m for m in QtWidgets.QApplication.topLevelWidgets() if isinstance(m, QtWidgets.QMenu) and m.isVisible()
    ] == []


def test_themes_reach_every_part(make_window: MakeWindow, qtbot: Any) -> None:
    """Light and dark change the page, its panels and the plots, by key, there and back."""
    window = make_window()

    def edge(widget: QtWidgets.QWidget) -> str:
        return widget.grab().toImage().pixelColor(4, widget.height() // 2).name()

    for theme in (DARK, LIGHT):
        qtbot.keyClick(window, QtCore.Qt.Key.Key_D, QtCore.Qt.KeyboardModifier.ControlModifier)
        assert edge(window.centralWidget()) == theme.page
        assert edge(window.plot.view) == theme.panel
        assert edge(window.table) == theme.panel


@pytest.mark.parametrize("planned", [False, True], ids=["free", "plan"])
@pytest.mark.parametrize("size", [(1366, 768), (2560, 1440)])
def test_nothing_is_squeezed_or_cut(
    make_window: MakeWindow, size: tuple[int, int], planned: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At both sizes, with notices and a plan, the window keeps its size; no field, button or label lacks room."""
    window = make_window()
    if planned:
        window.strip.begin("harbour")
        window.strip.show_next(FOLLOWING[2])
        window.strip.say("20 µL/g would narrow the interval most, from 2.64 to about 2.39 µL/g.")
        window.form.lock(("coffee",))
        window.table.let_set_aside(offered=True)
    window.resize(*size)
    window.reader.rows.emit(sealed_runs())
    window.session.outcome.emit(sealed("20260314T110000Z-7f3a2c", 0.0, "dry", -161.7, flags=[NOTE, DOUBT]))
    window.session.port.emit({"instrument": "scale", "state": "lost", "text": "unplugged"})
    window.session.notice.emit({"severity": "doubt", "code": "disk", "text": "Disk nearly full"})
    monkeypatch.setattr(type(window.session), "alive", property(lambda _self: True))
    state(window, "grinding")
    window.controls.discard.click()
    QtWidgets.QApplication.processEvents()
    assert (window.width(), window.height()) == size
    kinds = (QtWidgets.QLineEdit, QtWidgets.QComboBox, QtWidgets.QPushButton, QtWidgets.QLabel)
    squeezed = [
        (w.accessibleName() or w.text(), w.size(), w.minimumSizeHint())
        for kind in kinds
        for w in window.findChildren(kind)
        if w.isVisible() and w.height() < w.minimumSizeHint().height()
    ]
    assert squeezed == []
    cut = [
        b.text()
        for b in window.findChildren(QtWidgets.QPushButton)
        if b.isVisible() and max(map(b.fontMetrics().horizontalAdvance, b.text().splitlines())) + 8 > b.width()
    ]
    assert cut == []


def test_rest_is_counted_and_the_cup_remembered(make_window: MakeWindow) -> None:
    """Settling counts from the end of the grind on the run's clock; after a run the person is told to empty the cup."""
    window = make_window()
    window.session.rest_s = (10.0, 12.0)
    state(window, "waiting")
    assert "10 s of rest" in window.banner.instruction.text()
    state(window, "settling", 20.0)
    window.session.readings.emit([FakeTimed("mass", 24.5, 17.0)])
    for _ in range(6):
        window._on_tick()
    assert window.banner.headline.text() == "Settling: 4 of 12 s"
    state(window, "done", 32.0)
    state(window, "waiting", 0.0)
    assert window.banner.instruction.text().startswith("Empty the cup")
    state(window, "waiting", 0.0, quiet_s=4.2, quiet_needed_s=10.0)
    assert window.banner.instruction.text().endswith("hands off the bench: quiet for 4 of 10 s")
    state(window, "armed", 0.0)
    assert window.banner.headline.text() == "Armed"


def test_change_since_quiet_stands_beside_the_reading(make_window: MakeWindow) -> None:
    """Once armed, each big number also says by how much it moved since."""
    window = make_window()
    window.session.readings.emit([FakeTimed("mass", 9.0, 152.0), FakeTimed("charge", 9.0, 3.0)])
    state(window, "armed")
    window.session.readings.emit([FakeTimed("mass", 15.0, 160.5), FakeTimed("charge", 15.0, -47.0)])
    for _ in range(6):
        window._on_tick()
    assert window.banner.mass.figure.text() == "160.50"
    assert "+8.50 since quiet" in window.banner.mass.caption.text()
    assert "−50.00 since quiet" in window.banner.charge.caption.text()


@pytest.mark.parametrize("size", [(1366, 768), (2560, 1440)])
def test_big_numbers_never_move_or_lose_a_digit(make_window: MakeWindow, size: tuple[int, int]) -> None:
    """Readings of few and of many digits find the same room, wide enough for both."""
    window = make_window()
    window.resize(*size)
    QtWidgets.QApplication.processEvents()
    number, places = window.banner.mass, set()
    for value in (0.38, -8000.25, 9.0):
        number.show_value(value)
        assert number.figure.fontMetrics().horizontalAdvance(number.figure.text()) <= number.figure.width()
        QtWidgets.QApplication.processEvents()
        places.add((number.x(), number.figure.width()))
    assert len(places) == 1


def test_an_old_reading_is_not_shown_as_the_present_one(make_window: MakeWindow) -> None:
    """Some seconds after an instrument was last heard its big number is a dash, the other one's is not."""
    window = make_window()
    window._ticker.stop()
    for second in range(8):
        mass = [FakeTimed("mass", second, 152.0)] if second < 2 else []
        window.session.readings.emit([FakeTimed("charge", second, 3.0), *mass])
        for _ in range(30):
            window._on_tick()
    assert window.banner.charge.figure.text() == "3.00"
    assert window.banner.mass.figure.text() == "–"


def test_a_long_recording_takes_no_more_room(make_window: MakeWindow) -> None:
    """A hundred thousand readings add nothing to the scene and no widget to the page."""
    window = make_window()
    state(window, "waiting")
    window.plot.refresh()

    def size() -> tuple[int, int, int]:
        items = len(window.plot.view.scene().items())
        return items, len(window.findChildren(QtCore.QObject)), sum(p.nbytes for p in window.plot.pyramids.values())

    before = size()
    for start in range(0, 100_000, 10_000):
        window.session.readings.emit([FakeTimed("charge", t / 1000, t % 7) for t in range(start, start + 10_000)])
        window._on_tick()
    assert size() == before
    assert window.plot.pyramids["charge"].count == 100_000


def test_a_new_recording_begins_with_an_empty_plot(make_window: MakeWindow) -> None:
    """Traces and phases of the last run are gone when the next journal begins."""
    window = make_window()
    state(window, "waiting")
    window.session.readings.emit([FakeTimed("charge", 1.0, 2.0)])
    window.session.opened.emit({"event": "journal", "run": "x", "path": "y"})
    assert window.plot.phases == ()
    assert window.plot.pyramids["charge"].count == 0


def whole_run(window: MainWindow) -> None:
    """A run from its journal to its end, and the journal of the next."""
    window.session.opened.emit({"event": "journal", "run": "x", "path": "y"})
    for name, time_s in (("waiting", 0.0), ("armed", 10.0), ("grinding", 14.0), ("settling", 20.0), ("done", 32.0)):
        state(window, name, time_s)
    window.session.readings.emit([FakeTimed("charge", t / 2, -3.0 * t) for t in range(65)])
    window.session.opened.emit({"event": "journal", "run": "z", "path": "y"})
    window._on_tick()


def shown_until_s(window: MainWindow) -> float:
    """Time of the last point that is drawn."""
    return float(window.plot._curves["charge"].getData()[0][-1])


def test_the_last_run_stays_in_view_until_the_next_quiet_stretch(make_window: MakeWindow) -> None:
    """Its trace and phases stay, labelled, while the bench is emptied; readings of the next are kept and then shown."""
    window = make_window()
    whole_run(window)
    state(window, "waiting", 0.0)
    window.session.readings.emit([FakeTimed("charge", 1.0, 5.0), FakeTimed("charge", 2.0, 6.0)])
    window._on_tick()
    assert window.plot.title.text().startswith("Last run")
    assert "Last run" in window.plot._plots["mass"].getAxis("bottom").labelText
    assert shown_until_s(window) == 32.0
    assert any(label.isVisible() and label.toPlainText() == "grinding" for label in window.plot._labels)
    assert window.plot.now_s == 2.0
    state(window, "armed", 1.0)
    window._on_tick()
    assert window.plot.title.text() == "Live"
    assert shown_until_s(window) == 2.0
    assert not any(label.isVisible() and label.toPlainText() == "grinding" for label in window.plot._labels)


@pytest.mark.parametrize("end", ["long", "start"])
def test_the_last_run_gives_way_to_what_matters_more(make_window: MakeWindow, end: str) -> None:
    """A bench that finds no rest for a minute and a half is shown live, and so is a grind begun by hand."""
    window = make_window()
    whole_run(window)
    assert window.plot.shows_last
    if end == "long":
        window.session.readings.emit([FakeTimed("charge", t, 0.0) for t in range(92)])
    else:
        state(window, "grinding", 3.0)
    assert not window.plot.shows_last


def test_a_run_cut_short_does_not_stay(make_window: MakeWindow) -> None:
    """What was discarded in the middle of a grind is no last run to look at."""
    window = make_window()
    window.session.opened.emit({"event": "journal", "run": "x", "path": "y"})
    state(window, "armed", 0.0)
    state(window, "grinding", 5.0)
    window.session.opened.emit({"event": "journal", "run": "z", "path": "y"})
    assert not window.plot.shows_last


def test_the_recorder_that_fails_is_told_and_can_be_started_again(
    make_window: MakeWindow, qtbot: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its words stand on the page, and Connect is offered."""
    monkeypatch.setenv("CB_FAKE_FAULT", "refuse")
    window = make_window()
    window.connect_bench()
    qtbot.waitUntil(lambda: bool(window.notices.texts), timeout=120_000)
    assert "allowed: 300 to 3000000" in window.notices.texts[0]
    assert window.banner.headline.text() == "Recorder stopped"
    assert window.controls.connector.isEnabled()


def test_bench_and_archive_are_chosen_in_the_window(
    make_window: MakeWindow, qtbot: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Choosing files changes what is shown; an archive with runs is listed."""
    window = make_window(bench=None)
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "x.h5").write_bytes(b"")
    monkeypatch.setattr("chargebench.desktop.window.ask_bench", lambda _parent: tmp_path / "north.toml")
    monkeypatch.setattr("chargebench.desktop.window.ask_archive", lambda _parent, _now: tmp_path / "other")
    window.top.bench.click()
    window.top.archive.click()
    assert window.controls.connector.isEnabled()
    assert "north.toml" in window.top.where.text()
    qtbot.waitUntil(lambda: window.table.model.rowCount() == 24, timeout=120_000)
    assert window.chart.series.count() == 1

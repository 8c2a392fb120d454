"""Takes pictures of the real window in its states, to be looked at: ``python -m tests.desktop.shots FOLDER``.

Each of start, empty, live, answer, error, plan and others at 1366×768 and 2560×1440, light and dark, off screen.
"""

from __future__ import annotations

import argparse
import math
import os
import random
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from chargebench.desktop.archive_reader import ArchiveReader
from chargebench.desktop.palette import THEMES
from chargebench.desktop.qt import QtGui, QtWidgets
from chargebench.desktop.session import BenchSession
from chargebench.desktop.set_aside import ReasonDialog
from chargebench.desktop.window import MainWindow
from tests.desktop.fake_recorder import DOUBT, FOLLOWING, MISTED, NOTE, REJECT, WAIT, FakeTimed, sealed, sealed_runs

SIZES = ((1366, 768), (2560, 1440))


def readings(until_s: float) -> list[FakeTimed]:
    """Twenty a second: quiet, a grind of 6.4 s from 14 s on, quiet."""
    rng = random.Random(3)
    found = []
    for index in range(int(until_s * 20)):
        now = index / 20
        part = min(max(now - 14, 0), 6.4) / 6.4
        charge = 3.2 + 0.01 * now - 1084 * part * math.exp(-max(now - 20.4, 0) / 900)
        found.append(FakeTimed("charge", now, charge + rng.gauss(0, 0.08)))
        lagged = 17.6 * part if now > 21 else 17.6 * max(0.0, part - 0.05)
        found.append(FakeTimed("mass", now, round(lagged + rng.gauss(0, 0.004), 2)))
    return found


def fill_form(window: MainWindow) -> None:
    """Tags of an invented run."""
    window.form.show_tags(
        {
            "coffee": "Quiet Harbour lot 7",
            "grinder": "Fennel flat 58",
            "setting": "11",
            "dose_g": 18.0,
            "water_uL_per_g": 20.0,
            "treatment": "misted",
            "block": "2",
            "operator": "KT",
            "note": "third spray bottle",
        }
    )


def play(window: MainWindow, until_s: float, states: list[tuple[str, float]]) -> None:
    """Feed states and readings as the session would."""
    window.session.opened.emit({"event": "journal"})
    for state, time_s in states:
        event = {"state": state, "time_s": time_s, "quiet_s": 6.3, "quiet_needed_s": 10.0}
        window.session.state.emit(event)
    window.session.readings.emit(readings(until_s))


def pose_start(window: MainWindow) -> None:
    """As it opens, with a bench, before connecting."""


def pose_empty(window: MainWindow) -> None:
    """No bench, no runs, cautions read."""
    window.bench = None
    window.state = window._shown = "nobench"
    window.top.show_where(None, window.archive, False)
    window._show_state({})
    window.cautions.read.emit()


def pose_waiting(window: MainWindow) -> None:
    """Waiting for quiet, runs listed."""
    fill_form(window)
    window.reader.rows.emit(sealed_runs())
    play(window, 6.3, [("waiting", 0.0)])
    window.cautions.read.emit()


def pose_live(window: MainWindow) -> None:
    """In the middle of a grind."""
    fill_form(window)
    window.reader.rows.emit(sealed_runs())
    play(window, 18.5, [("waiting", 0.0), ("armed", 10.0), ("grinding", 14.0)])
    window.cautions.read.emit()


def pose_answer(window: MainWindow) -> None:
    """A sealed run with flags."""
    fill_form(window)
    window.reader.rows.emit(sealed_runs())
    states = [("waiting", 0.0), ("armed", 10.0), ("grinding", 14.0), ("settling", 20.4), ("done", 33.0)]
    play(window, 33.0, states)
    answer = sealed("20260314T110000Z-7f3a2c", 20.0, "misted", -61.7, flags=[NOTE, DOUBT])
    window.session.outcome.emit(answer)


def pose_error(window: MainWindow) -> None:
    """Port lost, disk low, a rejected run, wrong tags, markup in names."""
    fill_form(window)
    window.form.show_tags({"dose_g": "eighteen", "coffee": "<b>Bold</b> & <img src=x> 'lot' 7"})
    runs = sealed_runs()
    bold = {"coffee": "<b>Bold</b> & <img src=x> 'lot' 7"}
    runs[3] = replace(runs[3], tags={**runs[3].tags, **bold})
    window.reader.rows.emit(runs)
    play(window, 17.0, [("waiting", 0.0), ("armed", 10.0), ("grinding", 14.0)])
    answer = sealed("20260314T110000Z-7f3a2c", 20.0, "misted", 0.0, answer=None, tags=bold, flags=[NOTE, DOUBT, REJECT])
    window.session.outcome.emit(answer)
    window.session.port.emit({"instrument": "scale", "state": "lost", "text": "unplugged 2 s ago"})
    text = "Only 180 MB free on the disk of the archive; a run needs about 5 MB. Free some before the next run."
    window.session.notice.emit({"severity": "doubt", "code": "disk", "text": text})


def pose_demo(window: MainWindow) -> None:
    """A demonstration near its end."""
    pose_answer(window)
    window.top.show_where(Path("/tmp/virtual/bench.toml"), window.archive, True)
    window.show_caption(
        "Run 18 of 18 done. Neutralising dose, first estimate: 21.4 µL/g (95 %: 19.8 to 23.1); "
        "the virtual bench used 22.0 µL/g."
    )


def follow(window: MainWindow, found: dict[str, Any]) -> None:
    """A plan as the follower would say it, without its processes."""
    window.plan.follower.study, window.plan.follower.name = Path("/runs/spring/study.toml"), "harbour-spring"
    window.strip.begin("harbour-spring")
    window.form.lock(("coffee", "grinder", "treatment", "block", "purpose"))
    window.table.let_set_aside(offered=True)
    window.top.show_plan(followed=True)
    window.session.plan.emit({"event": "plan", **found})


SAID = "Quiet Harbour lot 7 on Fennel flat 58, so far: 20 µL/g would narrow the interval most, from 2.64 to 2.39 µL/g."


def pose_plan(window: MainWindow) -> None:
    """A plan is followed: a wait before the next run, the last run still on the plot, one run set aside."""
    pose_answer(window)
    window.session.opened.emit({"event": "journal"})
    window.session.readings.emit([FakeTimed("charge", 0.4, -1049.2), FakeTimed("mass", 0.4, 17.59)])
    follow(window, {"next": MISTED, "before_next": [WAIT]})
    window.session.state.emit({"state": "waiting", "time_s": 0.0, "quiet_s": 2.5, "quiet_needed_s": 10.0})
    window.plan.follower.set_aside.emit({window.table.model.rows[2].run_id: "a spoon fell into the cup"})
    window.strip.say(SAID)


def pose_plan_error(window: MainWindow) -> None:
    """The most that can stand on the page at once."""
    pose_error(window)
    follow(window, {"next": MISTED, "before_next": [WAIT]})
    window.plan.follower.problem.emit("study.toml: cannot be written (no space); check its permissions")
    window.strip.say(SAID)


def pose_plan_end(window: MainWindow) -> None:
    """The plan is through."""
    pose_answer(window)
    follow(window, FOLLOWING[3])


def pose_set_aside(window: MainWindow) -> None:
    """A run is about to be set aside."""
    pose_plan(window)
    window.table.view.selectRow(3)
    dialog = ReasonDialog(window.table.model.rows[3], "harbour-spring", window)
    dialog.reason.setText("the cable was touched during the grind")
    dialog.show()


POSES = {f.__name__.removeprefix("pose_"): f for f in (
    pose_start, pose_empty, pose_waiting, pose_live, pose_answer, pose_error, pose_demo,
    pose_plan, pose_plan_error, pose_plan_end, pose_set_aside
)}  # fmt: skip


def take(folder: Path, name: str, size: tuple[int, int], theme: str) -> Path:
    """One picture."""
    bench = Path("/benches/north/bench.toml")
    window = MainWindow(BenchSession(), ArchiveReader(), bench, Path("/runs/spring/harbour"), THEMES[theme])
    window.resize(*size)
    window.show()
    POSES[name](window)
    for _ in range(8):
        window._on_tick()
        QtWidgets.QApplication.processEvents()
    path = folder / f"{name}-{size[0]}x{size[1]}-{theme}.png"
    picture = window.grab()
    for dialog in window.findChildren(QtWidgets.QDialog):
        painter = QtGui.QPainter(picture)
        painter.drawPixmap(
            (window.width() - dialog.width()) // 2, (window.height() - dialog.height()) // 2, dialog.grab()
        )
        painter.end()
    picture.save(str(path))
    window.close()
    window.deleteLater()
    return path


def main() -> int:
    """All pictures, or those named."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, nargs="?", default=Path(tempfile.gettempdir()) / "chargebench-shots")
    parser.add_argument("--only", nargs="*", choices=sorted(POSES), default=list(POSES))
    parser.add_argument("--theme", nargs="*", choices=sorted(THEMES), default=sorted(THEMES))
    chosen = parser.parse_args()
    chosen.folder.mkdir(parents=True, exist_ok=True)
    app = QtWidgets.QApplication([])
    app.setStyle("Fusion")
    for name in chosen.only:
        for size in SIZES:
            for theme in chosen.theme:
                print(take(chosen.folder, name, size, theme))
    return 0


if __name__ == "__main__":
    sys.exit(main())

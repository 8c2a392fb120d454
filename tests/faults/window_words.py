"""Shows hostile texts in a real window off screen: a list of texts as JSON in, what is wrong with it as JSON out.

A program of its own, ``python -m tests.faults.window_words``, so that no other test's window is in its way.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from chargebench.desktop.archive_reader import ArchiveReader
from chargebench.desktop.qt import QtCore, QtWidgets
from chargebench.desktop.session import BenchSession
from chargebench.desktop.window import MainWindow
from tests.desktop.fake_recorder import NOTE, sealed


def _told(window: MainWindow, text: str, number: int) -> None:
    """Everything that may carry text from elsewhere, carrying this one."""
    run = f"20260314T09{number % 60:02d}00Z-{number:06x}"
    tags = {"coffee": text, "grinder": text, "note": text, "setting": text}
    session = window.session
    session.outcome.emit(sealed(run, 5.0, "misted", -60.0, tags=tags, flags=[{**NOTE, "text": text}]))
    session.notice.emit({"severity": "doubt", "code": f"c{number}", "text": text})
    session.port.emit({"instrument": text, "state": "lost", "text": text})
    session.state.emit({"event": "state", "state": "armed", "time_s": 0.0, "text": text})
    window.form.show_tags({key: value for key, value in tags.items() if value})
    window.show_caption(text)
    window.show_conclusion(text)
    window.show_error(text)
    session.port.emit({"instrument": text, "state": "open", "text": ""})


def _wrong(window: MainWindow) -> Iterator[str]:
    """Labels that would read markup, and drawn texts that have."""
    for label in window.findChildren(QtWidgets.QLabel):
        if label.textFormat() is not QtCore.Qt.TextFormat.PlainText and label.text():
            yield f"a label of {label.textFormat().name}: {label.text()[:40]!r}"
    for widget in window.findChildren(QtWidgets.QWidget):
        if widget.toolTip():
            yield f"a tool tip, which reads markup: {widget.toolTip()[:40]!r}"
    for view in window.findChildren(QtWidgets.QGraphicsView):
        for item in view.scene().items() if view.scene() else ():
            if isinstance(item, QtWidgets.QGraphicsTextItem) and "<img" in item.toHtml():
                yield f"a picture in a plot: {item.toHtml()[:40]!r}"
    for browser in window.findChildren(QtWidgets.QTextEdit):
        yield f"a field that reads markup: {browser.objectName()!r}"


def main() -> int:
    """Show each text and look."""
    app = QtWidgets.QApplication([])
    app.setStyle("Fusion")
    caught: list[str] = []
    sys.excepthook = lambda kind, error, trace: caught.append(f"{kind.__name__}: {error}")
    with tempfile.TemporaryDirectory() as folder:
        window = MainWindow(BenchSession(), ArchiveReader(), Path("bench.toml"), Path(folder))
        window.resize(1366, 768)
        window.show()
        usual = set(_wrong(window))  # of the plotting library's own menus, which are never opened
        found = {}
        for number, text in enumerate(json.load(sys.stdin)):
            _told(window, text, number)
            app.processEvents()
            window.grab()
            found[number] = [*sorted(set(_wrong(window)) - usual), *caught]
            caught.clear()
        window.close()
    json.dump(found, sys.stdout)
    return 0


if __name__ == "__main__":
    sys.exit(main())

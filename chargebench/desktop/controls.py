"""The five large buttons under the plot, each with its key written on it.

Function keys, since they never collide with typing into a field and are hit with a wet finger more surely than a
combination. Discarding asks for a second press within a few seconds, in place, instead of a dialogue.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any, Final

from chargebench.desktop.qt import QtCore, QtGui, QtWidgets, Signal
from chargebench.desktop.style import restyle

__all__ = ["Controls"]

SURE_MS: Final = 4_000
NO_WAY: Final = ("Done", "Nothing is to be done before the run just now", "")
WAYS: Final[Mapping[str, tuple[str, str, str]]] = MappingProxyType(
    {
        "before": ("Done", "What is to be done before the run is done", "confirm"),
        "silent": ("Without it", "Go on without the instrument that delivers nothing", "without"),
        "cup-full": ("It is empty", "The cup on the scale is empty as it stands", "tare"),
        "cup-away": ("It is there", "The empty cup is on the scale as it stands", "tare"),
    }
)
"""By what stands in the way: words of the button, what is spoken, and the command that a press gives."""
RECORDING: Final = frozenset({"waiting", "armed", "grinding", "settling"})


class Controls(QtWidgets.QWidget):
    """Connect or disconnect, start, finish, clear the way, discard.

    Signals
    -------
    connect_asked(bool)
        True to connect, False to disconnect.
    start_asked(), finish_asked(), discard_asked()
    way_asked(object)
        The command that clears what stands between the bench and a run out of the way.
    """

    connect_asked = Signal(bool)
    start_asked = Signal()
    finish_asked = Signal()
    discard_asked = Signal()
    way_asked = Signal(object)

    def __init__(self, parent: QtWidgets.QWidget | None = None) -> None:
        super().__init__(parent)
        row = QtWidgets.QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(8)
        self._running = False
        self.connector = self._button(row, "F4", self._toggle)
        self.start = self._button(row, "F5", self.start_asked.emit)
        self.finish = self._button(row, "F6", self.finish_asked.emit)
        self.way = self._button(row, "F7", self._clear_the_way)
        self._hold: Mapping[str, Any] = {}
        self.discard = self._button(row, "F8", self._discard_pressed)
        self._sure = QtCore.QTimer(self)
        self._sure.setSingleShot(True)
        self._sure.setInterval(SURE_MS)
        self._sure.timeout.connect(self._calm_down)
        self._say(self.start, "Start now", "F5", "Start the run now, without waiting for the grind to be noticed")
        self._say(self.finish, "Finish", "F6", "End the grind now")
        self._calm_down()
        self.show_state("idle", running=False, possible=False)

    @staticmethod
    def _say(button: QtWidgets.QPushButton, words: str, key: str, spoken: str) -> None:
        button.setText(f"{words}\n{key}")
        button.setAccessibleName(f"{spoken} ({key})")

    def _button(self, row: QtWidgets.QHBoxLayout, key: str, act: object) -> QtWidgets.QPushButton:
        button = QtWidgets.QPushButton()
        button.setProperty("part", "large")
        button.setSizePolicy(QtWidgets.QSizePolicy.Policy.Ignored, QtWidgets.QSizePolicy.Policy.Fixed)
        button.setFocusPolicy(QtCore.Qt.FocusPolicy.TabFocus)
        button.clicked.connect(act)
        shortcut = QtGui.QShortcut(QtGui.QKeySequence(key), self)
        shortcut.setContext(QtCore.Qt.ShortcutContext.WindowShortcut)
        shortcut.setAutoRepeat(False)
        shortcut.activated.connect(button.click)
        row.addWidget(button, 1)
        return button

    def show_state(
        self, state: str, running: bool, possible: bool, event: Mapping[str, Any] = MappingProxyType({})
    ) -> None:
        """Enable what makes sense.

        Parameters
        ----------
        state : str
            State of the recorder.
        running : bool
            Whether a recorder process is alive.
        possible : bool
            Whether there is a bench to connect to.
        event : mapping
            The recorder's event, which may tell what stands between the bench and a run.
        """
        self._running = running
        if running:
            self._say(self.connector, "Disconnect", "F4", "Stop the recorder after finishing what it has")
        else:
            self._say(self.connector, "Connect", "F4", "Start the recorder, which opens the ports")
        self._paint(self.connector, "large" if running else "main")
        self.connector.setEnabled(possible)
        self.start.setEnabled(running and state in ("waiting", "armed"))
        self.finish.setEnabled(running and state in ("grinding", "settling"))
        self.discard.setEnabled(running and state in RECORDING)
        self._hold = event if running and event.get("hold") in WAYS else {}
        words, spoken, _ = WAYS.get(str(self._hold.get("hold")), NO_WAY)
        self._say(self.way, words, "F7", spoken)
        self.way.setEnabled(bool(self._hold))
        self._paint(self.way, "main" if self._hold.get("hold") == "before" else "large")
        self._paint(self.start, "main" if running and state == "armed" else "large")
        self._paint(self.finish, "main" if running and state == "grinding" else "large")
        if not self.discard.isEnabled():
            self._calm_down()

    def _toggle(self) -> None:
        self.connect_asked.emit(not self._running)

    def _clear_the_way(self) -> None:
        _, _, command = WAYS.get(str(self._hold.get("hold")), NO_WAY)
        more = {"instrument": self._hold["instrument"]} if command == "without" else {}
        if command:
            self.way_asked.emit({"do": command, **more})

    def _discard_pressed(self) -> None:
        if self._sure.isActive():
            self._calm_down()
            self.discard_asked.emit()
            return
        self._sure.start()
        self._say(self.discard, "Press again", "F8", "Press again to discard the run under way")
        self._paint(self.discard, "sure")

    def _calm_down(self) -> None:
        self._sure.stop()
        self._say(self.discard, "Discard", "F8", "Throw away the run under way; asks once more")
        self._paint(self.discard, "large")

    @staticmethod
    def _paint(button: QtWidgets.QPushButton, part: str) -> None:
        if button.property("part") != part:
            button.setProperty("part", part)
            restyle(button)

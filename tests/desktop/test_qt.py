"""The door to Qt: sound wheels, and words instead of an abort where something is missing."""

from __future__ import annotations

import subprocess
import sys

import pytest

from chargebench.desktop.qt import QtWidgets, check_screen, missing_libraries
from chargebench.errors import ChargebenchError, WindowUnavailableError

DISPLAY = {"DISPLAY": ":0"}


def test_calls_that_return_nothing_keep_their_count(qtbot: object) -> None:
    """A thousand Qt calls that return None leave the count of references to None where it was."""
    widget = QtWidgets.QLabel()
    qtbot.addWidget(widget)
    widget.setText("warm")
    before = sys.getrefcount(None)
    for index in range(1000):
        widget.setNum(index)
        widget.update()
    assert abs(sys.getrefcount(None) - before) < 50


@pytest.mark.parametrize(
    ("environ", "platform", "lacking", "words"),
    [
        ({}, "linux", (), "no screen"),
        (DISPLAY, "linux", ("libxcb-cursor.so.0",), "libxcb-cursor0"),
        (DISPLAY, "linux", ("libGL.so.1", "libEGL.so.1"), "libgl1 libegl1"),
        ({"QT_QPA_PLATFORM": "offscreen"}, "linux", ("libfontconfig.so.1",), "libfontconfig1"),
        ({"WAYLAND_DISPLAY": "w", "QT_QPA_PLATFORM": "xcb"}, "linux", ("libxcb-shape.so.0",), "libxcb-shape0"),
    ],
)
def test_what_is_missing_is_named_with_its_package(
    environ: dict[str, str], platform: str, lacking: tuple[str, ...], words: str
) -> None:
    """Without a screen or a library the error says which and what brings it, in one line."""
    with pytest.raises(WindowUnavailableError) as caught:
        check_screen(environ, platform, lambda name: name not in lacking)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)
    assert isinstance(caught.value, ChargebenchError)


@pytest.mark.parametrize(
    ("environ", "platform", "lacking"),
    [
        (DISPLAY, "linux", ()),
        ({"QT_QPA_PLATFORM": "offscreen"}, "linux", ("libxcb-cursor.so.0",)),
        ({"WAYLAND_DISPLAY": "w"}, "linux", ("libxcb-cursor.so.0",)),
        ({}, "darwin", ("libGL.so.1",)),
        ({}, "win32", ("libGL.so.1",)),
    ],
)
def test_what_is_not_needed_is_not_asked_for(environ: dict[str, str], platform: str, lacking: tuple[str, ...]) -> None:
    """Libraries of X are asked for only under X, and none outside Linux."""
    check_screen(environ, platform, lambda name: name not in lacking)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="names of Linux libraries")
def test_libraries_here_are_found() -> None:
    """Where this test runs off screen, none of the libraries that always count is reported missing."""
    assert missing_libraries(under_x=False) == ()


def test_a_qt_that_does_not_load_is_our_error() -> None:
    """Importing the door without a usable Qt raises an error of our tree, not an ImportError."""
    code = (
        "import sys; sys.modules['PySide6'] = None\n"
        "from chargebench.errors import ChargebenchError\n"
        "try:\n    import chargebench.desktop.qt\n"
        "except ChargebenchError as error:\n    print(error)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "Qt cannot be loaded" in done.stdout or "needs system libraries" in done.stdout

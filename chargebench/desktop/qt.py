"""The single door to Qt and to the plotting widgets: every other file of the window imports them from here.

Owns the check that Qt can run on this machine at all, with the package names that help where it cannot. Makes no
widget and no application.
"""

from __future__ import annotations

import ctypes
import os
import sys
from collections.abc import Callable, Mapping

from chargebench.errors import WindowUnavailableError

__all__ = [
    "QtCore",
    "QtGui",
    "QtWidgets",
    "Signal",
    "Slot",
    "check_screen",
    "missing_libraries",
    "pg",
]


#: Library that Qt loads -> (package of Debian and its kin, package of Fedora and its kin).
_ALWAYS: Mapping[str, tuple[str, str]] = {
    "libglib-2.0.so.0": ("libglib2.0-0", "glib2"),
    "libGL.so.1": ("libgl1", "libglvnd-glx"),
    "libEGL.so.1": ("libegl1", "libglvnd-egl"),
    "libxkbcommon.so.0": ("libxkbcommon0", "libxkbcommon"),
    "libfontconfig.so.1": ("libfontconfig1", "fontconfig"),
    "libdbus-1.so.3": ("libdbus-1-3", "dbus-libs"),
}
_UNDER_X: Mapping[str, tuple[str, str]] = {
    "libxcb-cursor.so.0": ("libxcb-cursor0", "xcb-util-cursor"),
    "libxkbcommon-x11.so.0": ("libxkbcommon-x11-0", "libxkbcommon-x11"),
    "libxcb-icccm.so.4": ("libxcb-icccm4", "xcb-util-wm"),
    "libxcb-keysyms.so.1": ("libxcb-keysyms1", "xcb-util-keysyms"),
    "libxcb-shape.so.0": ("libxcb-shape0", "libxcb"),
}


def _loads(library: str) -> bool:
    """Whether the dynamic loader finds a library."""
    try:
        ctypes.CDLL(library)
    except OSError:
        return False
    return True


def missing_libraries(under_x: bool, loads: Callable[[str], bool] = _loads) -> tuple[str, ...]:
    """System libraries of Linux that Qt needs here and the loader does not find, in a fixed order."""
    wanted = {**_ALWAYS, **_UNDER_X} if under_x else dict(_ALWAYS)
    return tuple(name for name in wanted if not loads(name))


def _remedy(libraries: tuple[str, ...]) -> str:
    """One line that says which packages bring the libraries."""
    packages = {**_ALWAYS, **_UNDER_X}
    debian = " ".join(packages[name][0] for name in libraries)
    fedora = " ".join(packages[name][1] for name in libraries)
    return (
        f"the window needs system libraries that are not here: {', '.join(libraries)}; "
        f"on Debian or Ubuntu: sudo apt-get install {debian}; on Fedora: sudo dnf install {fedora}; "
        "without a window everything else works (record, show, study, report, demo --headless)"
    )


def check_screen(
    environ: Mapping[str, str] = os.environ, platform: str = sys.platform, loads: Callable[[str], bool] = _loads
) -> None:
    """Refuse in words where Qt would abort the process: it does so without a screen or without its libraries.

    Raises
    ------
    WindowUnavailableError
        When on Linux no screen is announced, or a library of the platform in use is missing.
    """
    if not platform.startswith("linux"):
        return
    chosen = environ.get("QT_QPA_PLATFORM", "")
    wayland = bool(environ.get("WAYLAND_DISPLAY")) and not chosen.startswith("xcb")
    if not chosen and not environ.get("DISPLAY") and not wayland:
        raise WindowUnavailableError(
            "no screen: neither DISPLAY nor WAYLAND_DISPLAY is set, as over a plain remote shell; "
            "run it on the desktop itself, or use the commands that need no window (record, show, study, report, "
            "demo --headless)"
        )
    under_x = chosen.startswith("xcb") or (not chosen and not wayland)
    missing = missing_libraries(under_x, loads)
    if missing:
        raise WindowUnavailableError(_remedy(missing))


try:
    from PySide6 import QtCore, QtGui, QtWidgets
    from PySide6.QtCore import Signal, Slot
except ImportError as error:
    _found = missing_libraries(under_x=False) if sys.platform.startswith("linux") else ()
    raise WindowUnavailableError(
        _remedy(_found)
        if _found
        else f"Qt cannot be loaded ({error}); reinstall it with: {sys.executable} -m pip install PySide6-Essentials"
    ) from error

os.environ.setdefault("PYQTGRAPH_QT_LIB", "PySide6")
import pyqtgraph as pg  # noqa: E402

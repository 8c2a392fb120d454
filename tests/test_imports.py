"""The rooms import one way only, and a few libraries have few doors. Reads the import table of every file."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "chargebench"
ORDER = ("wire", "instruments", "runs", "recording", "processing", "archive", "study", "report")
FACES = ("cli", "desktop")

FORBIDDEN_PAIRS = {("instruments", "runs"), ("cli", "desktop"), ("desktop", "cli")}
ALLOWED_CROSSINGS = {
    # the two commands that open a window hand over to it
    ("cli/window.py", "desktop"),
    ("cli/demo.py", "desktop"),
}

DOORS = {
    "serial": ("instruments/ports.py",),
    "h5py": ("runs/",),
    "PySide6": ("desktop/qt.py",),
    "pyqtgraph": ("desktop/qt.py",),
    "threading": (
        "instruments/feed.py",
        "instruments/ports.py",
        "instruments/virtual/",
        "recording/",
        "cli/keyboard.py",
        "cli/printer.py",
        "cli/record.py",
        "cli/finisher.py",
        "desktop/app.py",
        "unforeseen.py",
    ),
    "sqlite3": ("archive/",),
    "matplotlib": ("report/",),
}
NO_IMPORTS_OF = {
    "wire": {"time", "threading", "serial", "numpy", "socket", "os"},
    "processing": {"h5py", "time", "threading"},
    "study": {"h5py", "time", "threading"},
    "report": {"PySide6", "pyqtgraph", "h5py"},
}
RUN_DOORS = {"processing": ("recipe.py",), "study": ("gather.py",)}


def _files() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def _imports(file: Path) -> Iterator[str]:
    """Dotted names a file imports, at the top or inside a function."""
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{file}: imports are absolute"
            yield node.module or ""
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def _inside(file: Path) -> str:
    return file.relative_to(PACKAGE).as_posix()


@pytest.mark.parametrize("file", _files(), ids=_inside)
def test_rooms_import_only_what_lies_before_them(file: Path) -> None:
    """A room imports only rooms to its left; the two faces do not import each other."""
    inside = _inside(file)
    room = inside.split("/")[0]
    for name in _imports(file):
        parts = name.split(".")
        if parts[0] != "chargebench" or len(parts) < 2 or parts[1] == room or parts[1] not in (*ORDER, *FACES):
            continue
        other = parts[1]
        if (inside, other) in ALLOWED_CROSSINGS:
            continue
        assert (room, other) not in FORBIDDEN_PAIRS, f"{inside} imports {name}"
        if room in ORDER:
            assert other in ORDER[: ORDER.index(room)], f"{inside} imports {name}"
        elif room not in FACES and room != "__main__.py":
            raise AssertionError(f"{inside} imports {name}, but lies below every room")


@pytest.mark.parametrize("file", _files(), ids=_inside)
def test_libraries_come_in_by_their_doors(file: Path) -> None:
    """Serial ports, HDF5, Qt, threads, the index and figures are reached through their named files only."""
    inside = _inside(file)
    for name in _imports(file):
        top = name.split(".")[0]
        if top in DOORS:
            assert inside.startswith(DOORS[top]), f"{inside} imports {name}"
        assert top not in NO_IMPORTS_OF.get(inside.split("/")[0], set()), f"{inside} imports {name}"


@pytest.mark.parametrize(("room", "doors"), RUN_DOORS.items())
def test_runs_and_archives_come_in_by_one_file(room: str, doors: tuple[str, ...]) -> None:
    """Processing opens a Run in one file, and a study opens an archive in one file."""
    noun = {"processing": "chargebench.runs.run.Run", "study": "chargebench.archive"}[room]
    for file in sorted((PACKAGE / room).rglob("*.py")):
        if file.name not in doors:
            assert not [n for n in _imports(file) if n.startswith(noun) and n != "chargebench.runs.run.Knowledge"], file


WALL_CLOCK = ("datetime.now", "time.time", "date.today", "time.strftime", "time.gmtime", "time.localtime")
WALL_CLOCK_DOORS = (
    "recording/ids.py",
    "archive/",
    "cli/",  # dates of qualifications, names of demonstration folders
    "report/",
    "desktop/",
    "instruments/virtual/",
)


@pytest.mark.parametrize("file", _files(), ids=_inside)
def test_the_wall_clock_is_a_label(file: Path) -> None:
    """Only the files that label things with a date read the wall clock; nothing is timed by it."""
    inside = _inside(file)
    calls = {
        ast.unparse(n.func) for n in ast.walk(ast.parse(file.read_text(encoding="utf-8"))) if isinstance(n, ast.Call)
    }
    if not inside.startswith(WALL_CLOCK_DOORS):
        assert not [c for c in calls if c.endswith(WALL_CLOCK)], f"{inside} reads the wall clock"

"""Folders from strangers: whatever lies in an archive, no command reads, writes, moves or deletes anything outside it.

Each folder holds one sound run and one hostile thing under one name that the program or an older version of it gives.
Every command that opens archives is run on it, and the window, in a child with limits whose home is a decoy, at which
the hostile things point: the decoy is watched while they run, and compared byte by byte afterwards.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import resource
import signal
import sqlite3
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from tests.faults.tally import Tally
from tests.faults.watch import Watch
from tests.recording.byte_bench import BENCH_TEXT, RUN_ID, written_journal
from tests.recording.sealing import seal_at

__all__ = ["COMMANDS", "NAMES", "THINGS", "hostile_folders"]

OTHER = "20260315T091500Z-0a0b0c"
NAMES = (
    f"{OTHER}.h5",
    f"{OTHER}.journal",
    f"{OTHER}-s001.journal",
    "$(touch HACKED).journal",
    f"{OTHER}.journal-failures",
    f"{OTHER}.outcome.json",
    f".{OTHER}.h5.0badf00d.part",
    ".index.sqlite3",
    ".index.sqlite3-journal",
    "manifest.jsonl",
    "quarantine",
    "qualifications",
    f"qualifications/{OTHER}.leakage.json",
    "study.toml",
    "recipe.toml",
)
MOST_CPU_S = 30.0
"""Of a core, for all commands on one folder: a parser that works for minutes takes longer."""
HANGS_S = 300.0
"""By the clock on the wall: only what hangs takes so long, however busy the machine."""
MOST_BYTES = 6 << 30
"""Of address space, in which libraries reserve far more than they use."""
MOST_RESIDENT_MB = 300.0
"""Beyond what was loaded before the child was forked."""
AT_ONCE = 2
WINDOW_S = 1.0
"""For so long the window stands before it is closed; it ends only once everything it began to read is read."""
WARM = (
    "chargebench.cli.main", "chargebench.cli.archive", "chargebench.cli.show", "chargebench.cli.study",
    "chargebench.cli.plan", "chargebench.cli.report", "chargebench.cli.qualify", "chargebench.cli.record",
    "chargebench.desktop.app", "chargebench.processing.recipe", "chargebench.report.page", "chargebench.study.answer",
    "chargebench.archive.verify", "chargebench.cli.qualify_steps", "chargebench.recording.recorder", "scipy.stats",
)  # fmt: skip
"""Loaded once, before the children are forked."""

STUDY = f"""
[study]
name = "odd"
question = "What is in this folder?"
archive = "."

[[arm]]
coffee = "Hollow Hill"
grinder = "stone burrs"
dose_g = 18.0
doses_uL_per_g = [10]
# {RUN_ID}
"""


def _link(path: Path, decoy: Path) -> None:
    path.symlink_to(decoy / ".bashrc")


def _dangling(path: Path, decoy: Path) -> None:
    path.symlink_to(decoy / "not-there")


def _folder_link(path: Path, decoy: Path) -> None:
    path.symlink_to(decoy)


def _pipe(path: Path, decoy: Path) -> None:
    os.mkfifo(path)


def _device(path: Path, decoy: Path) -> None:
    path.symlink_to("/dev/zero")


def _sparse(path: Path, decoy: Path) -> None:
    with path.open("wb") as file:
        file.truncate(1 << 40)


def _deep(path: Path, decoy: Path) -> None:
    path.write_text("a = " + "[" * 200_000 if path.suffix == ".toml" else '{"a": ' * 200_000)


def _many_keys(path: Path, decoy: Path) -> None:
    path.write_text("a." * 250_000 + "b = 1" if path.suffix == ".toml" else '["x"],' * 500_000)


def _database(path: Path, decoy: Path) -> None:
    """A database whose view runs without end, and whose journal names a file of the decoy."""
    with contextlib.closing(sqlite3.connect(path)) as database, database:
        endless = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT i AS name FROM n"
        database.execute(f"CREATE VIEW files AS {endless}")


THINGS: dict[str, Callable[[Path, Path], None]] = {
    "link": _link, "dangling link": _dangling, "link to a folder": _folder_link, "pipe": _pipe, "device": _device,
    "sparse": _sparse, "deep": _deep, "many keys": _many_keys, "database": _database,
}  # fmt: skip

COMMANDS = (
    ("archive", "verify", "--archive", "ARCHIVE", "--deep"),
    ("show", "ARCHIVE", "--json"),
    ("study", "--archive", "ARCHIVE"),
    ("plan", "ARCHIVE/study.toml"),
    ("report", "ARCHIVE/study.toml", "--out", "OUT.html"),
    ("qualify", "known", "--bench", "BENCH", "--archive", "ARCHIVE"),
    ("show", "ARCHIVE/RUN.h5", "--recipe", "ARCHIVE/recipe.toml"),
    ("plan", "ARCHIVE/study.toml", "--set-aside", "RUN", "--reason", "odd"),
    ("record", "--bench", "BENCH", "--archive", "ARCHIVE", "--runs", "0"),
    ("window", "--archive", "ARCHIVE", "--plan", "ARCHIVE/study.toml"),
)

HOME = {
    ".bashrc": "echo mine\n",
    ".profile": "echo mine\n",
    ".config/autostart/mine.desktop": "[Desktop Entry]\n",
    "notes.txt": "mine\n",
}
"""The decoy: what a person keeps at home."""


def _snapshot(folder: Path) -> dict[str, object]:
    """Everything in a folder: kind, content and time of change."""
    return {
        str(path.relative_to(folder)): (path.lstat().st_mtime_ns, path.read_bytes() if path.is_file() else b"")
        for path in sorted(folder.rglob("*"))
    }


def hostile_folders(step: int = 1, first: int = 0) -> Tally:
    """Every `step`-th pair of thing and name, from the `first`."""
    tally = Tally("folders from strangers, every command")
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    for module in WARM:
        importlib.import_module(module)
    waiting = [(thing, name) for thing in THINGS for name in NAMES][first::step]
    running: list[_Trial] = []
    with tempfile.TemporaryDirectory() as kept:
        sound = seal_at(written_journal(Path(kept))).read_bytes()
        while waiting or running:
            while waiting and len(running) < AT_ONCE:
                running.append(_Trial(*waiting.pop(0), sound))
            time.sleep(0.02)
            for trial in [trial for trial in running if trial.ended()]:
                running.remove(trial)
                tally.trials += 1
                tally.seen[trial.thing] += 1
                tally.judged(f"{trial.thing} as {trial.name}", list(trial.verdict()))
    return tally


class _Trial:
    """One folder, and the forked child that runs every command on it."""

    def __init__(self, thing: str, name: str, sound: bytes) -> None:
        self.thing, self.name, self._sound = thing, name, sound
        self._place = tempfile.TemporaryDirectory()
        self._root = Path(self._place.name)
        self._archive, self._decoy = self._root / "archive", self._root / "home"
        for folder in (self._archive, self._decoy, self._root / "own"):
            folder.mkdir()
        for mine, text in HOME.items():
            (self._decoy / mine).parent.mkdir(parents=True, exist_ok=True)
            (self._decoy / mine).write_text(text)
        (self._archive / f"{RUN_ID}.h5").write_bytes(sound)
        (self._archive / "study.toml").write_text(STUDY)
        (self._root / "bench.toml").write_text(BENCH_TEXT)
        self._path = self._archive / name
        self._path.parent.mkdir(exist_ok=True)
        self._path.unlink(missing_ok=True)
        THINGS[thing](self._path, self._decoy)
        self._before = _snapshot(self._decoy)
        self._watch = Watch(self._decoy)
        self._begun_s = time.monotonic()
        self._status, self._peak_MB, self._cpu_s = -1, 0.0, 0.0
        self._loaded_MB = _resident_MB()
        self._child = os.fork()
        if not self._child:
            _live(self._root, self._words())

    def _words(self) -> list[list[str]]:
        given = {"ARCHIVE": self._archive, "BENCH": self._root / "bench.toml", "RUN": RUN_ID, "OUT": self._root / "out"}
        return [[_filled(word, given) for word in command] for command in COMMANDS]

    def ended(self) -> bool:
        """Whether the child has ended; one that hangs is ended here."""
        if time.monotonic() - self._begun_s > HANGS_S:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(self._child, signal.SIGKILL)
        pid, status, usage = os.wait4(self._child, os.WNOHANG)
        if not pid:
            return False
        self._status, self._peak_MB = os.waitstatus_to_exitcode(status), usage.ru_maxrss / 1024
        self._cpu_s = usage.ru_utime + usage.ru_stime
        return True

    def verdict(self) -> Iterator[str]:
        """What was wrong."""
        said = (self._root / "said").read_text(encoding="utf-8", errors="replace")
        if touched := self._watch.ended():
            yield f"the decoy was opened: {', '.join(sorted(touched))}"
        if _snapshot(self._decoy) != self._before:
            yield "the decoy was changed"
        if not os.path.lexists(self._path) and self._path.suffix != ".journal":
            yield "what bore the name is gone"
        if (self._archive / f"{RUN_ID}.h5").read_bytes() != self._sound:
            yield "the sound run was changed"
        if hacked := list(self._root.rglob("HACKED")):
            yield f"a name was run as a command: {hacked}"
        if self._cpu_s > MOST_CPU_S:
            yield f"took {self._cpu_s:.0f} s of a core"
        if (more_MB := self._peak_MB - self._loaded_MB) > MOST_RESIDENT_MB:
            yield f"took {more_MB:.0f} MB"
        if any(words in said for words in ("Traceback", "unforeseen error")):
            yield f"an error nobody foresaw: {said[-600:]}"
        ended = sum(line.startswith("ended: ") for line in said.splitlines())
        if ended != len(COMMANDS) or self._status:
            yield f"ended with {self._status} after {ended} commands: {said[-300:]}"
        self._place.cleanup()


def _resident_MB() -> float:
    """Memory of this process now."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / (1 << 20)


def _filled(word: str, given: dict[str, object]) -> str:
    for key, value in given.items():
        word = word.replace(key, str(value))
    return word


def _live(root: Path, all_words: Sequence[Sequence[str]]) -> None:
    """The life of the child: every command, one after another; never returns."""
    code = 1
    try:
        os.setpgid(0, 0)
        resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
        nothing, said = os.open(os.devnull, os.O_RDWR), os.open(root / "said", os.O_WRONLY | os.O_CREAT, 0o600)
        for number, end in ((0, nothing), (1, nothing), (2, said)):
            os.dup2(end, number)
        own = {name: str(root / "own") for name in ("DATA", "CACHE", "STATE", "CONFIG")}
        os.environ |= {"HOME": str(root / "home"), **{f"XDG_{name}_HOME": path for name, path in own.items()}}
        os.environ |= {"PYTHONPATH": os.pathsep.join(sys.path), "PYTHONDONTWRITEBYTECODE": "1"}
        os.chdir(root)
        _close_windows()
        from chargebench.cli.main import main

        sys.stdout, sys.stderr = os.fdopen(1, "w", encoding="utf-8"), os.fdopen(2, "w", 1, encoding="utf-8")
        for words in all_words:
            try:
                ended = main(words)
            except SystemExit as error:
                ended = int(error.code or 0)
            print(f"ended: {words[0]} {ended}", file=sys.stderr, flush=True)
        code = 0
    finally:
        from chargebench.runs import apart

        apart._stop_all()
        os._exit(code)


def _close_windows() -> None:
    """Let every window that opens be closed a moment later, by a signal, as a session that ends does."""
    from chargebench.desktop import app

    listen = app._close_on_signals

    def listen_and_close(window: app.MainWindow) -> object:
        before = listen(window)
        threading.Timer(WINDOW_S, os.kill, (os.getpid(), signal.SIGTERM)).start()
        return before

    app._close_on_signals = listen_and_close  # type: ignore[assignment]

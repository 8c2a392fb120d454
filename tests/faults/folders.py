"""Folders from strangers: whatever lies in an archive, no command reads, writes, moves or deletes anything outside it.

Each folder holds one sound run and one hostile thing under one name that the program or an older version of it gives.
Every command that opens archives is run on it, in a child with limits; a decoy beside the archive, which the hostile
things point at, is compared byte by byte afterwards.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from tests.faults.tally import Tally
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
MOST_SECONDS = 60.0
"""For all commands on one folder: a hang or a parser that works for minutes takes longer, a loaded machine does not."""
MOST_BYTES = 4 << 30
"""Of address space, in which libraries reserve far more than they use."""

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
    path.symlink_to(decoy / "shell-start")


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
    ("record", "--bench", "BENCH", "--archive", "ARCHIVE", "--runs", "0"),
)

_CHILD = """
import resource, sys, json
resource.setrlimit(resource.RLIMIT_AS, ({most}, {most}))
from chargebench.cli.main import main
for words in json.loads(sys.argv[1]):
    print(json.dumps([words[0], main(words)]), file=sys.__stderr__, flush=True)
"""


def _snapshot(folder: Path) -> dict[str, object]:
    """Everything in a folder: kind, content and time of change."""
    return {
        str(path.relative_to(folder)): (path.lstat().st_mtime_ns, path.read_bytes() if path.is_file() else b"")
        for path in sorted(folder.rglob("*"))
    }


def hostile_folders(step: int = 1, first: int = 0) -> Tally:
    """Every `step`-th pair of thing and name, from the `first`."""
    tally = Tally("folders from strangers, every command")
    pairs = [(thing, name) for thing in THINGS for name in NAMES]
    with tempfile.TemporaryDirectory() as kept:
        sound = seal_at(written_journal(Path(kept))).read_bytes()
        for thing, name in pairs[first::step]:
            tally.trials += 1
            tally.seen[thing] += 1
            tally.judged(f"{thing} as {name}", list(_trial(thing, name, sound)))
    return tally


def _trial(thing: str, name: str, sound: bytes) -> Iterator[str]:
    with tempfile.TemporaryDirectory() as place:
        root = Path(place)
        archive, decoy, home = root / "archive", root / "decoy", root / "home"
        for folder in (archive, decoy, home):
            folder.mkdir()
        (decoy / "shell-start").write_text("echo mine\n")
        (archive / f"{RUN_ID}.h5").write_bytes(sound)
        (archive / "study.toml").write_text(STUDY)
        (root / "bench.toml").write_text(BENCH_TEXT)
        path = archive / name
        path.parent.mkdir(exist_ok=True)
        path.unlink(missing_ok=True)
        THINGS[thing](path, decoy)
        before = _snapshot(decoy)
        yield from _run(root, archive, home)
        if _snapshot(decoy) != before:
            yield "the decoy was changed"
        if not os.path.lexists(path) and path.suffix != ".journal":
            yield "what bore the name is gone"
        if (archive / f"{RUN_ID}.h5").read_bytes() != sound:
            yield "the sound run was changed"
        if hacked := list(root.rglob("HACKED")):
            yield f"a name was run as a command: {hacked}"


def _run(root: Path, archive: Path, home: Path) -> Iterator[str]:
    """Every command in one child; what it did wrong."""
    import json

    given = {"ARCHIVE": str(archive), "BENCH": str(root / "bench.toml"), "RUN": RUN_ID, "OUT": str(root / "out")}
    words = []
    for command in COMMANDS:
        filled = list(command)
        for key, value in given.items():
            filled = [word.replace(key, value) for word in filled]
        words.append(filled)
    own = {"HOME": str(home), "XDG_DATA_HOME": str(home / "data"), "XDG_CACHE_HOME": str(home / "cache")}
    begun_s = time.monotonic()
    try:
        done = subprocess.run(
            [sys.executable, "-c", _CHILD.format(most=MOST_BYTES), json.dumps(words)],
            capture_output=True, text=True, check=False, timeout=MOST_SECONDS * len(COMMANDS), stdin=subprocess.DEVNULL,
            cwd=root, env={**os.environ, **own, "PYTHONPATH": os.pathsep.join(sys.path)},
        )  # fmt: skip
    except subprocess.TimeoutExpired as error:
        yield f"hangs: {(error.stderr or b'')[-200:]!r}"
        return
    if time.monotonic() - begun_s > MOST_SECONDS:
        yield f"took {time.monotonic() - begun_s:.0f} s"
    if "Traceback" in done.stderr or "internal error" in done.stderr or "where the log is" in done.stderr:
        yield f"an error nobody foresaw: {done.stderr[-600:]}"
    ended = [line for line in done.stderr.splitlines() if line.startswith('["')]
    if len(ended) != len(COMMANDS) or done.returncode:
        yield f"ended with {done.returncode} after {len(ended)} commands: {done.stderr[-300:]}"

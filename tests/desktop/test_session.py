"""The client of the recorder: what it hears, says, survives, and how it ends."""

from __future__ import annotations

from pathlib import Path
from typing import Any, ClassVar

import pytest

from chargebench.desktop.archive_reader import ArchiveReader
from chargebench.desktop.session import BenchSession
from tests.desktop.conftest import FAKE
from tests.desktop.fake_recorder import finished_runs


@pytest.fixture(autouse=True)
def fast(monkeypatch: pytest.MonkeyPatch) -> None:
    """Runs of the stand-in take half a second."""
    monkeypatch.setenv("CB_FAKE_SPEED", "60")


def record(session: BenchSession) -> dict[str, list[Any]]:
    """All a session emits, by signal."""
    heard: dict[str, list[Any]] = {}
    for name in ("message", "state", "port", "notice", "opened", "outcome", "readings", "running"):
        getattr(session, name).connect(heard.setdefault(name, []).append)
    heard["ended"] = []
    session.ended.connect(lambda code, text: heard["ended"].append((code, text)))
    return heard


def end(qtbot: Any, session: BenchSession) -> None:
    """Stop a recorder and wait for it."""
    session.stop()
    qtbot.waitUntil(lambda: not session.alive, timeout=120_000)


def test_a_run_is_heard_from_its_journal_to_its_answer(qtbot: Any, session: BenchSession, tmp_path: Path) -> None:
    """States arrive in order, readings come by the journal, the answer carries the tags given at the start."""
    heard = record(session)
    session.start(Path("bench.toml"), tmp_path, {"coffee": "A = B", "dose_g": 18.0})
    qtbot.waitUntil(lambda: bool(heard["outcome"]), timeout=120_000)
    end(qtbot, session)
    states = list(dict.fromkeys(e["state"] for e in heard["state"]))
    assert states[:5] == ["waiting", "armed", "grinding", "settling", "done"]
    charge = [r for batch in heard["readings"] for r in batch if r.channel == "charge"]
    assert len(charge) > 500
    assert heard["outcome"][0].tags["coffee"] == "A = B"
    assert heard["running"] == [True, False]
    assert heard["ended"] == []


def test_commands_reach_the_recorder(qtbot: Any, session: BenchSession, tmp_path: Path) -> None:
    """Every command is one line of JSON; tags keep their characters."""
    heard = record(session)
    session.start(Path("bench.toml"), tmp_path, {})
    commands = [{"do": "tags", "tags": {"coffee": 'é "\n'}}, {"do": "start"}, {"do": "finish"}]
    for command in commands:
        session.send(command)
    qtbot.waitUntil(lambda: sum(n.get("code") == "heard" for n in heard["notice"]) >= 3, timeout=120_000)
    end(qtbot, session)


@pytest.mark.parametrize(
    ("fault", "code", "words"), [("refuse", 1, "allowed: 300 to 3000000"), ("crash", 9, "ended with code 9")]
)
def test_a_recorder_that_ends_by_itself_says_why(
    qtbot: Any,
    session: BenchSession,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    fault: str,
    code: int,
    words: str,
) -> None:
    """Its last line on stderr, or its code, is what the person is told; another start works."""
    monkeypatch.setenv("CB_FAKE_FAULT", fault)
    heard = record(session)
    session.start(Path("bench.toml"), tmp_path, {})
    qtbot.waitUntil(lambda: bool(heard["ended"]), timeout=120_000)
    assert heard["ended"][0][0] == code
    assert words in heard["ended"][0][1]
    assert not session.alive


def test_a_program_that_is_not_there_is_told(qtbot: Any, tmp_path: Path) -> None:
    """A recorder that cannot even start ends with words, not with silence."""
    session = BenchSession([str(tmp_path / "nothing")])
    heard = record(session)
    session.start(Path("bench.toml"), tmp_path, {})
    qtbot.waitUntil(lambda: bool(heard["ended"]), timeout=120_000)
    assert "could not be started" in heard["ended"][0][1]


def test_garbage_on_the_pipe_changes_nothing(
    qtbot: Any, session: BenchSession, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Lines that are no objects and events of a later version are passed over."""
    monkeypatch.setenv("CB_FAKE_FAULT", "garbage")
    heard = record(session)
    session.start(Path("bench.toml"), tmp_path, {})
    qtbot.waitUntil(lambda: bool(heard["state"]), timeout=120_000)
    end(qtbot, session)
    assert any(m.get("event") == "invented" for m in heard["message"])


def test_a_journal_that_cannot_be_followed_stops_no_one(qtbot: Any, tmp_path: Path) -> None:
    """States and answers still come when the plot has nothing to follow."""

    def refuse(path: Path) -> Any:
        raise OSError(13, "forbidden", str(path))

    session = BenchSession(FAKE, refuse)
    heard = record(session)
    session.start(Path("bench.toml"), tmp_path, {})
    qtbot.waitUntil(lambda: bool(heard["outcome"]), timeout=120_000)
    end(qtbot, session)
    assert heard["readings"] == []


def test_a_command_without_a_recorder_is_dropped(session: BenchSession) -> None:
    """Nothing is kept for a recorder that does not exist yet."""
    session.send({"do": "start"})
    session.stop()
    assert not session.alive


def test_an_archive_is_read_in_a_process_of_its_own(qtbot: Any, tmp_path: Path) -> None:
    """All runs arrive, then the end without a complaint."""
    (tmp_path / "x.h5").write_bytes(b"")
    reader, rows, ends = ArchiveReader(FAKE), [], []
    reader.rows.connect(rows.extend)
    reader.finished.connect(ends.append)
    reader.read(tmp_path)
    qtbot.waitUntil(lambda: bool(ends), timeout=120_000)
    assert [run.run_id for run in rows] == [run["run"] for run in finished_runs()]
    assert ends == [""]


def test_an_empty_or_missing_archive_needs_no_process(qtbot: Any, tmp_path: Path) -> None:
    """A folder without runs, or none at all, is an empty archive."""
    reader, ends = ArchiveReader(FAKE), []
    reader.finished.connect(ends.append)
    reader.read(tmp_path)
    reader.read(tmp_path / "none")
    assert ends == ["", ""]


def test_an_archive_that_fails_says_why(qtbot: Any, tmp_path: Path) -> None:
    """The reader's last words on stderr reach the person."""
    (tmp_path / "x.h5").write_bytes(b"")
    reader, ends = ArchiveReader([FAKE[0], "-c", "import sys; sys.exit('archive: damaged')"]), []
    reader.finished.connect(ends.append)
    reader.read(tmp_path)
    qtbot.waitUntil(lambda: bool(ends), timeout=120_000)
    assert "archive: damaged" in ends[0]


class Followed:
    """A follower that keeps which files it was told of."""

    made: ClassVar[list[list[str]]] = []

    def __init__(self, path: Path) -> None:
        self.made.append([path.name])

    def go_on(self, path: Path) -> None:
        """The next file."""
        self.made[-1].append(path.name)

    def poll(self) -> list[Any]:
        """Nothing new."""
        return []


def test_the_next_segment_of_a_run_goes_on(qtbot: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is drawn begins anew with a run and after a long wait that was let go, not where a disk failed."""
    monkeypatch.setattr(Followed, "made", [])
    session = BenchSession(FAKE, Followed)
    opened: list[Any] = []
    session.opened.connect(opened.append)
    for run, path, goes_on in (
        ("a", "a1", False), ("a", "a2", True), ("a", "a3", False), ("b", "b1", False), ("b", "b2", True),
    ):  # fmt: skip
        session._sort({"event": "journal", "run": run, "path": path, "goes_on": goes_on})
    assert Followed.made == [["a1", "a2", "a3"], ["b1", "b2"]]
    assert [event["path"] for event in opened] == ["a1", "a3", "b1"]

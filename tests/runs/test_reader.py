"""The reader of run files gives the run that was written, or refuses: hostile, forged and damaged files."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import psutil
import pytest

from chargebench.errors import DamagedRunError, ForeignRunError, RunFileError, UnreadRunError
from chargebench.runs import apart
from chargebench.runs.check import difference
from chargebench.runs.load import load_run, load_run_bytes
from chargebench.runs.write import run_bytes
from tests.damaged_files import damaged, forged, resealed
from tests.hostile_files import HOSTILE
from tests.runs.made_runs import made_run

RUN = made_run()
GOOD = run_bytes(RUN)
MUTANTS = 4000
RESEALED = 600
FORGED = 250


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_file_is_refused(name: str) -> None:
    """Each of these is refused in one line, by a process that then still reads sound files."""
    with pytest.raises(RunFileError) as refusal:
        load_run_bytes(HOSTILE[name](GOOD), "a file")
    assert str(refusal.value).isprintable()
    assert str(refusal.value).startswith("a file: ")
    assert difference(load_run_bytes(GOOD), RUN) == ""


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("no checksum", "carries no checksum"),
        ("checksum of another file", "disagree"),
        ("checksum behind the image", "behind the image"),
        ("old format", "another version"),
        ("external link", "soft or external link"),
        ("soft link", "soft or external link"),
        ("external storage", "external or virtual storage"),
        ("virtual dataset", "external or virtual storage"),
        ("chunks without checksum", "filters"),
        ("another packing", "filters"),
        ("opaque", "another type"),
        ("the other byte order", "another type"),
        ("bytes for text", "another type"),
        ("two dimensions", "shape"),
        ("huge shape", "shape"),
        ("unknown group", "unknown member"),
        ("twenty thousand members", "unknown member"),
        ("groups in a circle", "the same object as"),
        ("two names for an array", "the same object as"),
        ("named type", "another kind of object"),
        ("gigabyte of nothing", "more data declared"),
        ("packed zeros", "more data declared"),
        ("gigabyte chunk", "chunks of"),
        ("chunk larger than the data", "chunks of"),
        ("chunk missing", "0 chunks"),
        ("chunk past the filters", "chunk of 3200 bytes"),
        ("chunk that unpacks to four hundred megabytes", "chunk of"),
        ("chunk that unpacks to eight megabytes", "unpacks to another size"),
        ("chunk that never ends", "unpacks to another size"),
        ("two thousand attributes", "attributes"),
        ("very long attribute", "of another type"),
        ("attribute of any length", "of another type"),
        ("plot of no array of the run", "link to something else"),
        ("plot of another array", "does not agree"),
        ("other unit", "does not agree"),
        ("another layout", "layout"),
        ("field of another type", "does not agree"),
        ("one value other", "raw_sha256 does not agree"),
        ("name unlike the tag", "does not agree"),
    ],
)
def test_each_defence_does_its_own_work(name: str, reason: str) -> None:
    """A hostile file is refused by the check that is meant for it, not by luck further on."""
    with pytest.raises(RunFileError, match=reason):
        load_run_bytes(HOSTILE[name](GOOD))


def test_hostile_table_is_long_enough() -> None:
    """The promise speaks of at least thirty hostile files."""
    assert len(HOSTILE) >= 30


def _outcome(data: bytes) -> str:
    try:
        return "silent" if difference(load_run_bytes(data), RUN) else "same"
    except RunFileError:
        return "refused"


def test_no_damage_is_silent() -> None:
    """Of thousands of damaged copies none is read as a run: the checksum finds every one."""
    outcomes = {_outcome(data) for _, data in damaged(GOOD, MUTANTS)}
    assert outcomes == {"refused"}


def test_damage_with_a_fitting_checksum_is_not_silent() -> None:
    """Damaged copies whose checksum was made to fit are refused by what is inside, or are the same run after all."""
    outcomes = {_outcome(data) for data in resealed(GOOD, RESEALED, seed=1)}
    assert outcomes <= {"refused", "same"}
    assert "refused" in outcomes


def test_forged_headers_are_not_silent() -> None:
    """Object headers with other bytes and fitting checksums never give another run, nor end this process."""
    outcomes = {_outcome(data) for data in forged(GOOD, FORGED)}
    assert outcomes <= {"refused", "same"}
    assert "refused" in outcomes


def test_every_byte_counts() -> None:
    """A change of any single byte, first to last, is found."""
    for place in range(0, len(GOOD), 7):
        changed = GOOD[:place] + bytes([GOOD[place] ^ 0x40]) + GOOD[place + 1 :]
        with pytest.raises((DamagedRunError, ForeignRunError)):
            load_run_bytes(changed)


def test_file_that_is_not_there(tmp_path: Path) -> None:
    """A missing file is named."""
    with pytest.raises(RunFileError, match="nowhere"):
        load_run(tmp_path / "nowhere.h5")


def test_folder_is_no_run(tmp_path: Path) -> None:
    """A folder is refused as one."""
    with pytest.raises(RunFileError):
        load_run(tmp_path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes on this system")
def test_pipe_is_not_waited_for(tmp_path: Path) -> None:
    """A named pipe, on which opening would wait for ever, is refused unopened."""
    os.mkfifo(tmp_path / "run.h5")
    with pytest.raises(ForeignRunError, match="device"):
        load_run(tmp_path / "run.h5")


def test_larger_than_any_run_is_not_read(tmp_path: Path) -> None:
    """A file of many gigabytes is refused by its size."""
    path = tmp_path / "run.h5"
    with path.open("wb") as file:
        file.truncate(1 << 40 if sys.platform == "linux" else (1 << 30) + 1)
    with pytest.raises(ForeignRunError, match="MiB"):
        load_run(path)


def test_loading_leaves_the_file_alone(tmp_path: Path) -> None:
    """Reading changes neither bytes nor times, and a file without write permission is read."""
    path = tmp_path / f"{RUN.run_id}.h5"
    path.write_bytes(GOOD)
    path.chmod(0o444)
    before = path.stat().st_mtime_ns
    assert difference(load_run(path), RUN) == ""
    assert path.read_bytes() == GOOD
    assert path.stat().st_mtime_ns == before


_STUB = (
    "import os, time, chargebench.runs.apart as a, chargebench.runs.image as i\n"
    "a.PATIENCE_S = 1.0; i.read_image = lambda image: {}; a.serve()"
)


@pytest.mark.parametrize(
    "deed",
    [
        "time.sleep(60)",
        "[0 for _ in iter(int, 1)]",
        "os.abort()",
        "os._exit(0)",
        "os.write(1, bytes(100)) and os._exit(0)",
        pytest.param(
            "bytearray(8 << 30)",
            marks=pytest.mark.skipif(sys.platform != "linux", reason="memory limits are kept on Linux only"),
        ),
        pytest.param(
            "open('grown', 'wb')",
            marks=pytest.mark.skipif(os.name == "nt", reason="limits on files are kept on Linux and macOS only"),
        ),
    ],
)
def test_what_reading_does_stays_apart(deed: str) -> None:
    """A reader that hangs, spins, crashes, lies, eats memory or opens files ends alone, and soon."""
    reader = apart._Reader(_STUB.format(deed))
    with pytest.raises(apart._GoneError) as gone:
        reader.read(b"image")
    reader.stop()
    assert gone.value.verdict
    assert reader.process.returncode is not None


@pytest.fixture(params=["as it is", "bare"])
def environment(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """This process's environment: that of whoever runs the tests, or one that holds but a home and a path."""
    needed = {"HOME", "PATH", "SYSTEMROOT"}  # the last is what Windows starts nothing without
    for name in set(os.environ) - needed if request.param == "bare" else ():
        monkeypatch.delenv(name)


@pytest.mark.usefixtures("environment")
@pytest.mark.parametrize("kept", [True, False])
@pytest.mark.parametrize("deed", ["os._exit(0)", "os.abort()", "[0 for _ in iter(int, 1)]"])
def test_what_was_not_read_to_its_end_is_told_apart(monkeypatch: pytest.MonkeyPatch, deed: str, kept: bool) -> None:
    """A file that ends its reader, kept or new, was not read; it is no proof of damage, nor of a broken Python."""
    stub = apart._Reader(_STUB.format(deed))
    monkeypatch.setattr(apart, "_idle_reader", lambda: stub if kept else None)
    monkeypatch.setattr(apart, "_Reader", lambda: stub)
    with pytest.raises(UnreadRunError, match="took too long"):
        load_run_bytes(GOOD)


def test_reader_that_went_away_is_replaced() -> None:
    """A process that ended while idle is no verdict on the next file."""
    load_run_bytes(GOOD)
    reader = apart._idle_reader()
    assert reader is not None
    reader.process.kill()
    reader.process.wait()
    apart._idle.put(reader)
    assert difference(load_run_bytes(GOOD), RUN) == ""


def test_interrupted_reading_is_not_resumed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A process whose answer was not read to its end, because of Ctrl-C say, never answers for the next file."""

    def interrupted(_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(apart, "_receive", interrupted)
        with pytest.raises(KeyboardInterrupt):
            load_run_bytes(GOOD)
    other = made_run(samples=7)
    assert difference(load_run_bytes(run_bytes(other)), other) == ""


def test_no_process_outlives_the_program() -> None:
    """The process apart ends with the program that started it."""
    program = (
        "import sys; from chargebench.runs.load import load_run_bytes; from chargebench.runs import apart\n"
        "load_run_bytes(sys.stdin.buffer.read())\n"
        "reader = apart._idle_reader(); apart._idle.put(reader); print(reader.process.pid)"
    )
    done = subprocess.run([sys.executable, "-W", "error", "-c", program], input=GOOD, capture_output=True, check=True)
    assert not done.stderr
    pid = int(done.stdout)
    assert not psutil.pid_exists(pid) or psutil.Process(pid).status() == psutil.STATUS_ZOMBIE


def test_no_module_of_the_current_folder_is_run(tmp_path: Path) -> None:
    """A module that lies beside a stranger's run is not imported by the process that reads it."""
    for name in ("json", "zlib", "h5py", "faulthandler", "chargebench"):
        (tmp_path / f"{name}.py").write_text("open('ran', 'w').close()", encoding="utf-8")
    (tmp_path / "run.h5").write_bytes(GOOD)
    program = "from chargebench.runs.load import load_run; print(load_run('run.h5').run_id)"
    here = {**os.environ, "PYTHONPATH": str(Path(apart.__file__).parents[2])}
    command = [sys.executable, "-P", "-c", program]
    done = subprocess.run(command, cwd=tmp_path, env=here, capture_output=True, check=True, text=True)
    assert done.stdout.strip() == RUN.run_id
    assert not (tmp_path / "ran").exists()


@pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork on this system")
def test_forked_process_reads_with_a_reader_of_its_own() -> None:
    """After a fork both processes read, each by its own process apart."""
    program = (
        "import os, sys; from chargebench.runs.load import load_run_bytes as load\n"
        "data = sys.stdin.buffer.read(); load(data); child = os.fork()\n"
        "for _ in range(20): assert load(data).run_id\n"
        "os._exit(0) if not child else sys.exit(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))"
    )
    assert subprocess.run([sys.executable, "-c", program], input=GOOD, check=False, timeout=60).returncode == 0


def test_reader_loads_no_pickle() -> None:
    """Nothing that is read is ever unpickled: the reader's process answers in JSON and raw numbers."""
    room = Path(apart.__file__).parent
    for path in room.glob("*.py"):
        words = path.read_text(encoding="utf-8")
        assert "import pickle" not in words
        assert "allow_pickle" not in words
        assert "eval(" not in words

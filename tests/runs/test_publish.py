"""A sealed run appears whole under its name, or not at all."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from chargebench.errors import RunFileError
from chargebench.runs.disk import Disk
from chargebench.runs.publish import leftovers, publish
from tests.runs.faulty_disk import FaultyDisk, snapshot

DATA = bytes(range(256)) * 1000
NAME = "20260314T091500Z-7f3a2c.h5"


def _order() -> list[str]:
    """Calls of one undisturbed publication of `DATA`."""
    return ["create", *["write"] * 4, "sync", "close", "read", "name", "remove", "sync_folder", "remove"]


def test_the_order_of_calls(tmp_path: Path) -> None:
    """Aside, whole, synced, read back, named, folder synced: in this order and no other."""
    disk = FaultyDisk()
    publish(tmp_path / NAME, DATA, disk=disk)
    assert disk.done == _order()
    assert snapshot(tmp_path) == {NAME: DATA}


@pytest.mark.parametrize("after", [False, True], ids=["before", "after"])
@pytest.mark.parametrize("error", [errno.ENOSPC, errno.EIO], ids=["ENOSPC", "EIO"])
@pytest.mark.parametrize("fails_at", range(len(_order())))
def test_every_call_failing_once(tmp_path: Path, fails_at: int, error: int, after: bool) -> None:
    """Whichever call fails: the name holds the whole file or nothing, an error before that is told, nothing is lost."""
    disk = FaultyDisk(fails_at, error, after)
    path = tmp_path / NAME
    told = ""
    try:
        publish(path, DATA, disk=disk)
    except RunFileError as failure:
        told = str(failure)
    named = path.exists()
    assert not named or path.read_bytes() == DATA
    assert named or told
    if disk.done[fails_at] == "remove":
        assert not told
    else:
        assert NAME in told
        assert os.strerror(error) in told
    assert set(snapshot(tmp_path)) - {NAME} <= {path.name for path in leftovers(tmp_path, NAME)}
    if not named:
        publish(path, DATA)
        assert path.read_bytes() == DATA


@pytest.mark.parametrize("error", [errno.EPERM, errno.ENOTSUP, errno.EINVAL])
def test_where_links_do_not_exist(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: int) -> None:
    """A file system without hard links gets a rename, which leaves no second name and replaces nothing."""

    def no_link(*_: object) -> None:
        raise OSError(error, os.strerror(error))

    monkeypatch.setattr(os, "link", no_link)
    publish(tmp_path / NAME, DATA)
    with pytest.raises(RunFileError, match="never replaced"):
        publish(tmp_path / NAME, b"other")
    assert snapshot(tmp_path) == {NAME: DATA}


@pytest.mark.parametrize("there", [b"", b"a sealed run"])
def test_nothing_is_replaced(tmp_path: Path, there: bytes) -> None:
    """A name that is taken stays with what it names, and no file is left aside."""
    (tmp_path / NAME).write_bytes(there)
    with pytest.raises(RunFileError, match="never replaced"):
        publish(tmp_path / NAME, DATA)
    assert snapshot(tmp_path) == {NAME: there}


def test_disk_that_gives_back_something_else(tmp_path: Path) -> None:
    """Bytes that read back otherwise are not published."""

    class Forgetful(Disk):
        def read(self, path: Path) -> bytes:
            return super().read(path)[:-1] + b"?"

    with pytest.raises(RunFileError, match="did not give back"):
        publish(tmp_path / NAME, DATA, disk=Forgetful())
    assert not snapshot(tmp_path)


def test_verification_that_objects(tmp_path: Path) -> None:
    """What the caller finds wrong with the written file keeps it from its name."""
    seen: list[bytes] = []

    def verify(path: Path) -> None:
        seen.append(path.read_bytes())
        raise RunFileError("differs from the journal")

    with pytest.raises(RunFileError, match="journal"):
        publish(tmp_path / NAME, DATA, verify)
    assert seen == [DATA]
    assert not snapshot(tmp_path)


def test_folder_that_is_not_there(tmp_path: Path) -> None:
    """A missing folder is an error that names the file."""
    with pytest.raises(RunFileError, match=NAME):
        publish(tmp_path / "no" / NAME, DATA)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this system")
def test_really_full_disk(tmp_path: Path) -> None:
    """ENOSPC from the kernel itself is told and leaves nothing."""

    class Full(Disk):
        def create(self, path: Path) -> int:
            os.close(super().create(path))
            return os.open("/dev/full", os.O_WRONLY)

    with pytest.raises(RunFileError, match="No space left"):
        publish(tmp_path / NAME, DATA, disk=Full())
    assert not snapshot(tmp_path)


@pytest.mark.skipif(os.name == "nt", reason="ends itself by a signal that Windows lacks")
@pytest.mark.parametrize("fatal", range(len(_order())))
def test_killed_at_any_call(tmp_path: Path, fatal: int) -> None:
    """Killed between any two calls, the name holds the whole file or nothing; what is left aside is found."""
    program = (
        "import os, signal, sys; from pathlib import Path\n"
        "from tests.runs.faulty_disk import FaultyDisk; from chargebench.runs.publish import publish\n"
        "class Killer(FaultyDisk):\n"
        "    def _watched(self, name, call):\n"
        "        if len(self.done) == int(sys.argv[2]): os.kill(os.getpid(), signal.SIGKILL)\n"
        "        return super()._watched(name, call)\n"
        "publish(Path(sys.argv[1]), bytes(range(256)) * 1000, disk=Killer())\n"
    )
    path = tmp_path / NAME
    subprocess.run([sys.executable, "-c", program, str(path), str(fatal)], check=False, cwd=Path(__file__).parents[2])
    assert not path.exists() or path.read_bytes() == DATA
    assert path.exists() == (fatal > _order().index("name"))
    for left in leftovers(tmp_path, NAME):
        left.unlink()
    assert set(snapshot(tmp_path)) <= {NAME}

"""The one way to open files from outside."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from chargebench.files import Kind, RefusedFileError, is_regular, open_file, read_bytes, replace_file

SMALL = Kind("small file", 100)
POSIX = pytest.mark.skipif(os.name == "nt", reason="links need a privilege there, and there are no pipes")


@pytest.mark.parametrize("size", [0, 1, 99, 100])
def test_a_file_within_its_bound_is_read_whole(tmp_path: Path, size: int) -> None:
    """Every byte of a file that is no larger than its kind may be is handed over."""
    (tmp_path / "a").write_bytes(b"x" * size)
    assert read_bytes(tmp_path / "a", SMALL) == b"x" * size
    assert is_regular(tmp_path / "a")


@pytest.mark.parametrize("size", [101, 1 << 32])
def test_a_file_beyond_its_bound_is_refused(tmp_path: Path, size: int) -> None:
    """A file that is larger than its kind is refused before it is read, also where it is only said to be that long."""
    with (tmp_path / "a").open("wb") as file:
        file.truncate(size)
    with pytest.raises(RefusedFileError, match=r"larger than 100 bytes, which no small file is"):
        read_bytes(tmp_path / "a", SMALL)


@pytest.mark.skipif(sys.platform != "linux", reason="needs a file that says it is empty and is not")
def test_bytes_are_counted_while_they_are_read() -> None:
    """A file that says it has no bytes, and has some, is bounded all the same."""
    path = Path("/proc/self/status")
    assert path.stat().st_size == 0
    with pytest.raises(RefusedFileError, match="larger"):
        read_bytes(path, SMALL)


@POSIX
@pytest.mark.parametrize("kind", ["link", "dangling link", "link to itself", "pipe", "folder", "device", "socket"])
def test_what_is_no_regular_file_is_refused(tmp_path: Path, kind: str) -> None:
    """Links, pipes, folders, devices and sockets are refused in words; nothing waits for a pipe's other end."""
    path = tmp_path / "a"
    (tmp_path / "real").write_bytes(b"x")
    if kind.startswith(("link", "dangling")):
        path.symlink_to({"link": tmp_path / "real", "link to itself": path}.get(kind, tmp_path / "none"))
    elif kind == "pipe":
        os.mkfifo(path)
    elif kind == "folder":
        path.mkdir()
    elif kind == "socket":
        import socket

        with socket.socket(socket.AF_UNIX) as server:
            server.bind(str(path))
    else:
        path = Path(os.devnull)
    assert not is_regular(path)
    with pytest.raises(RefusedFileError, match=r"symbolic link|folder, pipe or device") as caught:
        read_bytes(path, SMALL)
    assert caught.value.filename == str(path)


@POSIX
@pytest.mark.parametrize(("own_parts", "refused"), [(1, False), (2, True), (3, True)])
def test_no_part_below_the_named_folder_is_a_link(tmp_path: Path, own_parts: int, refused: bool) -> None:
    """A folder above is the person's business; within the parts that are the archive's own, links are refused."""
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "a").write_bytes(b"x")
    (tmp_path / "checks").symlink_to(tmp_path / "elsewhere")
    path = tmp_path / "checks" / "a"
    if refused:
        with pytest.raises(RefusedFileError, match="symbolic link"):
            read_bytes(path, SMALL, own_parts)
    else:
        assert read_bytes(path, SMALL, own_parts) == b"x"


@pytest.mark.parametrize("name", ["none", "none/none", "a\0b", ""])
def test_what_is_not_there_is_an_error_of_the_system(tmp_path: Path, name: str) -> None:
    """A name that leads to nothing is an OSError that names it, never another exception."""
    path = tmp_path / name if name else Path()
    with pytest.raises(OSError, match=r".") as caught:
        open_file(path, SMALL)
    assert caught.value.strerror


def test_a_name_without_a_folder_is_looked_for_here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A bare file name means the current folder."""
    (tmp_path / "a").write_bytes(b"x")
    monkeypatch.chdir(tmp_path)
    assert read_bytes(Path("a"), SMALL, 1) == read_bytes(Path("a"), SMALL, 2) == b"x"


@POSIX
def test_a_file_is_replaced_through_no_link(tmp_path: Path) -> None:
    """A link that lies beside a file under a name a writer could use is not written through; nothing is left over."""
    (tmp_path / "mine").write_bytes(b"mine")
    (tmp_path / "a").write_bytes(b"old")
    for name in ("a.new", ".a.new"):
        (tmp_path / name).symlink_to(tmp_path / "mine")
    replace_file(tmp_path / "a", b"new")
    assert (tmp_path / "a").read_bytes() == b"new"
    assert (tmp_path / "mine").read_bytes() == b"mine"
    assert sorted(path.name for path in tmp_path.iterdir()) == [".a.new", "a", "a.new", "mine"]


def test_what_cannot_be_replaced_is_named_as_asked(tmp_path: Path) -> None:
    """The error of a file that cannot be written names that file."""
    with pytest.raises(OSError, match=r".") as caught:
        replace_file(tmp_path / "none" / "a", b"new")
    assert caught.value.filename == str(tmp_path / "none" / "a")

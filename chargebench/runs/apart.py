"""Runs the reader of HDF5 images in a process apart, with limits and a deadline.

Owns that process: how it is started, what it may use, how bytes go there and arrays come back (lengths, JSON and raw
numbers; nothing that could run). A file that makes HDF5 crash, loop or eat memory ends that process, not this one. The
process is kept for the next file; it goes when it has been idle for long, and when this program ends.

It takes no module from the current folder, which may be the stranger's, and no plugin of HDF5. It limits itself before
it sees a byte: a deadline that needs no help of the code it ends (`faulthandler`, on every system), and where the
system has resource limits: memory, no file opened, no file written. On Windows only the deadline holds.
"""

from __future__ import annotations

import atexit
import contextlib
import faulthandler
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import IO, Final, NoReturn

import numpy as np

from chargebench.bounded import JsonObject
from chargebench.errors import DamagedRunError, ForeignRunError, RunFileError, UnreadRunError
from chargebench.runs.layout import MOST_BYTES
from chargebench.runs.tree import Node

__all__ = ["read_apart", "serve"]

IDLE_S: Final = 600
UNKNOWN_TAKEN: Final = 2 << 30
PATIENCE_S: Final = 15
SLOWEST_BYTES_PER_S: Final = 2_000_000
"""A sound image is read some twenty times faster even by a slow machine, so no deadline meets one."""

MOST_MEMORY: Final = 400 << 20
"""Beyond what the process takes before it is sent anything: an image and its arrays, and room for HDF5."""
MOST_CPU_S: Final = 8
"""Of a core, for one image: a sound one at every bound takes a third of it."""

_LONGEST_HEADER: Final = 4 << 20
_ERRORS: Final = {"foreign": ForeignRunError, "damaged": DamagedRunError}
_RECEIVED: Final = b"\x06"
_PROGRAM: Final = "from chargebench.runs.apart import serve; serve()"


class _GoneError(Exception):
    """The process ended; `verdict` tells whether the image was what ended it."""

    def __init__(self, verdict: bool) -> None:
        super().__init__(verdict)
        self.verdict = verdict


def read_apart(image: bytes) -> dict[str, Node]:
    """Every object of an HDF5 image by path, read in a process apart.

    Raises
    ------
    ForeignRunError, DamagedRunError
        As `chargebench.runs.image.read_image`.
    UnreadRunError
        When reading it takes too long or too much memory, or crashes HDF5.
    RunFileError
        When no process can be started.
    """
    reader = _idle_reader()
    if reader is not None:
        try:
            return _ask(reader, image)
        except _GoneError as gone:
            if gone.verdict:
                _give_up(gone)
    try:
        return _ask(_Reader(), image)
    except _GoneError as gone:
        _give_up(gone)


def _give_up(gone: _GoneError) -> NoReturn:
    if gone.verdict:
        raise UnreadRunError("reading it took too long or too much memory, or crashed HDF5") from gone
    raise RunFileError("the process that reads run files ended at once; is the Python installation whole?") from gone


def _ask(reader: _Reader, image: bytes) -> dict[str, Node]:
    """Its answer; a process that did not finish one, interrupted perhaps, is not asked again."""
    answered = False
    try:
        nodes = reader.read(image)
        answered = True
    except (ForeignRunError, DamagedRunError):
        answered = True
        raise
    finally:
        if answered:
            _idle.put(reader)
        else:
            reader.stop()
    return nodes


class _Reader:
    """This side's end of one such process."""

    def __init__(self, program: str = _PROGRAM) -> None:
        """Start it.

        Raises
        ------
        RunFileError
            When the system does not let us.
        """
        self.pid = os.getpid()
        home = str(Path(__file__).parents[2])
        paths = os.pathsep.join([home, *filter(None, [os.environ.get("PYTHONPATH")])])
        try:
            self.process = subprocess.Popen(
                [sys.executable, "-P", "-c", program],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env={**os.environ, "PYTHONPATH": paths, "OPENBLAS_NUM_THREADS": "1", "HDF5_PLUGIN_PRELOAD": "::"},
                start_new_session=True,
                creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
            )
        except OSError as error:
            raise RunFileError(f"the process that reads run files cannot be started ({error})") from error

    def read(self, image: bytes) -> dict[str, Node]:
        """Send an image, receive its objects."""
        source, sink = self.process.stdout, self.process.stdin
        assert source is not None
        assert sink is not None
        received = False
        try:
            sink.write(len(image).to_bytes(8, "big"))
            sink.write(image)
            sink.flush()
            received = _exactly(source, 1) == _RECEIVED
            return _receive(source)
        except (OSError, EOFError, ValueError, TypeError, KeyError) as error:
            raise _GoneError(received) from error

    def stop(self) -> None:
        """End it, whatever it does."""
        self.process.kill()
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()
        self.process.wait()


_idle: SimpleQueue[_Reader] = SimpleQueue()
"""Processes that wait for work. A queue, so that threads need no lock of their own."""


def _idle_reader() -> _Reader | None:
    """One that waits and is ours: a forked process must not speak on its parent's pipes."""
    while True:
        try:
            reader = _idle.get_nowait()
        except Empty:
            return None
        if reader.pid == os.getpid():
            return reader


@atexit.register
def _stop_all() -> None:
    while (reader := _idle_reader()) is not None:
        reader.stop()


def _exactly(source: IO[bytes], size: int) -> bytes:
    data = source.read(size)
    if len(data) != size:
        raise EOFError
    return data


def _receive(source: IO[bytes]) -> dict[str, Node]:
    """An answer, believed only as far as its own bounds."""
    size = int.from_bytes(_exactly(source, 8), "big")
    if size > _LONGEST_HEADER:
        raise EOFError
    header: JsonObject = json.loads(_exactly(source, size))
    if "error" in header:
        raise _ERRORS[header["error"]](header["text"])
    left, nodes = MOST_BYTES, {}
    for path, attributes, same_as, dtype, length in header["nodes"]:
        array = None
        if dtype:
            kind = np.dtype(dtype)
            left -= length * kind.itemsize
            if left < 0:
                raise EOFError
            array = np.frombuffer(_exactly(source, length * kind.itemsize), dtype=kind)
        nodes[path] = Node(attributes, array, same_as)
    return nodes


def serve() -> None:
    """The life of the process apart: read an image from standard input, answer on standard output, again.

    Ends at the end of the input, at a deadline, or when idle for long.
    """
    from chargebench.runs.image import read_image

    source, sink = sys.stdin.buffer, sys.stdout.buffer
    with open(os.devnull, "wb") as silence:
        _limit_resources()
        while True:
            faulthandler.dump_traceback_later(IDLE_S, exit=True, file=silence)
            size = int.from_bytes(source.read(8), "big")
            if not size:
                return
            faulthandler.dump_traceback_later(PATIENCE_S + size / SLOWEST_BYTES_PER_S, exit=True, file=silence)
            _limit_cpu()
            image = source.read(size)
            sink.write(_RECEIVED)
            sink.flush()  # what comes next may end this process, and bytes that wait in it with it
            _answer(sink, image, read_image)
            sink.flush()


def _answer(sink: IO[bytes], image: bytes, read: Callable[[bytes], dict[str, Node]]) -> None:
    try:
        nodes = read(image)
    except ForeignRunError as error:
        return _send(sink, {"error": "foreign", "text": str(error)})
    except DamagedRunError as error:
        return _send(sink, {"error": "damaged", "text": str(error)})
    arrays = {path: node.array for path, node in nodes.items()}
    about = {path: ("", 0) if array is None else (array.dtype.str, len(array)) for path, array in arrays.items()}
    _send(sink, {"nodes": [(path, dict(n.attributes), n.same_as, *about[path]) for path, n in nodes.items()]})
    for array in arrays.values():
        if array is not None:
            sink.write(np.ascontiguousarray(array).view("u1").data)
    return None


def _send(sink: IO[bytes], header: JsonObject) -> None:
    data = json.dumps(header).encode()
    sink.write(len(data).to_bytes(8, "big"))
    sink.write(data)
    sink.flush()


def _limit_resources() -> None:
    """Bound what this process may take, where the system has such bounds."""
    try:
        import resource
    except ImportError:
        return
    wanted = {"RLIMIT_AS": _taken() + MOST_MEMORY, "RLIMIT_CORE": 0, "RLIMIT_FSIZE": 0, "RLIMIT_NOFILE": 4}
    for name, most in wanted.items():
        with contextlib.suppress(ValueError, OSError, AttributeError):
            resource.setrlimit(getattr(resource, name), (most, most))


def _taken() -> int:
    """Address space that this process has by now; libraries reserve far more than they use."""
    with contextlib.suppress(OSError, ValueError), open("/proc/self/statm", encoding="ascii") as file:
        return int(file.read().split()[0]) * os.sysconf("SC_PAGE_SIZE")
    return UNKNOWN_TAKEN


def _limit_cpu() -> None:
    """Bound the time of a core that the next image may take, where the system has such a bound."""
    with contextlib.suppress(ImportError, ValueError, OSError, AttributeError):
        import resource

        used = resource.getrusage(resource.RUSAGE_SELF)
        most = int(used.ru_utime + used.ru_stime) + 1 + MOST_CPU_S
        resource.setrlimit(resource.RLIMIT_CPU, (most, resource.getrlimit(resource.RLIMIT_CPU)[1]))

"""Opens run files, which may come from anybody, and gives a `Run` or refuses.

Owns the order of the defences: size, checksum, checking walk, comparison of everything with everything. Writes
nothing, runs nothing, unpickles nothing.
"""

from __future__ import annotations

import stat
from pathlib import Path
from typing import Final

from chargebench.errors import DamagedRunError, ForeignRunError, RunFileError
from chargebench.runs.apart import read_apart
from chargebench.runs.checksum import check_seal
from chargebench.runs.run import Run
from chargebench.runs.text import visible
from chargebench.runs.tree import run_of

__all__ = ["MOST_FILE_BYTES", "load_run", "load_run_bytes"]

MOST_FILE_BYTES: Final = 1 << 30


def load_run(path: Path | str) -> Run:
    """The run in a file.

    Raises
    ------
    RunFileError
        When the file cannot be opened.
    ForeignRunError
        When it is not laid out as a run of this program, or contradicts itself although its checksum fits.
    DamagedRunError
        When it is, but has changed since it was sealed.
    """
    path = Path(path)
    where = visible(str(path))
    try:
        about = path.stat()
        if not stat.S_ISREG(about.st_mode):
            raise ForeignRunError(f"{where}: a folder or device, not a run file")
        if about.st_size > MOST_FILE_BYTES:
            raise ForeignRunError(f"{where}: {about.st_size >> 20} MiB; a run file has at most {MOST_FILE_BYTES >> 20}")
        with path.open("rb") as file:
            data = file.read(MOST_FILE_BYTES + 1)
    except OSError as error:
        raise RunFileError(f"{where}: cannot be read ({error.strerror or error})") from error
    return load_run_bytes(data, where)


def load_run_bytes(data: bytes, where: str = "run") -> Run:
    """The run in the bytes of a file; errors as `load_run`."""
    if len(data) > MOST_FILE_BYTES:
        raise ForeignRunError(f"{where}: a run file has at most {MOST_FILE_BYTES >> 20} MiB")
    check_seal(data, where)
    try:
        return run_of(read_apart(data))
    except (DamagedRunError, ForeignRunError) as error:
        raise type(error)(f"{where}: {error}") from error
    except ValueError as error:
        raise ForeignRunError(f"{where}: {error}") from error

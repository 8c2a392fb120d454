"""Opens run files, which may come from anybody, and gives a `Run` or refuses.

Owns the order of the defences: size, checksum, checking walk, comparison of everything with everything. Writes
nothing, runs nothing, unpickles nothing.
"""

from __future__ import annotations

from pathlib import Path

from chargebench.errors import DamagedRunError, ForeignRunError, RunFileError
from chargebench.files import RUN, RefusedFileError, read_bytes
from chargebench.runs.apart import read_apart
from chargebench.runs.checksum import check_seal
from chargebench.runs.run import Run
from chargebench.runs.text import visible
from chargebench.runs.tree import run_of

__all__ = ["load_run", "load_run_bytes"]


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
    return load_run_bytes(_image(path, where), where)


def _image(path: Path, where: str) -> bytes:
    try:
        return read_bytes(path, RUN)
    except RefusedFileError as error:
        raise ForeignRunError(f"{where}: {error.strerror}") from error
    except OSError as error:
        raise RunFileError(f"{where}: cannot be read ({error.strerror or error})") from error


def load_run_bytes(data: bytes, where: str = "run") -> Run:
    """The run in the bytes of a file; errors as `load_run`."""
    if len(data) > RUN.most_bytes:
        raise ForeignRunError(f"{where}: a run file has at most {RUN.most_bytes >> 20} MiB")
    check_seal(data, where)
    try:
        tree = read_apart(data)
        del data  # a large one would stand in memory beside its arrays
        return run_of(tree)
    except (DamagedRunError, ForeignRunError) as error:
        raise type(error)(f"{where}: {error}") from error
    except ValueError as error:
        raise ForeignRunError(f"{where}: {error}") from error

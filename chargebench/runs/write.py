"""A `Run` as the bytes of its file: HDF5 built in memory, never on disk (a full disk under HDF5 ends in a crash).

Owns how arrays are stored: format 1.10 (readable by HDF5 1.10 and later), fixed-length strings, every dataset in chunks
with gzip and fletcher32, no times, so that equal runs give equal bytes. Writes no file: see `chargebench.runs.publish`.
"""

from __future__ import annotations

import io
from typing import Any, Final

import h5py
import numpy as np
import numpy.typing as npt

from chargebench.errors import RunFileError
from chargebench.runs.checksum import PLACE, sealed
from chargebench.runs.layout import MOST_BYTES
from chargebench.runs.run import Run
from chargebench.runs.tree import Node, Tree, tree_of

__all__ = ["CHUNK_BYTES", "GZIP_LEVEL", "image_of", "run_bytes"]

CHUNK_BYTES: Final = 1 << 18
"""Bytes of a chunk of numbers; a text is one chunk."""

GZIP_LEVEL: Final = 4
SEAL: Final = "/entry/run/file_sha256"


def run_bytes(run: Run) -> bytes:
    """The file of a run.

    Returns
    -------
    bytes
        An HDF5 image laid out after the NeXus convention, with its own SHA-256 inside. Equal runs give equal bytes
        under the same versions of HDF5 and zlib.

    Raises
    ------
    RunFileError
        When the run holds something that no run file can: a channel without a quantity, a text with NUL or without
        meaning in UTF-8, or more than the layout has room for.
    """
    try:
        tree = tree_of(run)
        size = sum(node.array.nbytes for node in tree.values() if node.array is not None)
        if size > MOST_BYTES:
            raise ValueError(f"{size >> 20} MiB of data; a run file holds {MOST_BYTES >> 20}")
    except ValueError as error:
        raise RunFileError(f"run {run.run_id}: {error}") from error
    return sealed(image_of(tree))


def image_of(tree: Tree) -> bytes:
    """The HDF5 image of a tree, with room for its checksum; everything else is there before."""
    buffer = io.BytesIO()
    with h5py.File(_new_file(buffer)) as file:
        for path, node in tree.items():
            _put(file, path, node)
        for path in tree:
            if path.endswith("/value_log/value"):
                _name_time_axis(file, path)
        place = np.array([PLACE], dtype=h5py.string_dtype("utf-8", len(PLACE)))
        file.create_dataset(SEAL, data=place, track_times=False)
    return buffer.getvalue()


def _new_file(buffer: io.BytesIO) -> h5py.h5f.FileID:
    """An empty HDF5 file in memory that keeps no time of its own."""
    access = h5py.h5p.create(h5py.h5p.FILE_ACCESS)
    access.set_fileobj_driver(h5py.h5fd.fileobj_driver, buffer)
    access.set_libver_bounds(h5py.h5f.LIBVER_V110, h5py.h5f.LIBVER_V110)
    create = h5py.h5p.create(h5py.h5p.FILE_CREATE)
    create.set_obj_track_times(False)
    return h5py.h5f.create(b"memory", h5py.h5f.ACC_TRUNC, fcpl=create, fapl=access)


def _put(file: h5py.File, path: str, node: Node) -> None:
    if node.same_as:
        file[path] = file[node.same_as]
        return
    thing = (
        file[path] if path == "/" else _new_group(file, path) if node.array is None else _new_array(file, path, node)
    )
    for name, text in node.attributes.items():
        thing.attrs[name] = np.bytes_(text)


def _new_group(file: h5py.File, path: str) -> h5py.Group:
    create = h5py.h5p.create(h5py.h5p.GROUP_CREATE)
    create.set_obj_track_times(False)
    return h5py.Group(h5py.h5g.create(file.id, path.encode(), gcpl=create))


def _new_array(file: h5py.File, path: str, node: Node) -> h5py.Dataset:
    array: npt.NDArray[Any] = node.array if node.array is not None else np.empty(0)
    kind: Any = array.dtype
    if kind.kind == "S":
        kind = h5py.string_dtype("utf-8", kind.itemsize)
    chunk = min(max(CHUNK_BYTES // kind.itemsize, 1), max(len(array), 1))
    return file.create_dataset(
        path,
        data=array.astype(kind),
        dtype=kind,
        chunks=(chunk,),
        maxshape=None if len(array) else (None,),
        shuffle=kind.itemsize == 8,
        compression="gzip",
        compression_opts=GZIP_LEVEL,
        fletcher32=True,
        track_times=False,
    )


def _name_time_axis(file: h5py.File, path: str) -> None:
    """HDF5 dimension scales besides the NeXus attributes: programs that know only the former name the axis too."""
    time = file[path.replace("/value_log/value", "/value_log/time")]
    time.make_scale("time")
    file[path].dims[0].attach_scale(time)

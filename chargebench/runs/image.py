"""Reads an HDF5 image that may come from anybody: looks at every declaration before it reads any data.

Owns the checking walk. It accepts only what `chargebench.runs.layout` lists: hard links, the named groups, and
one-dimensional arrays of the declared type, within the declared sizes, in gzip chunks with checksums. Everything else
is refused by name: soft and external links, external storage, virtual datasets, other types, loops, unknown members,
huge shapes, big or missing chunks, chunks that unpack to more than they declare. What HDF5's own code does with broken
structures no declaration can bound; therefore `chargebench.runs.load` lets a process with limits run this module.
"""

from __future__ import annotations

import io
import zlib
from dataclasses import dataclass
from typing import Any, Final, Never

import h5py
import numpy as np
import numpy.typing as npt
from h5py import h5a, h5d, h5f, h5g, h5l, h5o, h5p, h5s, h5t, h5z

from chargebench.errors import DamagedRunError, ForeignRunError
from chargebench.runs.layout import MOST_BYTES, Row, children, concrete_rows
from chargebench.runs.tree import Node

__all__ = ["read_image"]

MOST_RATIO: Final = 300
"""Arrays may declare so many times the file's own size, beyond `FREE_BYTES` that every file may …"""

FREE_BYTES: Final = 64 << 20
"""… and in all never more than `chargebench.runs.layout.MOST_BYTES`."""

MOST_CHUNK_BYTES: Final = 1 << 20
LEAST_CHUNK_BYTES: Final = 1 << 16
"""Of an array that has more than one chunk: each costs a look of its own."""
MOST_ATTRIBUTES: Final = 8
LONGEST_ATTRIBUTE: Final = 256

_SCALE_ATTRIBUTES: Final = frozenset({"CLASS", "NAME", "DIMENSION_LIST", "REFERENCE_LIST"})
"""Written by HDF5 for dimension scales; they hold references and are never read."""

_SUPERBLOCK: Final = b"\x03"
_END: Final = slice(28, 36)
_PACKED: Final = [h5z.FILTER_DEFLATE, h5z.FILTER_FLETCHER32]
_FILTERS: Final = (_PACKED, [h5z.FILTER_SHUFFLE, *_PACKED])
_NUMBERS: Final = {"float64": h5t.IEEE_F64LE, "int64": h5t.STD_I64LE, "uint8": h5t.STD_U8LE}
_LIBRARY_ERRORS: Final = (
    zlib.error,
    OSError,
    RuntimeError,
    KeyError,
    ValueError,
    TypeError,
    OverflowError,
    MemoryError,
)


def read_image(image: bytes) -> dict[str, Node]:
    """Every object of an HDF5 image by path.

    Raises
    ------
    ForeignRunError
        When anything is not as the layout says; no data have been read then.
    DamagedRunError
        When HDF5 cannot read what it should hold, or a checksum disagrees.
    """
    if image[8:9] != _SUPERBLOCK:
        raise ForeignRunError("another version of HDF5's format; allowed: 1.10, whose structures have checksums")
    if int.from_bytes(image[_END], "little") != len(image):
        raise ForeignRunError("longer or shorter than HDF5's own end of it; allowed: nothing behind the image")
    try:
        access = h5p.create(h5p.FILE_ACCESS)
        access.set_fileobj_driver(h5py.h5fd.fileobj_driver, io.BytesIO(image))
        file = h5f.open(b"memory", h5f.ACC_RDONLY, fapl=access)
        try:
            return _Walk(len(image)).read(h5g.open(file, b"/"))
        finally:
            file.close()
    except _LIBRARY_ERRORS as error:
        reason = " ".join(str(error).split())[:200] or type(error).__name__
        raise DamagedRunError(f"HDF5 cannot read it: {reason}") from error


def _refuse(path: str, found: str, allowed: str) -> Never:
    raise ForeignRunError(f"{path}: {found}; allowed: {allowed}")


class _Walk:
    """One pass that looks at every declaration, one that looks at every chunk, then one that reads."""

    def __init__(self, file_bytes: int) -> None:
        self.left = min(MOST_BYTES, FREE_BYTES + MOST_RATIO * file_bytes)
        self.attributes: dict[str, dict[str, str]] = {}
        self.datasets: dict[str, _Array] = {}
        self.links: dict[str, int] = {}
        self.names: dict[int, str] = {}

    def read(self, root: h5g.GroupID) -> dict[str, Node]:
        """The tree under the root."""
        self._claim("/", h5o.get_info(root).addr)
        self._group(root, "/")
        for path, address in self.links.items():
            if address not in self.names:
                _refuse(path, "link to something else", "a link to an array of the run")
        for array in self.datasets.values():
            array.look()
        nodes = {path: Node(attributes) for path, attributes in self.attributes.items()}
        nodes |= {path: Node(self.attributes[path], array.read()) for path, array in self.datasets.items()}
        return nodes | {path: Node(same_as=self.names[address]) for path, address in self.links.items()}

    def _claim(self, path: str, address: int) -> None:
        if address in self.names:
            _refuse(path, f"the same object as {self.names[address]}", "an object of its own")
        self.names[address] = path

    def _group(self, group: h5g.GroupID, path: str) -> None:
        self.attributes[path] = _attributes(group, path)
        for name in _members(group, path):
            self._member(group, name, f"{path.rstrip('/')}/{name.decode()}")

    def _member(self, group: h5g.GroupID, name: bytes, path: str) -> None:
        if group.links.get_info(name).type != h5l.TYPE_HARD:
            _refuse(path, "soft or external link", "hard links")
        info = h5o.get_info(group, name)
        row, _ = concrete_rows()[path]
        if info.type != (h5o.TYPE_GROUP if row.kind == "group" else h5o.TYPE_DATASET):
            _refuse(path, "another kind of object", f"a {row.kind}")
        if row.kind == "link":
            self.links[path] = info.addr
            return
        self._claim(path, info.addr)
        if row.kind == "group":
            self._group(h5g.open(group, name), path)
            return
        if row.kind == "seal":
            _check_place(h5d.open(group, name), path, row)
            return
        self._array(h5d.open(group, name), path, row)

    def _array(self, dataset: h5d.DatasetID, path: str, row: Row) -> None:
        self.attributes[path] = _attributes(dataset, path)
        array = _declared(dataset, path, row)
        self.left -= array.length * array.dtype.itemsize
        if self.left < 0:
            _refuse(path, "more data declared than a file of this size can hold", f"{MOST_BYTES >> 20} MiB in all")
        self.datasets[path] = array


@dataclass(frozen=True)
class _Array:
    """What a dataset declares, found acceptable."""

    dataset: h5d.DatasetID
    path: str
    dtype: np.dtype[Any]
    length: int
    chunk: int

    def look(self) -> None:
        """Hold every stored chunk to what it declares, without letting HDF5 unpack it."""
        size = self.chunk * self.dtype.itemsize
        offsets = range(0, self.length, self.chunk)
        if self.dataset.get_num_chunks() != len(offsets):
            _refuse(self.path, f"{self.dataset.get_num_chunks()} chunks", f"{len(offsets)}, all there")
        for offset in offsets:
            stored = self.dataset.get_chunk_info_by_coord((offset,))
            if stored.filter_mask or not 4 < stored.size <= size + size // 64 + 64:
                _refuse(self.path, f"chunk of {stored.size} bytes", f"packed chunks of {size}")
            _, packed = self.dataset.read_direct_chunk((offset,))
            unpacker = zlib.decompressobj()
            if len(unpacker.decompress(packed[:-4], size + 1)) != size or not unpacker.eof:
                _refuse(self.path, "chunk that unpacks to another size", f"{size} bytes")

    def read(self) -> npt.NDArray[Any]:
        """The data, through HDF5 and its checksums."""
        array = np.empty((self.length,), dtype=self.dtype)
        if self.length:
            self.dataset.read(h5s.ALL, h5s.ALL, array, mtype=self.dataset.get_type())
        return array


def _declared(dataset: h5d.DatasetID, path: str, row: Row) -> _Array:
    """What a dataset says of itself; storage first, since asking a virtual dataset for its shape opens other files."""
    plist = dataset.get_create_plist()
    if plist.get_layout() != h5d.CHUNKED or plist.get_external_count():
        _refuse(path, "contiguous, compact, external or virtual storage", "chunks inside the file")
    filters = [plist.get_filter(index)[0] for index in range(min(plist.get_nfilters(), 4))]
    if filters not in _FILTERS:
        _refuse(path, f"filters {filters}", "gzip and fletcher32")
    dtype = _dtype(dataset.get_type(), path, row)
    shape, (chunk, *more) = dataset.shape, plist.get_chunk()
    most = 1 if row.kind == "text" else row.most
    if len(shape) != 1 or more or not 0 <= shape[0] <= most:
        _refuse(path, f"shape {shape}", f"one dimension of at most {most}")
    if chunk > max(shape[0], 1) or chunk * dtype.itemsize > max(MOST_CHUNK_BYTES, dtype.itemsize):
        _refuse(path, f"chunks of {chunk}", f"at most {MOST_CHUNK_BYTES} bytes and no more than the data")
    if chunk < shape[0] and chunk * dtype.itemsize < LEAST_CHUNK_BYTES:
        _refuse(path, f"chunks of {chunk}", f"at least {LEAST_CHUNK_BYTES} bytes, or all in one")
    return _Array(dataset, path, dtype, shape[0], chunk)


def _check_place(dataset: h5d.DatasetID, path: str, row: Row) -> None:
    """The text that held the checksum, which was compared before HDF5 saw the file, is nothing but that."""
    plist = dataset.get_create_plist()
    plain = plist.get_layout() == h5d.CONTIGUOUS and not plist.get_external_count()
    if not plain or dataset.shape != (1,) or _dtype(dataset.get_type(), path, row).itemsize != row.most:
        _refuse(path, "another kind of array", f"one text of {row.most} bytes")


def _dtype(kind: h5t.TypeID, path: str, row: Row) -> np.dtype[Any]:
    if row.kind in ("text", "seal"):
        fixed = kind.get_class() == h5t.STRING and not kind.is_variable_str()
        if not fixed or kind.get_cset() != h5t.CSET_UTF8 or not 1 <= kind.get_size() <= row.most:
            _refuse(path, "another type", f"one UTF-8 string of fixed length, at most {row.most} bytes")
        return np.dtype(f"S{kind.get_size()}")
    if not kind.equal(_NUMBERS[row.kind]):
        _refuse(path, "another type", row.kind)
    return np.dtype(row.kind).newbyteorder("<")


def _members(group: h5g.GroupID, path: str) -> list[bytes]:
    """Names in a group, every one of which the layout knows."""
    allowed = {name.encode() for name in children(path)}
    names: list[bytes] = []

    def stop_at_stranger(name: bytes) -> bool | None:
        names.append(name)
        return None if name in allowed and len(names) <= len(allowed) else True

    group.links.iterate(stop_at_stranger)
    strangers = [name for name in names if name not in allowed]
    if strangers:
        _refuse(path, f"unknown member {strangers[0][:60]!r}", "the members of the layout")
    return names


def _attributes(thing: h5g.GroupID | h5d.DatasetID, path: str) -> dict[str, str]:
    """Short texts that hang on an object."""
    count = h5a.get_num_attrs(thing)
    if count > MOST_ATTRIBUTES:
        _refuse(path, f"{count} attributes", f"at most {MOST_ATTRIBUTES}")
    found: dict[str, str] = {}
    for index in range(count):
        attribute = h5a.open(thing, index=index)
        name = attribute.name.decode("utf-8", "replace")
        if name in _SCALE_ATTRIBUTES and isinstance(thing, h5d.DatasetID):
            continue
        kind = attribute.get_type()
        fixed = kind.get_class() == h5t.STRING and not kind.is_variable_str()
        if not fixed or attribute.shape != () or kind.get_size() > LONGEST_ATTRIBUTE:
            _refuse(path, f"attribute {name[:60]!r} of another type", "short texts of fixed length")
        value = np.empty((), dtype=f"S{kind.get_size()}")
        attribute.read(value, mtype=kind)
        found[name] = value.item().decode("utf-8")
    return found

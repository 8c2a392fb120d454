"""Builds run files that a stranger might send: each sound but for one thing that no run file has.

Every one carries a checksum that agrees with it, unless that is its very point, so that the checksum alone never saves
the reader. `HOSTILE` maps a name to a function from a sound file to the bytes of a bad one. Accidents are in
`tests.damaged_files`. Used by the tests of the reader and by the fault campaign.
"""

from __future__ import annotations

import io
import json
import pickle
import zlib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

import h5py
import numpy as np

from chargebench.runs.checksum import PLACE, sealed

Edit = Callable[[h5py.File], None]
Builder = Callable[[bytes], bytes]

TIME: Final = "/entry/instrument/charge/value_log/time"
STATUS: Final = "/entry/instrument/charge/lines/status"
JOURNAL: Final = "/entry/journal/data"
RECORD: Final = "/entry/run/record"
SEAL: Final = "/entry/run/file_sha256"
STORED: Final = {"compression": "gzip", "fletcher32": True}


def edited(edit: Edit) -> Builder:
    """A builder that opens the sound image, changes it and seals it again."""

    def build(good: bytes) -> bytes:
        buffer = io.BytesIO(good)
        with h5py.File(buffer, "r+", libver=("v110", "v110")) as file:
            edit(file)
        return sealed(buffer.getvalue())

    return build


def patched(patch: Callable[[bytes], bytes]) -> Builder:
    """A builder that changes the image's bytes and seals it again."""
    return lambda good: sealed(patch(good))


def _replace(path: str, **how: Any) -> Edit:
    """Put another dataset in the place of one."""

    def edit(file: h5py.File) -> None:
        del file[path]
        file.create_dataset(path, **how)

    return edit


def _link(path: str, link: object) -> Edit:
    def edit(file: h5py.File) -> None:
        del file[path]
        file[path] = link

    return edit


def _external_storage(file: h5py.File) -> None:
    _replace(JOURNAL, shape=(16,), dtype="u1", external=[(__file__, 0, 16)])(file)


def _virtual(file: h5py.File) -> None:
    layout = h5py.VirtualLayout(shape=(400,), dtype="f8")
    layout[:] = h5py.VirtualSource("other.h5", "/data", shape=(400,))
    del file[TIME]
    file.create_virtual_dataset(TIME, layout)


def _reference(file: h5py.File) -> None:
    _replace(STATUS, data=np.array([file["entry"].ref] * 4, dtype=h5py.ref_dtype))(file)


def _region(file: h5py.File) -> None:
    region = file[TIME].regionref[:3]
    _replace(STATUS, data=np.array([region] * 4, dtype=h5py.regionref_dtype))(file)


def _opaque(file: h5py.File) -> None:
    _replace(JOURNAL, data=np.array([b"\x80\x04"] * 8, dtype="V2"), chunks=(8,), **STORED)(file)


def _named_type(file: h5py.File) -> None:
    del file[STATUS]
    file[STATUS] = np.dtype("i8")


def _loop(file: h5py.File) -> None:
    del file["entry/user"]
    file["entry/user"] = file["entry"]


def _root_below(file: h5py.File) -> None:
    del file["entry/instrument"]
    file["entry/instrument"] = file["/"]


def _deep(file: h5py.File) -> None:
    group = file["entry/user"]
    for _ in range(5000):
        group = group.create_group("user")


def _many_members(file: h5py.File) -> None:
    for index in range(20_000):
        file[f"entry/run/x{index:05d}"] = file["entry/run/tags"]


def _long_name(file: h5py.File) -> None:
    file.create_group("entry/" + "n" * 60_000)


def _unpacks_to(size: int) -> Edit:
    """A chunk that declares 8 kB and packs another number of zeros."""

    def edit(file: h5py.File) -> None:
        _replace(JOURNAL, shape=(8192,), dtype="u1", chunks=(8192,), **STORED)(file)
        file[JOURNAL].id.write_direct_chunk((0,), zlib.compress(bytes(size), 9) + b"\0\0\0\0")

    return edit


def _never_ends(file: h5py.File) -> None:
    _replace(JOURNAL, shape=(8192,), dtype="u1", chunks=(8192,), **STORED)(file)
    file[JOURNAL].id.write_direct_chunk((0,), zlib.compress(bytes(8192), 9)[:-6] + b"\0\0\0\0")


def _chunk_missing(file: h5py.File) -> None:
    _replace(STATUS, shape=(400,), dtype="i8", chunks=(400,), shuffle=True, **STORED)(file)


def _filter_skipped(file: h5py.File) -> None:
    values = np.arange(400)
    _replace(STATUS, shape=(400,), dtype="i8", chunks=(400,), shuffle=True, **STORED)(file)
    file[STATUS].id.write_direct_chunk((0,), values.tobytes(), filter_mask=7)


def _second_name(file: h5py.File) -> None:
    del file[STATUS]
    file[STATUS] = file["/entry/instrument/charge/lines/sequence"]


def _other_link(file: h5py.File) -> None:
    del file["entry/charge/charge"]
    file["entry/charge/charge"] = file["entry/mass/mass"]


def _link_out(file: h5py.File) -> None:
    del file["entry/charge/charge"]
    file.create_dataset("entry/charge/charge", data=np.arange(400.0), chunks=(400,), **STORED)


def _long_attribute(file: h5py.File) -> None:
    file["entry"].attrs["default"] = np.bytes_(b"charge" + b" " * 1_000_000)


def _many_attributes(file: h5py.File) -> None:
    for index in range(2000):
        file["entry"].attrs[f"a{index}"] = np.bytes_(b"x")


def _array_attribute(file: h5py.File) -> None:
    file["entry"].attrs["default"] = np.zeros(1000)


def _reference_attribute(file: h5py.File) -> None:
    file["entry"].attrs["default"] = file["entry/charge"].ref


def _other_text(path: str, text: bytes) -> Edit:
    return _replace(path, data=np.array([text], dtype=h5py.string_dtype("utf-8", len(text))), chunks=(1,), **STORED)


def _other_record(change: Callable[[dict[str, Any]], None]) -> Edit:
    def edit(file: h5py.File) -> None:
        record = json.loads(file[RECORD][0])
        change(record)
        _other_text(RECORD, json.dumps(record, indent=1).encode())(file)

    return edit


def _one_value_less(file: h5py.File) -> None:
    _replace(STATUS, data=file[STATUS][:-1], chunks=(64,), shuffle=True, **STORED)(file)


def _one_value_other(file: h5py.File) -> None:
    file[STATUS][7] ^= 1


def _old_format(good: bytes) -> bytes:
    buffer = io.BytesIO()
    with (
        h5py.File(io.BytesIO(good), "r") as source,
        h5py.File(buffer, "w", libver="earliest") as old,
    ):
        source.copy("entry", old)
    return sealed(buffer.getvalue())


def _user_block(good: bytes) -> bytes:
    buffer = io.BytesIO()
    with (
        h5py.File(io.BytesIO(good), "r") as source,
        h5py.File(buffer, "w", userblock_size=512, libver=("v110", "v110")) as file,
    ):
        source.copy("entry", file)
    return sealed(buffer.getvalue())


def _open_flag(image: bytes) -> bytes:
    """The superblock's flag says another program is writing; its checksum no longer fits."""
    return image[:11] + b"\x05" + image[12:]


def _seal_elsewhere(file: h5py.File) -> None:
    del file[SEAL]
    file.create_dataset(SEAL, data=np.array([b"none"], dtype=h5py.string_dtype("utf-8", 4)), chunks=(1,), **STORED)
    file["entry"].attrs["default"] = np.bytes_(PLACE)


def _array(data: Any, **how: Any) -> Edit:
    return _replace(STATUS, data=data, **how)


_MANY: Final = 1 << 40

HOSTILE: Final[Mapping[str, Builder]] = {
    "empty": lambda good: b"",
    "text": lambda good: b"time,charge\n0,1\n",
    "pickle": lambda good: pickle.dumps({"run_id": "x"}),
    "no checksum": lambda good: good.replace(PLACE[:40], b"x" * 40),
    "cut short": lambda good: good[: len(good) // 2],
    "cut short and sealed": lambda good: sealed(good[: len(good) // 2] + PLACE),
    "checksum of another file": lambda good: good + sealed(b"other" + PLACE)[5:],
    "checksum behind the image": lambda good: sealed(good + PLACE),
    "checksum in an attribute only": edited(_seal_elsewhere),
    "beginning wiped": lambda good: bytes(64) + good[64:],
    "external link": edited(_link("entry/user", h5py.ExternalLink("/etc/hostname.h5", "/"))),
    "external link to itself": edited(_link("entry/user", h5py.ExternalLink(".", "/entry"))),
    "soft link": edited(_link(STATUS, h5py.SoftLink("/entry/instrument/charge/lines/sequence"))),
    "soft link to nothing": edited(_link(STATUS, h5py.SoftLink("/nowhere"))),
    "soft link in a circle": edited(_link(STATUS, h5py.SoftLink(STATUS))),
    "external storage": edited(_external_storage),
    "virtual dataset": edited(_virtual),
    "contiguous": edited(_array(np.arange(400))),
    "chunks without gzip": edited(_array(np.arange(400), chunks=(64,))),
    "chunks without checksum": edited(_array(np.arange(400), chunks=(64,), compression="gzip")),
    "another packing": edited(_array(np.arange(400), chunks=(64,), compression="lzf", fletcher32=True)),
    "lossy packing": edited(_array(np.arange(400), chunks=(64,), scaleoffset=4)),
    "strings of any length": edited(_replace(RECORD, data=["{}"], dtype=h5py.string_dtype(), chunks=(1,))),
    "arrays of any length": edited(_replace(STATUS, shape=(4,), dtype=h5py.vlen_dtype("i8"), chunks=(4,))),
    "references": edited(_reference),
    "region references": edited(_region),
    "opaque": edited(_opaque),
    "compound": edited(_array(np.zeros(4, "i8,f8"), chunks=(4,), **STORED)),
    "enumeration": edited(_replace(STATUS, shape=(4,), dtype=h5py.enum_dtype({"A": 1}, "i8"), chunks=(4,), **STORED)),
    "array type": edited(_replace(STATUS, shape=(4,), dtype=np.dtype("(3,)i8"), chunks=(4,), **STORED)),
    "complex": edited(_array(np.zeros(4, "c16"), chunks=(4,), **STORED)),
    "narrow floats": edited(_replace(TIME, data=np.zeros(400, "f4"), chunks=(64,), shuffle=True, **STORED)),
    "the other byte order": edited(_replace(TIME, data=np.zeros(400, ">f8"), chunks=(64,), shuffle=True, **STORED)),
    "bytes for text": edited(_replace(RECORD, data=np.array([b"{}"]), chunks=(1,), **STORED)),
    "two dimensions": edited(_array(np.zeros((20, 20), "i8"), chunks=(20, 20), shuffle=True, **STORED)),
    "no dimension": edited(_array(np.int64(3))),
    "named type": edited(_named_type),
    "group for an array": edited(lambda file: _link(STATUS, file.create_group("entry/x"))(file)),
    "unknown group": edited(lambda file: file.create_group("entry/macro")),
    "unknown array": edited(lambda file: file.create_dataset("entry/run/extra", data=[1])),
    "hidden name": edited(lambda file: file.create_group("entry/\u202ecod.run")),
    "very long name": edited(_long_name),
    "groups in a circle": edited(_loop),
    "root below itself": edited(_root_below),
    "five thousand groups deep": edited(_deep),
    "twenty thousand members": edited(_many_members),
    "huge shape": edited(_replace(TIME, shape=(_MANY,), dtype="f8", chunks=(1024,), shuffle=True, **STORED)),
    "gigabyte of nothing": edited(_replace(JOURNAL, shape=(1 << 30,), dtype="u1", chunks=(1 << 18,), **STORED)),
    "gigabyte chunk": edited(_replace(JOURNAL, shape=(1 << 30,), dtype="u1", chunks=(1 << 30,), **STORED)),
    "packed zeros": edited(_replace(JOURNAL, data=np.zeros(200_000_000, "u1"), chunks=(1 << 18,), **STORED)),
    "chunk larger than the data": edited(
        _replace(TIME, shape=(4,), maxshape=(None,), dtype="f8", chunks=(4096,), shuffle=True, **STORED)
    ),
    "chunk that unpacks to four hundred megabytes": edited(_unpacks_to(400_000_000)),
    "chunk that unpacks to eight megabytes": edited(_unpacks_to(8_000_000)),
    "chunk that unpacks to less": edited(_unpacks_to(8000)),
    "chunk that never ends": edited(_never_ends),
    "chunk missing": edited(_chunk_missing),
    "chunk past the filters": edited(_filter_skipped),
    "two names for an array": edited(_second_name),
    "plot of another array": edited(_other_link),
    "plot of no array of the run": edited(_link_out),
    "very long attribute": edited(_long_attribute),
    "two thousand attributes": edited(_many_attributes),
    "numeric attribute": edited(_array_attribute),
    "reference attribute": edited(_reference_attribute),
    "attribute of any length": edited(lambda file: file["entry"].attrs.update(default="charge")),
    "other unit": edited(lambda file: file[TIME].attrs.update(units=np.bytes_("ms"))),
    "class of another kind": edited(lambda file: file["entry"].attrs.update(NX_class=np.bytes_("NXroot"))),
    "member missing": edited(lambda file: file.__delitem__(TIME)),
    "nearly everything missing": edited(
        lambda file: file.move(SEAL, "entry/user/name2") or file.__delitem__("entry/run")
    ),
    "another layout": edited(
        _replace("/entry/run/layout_version", data=np.array([2]), chunks=(1,), shuffle=True, **STORED)
    ),
    "record that is no JSON": edited(_other_text(RECORD, b"__import__('os').abort()")),
    "record of deep brackets": edited(_other_text(RECORD, b"[" * 200_000)),
    "record of long digits": edited(_other_text(RECORD, b'{"run_id": ' + b"9" * 100_000 + b"}")),
    "record not UTF-8": edited(_other_text(RECORD, b'{"run_id": "\xff"}')),
    "field of another type": edited(_other_record(lambda record: record.update(recovered="maybe"))),
    "field too many": edited(_other_record(lambda record: record.update(__class__="Run"))),
    "field missing": edited(_other_record(lambda record: record.pop("gaps"))),
    "channel twice": edited(_other_record(lambda record: record["channels"].append("charge"))),
    "channel without arrays": edited(_other_record(lambda record: record["channels"].append("current"))),
    "channel like a path": edited(_other_record(lambda record: record["channels"].append("../run"))),
    "one value less": edited(_one_value_less),
    "one value other": edited(_one_value_other),
    "name unlike the tag": edited(_other_text("/entry/sample/name", b"Another coffee")),
    "operator unlike the tag": edited(_other_text("/entry/user/name", b"somebody")),
    "old format": _old_format,
    "bytes before the file": _user_block,
    "marked as being written": patched(_open_flag),
    "length in the superblock": patched(lambda image: image[:28] + b"\xff" * 8 + image[36:]),
    "zeros for the middle": patched(lambda image: image[:512] + bytes(len(image) - 2048) + image[-1536:] + PLACE),
}
"""Name → sound file → hostile file."""


def build(folder: Path, good: bytes) -> dict[str, Path]:
    """Write every hostile file into a folder."""
    made = {}
    for number, (name, builder) in enumerate(HOSTILE.items()):
        made[name] = folder / f"{number:02d} {name}.h5"
        made[name].write_bytes(builder(good))
    return made

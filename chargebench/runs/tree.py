"""From a `Run` to the tree of named arrays that its file holds, and back.

Owns the meaning of every field of a run file. Knows arrays and names only: h5py is used by `chargebench.runs.write` and
`chargebench.runs.image` alone.

Reading rebuilds the whole tree from the run it found and compares, so that a file cannot differ in anything from what
this program would have written: fields that repeat a tag agree with it, and there is nothing else.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, cast

import numpy as np
import numpy.typing as npt

from chargebench.runs.json_parts import (
    knowledge_text,
    read_knowledge,
    read_record,
    read_values,
    record_text,
    values_text,
)
from chargebench.runs.layout import CHANNELS, LAYOUT_VERSION, Row, concrete_rows
from chargebench.runs.run import Run, Trace
from chargebench.units import QUANTITIES, base_channel, quantity_of

__all__ = ["Node", "Tree", "first_difference", "run_of", "tree_of"]

_ARRAYS: Final = {
    "time_s": "value_log/time",
    "value": "value_log/value",
    "status": "lines/status",
    "sequence": "lines/sequence",
    "device_ms": "lines/device_ms",
    "received_ns": "lines/received_ns",
}


@dataclass(frozen=True, eq=False, slots=True)
class Node:
    """One object of a file: a group, an array (a text is an array of one byte string), or a second name of an array."""

    attributes: Mapping[str, str] = field(default_factory=dict)
    array: npt.NDArray[Any] | None = None
    same_as: str = ""

    def same(self, other: Node) -> bool:
        """Whether both are equal to the last bit, NaN included."""
        if self.attributes != other.attributes or self.same_as != other.same_as:
            return False
        if self.array is None or other.array is None:
            return self.array is other.array
        alike = self.array.dtype == other.array.dtype and self.array.shape == other.array.shape
        return alike and _same_bytes(self.array, other.array)


def _same_bytes(one: npt.NDArray[Any], other: npt.NDArray[Any]) -> bool:
    """Whether two arrays of one type and shape are equal to the last bit; makes no copy, since they may be large."""
    if one.__array_interface__["data"] == other.__array_interface__["data"] and one.strides == other.strides:
        return True
    pairs = (np.ascontiguousarray(array).view("u1").data for array in (one, other))
    return next(pairs) == next(pairs)


Tree = Mapping[str, Node]


def differences(expected: Tree, found: Tree) -> Iterator[str]:
    """Paths at which two trees differ, in the order of the layout."""
    for path in [*expected, *(found.keys() - expected.keys())]:
        if path not in expected or path not in found or not expected[path].same(found[path]):
            yield path


def first_difference(expected: Tree, found: Tree) -> str:
    """First path at which two trees differ, or an empty string."""
    return next(differences(expected, found), "")


def tree_of(run: Run) -> dict[str, Node]:
    """Everything the file of a run holds, by path, in the order of the layout.

    Raises
    ------
    ValueError
        When a trace has a channel that no file can hold, a text cannot be stored (NUL, lone surrogates), or there is
        more than the layout has room for.
    """
    for channel, trace in run.traces.items():
        if channel not in CHANNELS or trace.channel != channel:
            raise ValueError(f"channel {channel!r}: a run file holds only {', '.join(QUANTITIES)}, numbered 2 to 32")
    arrays = {path: _text(text) for path, text in _texts(run).items()} | dict(_numbers(run))
    groups = {parent for path in arrays for parent in _parents(path)} | {f"/entry/{channel}" for channel in run.traces}
    tree: dict[str, Node] = {}
    for path, (row, channel) in concrete_rows().items():
        target = row.target.replace("{channel}", channel)
        if path in groups:
            tree[path] = Node(_group_attributes(run, row, channel))
        elif path in arrays:
            _bounded(path, arrays[path], row)
            tree[path] = Node(_array_attributes(row, path, channel), arrays[path])
        elif target in arrays:
            tree[path] = Node(same_as=target)
    return tree


def _bounded(path: str, array: npt.NDArray[Any], row: Row) -> None:
    size = array.dtype.itemsize if row.kind == "text" else len(array)
    if size > row.most:
        raise ValueError(f"{path}: {size} {'bytes' if row.kind == 'text' else 'elements'}; a run file holds {row.most}")


def _parents(path: str) -> Iterator[str]:
    while path != "/":
        path = path.rpartition("/")[0] or "/"
        yield path


def _group_attributes(run: Run, row: Row, channel: str) -> dict[str, str]:
    attributes = {"NX_class": row.what}
    if row.path == "/":
        attributes |= {"default": "entry", "creator": "chargebench"}
    elif row.path == "/entry" and run.traces:
        attributes |= {"default": next(channel for channel in CHANNELS if channel in run.traces)}
    elif row.what == "NXdata":
        attributes |= {"signal": channel, "axes": "time"}
    return attributes


def _array_attributes(row: Row, path: str, channel: str) -> dict[str, str]:
    if row.kind == "text":
        return {}
    units = quantity_of(channel).unit if row.what == "{unit}" else row.what
    return {"units": units, "target": path} if "/value_log/" in path else {"units": units}


def _texts(run: Run) -> dict[str, str]:
    """Every text of a file by path. The JSON of record, tags and knowledge is exact; the other fields repeat them."""
    texts = {
        "/entry/entry_identifier": run.run_id,
        "/entry/start_time": run.started,
        "/entry/run/raw_sha256": run.raw_sha256(),
        "/entry/run/record": record_text(run),
        "/entry/run/tags": values_text(run.tags),
        "/entry/sample/name": _shown(run.tags.get("coffee", "not stated")),
        "/entry/sample/description": _shown("; ".join(f"{key} = {value}" for key, value in run.tags.items())),
        "/entry/bench_file/type": "application/toml",
        "/entry/bench_file/data": run.bench_text,
        "/entry/knowledge/type": "application/json",
        "/entry/knowledge/data": knowledge_text(run.knowledge),
        "/entry/journal/type": "text/plain",
    }
    if "operator" in run.tags:
        texts["/entry/user/name"] = _shown(run.tags["operator"])
    for channel, trace in run.traces.items():
        texts[f"/entry/instrument/{channel}/name"] = trace.instrument
        texts[f"/entry/instrument/{channel}/type"] = base_channel(channel)
    return texts


def _numbers(run: Run) -> Iterator[tuple[str, npt.NDArray[Any]]]:
    yield "/entry/run/layout_version", np.array([LAYOUT_VERSION], dtype="<i8")
    yield "/entry/journal/data", np.frombuffer(run.journal, dtype="u1")
    for channel, trace in run.traces.items():
        for name, place in _ARRAYS.items():
            array = getattr(trace, name)
            yield f"/entry/instrument/{channel}/{place}", array.astype(array.dtype.newbyteorder("<"), copy=False)


def _text(text: str) -> npt.NDArray[np.bytes_]:
    """One fixed-length string; an empty one takes one byte."""
    data = text.encode("utf-8")
    if b"\0" in data:
        raise ValueError(f"text {text[:60]!r}: holds NUL, which a run file cannot keep")
    return np.array([data], dtype=f"S{max(len(data), 1)}")


def _shown(value: object) -> str:
    """A tag as a descriptive field: what HDF5 text cannot hold is written as an escape (the JSON keeps it exactly)."""
    return str(value).encode("utf-8", "backslashreplace").decode().replace("\0", "\\x00")


def run_of(tree: Tree) -> Run:
    """The run a tree holds.

    Raises
    ------
    ValueError
        When the tree is not exactly what `tree_of` makes of some run: something is missing, in excess, of another
        shape, or does not agree with the rest. The message names the first path that differs.
    """
    try:
        run = _read(tree)
        expected = tree_of(run)
    except (KeyError, TypeError, AttributeError, OverflowError, RecursionError) as error:
        raise ValueError(f"{type(error).__name__}: {error}") from error
    different = first_difference(expected, tree)
    if different:
        raise ValueError(f"{different} does not agree with the rest of the run")
    return run


def _bytes(array: npt.NDArray[Any]) -> bytes:
    """What an array of bytes holds: the very bytes that it was made of, where it was, and no copy."""
    return array.base if isinstance(array.base, bytes) and len(array.base) == array.nbytes else array.tobytes()


def _read(tree: Tree) -> Run:
    """A run from the exact fields of a tree; whatever those get wrong, the comparison in `run_of` finds."""

    def array(path: str) -> npt.NDArray[Any]:
        return cast(npt.NDArray[Any], tree[path].array)

    def text(path: str) -> str:
        return cast(bytes, array(path)[0]).decode("utf-8")

    def trace(channel: str) -> Trace:
        sensor = f"/entry/instrument/{channel}"
        arrays = {name: array(f"{sensor}/{place}") for name, place in _ARRAYS.items()}
        return Trace(channel, text(f"{sensor}/name"), **arrays)

    version = array("/entry/run/layout_version").tolist()
    if version != [LAYOUT_VERSION]:
        raise ValueError(f"layout {version}; this program reads layout {LAYOUT_VERSION}, a newer one may read both")
    arguments, channels = read_record(text("/entry/run/record"))
    return Run(
        **arguments,
        tags=read_values(text("/entry/run/tags")),
        traces={channel: trace(channel) for channel in channels},
        bench_text=text("/entry/bench_file/data"),
        knowledge=read_knowledge(text("/entry/knowledge/data")),
        journal=_bytes(array("/entry/journal/data")),
    )

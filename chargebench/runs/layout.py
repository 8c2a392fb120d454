"""The layout of a run file, in one table.

Owns what is where, of which kind, unit and size, and under which NeXus class (manual.nexusformat.org).
Holds no data and reads no file: `chargebench.runs.tree` turns a run into such a tree and back.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Final, Literal

from chargebench.runs.checksum import PLACE
from chargebench.units import QUANTITIES

__all__ = ["CHANNELS", "LAYOUT", "LAYOUT_VERSION", "MOST_BYTES", "Row", "children", "concrete_rows"]

LAYOUT_VERSION: Final = 1

MOST_SAMPLES: Final = 50_000_000
LONGEST_WORD: Final = 4096
LONGEST_TEXT: Final = 4 << 20
LONGEST_JOURNAL: Final = 1 << 30
MOST_BYTES: Final = 160 << 20
"""Bytes of all arrays of a file together, unpacked, so that no run file takes more than 500 MB or ten seconds of a core
to read: half an hour at 1,000 readings a second with the journal they came in, two days at 10."""

CHANNELS: Final = tuple(f"{name}{number}" for name in QUANTITIES for number in ("", *range(2, 33)))
"""Every channel a file may hold."""

Kind = Literal["group", "float64", "int64", "uint8", "text", "link", "seal"]


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the layout.

    Attributes
    ----------
    path : str
        ``{channel}`` stands for any of `CHANNELS`.
    kind : str
        ``group``, the dtype of a one-dimensional array, ``text`` (one fixed-length UTF-8 string), ``link`` (a second
        hard link to the array named by `target`) or ``seal`` (the file's own checksum, see `chargebench.runs.checksum`,
        the only dataset that is not packed: its bytes have to be found without HDF5).
    what : str
        NeXus class of a group; else the unit of the numbers, ``{unit}`` for the channel's own.
    most : int
        Elements of an array, or bytes of a text.
    target : str
        Of a link.
    """

    path: str
    kind: Kind
    what: str = ""
    most: int = 0
    target: str = ""


_SENSOR: Final = "/entry/instrument/{channel}"

LAYOUT: Final = (
    Row("/", "group", "NXroot"),
    Row("/entry", "group", "NXentry"),
    Row("/entry/entry_identifier", "text", most=LONGEST_WORD),
    Row("/entry/start_time", "text", most=LONGEST_WORD),
    Row("/entry/run", "group", "NXparameters"),
    Row("/entry/run/layout_version", "int64", "1", 1),
    Row("/entry/run/raw_sha256", "text", most=64),
    Row("/entry/run/file_sha256", "seal", most=len(PLACE)),
    Row("/entry/run/record", "text", most=LONGEST_TEXT),
    Row("/entry/run/tags", "text", most=LONGEST_TEXT),
    Row("/entry/sample", "group", "NXsample"),
    Row("/entry/sample/name", "text", most=LONGEST_TEXT),
    Row("/entry/sample/description", "text", most=LONGEST_TEXT),
    Row("/entry/user", "group", "NXuser"),
    Row("/entry/user/name", "text", most=LONGEST_TEXT),
    Row("/entry/bench_file", "group", "NXnote"),
    Row("/entry/bench_file/type", "text", most=LONGEST_WORD),
    Row("/entry/bench_file/data", "text", most=LONGEST_TEXT),
    Row("/entry/knowledge", "group", "NXnote"),
    Row("/entry/knowledge/type", "text", most=LONGEST_WORD),
    Row("/entry/knowledge/data", "text", most=LONGEST_TEXT),
    Row("/entry/journal", "group", "NXnote"),
    Row("/entry/journal/type", "text", most=LONGEST_WORD),
    Row("/entry/journal/data", "uint8", "1", LONGEST_JOURNAL),
    Row("/entry/instrument", "group", "NXinstrument"),
    Row(_SENSOR, "group", "NXsensor"),
    Row(f"{_SENSOR}/name", "text", most=LONGEST_WORD),
    Row(f"{_SENSOR}/type", "text", most=LONGEST_WORD),
    Row(f"{_SENSOR}/value_log", "group", "NXlog"),
    Row(f"{_SENSOR}/value_log/time", "float64", "s", MOST_SAMPLES),
    Row(f"{_SENSOR}/value_log/value", "float64", "{unit}", MOST_SAMPLES),
    Row(f"{_SENSOR}/lines", "group", "NXcollection"),
    Row(f"{_SENSOR}/lines/status", "int64", "1", MOST_SAMPLES),
    Row(f"{_SENSOR}/lines/sequence", "int64", "1", MOST_SAMPLES),
    Row(f"{_SENSOR}/lines/device_ms", "int64", "ms", MOST_SAMPLES),
    Row(f"{_SENSOR}/lines/received_ns", "int64", "ns", MOST_SAMPLES),
    Row("/entry/{channel}", "group", "NXdata"),
    Row("/entry/{channel}/time", "link", target=f"{_SENSOR}/value_log/time"),
    Row("/entry/{channel}/{channel}", "link", target=f"{_SENSOR}/value_log/value"),
)
"""Every object a run file may hold; nothing else is accepted."""


@cache
def concrete_rows() -> Mapping[str, tuple[Row, str]]:
    """Every path a file may hold, with its row and its channel (or an empty string), in the order of the table."""
    found: dict[str, tuple[Row, str]] = {}
    for row in LAYOUT:
        for channel in CHANNELS if "{channel}" in row.path else ("",):
            found[row.path.replace("{channel}", channel)] = (row, channel)
    return found


@cache
def _children() -> Mapping[str, frozenset[str]]:
    found: dict[str, set[str]] = {}
    for path in concrete_rows():
        if path != "/":
            parent, _, name = path.rpartition("/")
            found.setdefault(parent or "/", set()).add(name)
    return {parent: frozenset(names) for parent, names in found.items()}


def children(path: str) -> frozenset[str]:
    """Names a group may hold."""
    return _children().get(path, frozenset())

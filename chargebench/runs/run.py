"""A sealed recording as values in memory. Owns the nouns `Run` and `Trace`; knows nothing of HDF5, ports or recipes.

Raw stays raw: arrays are read-only, units compulsory, and nothing here corrects anything.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from chargebench.units import quantity_of

__all__ = ["Gap", "InstrumentRecord", "Knowledge", "Known", "Mark", "Run", "Trace"]

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
TagValue = str | float


def _frozen(values: npt.ArrayLike, dtype: npt.DTypeLike) -> npt.NDArray[np.generic]:
    """A read-only copy."""
    array = np.array(values, dtype=dtype)
    array.setflags(write=False)
    return array


@dataclass(frozen=True, eq=False)
class Trace:
    """Everything one channel of one instrument sent during a run, in order of arrival.

    Attributes
    ----------
    channel : str
        ``charge``, ``charge2`` …, ``current``, ``mass``, ``humidity``, ``temperature``.
    instrument : str
        Name of the instrument in the bench file.
    time_s : float64 array (n,)
        Seconds on the run's clock (see `Run.clock`); not necessarily evenly spaced.
    value : float64 array (n,)
        In the canonical unit of the channel; NaN where the instrument gave no number.
    status : int64 array (n,)
        Bits of `chargebench.wire.reading.Status`.
    sequence, device_ms : int64 array (n,)
        As sent; -1 where the line carries none.
    received_ns : int64 array (n,)
        Host's monotonic time of receipt.
    """

    channel: str
    instrument: str
    time_s: Floats
    value: Floats
    status: Integers
    sequence: Integers
    device_ms: Integers
    received_ns: Integers

    def __post_init__(self) -> None:
        """Freeze the arrays and hold them to one length.

        Raises
        ------
        ValueError
            When the arrays differ in length or are not one-dimensional.
        """
        for name in ("time_s", "value"):
            object.__setattr__(self, name, _frozen(getattr(self, name), np.float64))
        for name in ("status", "sequence", "device_ms", "received_ns"):
            object.__setattr__(self, name, _frozen(getattr(self, name), np.int64))
        shapes = {
            n: getattr(self, n).shape for n in ("time_s", "value", "status", "sequence", "device_ms", "received_ns")
        }
        if len(set(shapes.values())) != 1 or len(self.time_s.shape) != 1:
            raise ValueError(
                f"trace {self.channel!r}: arrays must be one-dimensional and of one length, found {shapes}"
            )

    @property
    def unit(self) -> str:
        """Canonical unit of the values."""
        return quantity_of(self.channel).unit

    def __len__(self) -> int:
        return len(self.time_s)


@dataclass(frozen=True)
class Mark:
    """A moment worth keeping: a change of state (``state``), a person's word (``user``) or the program's (``note``)."""

    time_s: float
    kind: str
    text: str


@dataclass(frozen=True)
class Gap:
    """A stretch in which an instrument was not heard, and why, in one sentence."""

    instrument: str
    start_s: float
    end_s: float
    reason: str


@dataclass(frozen=True)
class InstrumentRecord:
    """What is known of an instrument that took part.

    Attributes
    ----------
    port, lines : str
        As in the bench file (``lines`` is ``framed``, ``printed`` or ``scpi``).
    carries : tuple of str
        Channels it was asked for.
    identity : str
        What it answered about itself, or empty.
    lines_read : int
        Whole lines seen.
    rejects : mapping of str to int
        Lines rejected, by reason.
    """

    name: str
    port: str
    lines: str
    carries: tuple[str, ...]
    identity: str = ""
    lines_read: int = 0
    rejects: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Known:
    """One number known of the bench before the run, with where it comes from.

    ``dof`` is infinite where the source states none. ``until`` is an ISO date, or empty where it does not run out.
    """

    value: float
    u: float
    dof: float = float("inf")
    source: str = ""
    date: str = ""
    until: str = ""


@dataclass(frozen=True)
class Knowledge:
    """What the bench is known to do, as used by a run; every entry may be missing.

    Keys in use (units in the names): ``gain`` (true charge per displayed charge, 1), ``leakage_rate_per_s`` (1/τ),
    ``bias_current_nA``, ``correlation_rate_bias`` (of the errors of these two), ``charge_noise_1s_nC``,
    ``charge_walk_nC_per_root_s``, ``charge_walk_span_s`` (over how long that was seen), ``charge_offset_nC``,
    ``net_charge_floor_nC`` (value 0, u = the spread of null grinds), ``ioniser_background_nC``, ``scale_gain`` (1),
    ``scale_resolution_g``, ``scale_repeatability_g``, ``scale_linearity_g`` (value = the stated figure),
    ``detection_limit_nC``, ``spray_g``, ``spray_sd_g`` (spread of one spray), and ``…_grind_s``, how long the null
    grinds behind a value lasted.
    """

    known: Mapping[str, Known] = field(default_factory=lambda: MappingProxyType({}))

    def get(self, key: str) -> Known | None:
        """The entry, or None."""
        return self.known.get(key)


@dataclass(frozen=True, eq=False)
class Run:
    """One sealed recording: who, what, when, and raw arrays. Never changed again.

    Attributes
    ----------
    run_id : str
        ``20260314T091500Z-7f3a2c``: UTC start and six random hex digits. Sorts by time.
    started : str
        ISO 8601 UTC wall-clock time at which recording began: a label, never used for timing.
    tags : mapping of str to str or float
        Validated by `chargebench.runs.tags`.
    traces : mapping of str to Trace
        By channel.
    marks, gaps : tuple
        In order of time.
    instruments : mapping of str to InstrumentRecord
        By name.
    bench_text : str
        The bench file as it was, TOML.
    knowledge : Knowledge
        Calibrations and limits in force when the run was made.
    clock : mapping of str to str or float
        ``governs`` (instrument name or ``host``), ``rate`` (governing seconds per host second), ``note``.
    journal : bytes
        The journal the run was sealed from (empty for an imported run).
    recovered : bool
        True where the recording was cut short and sealed later.
    versions : mapping of str to str
        Software that recorded it.
    origin : str
        ``recorded`` or ``imported``.
    """

    run_id: str
    started: str
    tags: Mapping[str, TagValue]
    traces: Mapping[str, Trace]
    marks: tuple[Mark, ...] = ()
    gaps: tuple[Gap, ...] = ()
    instruments: Mapping[str, InstrumentRecord] = field(default_factory=dict)
    bench_text: str = ""
    knowledge: Knowledge = field(default_factory=Knowledge)
    clock: Mapping[str, TagValue] = field(default_factory=dict)
    journal: bytes = b""
    recovered: bool = False
    versions: Mapping[str, str] = field(default_factory=dict)
    origin: str = "recorded"

    def __post_init__(self) -> None:
        for name in ("tags", "traces", "instruments", "clock", "versions"):
            object.__setattr__(self, name, MappingProxyType(dict(getattr(self, name))))

    def raw_sha256(self) -> str:
        """SHA-256 over the raw arrays, channel by channel in order of name, little-endian; worked out once."""
        return self._raw_sha256

    @cached_property
    def _raw_sha256(self) -> str:
        digest = hashlib.sha256()
        for channel in sorted(self.traces):
            trace = self.traces[channel]
            digest.update(channel.encode())
            for name in ("time_s", "value", "status", "sequence", "device_ms", "received_ns"):
                array = getattr(trace, name)
                digest.update(np.ascontiguousarray(array.astype(array.dtype.newbyteorder("<"), copy=False)).data)
        return digest.hexdigest()

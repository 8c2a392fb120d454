"""What every run file must be, whatever run it holds and whoever made it.

`FILES` names the makers; a new way of making run files is added there and has to pass everything below.
"""

from __future__ import annotations

import hashlib
import io
import logging
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from chargebench.runs.check import difference
from chargebench.runs.layout import CHANNELS, LAYOUT
from chargebench.runs.load import load_run
from chargebench.runs.run import Knowledge, Run
from chargebench.runs.write import SEAL, run_bytes
from tests.runs.made_runs import made_run, made_trace

FILES: dict[str, Run] = {
    "recorded": made_run(),
    "several charge inputs": made_run(
        traces={name: made_trace(name, "cup", 50) for name in ("charge", "charge2", "charge3", "current")}
    ),
    "many channels": made_run(traces={name: made_trace(name, "cup", 3) for name in CHANNELS[::12]}),
    "no sample": made_run(traces={"charge": made_trace("charge", "cup", 0)}),
    "nothing": Run("20260314T091500Z-000000", "2026-03-14T09:15:00Z", {}, {}),
    "imported": made_run(origin="imported", journal=b"", instruments={}, knowledge=Knowledge()),
    "many chunks": made_run(samples=70_000),
    "odd text": made_run(tags={"coffee": "\x00\x1b<b>\u202e", "note": "ñ" * 10_000, "operator": "=1+1"}),
}


@pytest.fixture(scope="module", params=FILES)
def made(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Run, Path]:
    """A run and its file."""
    run = FILES[request.param]
    path = tmp_path_factory.mktemp("made") / f"{run.run_id}.h5"
    path.write_bytes(run_bytes(run))
    return run, path


def _objects(path: Path) -> Iterator[tuple[str, Any]]:
    with h5py.File(path, "r") as file:
        found: list[tuple[str, Any]] = [("/", file)]
        file.visititems(lambda name, thing: found.append((f"/{name}", thing)))
        yield from found


def test_loads_equal(made: tuple[Run, Path]) -> None:
    """Our reader gives back the run."""
    run, path = made
    assert difference(load_run(path), run) == ""


def test_nexus_validator_finds_no_error(made: tuple[Run, Path], caplog: pytest.LogCaptureFixture) -> None:
    """The NeXus validator, with the definitions it carries, has neither error nor warning to tell."""
    from nexusformat.nexus.validate import validate_file

    with caplog.at_level(logging.CRITICAL):
        assert validate_file(str(made[1])) == (0, 0)


def test_validator_can_find_errors(tmp_path: Path) -> None:
    """The same validator does object to a file whose plot names a signal that is not there."""
    from nexusformat.nexus.validate import validate_file

    path = tmp_path / "wrong.h5"
    path.write_bytes(run_bytes(FILES["recorded"]))
    with h5py.File(path, "r+") as file:
        file["entry/charge"].attrs["signal"] = np.bytes_("voltage")
        file["entry/instrument"].attrs["NX_class"] = np.bytes_("NXbench")
    _, errors = validate_file(str(path))
    assert errors > 0


def test_default_plot_shows_the_first_channel_against_time(made: tuple[Run, Path]) -> None:
    """A NeXus viewer that follows ``default`` finds the values, the time axis and their units."""
    from nexusformat.nexus import nxload

    run, path = made
    channels = [channel for channel in CHANNELS if channel in run.traces]
    with nxload(str(path)) as root:
        for channel in channels:
            data = root.entry[channel]
            np.testing.assert_array_equal(data.nxsignal.nxvalue, run.traces[channel].value)
            np.testing.assert_array_equal(data.nxaxes[0].nxvalue, run.traces[channel].time_s)
            assert data.nxsignal.attrs["units"] == run.traces[channel].unit
        if channels:
            assert root.attrs["default"] == "entry"
            assert root.entry.attrs["default"] == channels[0]


def test_every_dataset_is_packed_and_guarded(made: tuple[Run, Path]) -> None:
    """Chunked, gzip, fletcher32, fixed-length types: on every dataset but the file's own checksum."""
    for name, thing in _objects(made[1]):
        if isinstance(thing, h5py.Dataset) and name != SEAL:
            assert thing.chunks is not None, name
            assert thing.compression == "gzip", name
            assert thing.fletcher32, name
            assert thing.dtype.kind in "fiuS", name
            assert not thing.is_virtual, name
            assert thing.external is None, name


def test_every_number_has_a_unit_and_every_text_attribute_a_fixed_length(made: tuple[Run, Path]) -> None:
    """``units`` on every numeric dataset; no attribute of ours lives in HDF5's unguarded heap."""
    for name, thing in _objects(made[1]):
        if isinstance(thing, h5py.Dataset) and thing.dtype.kind in "fiu":
            assert thing.attrs["units"], name
        for key in thing.attrs:
            if key not in ("DIMENSION_LIST", "REFERENCE_LIST"):
                assert thing.attrs.get_id(key).dtype.kind == "S", (name, key)


def test_every_object_is_in_the_table(made: tuple[Run, Path]) -> None:
    """A file holds nothing that the layout does not list, with the class it lists."""
    rows = {row.path.replace("{channel}", channel): row for row in LAYOUT for channel in CHANNELS}
    with h5py.File(made[1], "r") as file:
        for name, thing in _objects(made[1]):
            row = rows[name]
            if row.kind == "group":
                assert file[name].attrs["NX_class"] == np.bytes_(row.what)
            else:
                assert isinstance(thing, h5py.Dataset)


def test_links_are_hard_and_name_their_target(made: tuple[Run, Path]) -> None:
    """The plotted arrays are the logged ones under a second name, not copies."""
    run, path = made
    with h5py.File(path, "r") as file:
        for channel in run.traces:
            for plotted, logged in (("time", "time"), (channel, "value")):
                log = f"/entry/instrument/{channel}/value_log/{logged}"
                assert file[f"/entry/{channel}/{plotted}"] == file[log]
                assert file[log].attrs["target"] == np.bytes_(log)
            assert file[f"/entry/{channel}/{channel}"].dims[0][0] == file[f"/entry/{channel}/time"]


def test_journal_travels_as_it_was(made: tuple[Run, Path]) -> None:
    """The raw bytes as received are in the file, readable without this program."""
    run, path = made
    with h5py.File(path, "r") as file:
        assert file["entry/journal/data"][()].tobytes() == run.journal


def test_file_carries_its_own_checksum(made: tuple[Run, Path]) -> None:
    """SHA-256 of the whole file, with the digits of ``file_sha256`` taken as zeros, is what those digits say."""
    with h5py.File(made[1], "r") as file:
        text, start = file[SEAL][0], file[SEAL].id.get_offset()
    digits = re.fullmatch(rb".*: ([0-9a-f]{64})\n", text)[1]
    data = made[1].read_bytes()
    end = start + len(text) - 1
    assert data[end - 64 : end] == digits
    assert hashlib.sha256(data[: end - 64] + b"0" * 64 + data[end:]).hexdigest().encode() == digits


def test_other_programs_may_look(made: tuple[Run, Path]) -> None:
    """A program that opens the file for writing but writes nothing leaves every byte as it was."""
    path = made[1]
    before = path.read_bytes()
    with h5py.File(path, "r+") as file:
        assert file["entry/run/layout_version"][0] == 1
    assert path.read_bytes() == before


def test_equal_runs_give_equal_bytes(made: tuple[Run, Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """No time, name or chance gets into a file: written on another day it is the same."""
    run, path = made
    monkeypatch.setattr(time, "time", lambda: 4_000_000_000.0)
    assert run_bytes(run) == path.read_bytes()


def test_format_is_one_that_old_readers_know(made: tuple[Run, Path]) -> None:
    """HDF5 1.10 can read it: superblock 3, and nothing newer was asked for."""
    data = made[1].read_bytes()
    assert data.startswith(b"\x89HDF\r\n\x1a\n\x03")
    with h5py.File(io.BytesIO(data), "r") as file:
        assert file.userblock_size == 0

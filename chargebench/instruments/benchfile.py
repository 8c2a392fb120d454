"""The bench file: which instruments stand on the bench, on which ports, in which line format. Owns its every key.

A bench file is data: it names ports of the documented kinds only, its patterns are bounded, and nothing in it is run.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, field_validator, model_validator

from chargebench.bounded import toml_tables
from chargebench.errors import BenchFileError
from chargebench.files import BENCH, read_bytes
from chargebench.instruments.address import check_port
from chargebench.units import QUANTITIES, base_channel
from chargebench.wire.framed import kind_of
from chargebench.wire.make import make_decoder
from chargebench.wire.pattern import compile_pattern

__all__ = ["Bench", "Calibration", "Instrument", "Recording", "bench_from_text", "read_bench"]

_CHANNELS = "charge, charge2 … charge99, current, mass, humidity, temperature"


def _text_to_bytes(text: object) -> object:
    """A request as the bytes to send."""
    return text.encode("latin-1", "replace") if isinstance(text, str) else text


# The description of each field is what an error message says is allowed.
Port = Annotated[str, Field(description="a device path, COMn, socket://host:port or rfc2217://host:port")]
Words = Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[ -~]+$")]
Positive = Annotated[float | None, Field(gt=0, allow_inf_nan=False, description="a number above 0")]
Finite = Annotated[float | None, Field(allow_inf_nan=False, description="a finite number")]
Seconds = Annotated[float, Field(ge=1, le=600, allow_inf_nan=False, description="1 to 600 seconds")]
Date = Annotated[datetime.date | None, Field(strict=False, description="a date such as 2026-03-14")]


class _Strict(BaseModel):
    """No unknown keys, no change after reading."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Instrument(_Strict):
    """One instrument: ``[instrument.NAME]``.

    Attributes
    ----------
    name : str
        From the table's heading.
    port : str
        Device path, ``COMn``, ``socket://host:port`` or ``rfc2217://host:port``.
    lines : {"framed", "printed", "scpi"}
        Line format.
    baud : int
        Speed of a serial port; sockets pass over it.
    carries : tuple of str
        Channels to record.
    pattern : str or None
        For printed lines in a shape that is not built in.
    request : bytes or None
        For a scale that prints only when asked: what to send, every `poll_s`.
    poll_s : float
        Seconds from one request or query to the next.
    start : tuple of str
        For scpi: commands sent once when the port opens.
    query : str
        For scpi: what asks for a reading.
    serial_number : str or None
        USB serial number; where given, the port is looked up by it, so that the instrument may change its name.
    resolution_g, repeatability_g, linearity_g : float or None
        A scale's stated figures.
    """

    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,40}$", description="1 to 40 letters, digits, _ or -")]
    port: Port
    lines: Annotated[Literal["framed", "printed", "scpi"], Field(description="framed, printed, scpi")]
    baud: Annotated[int, Field(ge=300, le=4_000_000, description="a whole number, 300 to 4000000")] = 115200
    carries: Annotated[
        tuple[str, ...], Field(strict=False, min_length=1, max_length=110, description=f"a list of {_CHANNELS}")
    ]
    pattern: Annotated[str | None, Field(description="a regular expression with a group (?P<value>…)")] = None
    request: Annotated[
        bytes | None,
        BeforeValidator(_text_to_bytes),
        Field(
            min_length=1, max_length=200, description="1 to 200 characters to send, such as 'P\\r\\n' in double quotes"
        ),
    ] = None
    poll_s: Annotated[float, Field(ge=0.01, le=60, allow_inf_nan=False, description="0.01 to 60 seconds")] = 0.1
    start: Annotated[
        tuple[Words, ...], Field(strict=False, max_length=100, description="a list of commands in printable ASCII")
    ] = ()
    query: Annotated[Words, Field(description="a query in printable ASCII, such as READ?")] = "READ?"
    serial_number: Annotated[str | None, Field(min_length=1, max_length=200, description="a USB serial number")] = None
    resolution_g: Positive = None
    repeatability_g: Positive = None
    linearity_g: Positive = None

    @field_validator("port")
    @classmethod
    def _known_kind_of_port(cls, port: str) -> str:
        check_port(port)
        return port

    @field_validator("pattern")
    @classmethod
    def _bounded_pattern(cls, pattern: str | None) -> str | None:
        if pattern is not None:
            compile_pattern(pattern)
        return pattern

    @field_validator("carries")
    @classmethod
    def _known_channels(cls, carries: tuple[str, ...]) -> tuple[str, ...]:
        for channel in carries:
            if base_channel(channel) not in QUANTITIES or channel == "notice":
                raise ValueError(f"no channel {channel!r}; allowed are {_CHANNELS}")
            kind_of(channel)
            if carries.count(channel) > 1:
                raise ValueError(f"channel {channel!r} stands there twice; once is allowed")
        return carries

    @model_validator(mode="after")
    def _keys_fit_lines(self) -> Self:
        """Keys that only some line formats use, and channels the format cannot carry."""
        given = self.model_fields_set
        users = {"pattern": ("printed",), "request": ("printed",), "start": ("scpi",), "query": ("scpi",)}
        for key, formats in users.items():
            if key in given and self.lines not in formats:
                raise ValueError(f"key {key} is used with lines = {formats[0]!r} only, these are {self.lines!r}")
        if "poll_s" in given and self.lines != "scpi" and self.request is None:
            raise ValueError("key poll_s is used with lines = 'scpi' or with a request only")
        for key in ("resolution_g", "repeatability_g", "linearity_g"):
            if key in given and "mass" not in self.carries:
                raise ValueError(f"key {key} is used where carries has 'mass' only, found {list(self.carries)}")
        make_decoder(self.lines, self.carries, self.pattern)
        return self


class Calibration(_Strict):
    """What is known of the charge input: ``[calibration]``. Each ``u_`` is a standard uncertainty."""

    gain: Positive = None
    u_gain: Positive = None
    leakage_time_constant_s: Positive = None
    u_leakage_time_constant_s: Positive = None
    bias_current_pA: Finite = None
    u_bias_current_pA: Positive = None
    certified: Date = None
    valid_until: Date = None

    @model_validator(mode="after")
    def _uncertainties_have_values(self) -> Self:
        for key in ("gain", "leakage_time_constant_s", "bias_current_pA"):
            given, missing = key, f"u_{key}"
            if getattr(self, key) is None:
                given, missing = missing, given
            if getattr(self, given) is not None and getattr(self, missing) is None:
                raise ValueError(f"{given} is given without {missing}; give both")
        if self.certified and self.valid_until and self.valid_until < self.certified:
            raise ValueError(f"valid_until {self.valid_until} is before certified {self.certified}")
        return self


class Recording(_Strict):
    """How long the quiet stretches are: ``[recording]``."""

    quiet_before_s: Seconds = 10.0
    quiet_after_s: Seconds = 12.0


class _Heading(_Strict):
    """``[bench]``."""

    name: Annotated[str, Field(min_length=1, max_length=200, description="1 to 200 printable characters")]

    @field_validator("name")
    @classmethod
    def _printable(cls, name: str) -> str:
        if not name.isprintable() or not name.strip():
            raise ValueError("allowed are printable characters")
        return name


class _File(_Strict):
    """The whole file."""

    bench: _Heading
    instrument: Annotated[dict[str, Instrument], Field(min_length=1, description="one [instrument.NAME] or more")]
    calibration: Calibration = Calibration()
    recording: Recording = Recording()

    @field_validator("instrument", mode="before")
    @classmethod
    def _named(cls, tables: Any) -> Any:
        """Give each instrument the name of its table."""
        if not isinstance(tables, dict):
            return tables
        for name, table in tables.items():
            if isinstance(table, dict) and "name" in table:
                raise ValueError(f"instrument {name!r}: key name is not known; the heading [instrument.NAME] says it")
        return {name: table | {"name": name} if isinstance(table, dict) else table for name, table in tables.items()}

    @field_validator("instrument")
    @classmethod
    def _shared_nothing(cls, instruments: dict[str, Instrument]) -> dict[str, Instrument]:
        """No channel and no port belongs to two instruments."""
        owner: dict[tuple[str, str], str] = {}
        for name, instrument in instruments.items():
            things = [("channel", channel) for channel in instrument.carries]
            things.append(("port", instrument.port if instrument.serial_number is None else instrument.serial_number))
            for thing in things:
                if thing in owner:
                    raise ValueError(f"{owner[thing]} and {name} both have {thing[0]} {thing[1]!r}; allowed is one")
                owner[thing] = name
        return instruments


class Bench(_Strict):
    """A bench as its file describes it.

    Attributes
    ----------
    name : str
        The bench's name.
    instruments : dict of str to Instrument
        By name, in the file's order.
    calibration : Calibration
        What is known of the charge input.
    recording : Recording
        Lengths of the quiet stretches.
    text : str
        The file as it was read.
    """

    name: str
    instruments: dict[str, Instrument]
    calibration: Calibration = Calibration()
    recording: Recording = Recording()
    text: str = ""


def read_bench(path: str | Path) -> Bench:
    """Read and check a bench file.

    Raises
    ------
    BenchFileError
        When the file cannot be read, is not TOML in UTF-8, or has a key or value that is not allowed.
    """
    try:
        text = read_bytes(Path(path), BENCH).decode("utf-8-sig")
    except OSError as error:
        raise BenchFileError(f"{path}: cannot be read: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise BenchFileError(f"{path}: byte {error.start} is not UTF-8; save the bench file as UTF-8 text") from error
    return bench_from_text(text.replace("\r\n", "\n"), where=str(path))


def bench_from_text(text: str, where: str = "bench file") -> Bench:
    """Check a bench file's text.

    Parameters
    ----------
    text : str
        TOML.
    where : str
        What error messages call the file.

    Raises
    ------
    BenchFileError
        When the text is not TOML or has a key or value that is not allowed.
    """
    try:
        tables = toml_tables(text)
    except ValueError as error:
        hint = "; write Windows paths in single quotes" if "\\" in str(error) or "escape" in str(error) else ""
        raise BenchFileError(f"{where}: is not TOML: {error}{hint}") from error
    try:
        file = _File.model_validate(tables)
    except ValidationError as error:
        raise BenchFileError(f"{where}: {_first_problem(error, tables)}") from error
    return Bench(
        name=file.bench.name,
        instruments=file.instrument,
        calibration=file.calibration,
        recording=file.recording,
        text=text,
    )


def _first_problem(error: ValidationError, tables: Mapping[str, Any]) -> str:
    """Key, value and what is allowed, of the first thing found wrong."""
    problems = error.errors(include_url=False)
    problem = next((p for p in problems if p["type"] == "extra_forbidden"), problems[0])
    path = [str(part) for part in problem["loc"] if part != "[key]"]
    key = ".".join(path)
    more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
    if problem["type"] == "extra_forbidden":
        return f"key {key} is not known; allowed here are {', '.join(_keys_beside(path))}{more}"
    if problem["type"] == "missing":
        return f"key {key} is missing; it must be {_allowed(path)}{more}"
    if problem["type"] == "value_error":
        found = "" if isinstance(problem["input"], dict) else f" = {_short(problem['input'])}"
        return f"{key}{found}: {problem['ctx']['error']}{more}"
    return f"{key} = {_short(problem['input'])}: allowed is {_allowed(path)}{more}"


def _short(value: object) -> str:
    """A value for a message, cut where it is long."""
    text = repr(value)
    return text if len(text) <= 120 else f"{text[:100]}… ({len(text)} characters)"


def _model_at(path: list[str]) -> type[BaseModel]:
    """The table a key belongs to."""
    if len(path) < 2:
        return _File
    models: dict[str, type[BaseModel]] = {"instrument": Instrument, "calibration": Calibration, "recording": Recording}
    return models.get(path[0], _Heading)


def _keys_beside(path: list[str]) -> list[str]:
    """Keys that the table of `path` may have."""
    model = _model_at(path if len(path) < 3 else path[:3])
    return [key for key in model.model_fields if not (model is Instrument and key == "name")]


def _allowed(path: list[str]) -> str:
    """What a key may hold, from its field's description."""
    model = _model_at(path)
    key = path[2] if model is Instrument and len(path) > 2 else path[-1] if model is not _File else path[0]
    field = model.model_fields.get(key)
    return (field.description if field is not None else None) or "a table"

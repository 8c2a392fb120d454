"""The study file: a written question, what answers it, what was fixed beforehand. Plain TOML, for people to hand on.

Owns the form of that file and its errors. Knows no archive and computes nothing.

A study file reads::

    [study]
    name = "hill-lot"
    question = "How much water neutralises the hill lot on the flat burrs?"
    archive = "runs"                # beside this file
    band_nC_per_g = 3.0             # optional: the equivalence band, fixed before the runs
    detection_limit_nC_per_g = 0.2  # optional: where the bench was not checked with blanks
    fixed_on = 2026-03-02           # when it was fixed
    blocks = 4
    seed = 7

    [[arm]]
    coffee = "hill lot"
    grinder = "flat burrs"
    dose_g = 18.0
    doses_uL_per_g = [5, 10, 20, 30, 40]
    treatments = ["misted", "ionised"]

    [water]
    spray_g = 0.11
    u_spray_g = 0.006

    [stop]
    width_uL_per_g = 6.0
    most_runs = 60

    [[exclude]]
    run = "20260302T081500Z-0a1b2c"
    reason = "the cable was touched during the grind"

    [[skip]]
    step = 12
    reason = "out of beans"
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Annotated, Literal, Self, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from chargebench.bounded import JsonObject, toml_tables
from chargebench.errors import StudyError
from chargebench.files import STUDY, read_bytes, replace_file

__all__ = [
    "Arm",
    "Exclusion",
    "Skip",
    "Stop",
    "StudyFile",
    "Water",
    "append_entry",
    "load_toml",
    "read_study",
    "validated",
]

MOST_ARMS = 20
MOST_PLANNED = 2_000
"""Runs of a plan: a hundred days with twenty runs each."""
MOST_ENTRIES = 5_000

Dose = Annotated[float, Field(gt=0, le=500)]
Text = Annotated[str, Field(min_length=1, max_length=200)]
Checked = TypeVar("Checked", bound=BaseModel)


class _Table(BaseModel):
    """A table of the file: frozen, no unknown keys, no guessing at types."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class Arm(_Table):
    """One coffee on one grinder, and what is done to it."""

    coffee: Text
    grinder: Text
    setting: str = Field(default="", max_length=200)
    dose_g: float = Field(default=18.0, gt=0, le=500)
    doses_uL_per_g: tuple[Dose, ...] = Field(default=(), strict=False, max_length=24)
    treatments: tuple[Literal["misted", "ionised", "misted+ionised"], ...] = Field(
        default=("misted",), strict=False, max_length=3
    )


class Water(_Table):
    """The sprayer and what is done about water left in the grinder."""

    spray_g: float | None = Field(default=None, gt=0, le=5)
    u_spray_g: float = Field(default=0.0, ge=0, le=5)
    temperature_C: float = Field(default=20.0, ge=1, le=40)
    carry_over: Literal["purge", "wait", "none"] = "purge"
    purge_g: float = Field(default=5.0, gt=0, le=100)
    wait_s: float = Field(default=90.0, ge=0, le=3600)


class Stop(_Table):
    """When to stop, set before the first run."""

    width_uL_per_g: float | None = Field(default=None, gt=0)
    most_runs: int | None = Field(default=None, gt=0)


class Exclusion(_Table):
    """A run left out, and why."""

    run: Text
    reason: Text


class Skip(_Table):
    """A step of the plan that will not be done, and why."""

    step: int = Field(ge=1)
    reason: Text


class _Study(_Table):
    name: str = Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,59}$")
    question: Text
    archive: str = "."
    band_nC_per_g: float | None = Field(default=None, gt=0)
    detection_limit_nC_per_g: float | None = Field(default=None, gt=0)
    fraction: float = Field(default=0.1, ge=0.01, le=0.9)
    fixed_on: date | None = None
    blocks: int = Field(default=4, ge=1, le=50)
    dry_per_block: int = Field(default=3, ge=1, le=9)
    seed: int = Field(default=1, ge=0)


class StudyFile(_Table):
    """A whole study file; see the head of this module for its form."""

    study: _Study
    arm: tuple[Arm, ...] = Field(min_length=1, strict=False, max_length=MOST_ARMS)
    water: Water = Water()
    stop: Stop = Stop()
    exclude: tuple[Exclusion, ...] = Field(default=(), strict=False, max_length=MOST_ENTRIES)
    skip: tuple[Skip, ...] = Field(default=(), strict=False, max_length=MOST_ENTRIES)

    @model_validator(mode="after")
    def _plan_is_bounded(self) -> Self:
        """Hold that the plan has no more runs than anybody does."""
        per_block = sum(self.study.dry_per_block + len(a.doses_uL_per_g) * len(a.treatments) for a in self.arm)
        if (runs := self.study.blocks * per_block) > MOST_PLANNED:
            raise ValueError(f"a plan of {runs} runs; at most {MOST_PLANNED} are allowed: fewer doses, arms or blocks")
        return self

    @property
    def excluded(self) -> dict[str, str]:
        """Reason by run id."""
        return {entry.run: entry.reason for entry in self.exclude}

    @property
    def skipped(self) -> dict[int, str]:
        """Reason by step of the plan."""
        return {entry.step: entry.reason for entry in self.skip}


def read_study(path: Path) -> StudyFile:
    """Read and check a study file.

    Raises
    ------
    StudyError
        When it cannot be read, is not TOML, or a key or value is not allowed.
    """
    return validated(StudyFile, load_toml(path), path)


def append_entry(path: Path, table: Literal["exclude", "skip"], values: Mapping[str, str | int]) -> StudyFile:
    """Add an ``[[exclude]]`` or ``[[skip]]`` entry at the end of a study file; what a person wrote stays as it is.

    Raises
    ------
    StudyError
        When the file would not be acceptable with the entry (it is then left alone), or cannot be written.
    """
    text = _text(path)
    lines = [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in values.items()]
    longer = f"{text.rstrip()}\n\n[[{table}]]\n" + "\n".join(lines) + "\n"
    study = validated(StudyFile, toml_tables(longer), path)
    try:
        replace_file(path, longer.encode("utf-8"))
    except OSError as error:
        raise StudyError(f"{path}: cannot be written ({error.strerror or error}); check its permissions") from error
    return study


def load_toml(path: Path) -> JsonObject:
    """The tables of a TOML file.

    Raises
    ------
    StudyError
        When the file cannot be read or is not TOML.
    """
    try:
        return toml_tables(_text(path))
    except ValueError as error:
        raise StudyError(f"{path}: not TOML in UTF-8: {error}") from error


def _text(path: Path) -> str:
    try:
        return read_bytes(path, STUDY).decode("utf-8-sig").replace("\r\n", "\n")
    except OSError as error:
        raise StudyError(f"{path}: cannot be read ({error.strerror or error}); expected a TOML file") from error
    except UnicodeDecodeError as error:
        raise StudyError(f"{path}: not TOML in UTF-8: {error}") from error


def validated(kind: type[Checked], tables: JsonObject, path: Path) -> Checked:
    """`tables` as a checked `kind`; errors name file, key, value and what is allowed."""
    try:
        return kind.model_validate(tables)
    except ValidationError as error:
        raise StudyError(f"{path}: {_first_problem(error)}") from error


def _first_problem(error: ValidationError) -> str:
    """Table, key, what was found and what is allowed, of the first thing wrong; misspelt keys before missing ones."""
    problems = error.errors(include_url=False)
    problem = next((p for p in problems if p["type"] == "extra_forbidden"), problems[0])
    if not problem["loc"]:  # of the file as a whole
        return problem["msg"].removeprefix("Value error, ")
    *tables, key = problem["loc"]
    if isinstance(key, int) and tables:
        key = f"{tables.pop()}, entry {key + 1}"
    more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
    where = " ".join(str(part + 1) if isinstance(part, int) else part for part in tables)
    where = f"in [{where}]: " if where else ""
    if problem["type"] == "extra_forbidden":
        return f"{where}key {key!r} is not known; allowed are {', '.join(_keys_at(tables))}{more}"
    if problem["type"] == "missing":
        return f"{where}key {key!r} is missing; allowed are {', '.join(_keys_at(tables))}{more}"
    if problem["type"] == "too_long":
        return f"{where}{key}: {problem['ctx']['actual_length']} entries; at most {problem['ctx']['max_length']}{more}"
    if key in ("arm", "exclude", "skip"):
        return f"{key}: found one table; write [[{key}]], in double brackets, for each{more}"
    shown = repr(problem["input"])
    shown = shown if len(shown) <= 80 else f"{shown[:79]}…"
    return f"{where}{key} = {shown}: {problem['msg'][0].lower()}{problem['msg'][1:]}{more}"


def _keys_at(tables: Sequence[int | str]) -> list[str]:
    """Keys of a table of the study file."""
    kinds: dict[int | str, type[BaseModel]] = {
        "study": _Study, "arm": Arm, "water": Water, "stop": Stop, "exclude": Exclusion, "skip": Skip,
    }  # fmt: skip
    return list((kinds[tables[0]] if tables else StudyFile).model_fields)

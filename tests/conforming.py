"""Holds what a command prints to the schema that the program has of it."""

from __future__ import annotations

import json
from collections.abc import Iterable
from functools import cache
from importlib.resources import files
from typing import Any

from jsonschema import Draft202012Validator

__all__ = ["conform", "kept_schema", "problems"]


def kept_schema(command: str) -> str:
    """The schema of a command as the package holds it."""
    return files("chargebench.cli").joinpath("schemas", f"{command}.json").read_text(encoding="utf-8")


@cache
def _validator(command: str) -> Draft202012Validator:
    schema = json.loads(kept_schema(command))
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


def problems(command: str, line: Any) -> list[str]:
    """What of one object is not as the schema says."""
    return [f"{error.json_path}: {error.message}" for error in _validator(command).iter_errors(line)]


def conform(command: str, lines: Iterable[Any]) -> None:
    """Assert that every object is as the schema says."""
    for line in lines:
        assert problems(command, line) == [], line

"""Frozen classes as JSON and back: the one place where what the rooms pass on is turned into plain values.

Owns the rules of that form: a class is an object with the names of its fields, a tuple or array a list, what is not
finite is null, and a field made by `absent` is left out where it is None. A class with more to say than its fields has
an ``as_json`` of its own and names the rest in its schema by `also`. Reading and schemas are pydantic's, from the same
annotations. Opens nothing.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Mapping
from dataclasses import field, fields, is_dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Annotated, Any, Final, TypeVar, cast

from pydantic import BeforeValidator, ConfigDict

from chargebench.bounded import JsonObject

if TYPE_CHECKING:
    from pydantic import TypeAdapter

__all__ = [
    "Freedom",
    "JsonObject",
    "Number",
    "absent",
    "also",
    "fields_as_json",
    "finite",
    "finite_pair",
    "from_json",
    "schema_of",
    "to_json",
    "unwritten",
    "with_texts",
]

Number = Annotated[float, BeforeValidator(lambda v: math.nan if v is None else v, json_schema_input_type=float | None)]
"""A number that is NaN where it cannot be had: null in JSON."""

Freedom = Annotated[float, BeforeValidator(lambda v: math.inf if v is None else v, json_schema_input_type=float | None)]
"""Degrees of freedom: null in JSON where there are infinitely many."""

Kind = TypeVar("Kind")
ABSENT: Final = "absent"
UNWRITTEN: Final = "unwritten"
DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"


def absent() -> Any:
    """A field of a class that is None where there is nothing to say, and is then left out of the JSON."""
    return field(default=None, metadata={ABSENT: True})


def unwritten() -> Any:
    """A field that does not stand in the JSON; empty where a class was read."""
    return field(default_factory=dict, metadata={UNWRITTEN: True})


def also(**properties: str) -> ConfigDict:
    """For ``__pydantic_config__``: what ``as_json`` writes beside the fields, each with its type; reading passes it."""

    def add(schema: JsonObject) -> None:
        schema["properties"] |= {name: {"type": kind} for name, kind in properties.items()}

    return ConfigDict(json_schema_extra=add)


def finite(value: float | None) -> float | None:
    """A number as JSON has it: None where it is not finite."""
    return None if value is None or not math.isfinite(value) else value


def finite_pair(ends: tuple[float | None, float | None]) -> tuple[float | None, float | None]:
    """Two numbers, each None where it is not finite."""
    return finite(ends[0]), finite(ends[1])


def fields_as_json(value: Any) -> JsonObject:
    """The fields of a frozen class as a JSON object."""
    held = ((one, getattr(value, one.name)) for one in fields(value) if UNWRITTEN not in one.metadata)
    return {one.name: to_json(own) for one, own in held if own is not None or ABSENT not in one.metadata}


def to_json(value: Any) -> Any:
    """A frozen class, or whatever one holds, as plain numbers, texts, lists and dicts."""
    if hasattr(value, "as_json"):
        return value.as_json()
    if is_dataclass(value):
        return fields_as_json(value)
    if isinstance(value, Mapping):
        return {str(key): to_json(held) for key, held in value.items()}
    if hasattr(value, "tolist"):  # an array, or a number out of one
        value = value.tolist()
    if isinstance(value, list | tuple):
        return [to_json(held) for held in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def with_texts(value: Kind, change: Callable[[str], str]) -> Kind:
    """The same frozen class with every text in it changed, but for the keys of mappings."""
    changed: Any = value
    if isinstance(value, str):
        changed = change(value)
    elif is_dataclass(value) and not isinstance(value, type):
        changed = replace(value, **{one.name: with_texts(getattr(value, one.name), change) for one in fields(value)})
    elif isinstance(value, Mapping):
        changed = {key: with_texts(held, change) for key, held in value.items()}
    elif isinstance(value, tuple | list):
        changed = type(value)(with_texts(held, change) for held in value)
    return cast("Kind", changed)


def from_json(kind: type[Kind], data: Any) -> Kind:
    """The `kind` that `to_json` wrote as `data`.

    Raises
    ------
    ValueError
        When `data` is not of that form; the message names the key.
    """
    made: Kind = _adapter(cast("Hashable", kind)).validate_python(data)
    return made


def schema_of(kind: Any, title: str, version: int) -> JsonObject:
    """The JSON Schema of what `to_json` writes for a `kind`; every object has all its keys and no others."""
    from pydantic.json_schema import GenerateJsonSchema

    class Strict(GenerateJsonSchema):
        def dataclass_schema(self, schema: Any) -> JsonObject:
            found: JsonObject = super().dataclass_schema(schema)
            left_out = {one.name for one in fields(schema["cls"]) if ABSENT in one.metadata}
            for one in fields(schema["cls"]):
                if UNWRITTEN in one.metadata:
                    del found["properties"][one.name]
            for own in found["properties"].values():
                own.pop("default", None)
                own.pop("title", None)
            required = [name for name in found["properties"] if name not in left_out]
            del found["title"]
            found.pop("description", None)
            return {**found, "required": required, "additionalProperties": False}

    found = _adapter(kind).json_schema(schema_generator=Strict)
    return {"$schema": DIALECT, "title": title, "version": version, **{k: v for k, v in found.items() if k != "title"}}


@cache
def _adapter(kind: Any) -> TypeAdapter[Any]:
    from pydantic import TypeAdapter

    return TypeAdapter(kind)

"""Units of the bench: which ones each channel may arrive in, and a value with its uncertainty as text and back.

Owns unit names. Knows nothing of instruments or files. Everything inside the program is in the canonical unit of its
channel: nC, nA, g, %, degC.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

__all__ = [
    "QUANTITIES",
    "Quantity",
    "base_channel",
    "from_wire",
    "quantity_of",
    "read_value",
    "value_and_u",
    "value_text",
    "words_and_unit",
]


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a channel measures.

    Attributes
    ----------
    name : str
        Channel name without its number: ``charge``, ``current``, ``mass``, ``humidity``, ``temperature``.
    unit : str
        Canonical unit, in which every array of that channel is kept.
    powers : mapping of str to int
        Units allowed on the wire, each with the power of ten that turns it into the canonical unit.
    """

    name: str
    unit: str
    powers: Mapping[str, int]


QUANTITIES: Final[Mapping[str, Quantity]] = MappingProxyType(
    {
        q.name: q
        for q in (
            Quantity("charge", "nC", MappingProxyType({"pC": -3, "nC": 0, "uC": 3, "C": 9})),
            Quantity("current", "nA", MappingProxyType({"pA": -3, "nA": 0, "uA": 3, "A": 9})),
            Quantity("mass", "g", MappingProxyType({"mg": -3, "g": 0, "kg": 3})),
            Quantity("humidity", "%", MappingProxyType({"%": 0})),
            Quantity("temperature", "degC", MappingProxyType({"degC": 0})),
        )
    }
)


def base_channel(channel: str) -> str:
    """Name of what a channel measures: ``charge2`` measures ``charge``."""
    return channel.rstrip("0123456789")


def quantity_of(channel: str) -> Quantity:
    """Quantity a channel measures.

    Raises
    ------
    KeyError
        When no quantity has that name.
    """
    return QUANTITIES[base_channel(channel)]


def from_wire(text: str, power: int) -> float:
    """Decimal text times a power of ten, rounded once.

    ``float(text) * 0.001`` rounds twice and makes ``12.3 pC`` something other than ``0.0123 nC``; moving the exponent
    in the text does not.

    Raises
    ------
    ValueError
        When `text` is not a decimal number.
    """
    if power == 0:
        return float(text)
    mantissa, _, exponent = text.lower().partition("e")
    return float(f"{mantissa}e{int(exponent or 0) + power}")


def _round_places(u: float) -> int:
    """Decimal places that show two significant digits of `u`, after rounding up of 0.0995 to 0.10."""
    places = 1 - math.floor(math.log10(u))
    return places - 1 if round(u, places) >= 10.0 ** (2 - places) else places


def value_text(value: float, u: float | None = None, unit: str = "") -> str:
    """A value with its uncertainty for people: ``-61.71 ± 0.32 nC/g``.

    Two significant digits of the uncertainty, the value to the same place (GUM 7.2.6). Without a usable uncertainty,
    four significant digits.
    """
    tail = f" {unit}" if unit else ""
    if not math.isfinite(value):
        return f"not finite{tail}"
    if u is None or not math.isfinite(u) or u <= 0:
        return f"{value:.4g}{tail}"
    places = _round_places(u)
    shown = max(places, 0)
    return f"{round(value, places):.{shown}f} ± {round(u, places):.{shown}f}{tail}"


def value_and_u(value: float, u: float | None = None, unit: str = "") -> str:
    """The same with what stands after ± named: ``-61.71 ± 0.32 nC/g (u)``."""
    text = value_text(value, u, unit)
    return f"{text} (u)" if "±" in text else text


_VALUE = re.compile(
    r"\s*(?P<value>[+-]?[\d.]+(?:[eE][+-]?\d+)?)\s*(?:±\s*(?P<u>[\d.]+(?:[eE][+-]?\d+)?))?\s*(?P<unit>\S+)?\s*"
)


def read_value(text: str) -> tuple[float, float | None, str]:
    """Value, uncertainty (or None) and unit of a text such as ``-61.71 ± 0.32 nC/g``.

    Raises
    ------
    ValueError
        When the text has not that shape.
    """
    match = _VALUE.fullmatch(text)
    if match is None:
        raise ValueError(f"{text!r}: expected a number, optionally ± an uncertainty, optionally a unit")
    u = match["u"]
    return float(match["value"]), None if u is None else float(u), match["unit"] or ""


_KEY_UNIT: Final = re.compile(
    r"_(?P<unit>nC_per_root_s|nC_per_g|nC_per_s|nA_per_s|per_s|nC|nA|pA|nF|g|s|C|V|uL|Hz|g_per_mL)$"
)


def words_and_unit(key: str) -> tuple[str, str]:
    """Words and unit of a key that ends in its unit: ``u_offset_nC`` is ``u offset`` in nC; no unit where none is."""
    match = _KEY_UNIT.search(key)
    words = (key if match is None else key[: match.start()]).replace("_", " ")
    unit = "" if match is None else match["unit"].replace("_per_root_s", "/√s").replace("_per_", "/")
    unit = unit.replace("per_s", "1/s").replace("uL", "µL")
    return words, "°C" if unit == "C" else unit

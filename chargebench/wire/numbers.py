"""Decimal numbers as instruments write them. Owns the grammar, which is narrower than Python's ``float``.

``float`` also takes ``inf``, ``nan``, ``1_000``, surrounding spaces and the digits of every script; none of these is a
number here.
"""

from __future__ import annotations

import math
import re

from chargebench.units import from_wire

__all__ = ["DECIMAL", "finite"]

DECIMAL = b"0123456789+-.eE"  # what such a number is made of; a quick first look
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")


def finite(text: str, power: int) -> float | None:
    """`text` times ten to the `power`, rounded once; None where it is no finite decimal number."""
    if _NUMBER.fullmatch(text) is None:
        return None
    value = from_wire(text, power)
    return value if math.isfinite(value) else None

"""Lines of a scale that prints: one weighing a line, in its maker's shape. Owns shapes and what is learnt of them.

Nothing on such a line tells a whole one from a piece, so three things stand in. The first piece after the port opens is
dropped. A line is believed when its shape (wording, unit, decimals, width) is one that three lines running have shown;
until then readings are held, and given with their own times once the shape is confirmed, so that a legitimate change
(another unit, a range with fewer decimals) loses nothing. A lone line that differs is counted and left out.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import nan
from types import MappingProxyType
from typing import Final

from chargebench.units import QUANTITIES, base_channel, quantity_of
from chargebench.wire.decoder import LineDecoder
from chargebench.wire.lines import LineSplitter
from chargebench.wire.numbers import finite
from chargebench.wire.pattern import LINE_LIMIT, compile_pattern
from chargebench.wire.reading import Reading, Status

__all__ = ["BUILT_IN", "PrintedDecoder"]

CONFIRM: Final = 3
KNOWN_SHAPES: Final = 8
_VALUE = r"(?:(?P<sign>[+-]) *)?(?P<value>[0-9]+(?:\.[0-9]*)?|\.[0-9]+)"
_UNIT = r"(?P<unit>[A-Za-z%]{1,4})"
_FLAG = r"(?P<stable>ST|US|OL|SD|S|U|D|M|[?*])"
BUILT_IN: Final[Mapping[str, str]] = MappingProxyType(
    {
        "value unit": rf" *{_VALUE} *{_UNIT}(?: +{_FLAG})? *",
        "flag,value,unit": rf" *{_FLAG} *,(?: *(?P<kind>[A-Z]{{1,3}}) *,)? *{_VALUE} *,? *{_UNIT} *",
        "label value unit flag": rf" *(?P<kind>[A-Za-z]{{1,12}}):? +{_VALUE} *{_UNIT}(?: *{_FLAG})? *",
    }
)
_WORDS: Final[Mapping[str, Status]] = MappingProxyType(
    dict.fromkeys(("ST", "S", "STABLE", "*"), Status.SETTLED)
    | dict.fromkeys(("US", "U", "SD", "D", "M", "?", "UNSTABLE"), Status.UNSETTLED)
    | {"OL": Status.OVER}
)


@dataclass(frozen=True, slots=True)
class Shape:
    """What stays the same from one line of a scale to the next.

    Attributes
    ----------
    wording : str
        The line without value, sign, unit, flag and spaces; digits in it as ``0``.
    decimals : int
        Digits behind the point.
    width : int
        Characters up to the last one that is no space, the stability flag left out.
    digits : int
        Digits before the point, and the sign.
    padded : bool
        Whether the value is known to stand in a field of fixed width.
    """

    wording: str
    unit: str
    decimals: int
    width: int
    digits: int
    padded: bool

    def admits(self, other: Shape) -> bool:
        """Whether a line of the other shape comes from the same format.

        9.99 → 10.00 keeps the width of a padded field, and widens any other by what the number itself grew.
        """
        if (self.wording, self.unit, self.decimals) != (other.wording, other.unit, other.decimals):
            return False
        if self.width == other.width:
            return True
        return not (self.padded or other.padded) and self.width - self.digits == other.width - other.digits

    def taught_by(self, other: Shape) -> Shape:
        """This shape, knowing of a line it admits whether the field is padded."""
        if self.padded:
            return self
        grew = self.width == other.width and abs(self.digits - other.digits) > 1
        return replace(self, padded=True) if other.padded or grew else self


def _shape(match: re.Match[str]) -> Shape:
    """Shape of a matched line."""
    groups = match.groupdict()
    line, value = match.string, groups["value"]
    rest = list(line)
    for name in ("value", "sign", "unit", "stable"):
        if groups.get(name) is not None:
            start, end = match.span(name)
            rest[start:end] = [""] * (end - start)
    wording = re.sub(r"[0-9]", "0", "".join(rest).replace(" ", ""))
    mantissa = re.split("[eE]", value)[0].replace(",", ".")
    whole, _, decimals = mantissa.partition(".")
    bare = whole.lstrip("+-")
    before = line[: match.start("value")]
    return Shape(
        wording,
        groups.get("unit") or "",
        len(decimals),
        len(line.rstrip(" ")) - len(groups.get("stable") or ""),
        len(whole) + len(groups.get("sign") or ""),
        before.endswith("  ") or (len(bare) > 1 and bare.startswith("0")),
    )


class PrintedDecoder(LineDecoder):
    """Decoder of printed lines (see `chargebench.wire.decoder.Decoder`).

    Parameters
    ----------
    carries : sequence of str
        One channel; without a ``unit`` group its canonical unit is assumed.
    pattern : str, optional
        Regular expression for whole lines, with the named group ``value`` and optionally ``sign``, ``unit``,
        ``stable``, ``kind``. Without it the built-in shapes are tried in order.

    Raises
    ------
    ValueError
        When the pattern cannot serve (see `chargebench.wire.pattern.compile_pattern`) or there is not one channel.
    """

    def __init__(self, carries: Sequence[str], pattern: str | None = None) -> None:
        super().__init__(LineSplitter(LINE_LIMIT, drop_first=True, either_end=True))
        if len(carries) != 1:
            raise ValueError(f"carries {list(carries)}: printed lines carry exactly one channel")
        if base_channel(carries[0]) not in QUANTITIES:
            raise ValueError(f"channel {carries[0]!r}: allowed are {', '.join(QUANTITIES)}")
        self._channel = carries[0]
        self._quantity = quantity_of(carries[0])
        texts = BUILT_IN.values() if pattern is None else (pattern,)
        self._patterns = [compile_pattern(text) for text in texts]
        self._known: list[Shape] = []
        self._held: list[Reading] = []
        self._held_shape: Shape | None = None

    def reset(self) -> None:
        """Drop the unfinished line and what was held; the shapes that were confirmed stay."""
        super().reset()
        self._let_go()

    def _decode(self, line: bytes, received_ns: int, readings: list[Reading]) -> None:
        """Append the readings that one line gives or confirms, or count why there is none."""
        text = line.decode("latin-1")
        match = next((m for p in self._patterns if (m := p.fullmatch(text)) is not None), None)
        if match is None or match["value"] is None:
            self._rejected["no_match"] += 1
            return
        found = self._reading(match, line, received_ns)
        if isinstance(found, str):
            self._rejected[found] += 1
            return
        self._admit(_shape(match), found, readings)

    def _reading(self, match: re.Match[str], line: bytes, received_ns: int) -> Reading | str:
        """The reading of a matched line, or the reason there is none."""
        groups = match.groupdict()
        unit = self._quantity.unit if groups.get("unit") is None else groups["unit"]
        if unit not in self._quantity.powers:
            return "unit"
        text = f"{(groups.get('sign') or '').strip()}{groups['value']}".replace(",", ".")
        value = finite(text, self._quantity.powers[unit])
        if value is None:
            return "number"
        status = _WORDS.get((groups.get("stable") or "").strip().upper(), Status.NONE)
        return Reading(self._channel, nan if status & Status.OVER else value, line, received_ns, status)

    def _admit(self, shape: Shape, reading: Reading, readings: list[Reading]) -> None:
        """Give, hold or release, by whether the line's shape is known."""
        for index, known in enumerate(self._known):
            if known.admits(shape):
                self._known[index] = known.taught_by(shape)
                self._let_go()
                readings.append(reading)
                return
        if self._held_shape is None or not self._held_shape.admits(shape):
            self._let_go()
            self._held_shape = shape
        self._held_shape = self._held_shape.taught_by(shape)
        self._held.append(reading)
        if len(self._held) == CONFIRM:
            self._known = [*self._known, self._held_shape][-KNOWN_SHAPES:]
            readings.extend(self._held)
            self._held, self._held_shape = [], None

    def _let_go(self) -> None:
        """Leave out what is held: its shape was not confirmed."""
        if self._held:
            self._rejected["shape"] += len(self._held)
        self._held, self._held_shape = [], None

"""Lines of a scale that prints: one weighing a line, in its maker's shape. Owns shapes and what is learnt of them.

Nothing on such a line tells a whole one from a piece, so three things stand in. The first piece after the port opens is
dropped. A line is believed when its shape (wording, unit, decimals, width) is one that three lines running have shown;
until then readings are held, and given with their own times once the shape is confirmed, so that a legitimate change
(another unit, a range with fewer decimals) loses nothing. A lone line that differs is counted and left out.

A number is a weight only where every word beside it is known and none says otherwise (`chargebench.wire.scale_words`),
and where its unit is known: from the line, else from the bench file.
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
from chargebench.wire.pattern import LINE_LIMIT, compile_pattern, spelt_out
from chargebench.wire.reading import Reading, Status
from chargebench.wire.scale_words import NO_WEIGHT, NOT_WEIGHING, UNITS, WORDS, verdict, words_in

__all__ = ["BUILT_IN", "PrintedDecoder"]

CONFIRM: Final = 3
KNOWN_SHAPES: Final = 8
_VALUE = r"(?:(?P<sign>[+-]) *)?(?P<value>[0-9]+(?:\.[0-9]*)?|\.[0-9]+)"
_UNIT = r"(?P<unit>[A-Za-z%]{1,4})"
_FLAG = r"(?P<stable>[A-Za-z]{1,12}|[?*])"
BUILT_IN: Final[Mapping[str, str]] = MappingProxyType(
    {
        "value unit": rf" *{_VALUE} *{_UNIT}(?: +{_FLAG})? *",
        "flag,value,unit": rf" *{_FLAG} *,(?: *(?P<kind>[A-Za-z]{{1,12}}) *,)? *{_VALUE} *,? *{_UNIT} *",
        "label value unit flag": rf" *(?P<kind>[A-Za-z]{{1,12}}):? +{_VALUE} *{_UNIT}(?: *{_FLAG})? *",
    }
)
_LETTERS = re.compile(r"[^\W\d_]+|%")


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
        One channel.
    pattern : str, optional
        Regular expression for whole lines, with the named group ``value`` and optionally ``sign``, ``unit``,
        ``stable``, ``kind``. Without it the built-in shapes are tried in order. Words that it spells out outside its
        groups are its maker's own; all others must be known.
    unit : str, optional
        Unit of lines that print none.

    Raises
    ------
    ValueError
        When the pattern cannot serve (see `chargebench.wire.pattern.compile_pattern`), there is not one channel, the
        unit is not one of its, or neither pattern nor unit tells one.
    """

    def __init__(self, carries: Sequence[str], pattern: str | None = None, unit: str | None = None) -> None:
        super().__init__(LineSplitter(LINE_LIMIT, drop_first=True, either_end=True))
        if len(carries) != 1:
            raise ValueError(f"carries {list(carries)}: printed lines carry exactly one channel")
        if base_channel(carries[0]) not in QUANTITIES:
            raise ValueError(f"channel {carries[0]!r}: allowed are {', '.join(QUANTITIES)}")
        self._channel = carries[0]
        self._quantity = quantity_of(carries[0])
        texts = BUILT_IN.values() if pattern is None else (pattern,)
        self._patterns = [compile_pattern(text) for text in texts]
        spelt = "" if pattern is None else spelt_out(pattern)
        self._spelt_out = frozenset(words_in(spelt))
        self._spelt_units = frozenset(_LETTERS.findall(spelt)) & self._quantity.powers.keys()
        allowed = ", ".join(self._quantity.powers)
        if unit is not None and unit not in self._quantity.powers:
            raise ValueError(f"unit {unit!r}: allowed are {allowed}")
        grouped = all("unit" in compiled.groupindex for compiled in self._patterns)
        if not (unit or grouped or self._spelt_units):
            raise ValueError(f"pattern tells no unit: add a group (?P<unit>…), or state unit, one of {allowed}")
        self._unit = unit
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
            self._no_number(text, line, received_ns, readings)
            return
        says = verdict(self._words_beside(match))
        if isinstance(says, Status) and says & NO_WEIGHT:
            self._over(says, line, received_ns, readings)
            return
        found = says if isinstance(says, str) else self._weight(match, line, received_ns, says)
        if isinstance(found, str):
            self._reject(found, line)
            return
        self._admit(_shape(match), found, readings)

    def _no_number(self, text: str, line: bytes, received_ns: int, readings: list[Reading]) -> None:
        """A line that no pattern matches: a scale may tell an overload in a shape of its own."""
        says = verdict(words_in(_LETTERS.sub(lambda word: " " if word[0] in UNITS else word[0], text)))
        if isinstance(says, Status) and says & NO_WEIGHT:
            self._over(says, line, received_ns, readings)
        else:
            self._reject(says if says == NOT_WEIGHING else "no_match", line)

    def _over(self, says: Status, line: bytes, received_ns: int, readings: list[Reading]) -> None:
        """Append a reading without a number; it needs no shape, being no weight."""
        self._let_go()
        readings.append(Reading(self._channel, nan, line, received_ns, says & NO_WEIGHT))

    def _words_beside(self, match: re.Match[str]) -> list[str]:
        """Words of a matched line that are no part of its number, but for those that the pattern spells out."""
        groups = match.groupdict()
        unit = groups.get("unit") or ""
        strange = unit if unit not in self._quantity.powers and unit.upper() in WORDS else ""
        told = f"{groups.get('stable') or ''} {groups.get('kind') or ''} {strange}"
        return words_in(told) + [word for word in words_in(_rest(match)) if word not in self._spelt_out]

    def _weight(self, match: re.Match[str], line: bytes, received_ns: int, status: Status) -> Reading | str:
        """The reading of a matched line, or the reason there is none."""
        groups = match.groupdict()
        unit = groups.get("unit") or self._unit_outside(match) or self._unit
        if unit is None:
            return "no_unit"
        if unit not in self._quantity.powers:
            return "unit"
        text = f"{(groups.get('sign') or '').strip()}{groups['value']}".replace(",", ".")
        value = finite(text, self._quantity.powers[unit])
        return "number" if value is None else Reading(self._channel, value, line, received_ns, status)

    def _unit_outside(self, match: re.Match[str]) -> str | None:
        """The unit that the pattern spells out, where it is on the line."""
        return next((word for word in _LETTERS.findall(_rest(match)) if word in self._spelt_units), None)

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


def _rest(match: re.Match[str]) -> str:
    """A matched line, its named groups left out."""
    rest = list(match.string)
    for name, found in match.groupdict().items():
        if found is not None:
            start, end = match.span(name)
            rest[start:end] = [" "] * (end - start)
    return "".join(rest)

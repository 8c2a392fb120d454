"""What a run can be tagged with: one table of keys, kinds, units and ranges, and the checks that hold tags to it.

Owns the meaning of tags. Text stays text: nothing here runs, expands or formats it. Imports neither numpy nor h5py,
so that the command line can refuse a wrong tag at once.
"""

from __future__ import annotations

import itertools
import math
import re
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal

from chargebench.errors import TagError
from chargebench.runs.text import can_be_stored, visible
from chargebench.runs.water import WATER_G_PER_UL

__all__ = ["BREWS", "LONGEST_TEXT", "TAGS", "Tag", "TagValue", "check_tags", "read_tags"]

TagValue = str | float

LONGEST_TEXT: Final = 10_000
"""Characters a tag's text may have."""

MOST_TAGS: Final = 200
BREWS: Final = ("espresso", "filter")
"""Kinds of brew that are told apart."""

_KEY: Final = re.compile(r"[^\W\d]([\w. -]{0,62}[\w.-])?")
_NUMBER: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?")


@dataclass(frozen=True, slots=True)
class Tag:
    """One key the program knows.

    Attributes
    ----------
    key : str
        Unit in the name where it has one.
    kind : str
        ``text``, ``number`` or ``choice``.
    about : str
        One line for a form's hint.
    unit : str
        Of a number, for people.
    low, high : float
        Range of a number, both ends allowed.
    choices : tuple of str
        Of a choice, in lower case.
    """

    key: str
    kind: Literal["text", "number", "choice"]
    about: str
    unit: str = ""
    low: float = -math.inf
    high: float = math.inf
    choices: tuple[str, ...] = ()

    @property
    def use(self) -> str:
        """What the program does with it."""
        return _USES.get(self.key, "kept with the run")

    @property
    def range(self) -> str:
        """What it may hold, in short, without the unit."""
        if self.kind == "number":
            return f"{self.low:g} to {self.high:g}"
        return " | ".join(self.choices) if self.kind == "choice" else "text"

    def allowed(self) -> str:
        """What the tag may hold, in words."""
        if self.kind == "number":
            return f"a number from {self.low:g} to {self.high:g} {self.unit}".rstrip()
        if self.kind == "choice":
            return f"one of {', '.join(self.choices)}"
        return f"text of 1 to {LONGEST_TEXT} characters"


_ROWS: Final = (
    Tag("coffee", "text", "name of the coffee"),
    Tag("grinder", "text", "name of the grinder"),
    Tag("setting", "text", "grinder setting, as it is written on the grinder"),
    Tag("dose_g", "number", "beans put into the grinder", "g", 0.0, 1000.0),
    Tag("water_uL_per_g", "number", "water sprayed on the beans per gram of beans", "µL/g", 0.0, 1000.0),
    Tag("water_g", "number", "water sprayed on the beans", "g", 0.0, 1000.0),
    Tag("treatment", "choice", "what was done against charge", choices=("dry", "misted", "ionised", "misted+ionised")),
    Tag("purpose", "choice", "what the run is for", choices=("grind", "blank", "purge")),
    Tag("humidity_percent", "number", "relative humidity of the room", "%", 0.0, 100.0),
    Tag("temperature_C", "number", "temperature of the room", "°C", -20.0, 60.0),
    Tag("operator", "text", "who stood at the bench"),
    Tag("block", "text", "runs made under like conditions share a block"),
    Tag("note", "text", "anything worth keeping"),
    Tag("mass_before_g", "number", "cup weighed by hand before the grind", "g", -10_000.0, 100_000.0),
    Tag("mass_after_g", "number", "cup weighed by hand after the grind", "g", -10_000.0, 100_000.0),
    Tag("brew_method", "choice", "how the drink was made: such brews only compare among themselves", choices=BREWS),
    Tag("brew_time_s", "number", "time the drink made of these grounds took", "s", 0.0, 86_400.0),
    Tag("beverage_g", "number", "mass of that drink", "g", 0.0, 10_000.0),
    Tag("tds_percent", "number", "dissolved solids of that drink", "%", 0.0, 100.0),
    Tag("d10_um", "number", "10 % of the grounds' volume is finer", "µm", 0.0, 10_000.0),
    Tag("d50_um", "number", "half of the grounds' volume is finer", "µm", 0.0, 10_000.0),
    Tag("d90_um", "number", "90 % of the grounds' volume is finer", "µm", 0.0, 10_000.0),
    Tag("below_100um_percent", "number", "share of the grounds' volume finer than 100 µm", "%", 0.0, 100.0),
    Tag("clump_mass_g", "number", "mass of clumps held by the sieve", "g", 0.0, 1000.0),
    Tag("particle_diameter_um", "number", "size of the grounds", "µm", 0.1, 5000.0),
    Tag("plan", "text", "name of the plan that the run belongs to"),
    Tag("plan_step", "text", "step of that plan"),
    Tag("repeat_reason", "text", "why the step was done again"),
    Tag("incomplete", "text", "how the run was ended early or begun too soon"),
)

_ARM: Final = "one coffee on one grinder is an arm of a study"
_WEIGHED: Final = "collected mass of a cup weighed by hand"
_BREW: Final = "brew: what neutralising does to the drink"
_SIZES: Final = "brew: whether the grounds are alike"
_PLAN: Final = "written by `record --plan`: how far a plan is"
_USES: Final[Mapping[str, str]] = {
    "coffee": _ARM,
    "grinder": _ARM,
    "setting": "brew times compare at equal setting",
    "dose_g": "recovery, charge per dry gram, µL/g from water_g",
    "water_uL_per_g": "dose of the curve, charge per dry gram",
    "water_g": "dose where water_uL_per_g is not told",
    "treatment": "what a study compares; whether ions are taken off",
    "purpose": "only grinds are answers; blanks tell floors and limits",
    "humidity_percent": "trends with the room",
    "temperature_C": "trends with the room",
    "block": "runs of a block share its error",
    "mass_before_g": _WEIGHED,
    "mass_after_g": _WEIGHED,
    "brew_time_s": _BREW,
    "beverage_g": "brew: extraction",
    "tds_percent": "brew: extraction",
    "d10_um": _SIZES,
    "d50_um": _SIZES,
    "d90_um": _SIZES,
    "below_100um_percent": _SIZES,
    "clump_mass_g": "witness of clumping beside the net charge",
    "particle_diameter_um": "bound of what air lets hold",
    "plan": _PLAN,
    "plan_step": _PLAN,
    "repeat_reason": "written by `record --repeat`",
    "incomplete": "written by the recorder: the run completes no step",
}
"""What the program does with a tag; the others are kept with the run, to find it by."""

TAGS: Final[Mapping[str, Tag]] = MappingProxyType({tag.key: tag for tag in _ROWS})
"""Every key the program knows, in the order forms show them. Other keys are kept as free tags."""


def read_tags(items: Iterable[str]) -> dict[str, TagValue]:
    """Tags from words such as ``dose_g=18`` of a command line.

    Parameters
    ----------
    items : iterable of str
        ``KEY=VALUE``; the value may hold further ``=``.

    Returns
    -------
    dict
        As `check_tags`. The value of a free tag stays text.

    Raises
    ------
    TagError
        When an item has no ``=``, a key comes twice, or a tag is not allowed.
    """
    found: dict[str, TagValue] = {}
    for item in items:
        key, equals, value = item.partition("=")
        key = key.strip()
        if not equals:
            raise TagError(f"tag {visible(item, 80)!r}: expected KEY=VALUE, such as dose_g=18")
        if key in found:
            raise TagError(
                f"tag {visible(key, 80)}: given twice, {_short(found[key])} and {_short(value)}; give it once"
            )
        found[key] = value
    return check_tags(found)


def check_tags(tags: Mapping[str, object]) -> dict[str, TagValue]:
    """Tags held to the table: numbers of numeric keys as floats, choices in lower case, everything else as it is.

    Parameters
    ----------
    tags : mapping of str to str or number
        Numbers may come as text.

    Returns
    -------
    dict of str to str or float
        In the order given.

    Raises
    ------
    TagError
        When a key or value is not allowed, or tags contradict each other; the message names key, value and what is
        allowed.
    """
    if len(tags) > MOST_TAGS:
        raise TagError(f"tags: {len(tags)} of them; at most {MOST_TAGS} allowed")
    checked = {_checked_key(key): _checked_value(key, value) for key, value in tags.items()}
    _agree_on_water(checked)
    _agree_on_sizes(checked)
    return checked


def _short(value: object) -> str:
    return repr(visible(value, 60)) if isinstance(value, str) else repr(value)


def _checked_key(key: str) -> str:
    if not _KEY.fullmatch(key):
        raise TagError(
            f"tag key {_short(key)}: allowed are 1 to 64 letters, digits, '_', '-', '.' and inner spaces, "
            "the first a letter or '_'"
        )
    return key


def _checked_value(key: str, value: object) -> TagValue:
    tag = TAGS.get(key, Tag(key, "text", ""))
    if tag.kind == "number":
        return _number(tag, value)
    if key not in TAGS and isinstance(value, int | float) and not isinstance(value, bool):
        return _number(tag, value)
    if not isinstance(value, str):
        raise TagError(f"tag {key}: {_short(value)} is not text; allowed: {tag.allowed()}")
    if not 1 <= len(value) <= LONGEST_TEXT:
        raise TagError(f"tag {key}: {len(value)} characters; allowed: {tag.allowed()}")
    if not can_be_stored(value):
        raise TagError(f"tag {key}: {_short(value)} holds bytes that are no text in this locale; allowed: UTF-8 text")
    if tag.kind == "choice":
        return _choice(tag, value)
    return value


def _number(tag: Tag, value: object) -> float:
    text = value.strip() if isinstance(value, str) else None
    if text is not None and _NUMBER.fullmatch(text):
        number = float(text)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        number = float(value) if abs(value) <= sys.float_info.max else math.inf
    else:
        raise TagError(f"tag {tag.key}: {_short(value)} is not a number; allowed: {_numeric(tag)}")
    if not (math.isfinite(number) and tag.low <= number <= tag.high):
        raise TagError(f"tag {tag.key}: {_short(value)} is out of range; allowed: {_numeric(tag)}")
    return number


def _numeric(tag: Tag) -> str:
    return tag.allowed() if tag.kind == "number" else "a finite number, or text"


def _choice(tag: Tag, value: str) -> str:
    word = value.strip().lower()
    if word not in tag.choices:
        raise TagError(f"tag {tag.key}: {_short(value)} is unknown; allowed: {tag.allowed()}")
    return word


def _agree_on_water(tags: Mapping[str, TagValue]) -> None:
    """Water per gram, water and dose say the same to 2 % or 5 mg, and a dry run had none."""
    per_gram, water, dose = (tags.get(key) for key in ("water_uL_per_g", "water_g", "dose_g"))
    for key, amount in (("water_uL_per_g", per_gram), ("water_g", water)):
        if tags.get("treatment") == "dry" and isinstance(amount, float) and amount > 0:
            raise TagError(f"tag {key}: {amount:g} contradicts treatment=dry; allowed: 0, or treatment=misted")
    if isinstance(per_gram, float) and isinstance(water, float) and isinstance(dose, float):
        expected = per_gram * dose * WATER_G_PER_UL
        if abs(water - expected) > max(0.02 * expected, 0.005):
            raise TagError(
                f"tag water_g: {water:g} contradicts water_uL_per_g={per_gram:g} at dose_g={dose:g}; "
                f"allowed: about {expected:.3g}, or only one of the two"
            )


def _agree_on_sizes(tags: Mapping[str, TagValue]) -> None:
    """d10 ≤ d50 ≤ d90, where given."""
    sizes = [(key, value) for key in ("d10_um", "d50_um", "d90_um") if isinstance(value := tags.get(key), float)]
    for (finer, low), (coarser, high) in itertools.pairwise(sizes):
        if low > high:
            raise TagError(f"tag {finer}: {low:g} is above {coarser}={high:g}; allowed: at most {high:g}")

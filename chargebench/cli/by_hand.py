"""What a person types to a virtual bench, as the commands it takes. Owns the words; touches no bench."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final

from chargebench.bounded import JsonObject
from chargebench.errors import InputError

__all__ = ["HELP", "command", "said"]

HELP: Final = """\
  grind [DOSE_G] [UL_PER_G] [misted] [espresso]   grind now, such as: grind 18 20 misted
  blank            run the grinder empty, some ten seconds (checks: blank, ioniser)
  ioniser on|off   switch the ioniser; while on it acts on every grind
  inject NC        put a charge on the cup, such as: inject 150 (leakage; gain: 20 nC is 1 nF switched to 20 V)
  spray N          N sprays from the bottle that stands on the scale (sprayer)
  empty            zero the charge and pour the cup out
  zero             press the zero switch
  touch            brush against the cable
  restart          switch the electrometer off and on: what it held is lost
  help             these words
  stop             end (so do Ctrl-C and the end of the input)"""

_PLAIN: Final[Mapping[str, JsonObject]] = {
    "blank": {"do": "grind", "dose_g": 0.0, "purpose": "blank"},
    "empty": {"do": "empty_cup"},
    "zero": {"do": "zero"},
    "touch": {"do": "touch"},
    "restart": {"do": "restart"},
    "ioniser on": {"do": "set_ioniser", "on": True},
    "ioniser off": {"do": "set_ioniser", "on": False},
}
_TREATMENTS: Final = ("dry", "misted", "ionised", "misted+ionised")
_SETTINGS: Final = ("filter", "espresso")


def command(line: str, dose_g: float) -> JsonObject:
    """The command of a line that was typed.

    Parameters
    ----------
    line : str
    dose_g : float
        Of a grind that names none.

    Raises
    ------
    InputError
        When it is none of the words.
    """
    words = line.split()
    if (plain := _PLAIN.get(" ".join(words))) is not None:
        return dict(plain)
    match words:
        case ["grind", *more]:
            return _grind(more, dose_g)
        case ["inject", charge]:
            return {"do": "inject", "charge_nC": _number(charge)}
        case ["spray", count] if count.isascii() and count.isdigit():
            return {"do": "spray", "count": int(count[:6])}
    raise InputError(f"{line.strip()[:80]!r}: not understood; 'help' lists the words")


def _grind(words: list[str], dose_g: float) -> JsonObject:
    order: JsonObject = {"do": "grind", "dose_g": dose_g}
    numbers = ["dose_g", "water_uL_per_g"]
    for word in words:
        if word in _TREATMENTS:
            order["treatment"] = word
        elif word in _SETTINGS:
            order["setting"] = word
        elif numbers:
            order[numbers.pop(0)] = _number(word)
        else:
            raise InputError(
                f"{word!r}: a grind takes a dose in g, water in µL/g, {', '.join(_TREATMENTS + _SETTINGS)}"
            )
    return order


def _number(word: str) -> float:
    try:
        value = float(word)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(f"{word!r}: expected a number")
    return value


def said(done: Mapping[str, Any]) -> str:
    """What a bench truly did, in words."""
    match done["do"]:
        case "grind" if not done["dose_g"]:
            return f"grinder running empty; {done['net_charge_nC']:+.2f} nC reach the cup"
        case "grind":
            ratio = f"{done['charge_to_mass_nC_per_g']:+.2f} nC/g"
            return f"grinding {done['dose_g']:g} g, {done['water_uL_per_g']:g} µL/g, {done['treatment']}: {ratio}"
        case "inject":
            return f"{done['charge_nC']:+g} nC put on the cup"
        case "spray":
            return f"{done['sprays']} sprays; the bottle is {done['mass_g']:.3f} g lighter"
        case "set_ioniser":
            return f"ioniser {'on' if done['on'] else 'off'}"
    return {
        "empty_cup": "charge zeroed, cup emptied",
        "zero": "charge zeroed",
        "touch": "cable touched",
        "restart": "electrometer switched off and on",
    }[done["do"]]

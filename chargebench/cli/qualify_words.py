"""A bench check in words. Owns no number: it words a `Qualification`."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any, Final

from chargebench.bounded import JsonObject
from chargebench.cli.words import aligned, estimate_text, printable, wrapped
from chargebench.processing.qualify.qualification import Qualification
from chargebench.runs.run import Known
from chargebench.units import value_and_u, words_and_unit

__all__ = ["check_card", "known_table"]

SURE: Final = 4.0
"""Standard uncertainties from nought beyond which one over a value has a plain uncertainty."""
_SIGNS: Final = {"note": "·", "doubt": "!", "reject": "X"}
_TABLES: Final = {
    "allan": "noise by averaging time (Allan deviation)",
    "hum": "mains hum",
    "residuals": "step by step",
    "sprays": "mass of several sprays",
    "weighings": "weighings",
}
_NOT_SHOWN: Final = frozenset(
    (
        *("model", "net_charges_nC", "off_charges_nC", "bias_current_pA", "covariance_offset_slope", "chi_square"),
        *("dof", "u_fit", "u_volts", "u_volts_relative", "offset_dof"),
    )
)
"""Raw numbers, what is said in other words already, and parts of an uncertainty: all in the JSON form."""
_WORDS: Final = {
    "charge noise 1s": "noise of 1 s averages",
    "current noise 1s": "noise of 1 s averages",
    "rate": "readings a second",
    "noise of a reading": "noise of one reading",
    "sd of 1s means": "spread of 1 s averages",
    "wander": "wander beyond that noise",
    "shortest leakage time constant": "leakage time constant, at least",
    "correlation rate bias": "correlation of rate and current",
    "injected charge": "charge put on the cup",
    "decay": "length of the decay",
    "offset": "offset from zero",
    "slope": "reading over charge put on",
    "birge ratio": "scatter over what is expected",
    "chi square p": "chance of so much scatter",
    "shared relative u": "u of the standard, relative",
    "capacitor": "capacitor",
    "spray": "one spray",
    "spray sd": "spread from spray to spray",
    "net charge floor": "spread of null grinds about zero",
    "sd": "spread from run to run",
    "chance of either mistake": "chance of a mistake, each way",
    "ioniser background": "charge of the ions, any one run",
    "ioniser background grind": "length of those null grinds",
    "net charge floor grind": "length of those null grinds",
    "charge walk": "random walk",
    "charge walk span": "seen over",
    "averaging": "averaging time",
    "mains": "mains",
    "seen at": "seen at",
}
_PERCENT: Final = frozenset(
    ("chi_square_p", "shared_relative_u", "relative_spread_of_one_spray", "chance_of_either_mistake")
)


def _split(key: str) -> tuple[str, str]:
    """Words and unit of a key: ``u_offset_nC`` is ``u offset`` in nC."""
    if key == "seconds":
        return "length of the record", "s"
    name, unit = words_and_unit(key)
    return _WORDS.get(name, name) + (" per g of dose" if unit == "nC/g" else ""), unit


def _value(value: Any) -> str:
    if isinstance(value, bool) or value is None:
        return {True: "yes", False: "no", None: "—"}[value]
    return f"{value:.4g}" if isinstance(value, float) else printable(str(value))


def _details(check: Qualification) -> Iterator[str]:
    """Plain numbers, each with its uncertainty where it has one; those among the values are not said twice."""
    details = dict(check.details)
    for key, value in details.items():
        is_u = key.startswith("u_") and key[2:] in details
        if is_u or key in _TABLES or key in _NOT_SHOWN or key in check.values or isinstance(value, list):
            continue
        words, unit = _split(key)
        if isinstance(value, dict):
            text = _spikes(value)
        elif key in _PERCENT:
            text = f"{100 * value:.3g} %"
        elif isinstance(value, float):
            text = value_and_u(value, details.get(f"u_{key}"), unit)
        else:
            text = f"{_value(value)} {unit}".rstrip()
        yield f"  {words:<34} {text}"


def _spikes(found: Mapping[str, Any]) -> str:
    """``2, the largest 4.1 nC, at 3.2 s, 8.9 s``."""
    if not found.get("count"):
        return "none"
    unit = next(key for key in found if key.startswith("largest_")).removeprefix("largest_")
    times = ", ".join(f"{time_s:.1f} s" for time_s in found["times_s"])
    return f"{found['count']}, the largest {found[f'largest_{unit}']:.3g} {unit}, at {times}"


def _table(rows: list[JsonObject]) -> str:
    header = [" ".join(_split(key)).strip() for key in rows[0]]
    return aligned([header, *([_value(v) for v in r.values()] for r in rows)], indent=4)


def check_card(check: Qualification) -> str:
    """Everything a check found, as lines of text."""
    lines = [f"{check.kind} check of {printable(check.bench)}, {check.made[:16]}Z, valid until {check.valid_until}"]
    for key, found in check.values.items():
        words, unit = _split(key)
        if key == "bias_current_nA":
            found, unit = replace(found, value=1000.0 * found.value, u=1000.0 * found.u), "pA"
        lines.append(f"  {words:<34} {estimate_text(found, unit)}")
    lines += _details(check)
    lines = [wrapped(line) for line in lines]
    for name, title in _TABLES.items():
        if check.details.get(name):
            lines += [f"  {title}", _table(check.details[name])]
    lines += [wrapped(f"  {_SIGNS[f.severity]} {f.severity}: {printable(f.text)} [{f.code}]") for f in check.flags]
    return "\n".join(lines)


def known_table(known: Mapping[str, Known]) -> str:
    """What is known of a bench: value, until when, and from where."""
    rows = [("what", "value ± u", "from", "until")]
    for key, entry in known.items():
        words, unit = _split(key)
        value = _usual(key, entry.value, entry.u) or (words, value_and_u(entry.value, entry.u, unit))
        rows.append((*value, printable(entry.source), entry.until or "no end"))
    return aligned(rows)


def _usual(key: str, value: float, u: float) -> tuple[str, str] | None:
    """Words and value of what is said elsewhere in another unit: a current in pA, a leakage as its time constant."""
    if key == "bias_current_nA":
        return "bias current", value_and_u(1000.0 * value, 1000.0 * u, "pA")
    if key != "leakage_rate_per_s":
        return None
    if value > SURE * u:
        return "leakage time constant", value_and_u(1.0 / value, u / value**2, "s")
    return "leakage time constant", f"at least {1.0 / max(value + 2.0 * u, 1e-12):.3g} s"

"""A bench check in words. Owns no number: it words a `Qualification`."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any, Final

from chargebench.cli.words import aligned, printable
from chargebench.processing.qualify.qualification import Qualification
from chargebench.runs.run import Known
from chargebench.units import value_text

__all__ = ["check_card", "known_table"]

_UNIT: Final = re.compile(r"_(?P<unit>nC_per_g|nC_per_s|nA_per_s|per_s|nC|nA|pA|nF|g|s|C|V|uL|Hz|g_per_mL)$")
_SIGNS: Final = {"note": "·", "doubt": "!", "reject": "X"}
_TABLES: Final = ("allan", "hum", "residuals", "sprays", "weighings")
_NOT_SHOWN: Final = frozenset({"model", "net_charges_nC", "off_charges_nC"})


def _split(key: str) -> tuple[str, str]:
    """Words and unit of a key: ``u_offset_nC`` is ``u offset`` in nC."""
    match = _UNIT.search(key)
    if match is None:
        return key.replace("_", " "), ""
    unit = match["unit"].replace("_per_", "/").replace("per_s", "1/s").replace("uL", "µL")
    return key[: match.start()].replace("_", " "), "°C" if unit == "C" else unit


def _value(value: Any) -> str:
    if isinstance(value, bool) or value is None:
        return {True: "yes", False: "no", None: "—"}[value]
    return f"{value:.5g}" if isinstance(value, float) else printable(str(value))


def _details(details: dict[str, Any]) -> Iterator[str]:
    """Plain numbers, each with its uncertainty where it has one."""
    for key, value in details.items():
        is_u = key.startswith("u_") and key[2:] in details
        if is_u or key in _TABLES or key in _NOT_SHOWN or isinstance(value, list):
            continue
        words, unit = _split(key)
        u = details.get(f"u_{key}")
        if isinstance(value, dict):
            text = ", ".join(f"{_split(k)[0]} {_value(v)}" for k, v in value.items())
        elif isinstance(value, float):
            text = value_text(value, u, unit)
        else:
            text = f"{_value(value)} {unit}".rstrip()
        yield f"  {words:<34} {text}"


def _table(rows: list[dict[str, Any]]) -> str:
    header = [" ".join(_split(key)).strip() for key in rows[0]]
    return "\n".join(
        "    " + line for line in aligned([header, *([_value(v) for v in r.values()] for r in rows)]).split("\n")
    )


def check_card(check: Qualification) -> str:
    """Everything a check found, as lines of text."""
    lines = [f"{check.kind} check of {printable(check.bench)}, {check.made}, valid until {check.valid_until}"]
    for key, found in check.values.items():
        words, unit = _split(key)
        lines.append(f"  {words:<34} {value_text(found.value, found.u, unit)}   (U95 {found.U95:.2g})")
    lines += _details(dict(check.details))
    for name in _TABLES:
        if check.details.get(name):
            lines += [f"  {name}", _table(check.details[name])]
    lines += [f"  {_SIGNS[f.severity]} {f.severity}: {printable(f.text)} [{f.code}]" for f in check.flags]
    return "\n".join(lines)


def known_table(known: Mapping[str, Known]) -> str:
    """What is known of a bench: value, until when, and from where."""
    rows = [("what", "value", "from", "until")]
    for key, entry in known.items():
        words, unit = _split(key)
        rows.append((words, value_text(entry.value, entry.u, unit), printable(entry.source), entry.until or "no end"))
    return aligned(rows)

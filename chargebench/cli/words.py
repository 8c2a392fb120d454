"""An outcome in words: the card of one run, the table of many. Owns no number: it words an outcome's JSON form."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from chargebench.units import value_text

__all__ = ["budget_table", "printable", "run_card", "runs_table"]

_ROWS: Final = (
    ("net charge", "net_charge_nC", "nC"),
    ("  of it positive", "positive_charge_nC", "nC"),
    ("  of it negative", "negative_charge_nC", "nC"),
    ("collected mass", "collected_mass_g", "g"),
    ("charge to mass", "charge_to_mass_nC_per_g", "nC/g"),
    ("  per dry gram", "charge_to_dry_mass_nC_per_g", "nC/g"),
    ("grind time (10–90 %)", "grind_time_s", "s"),
    ("throughput", "throughput_g_per_s", "g/s"),
    ("recovery", "recovery_percent", "%"),
    ("bias current", "bias_current_pA", "pA"),
    ("leakage time constant", "leakage_time_constant_s", "s"),
    ("noise", "noise_nC", "nC"),
)
_SIGNS: Final = {"note": "·", "doubt": "!", "reject": "X"}


def printable(text: str) -> str:
    """Text of unknown origin made harmless for a terminal: control and direction characters become ``\\x…`` escapes."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


def run_card(outcome: Mapping[str, Any]) -> str:
    """Everything the program says of one run, as lines of text."""
    lines = [f"{outcome['run']}  {_tags(outcome['tags'])}" + ("  (recovered)" if outcome["recovered"] else "")]
    for label, key, unit in _ROWS:
        lines.append(f"  {label:<22} {_estimate(outcome['result'][key], unit)}")
    lines += [
        f"  {_SIGNS[f['severity']]} {f['severity']}: {printable(f['text'])} [{f['code']}]" for f in outcome["flags"]
    ]
    return "\n".join(lines)


def _estimate(estimate: Mapping[str, Any] | None, unit: str) -> str:
    """Value, standard uncertainty, expanded uncertainty."""
    if estimate is None:
        return "—"
    text = value_text(estimate["value"], estimate["u"], unit)
    if not estimate["u"]:
        return text
    dof = estimate["dof"]
    freedom = "" if dof is None or dof > 1000 else f", {dof:.0f} degrees of freedom"
    return f"{text}   (U95 {estimate['U95']:.2g} {unit}{freedom})"


def _tags(tags: Mapping[str, Any]) -> str:
    words = [f"{key}={value:g}" if isinstance(value, float) else f"{key}={value}" for key, value in tags.items()]
    return printable("  ".join(words))


def runs_table(outcomes: Sequence[Mapping[str, Any]]) -> str:
    """One line a run: when, what, charge to mass, worst flag."""
    header = ("run", "coffee", "grinder", "treatment", "µL/g", "mass g", "Q/m nC/g", "U95", "flags")
    rows = [header, *(_row(outcome) for outcome in outcomes)]
    return aligned(rows)


def _row(outcome: Mapping[str, Any]) -> tuple[str, ...]:
    tags, result = outcome["tags"], outcome["result"]
    ratio, mass = result["charge_to_mass_nC_per_g"], result["collected_mass_g"]
    worst = [f for s in ("reject", "doubt") for f in outcome["flags"] if f["severity"] == s]
    return (
        outcome["run"],
        *(printable(str(tags.get(key, "")))[:24] for key in ("coffee", "grinder", "treatment")),
        f"{tags['water_uL_per_g']:g}" if "water_uL_per_g" in tags else "",
        f"{mass['value']:.2f}" if mass else "—",
        f"{ratio['value']:+.2f}" if ratio else "—",
        f"{ratio['U95']:.2g}" if ratio else "—",
        " ".join(f"{_SIGNS[f['severity']]}{f['code']}" for f in worst),
    )


def aligned(rows: Iterable[Sequence[str]]) -> str:
    """Rows of text as columns two blanks apart."""
    table = [list(row) for row in rows]
    widths = [max(len(row[column]) for row in table) for column in range(len(table[0]))]
    return "\n".join("  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() for row in table)


def budget_table(outcome: Mapping[str, Any]) -> str:
    """The uncertainty budget of charge-to-mass, term by term."""
    header = ("term", "value", "u", "unit", "type", "sensitivity", "share %", "shared")
    rows = [
        (
            printable(t["name"]),
            f"{t['value']:.6g}",
            f"{t['u']:.2g}",
            t["unit"],
            t["kind"],
            f"{t['sensitivity']:.3g}",
            f"{100 * t['share']:.1f}",
            t["shared"],
        )
        for t in outcome["budget"]
    ]
    return aligned([header, *rows]) if rows else "no budget: this run has no charge-to-mass"

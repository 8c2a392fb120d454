"""Tables of a study's answer as rows of text, for terminal and report alike. Draws nothing and computes nothing.

Every row stands for plain values of what ``study --json`` prints; a header comes first.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

__all__ = ["TREATMENTS_TITLE", "number", "set_aside_rows", "treatment_rows"]

Row = tuple[str, ...]

TREATMENTS_TITLE = "treatments against dry and each other: differences with 95 % intervals, p of |Q/m| adjusted"
_DIFFERENT = 0.05


def number(value: float | None, form: str) -> str:
    """A number in a form, a dash where there is none."""
    return "—" if value is None else format(value, form)


def treatment_rows(treatments: Mapping[str, Any] | None) -> tuple[Row, ...]:
    """Every treatment with its mean and how it differs from dry, and from the others; empty where there is only one."""
    arms = {arm["name"]: arm for arm in (treatments or {}).get("arms", ())}
    if treatments is None or len(arms) < 2:
        return ()
    pairs = [*treatments.get("against_dry", ()), *treatments.get("against_each_other", ())]
    header = ("treatment", "runs", "mean nC/g", "against", "Q/m differs by nC/g", "|Q/m| differs by nC/g", "p", "shown")
    return (header, *_rows(arms, pairs))


def _rows(arms: Mapping[str, Mapping[str, Any]], pairs: Sequence[Mapping[str, Any]]) -> Iterator[Row]:
    for name, arm in arms.items():
        about = (_spaced(name), str(arm["n"]), f"{arm['mean_nC_per_g']:+.3g}")
        own = [pair for pair in pairs if pair["first"] == name]
        for pair in own:
            yield (*about, _spaced(pair["second"]), *_compared(pair))
        if not own:
            yield (*about, *[""] * 5)


def _spaced(name: str) -> str:
    """A treatment's name that can go on below in a narrow column."""
    return name.replace("+", " + ")


def _compared(pair: Mapping[str, Any]) -> Row:
    """Difference with interval, signed and absolute, p of the latter, and what is shown."""
    signed, absolute = pair["signed"], pair["absolute"]
    p = absolute.get("p_adjusted", absolute.get("p_holm"))
    told = "<0.001" if p is not None and p < 0.001 else number(p, ".2g")
    return _difference(signed), _difference(absolute), told, _shown(signed, absolute, p)


def _difference(part: Mapping[str, Any]) -> str:
    ends = part.get("simultaneous_ci95_nC_per_g") or part.get("ci95_nC_per_g") or (None, None)
    told = "" if None in ends else f" [{ends[0]:+.3g},{ends[1]:+.3g}]"
    return f"{part['difference_nC_per_g']:+.3g}{told}"


def _shown(signed: Mapping[str, Any], absolute: Mapping[str, Any], p: float | None) -> str:
    if p is None:
        return "no test"
    if p < _DIFFERENT:
        return "different"
    inside = [(part.get("equivalence") or {}).get("equivalent") for part in (signed, absolute)]
    return "equivalent" if all(inside) else "neither"


def set_aside_rows(group: Mapping[str, Any]) -> tuple[Row, ...]:
    """Runs that do not count and why; empty where all do."""
    if not group["set_aside"]:
        return ()
    return (("set aside", "because"), *((entry["run"], entry["reason"]) for entry in group["set_aside"]))

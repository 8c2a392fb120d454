"""An outcome in words: the card of one run, the table of many. Owns no number."""

from __future__ import annotations

import contextlib
import itertools
import math
import os
import shutil
import sys
import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Final

from chargebench.runs.water import tells_water, water_dose_uL_per_g
from chargebench.units import value_and_u, value_text

if TYPE_CHECKING:
    from chargebench.processing.outcome import Estimate, Outcome, ResultKey

__all__ = [
    "aligned",
    "budget_table",
    "counted",
    "estimate_text",
    "fits",
    "printable",
    "run_card",
    "runs_table",
    "said_once",
    "wrapped",
]

_ROWS: Final[tuple[tuple[str, ResultKey], ...]] = (
    ("net charge", "net_charge_nC"),
    ("  its rises, at least", "positive_charge_nC"),
    ("  its falls, at least", "negative_charge_nC"),
    ("collected mass", "collected_mass_g"),
    ("charge to mass", "charge_to_mass_nC_per_g"),
    ("  per dry gram", "charge_to_dry_mass_nC_per_g"),
    ("grind time (10–90 %)", "grind_time_s"),
    ("throughput", "throughput_g_per_s"),
    ("mass after charge", "mass_lag_s"),
    ("recovery", "recovery_percent"),
    ("bias current", "bias_current_pA"),
    ("leakage time constant", "leakage_time_constant_s"),
    ("noise", "noise_nC"),
)
_SIGNS: Final = {"note": "·", "doubt": "!", "reject": "X"}


def printable(text: str) -> str:
    """Text of unknown origin made harmless for a terminal: control and direction characters become ``\\x…`` escapes."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text)


def counted(number: float, one: str, many: str = "") -> str:
    """A count with its noun: ``1 run``, ``2 runs``; the plural is given where it is more than an ``s``."""
    count = f"{number:.0f}"
    return f"{count} {one if count == '1' else many or one + 's'}"


def _columns() -> int:
    """Width of the terminal, or as COLUMNS says; 0 where there is neither, and lines may be as long as they are.

    Where standard output goes to a pager or a file, the terminal is the one that errors are written to.
    """
    columns = shutil.get_terminal_size(fallback=(0, 0)).columns
    if columns:
        return columns
    with contextlib.suppress(OSError, ValueError, AttributeError):
        return os.get_terminal_size(sys.__stderr__.fileno()).columns  # type: ignore[union-attr]
    return 0


def wrapped(text: str, columns: int | None = None) -> str:
    """Lines no longer than the terminal is wide; what goes on is indented further than where it began."""
    columns = _columns() if columns is None else columns
    if not columns:
        return text
    lines: list[str] = []
    for line in text.split("\n"):
        indent = " " * (len(line) - len(line.lstrip()) + 4)
        options = {"break_long_words": False, "break_on_hyphens": False}
        lines += textwrap.wrap(line, max(columns, 20), subsequent_indent=indent, **options) or [""]  # type: ignore[arg-type]
    return "\n".join(lines)


def run_card(outcome: Outcome) -> str:
    """Everything the program says of one run, as lines of text."""
    from chargebench.processing.outcome import RESULT_UNITS

    lines = [f"{printable(outcome.run_id)}  {_tags(outcome.tags)}" + ("  (recovered)" if outcome.recovered else "")]
    lines += [f"  {label:<22} {estimate_text(outcome.result[key], RESULT_UNITS[key])}" for label, key in _ROWS]
    lines += [f"  {_SIGNS[f.severity]} {f.severity}: {printable(f.text)} [{f.code}]" for f in outcome.flags]
    return wrapped("\n".join(lines))


def estimate_text(estimate: Estimate | None, unit: str) -> str:
    """Value, standard uncertainty, expanded uncertainty: ``-61.71 ± 0.32 nC/g (u), U95 0.70 nC/g, 11 degrees …``."""
    if estimate is None:
        return "—"
    text = value_and_u(estimate.value, estimate.u, unit)
    if not estimate.u:
        return text
    dof = estimate.dof
    freedom = "" if dof > 1000 else f", {counted(dof, 'degree of freedom', 'degrees of freedom')}"
    return f"{text}, U95 {_rounded(estimate)[1]} {unit}".rstrip() + freedom


def _rounded(estimate: Estimate) -> tuple[str, str]:
    """Value and U95 as plain decimals, both to the place that two digits of the uncertainty end at."""
    value, _, u = value_text(estimate.value, estimate.u).partition(" ± ")
    if not u:
        return f"{estimate.value:.2f}", "—"
    decimals = len(u.partition(".")[2])
    return value, f"{estimate.U95:.{decimals}f}"


def _tags(tags: Mapping[str, str | float]) -> str:
    return printable("  ".join(f"{key}={_tag(value)}" for key, value in tags.items()))


def _tag(value: object) -> str:
    """A tag's number in short; whatever else it is as it stands."""
    return f"{value:g}" if isinstance(value, float) else str(value)


_RUN_HEADER: Final = ("run", "coffee", "grinder", "treatment", "µL/g", "mass g", "Q/m nC/g", "U95 nC/g", "flags")


def runs_table(outcomes: Sequence[Outcome]) -> str:
    """One line a run: when, what, charge to mass, worst flag.

    Where that is wider than the terminal, runs of one coffee on one grinder stand together under its name, and flags
    under their run.
    """
    rows = [_row(outcome) for outcome in outcomes]
    if fits([_RUN_HEADER, *rows]):
        return aligned([_RUN_HEADER, *rows])
    kinds = dict.fromkeys((row[1], row[2]) for row in rows)
    return "\n".join(_runs_of(kind, [row for row in rows if (row[1], row[2]) == kind]) for kind in kinds)


def _runs_of(kind: tuple[str, str], rows: Sequence[tuple[str, ...]]) -> str:
    """Runs of one coffee on one grinder, without either, flags on lines of their own."""
    coffee, grinder = (name or "not told" for name in kind)
    head, *lines = aligned([(row[0], *row[3:-1]) for row in (_RUN_HEADER, *rows)]).split("\n")
    if len(lines) == len(rows):
        lines = [
            line + (f"\n{wrapped(f'    {row[-1]}')}" if row[-1] else "") for line, row in zip(lines, rows, strict=True)
        ]
    return "\n".join([wrapped(f"{coffee} on {grinder}"), head, *lines])


def _row(outcome: Outcome) -> tuple[str, ...]:
    tags, result = outcome.tags, outcome.result
    ratio, mass = result["charge_to_mass_nC_per_g"], result["collected_mass_g"]
    water = water_dose_uL_per_g(tags) if tells_water(tags) else math.nan
    worst = [f for s in ("reject", "doubt") for f in outcome.flags if f.severity == s]
    blank, charge = tags.get("purpose") == "blank", result.get("net_charge_nC")
    cells = {key: printable(_tag(tags.get(key, "")))[:24] for key in ("coffee", "grinder", "treatment")}
    if blank:
        cells["treatment"] = f"blank {cells['treatment']}".rstrip()
    return (
        printable(outcome.run_id),
        *cells.values(),
        f"{water:g}" if math.isfinite(water) else "",
        _rounded(mass)[0] if mass else "—",
        *((_number(charge), _u95(charge)) if blank and charge else (_number(ratio, ""), _u95(ratio, ""))),
        " ".join(f"{_SIGNS[f.severity]}{f.code}" for f in worst),
    )


def _number(estimate: Estimate | None, unit: str = " nC") -> str:
    return _signed(_rounded(estimate)[0]) + unit if estimate else "—"


def _u95(estimate: Estimate | None, unit: str = " nC") -> str:
    return _rounded(estimate)[1] + unit if estimate else "—"


def _signed(number: str) -> str:
    return number if number.startswith("-") else f"+{number}"


def fits(rows: Sequence[Sequence[str]], indent: int = 0) -> bool:
    """Whether a table is no wider than the terminal."""
    columns = _columns()
    return not columns or indent + sum(_natural(rows)) + 2 * (len(rows[0]) - 1) <= columns


def _natural(rows: Sequence[Sequence[str]]) -> list[int]:
    return [max(map(len, cells)) for cells in zip(*rows, strict=True)]


def said_once(rows: Sequence[Sequence[str]], columns: Sequence[int]) -> tuple[list[str], list[list[str]]]:
    """Cells of such columns as hold the same in every row below the header, and the rows without them.

    Nothing is taken out of a table that fits the terminal as it is.
    """
    same = [] if fits(rows) else [i for i in columns if len({row[i] for row in rows[1:]}) == 1]
    return [rows[1][i] for i in same], [[cell for i, cell in enumerate(row) if i not in same] for row in rows]


def aligned(rows: Iterable[Sequence[str]], indent: int = 0) -> str:
    """Rows of text, a header first, as columns two blanks apart.

    Where they are too wide for the terminal, cells go on below, between words, and columns stand one blank apart; only
    where not even that is narrow enough the cells of a row follow each other with their columns' names.
    """
    rows, before = list(rows), " " * indent
    if fits(rows, indent):
        return "\n".join(before + _laid_out(row, _natural(rows), 2) for row in rows)
    widths = _narrowed(rows, _columns() - indent - (len(rows[0]) - 1))
    if widths is None:
        header, *body = rows
        return "\n".join(wrapped(before + _listed(header, row)) for row in body)
    return "\n".join(before + _laid_out(line, widths, 1) for row in rows for line in _lines(row, widths))


def _laid_out(row: Sequence[str], widths: Sequence[int], gap: int) -> str:
    return (" " * gap).join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


def _narrowed(rows: Sequence[Sequence[str]], room: int) -> list[int] | None:
    """Widths of columns that come to `room` together, none narrower than its longest word; None where none do."""
    widths = _natural(rows)
    least = [
        max((len(word) for cell in cells for word in cell.split()), default=0) for cells in zip(*rows, strict=True)
    ]
    if sum(least) > room:
        return None
    while sum(widths) > room:
        widest = max((i for i in range(len(widths)) if widths[i] > least[i]), key=lambda i: widths[i])
        widths[widest] -= 1
    return widths


def _lines(row: Sequence[str], widths: Sequence[int]) -> Iterator[tuple[str, ...]]:
    """A row as lines whose cells are no wider than their columns."""
    parts = [
        textwrap.wrap(cell, width, break_long_words=False, break_on_hyphens=False) if cell.strip() else []
        for cell, width in zip(row, widths, strict=True)
    ]
    yield from itertools.zip_longest(*parts, fillvalue="")


def _listed(header: Sequence[str], row: Sequence[str]) -> str:
    """A row as its first cell and the others with their columns' names."""
    cells = [cell.strip() for cell in row[1:]]
    others = [f"{name.strip()} {cell}" for name, cell in zip(header[1:], cells, strict=True) if cell]
    return f"{row[0].strip()}: " + ", ".join(others)


def _per(unit: str, by: str) -> str:
    """Unit of a sensitivity: nC/g by nC is ``nC/g per nC``; by a number without a unit it is nC/g."""
    return unit if by in ("", "1") else f"{unit} per {by}"


def budget_table(outcome: Outcome) -> str:
    """The uncertainty budget of charge-to-mass, term by term, and what they come to."""
    header = ("term", "value", "u", "unit", "type", "dof", "sensitivity", "share %", "shared")
    rows = [
        (
            printable(t.name),
            f"{t.value:.6g}",
            f"{t.u:.2g}",
            t.unit,
            t.kind,
            _dof(t.dof),
            f"{t.sensitivity:.3g} {_per('nC/g', t.unit)}",
            f"{100 * t.share:.1f}",
            t.shared,
        )
        for t in outcome.budget
    ]
    whole = outcome.result["charge_to_mass_nC_per_g"]
    if not rows or whole is None:
        charge = estimate_text(outcome.result["net_charge_nC"], "nC")
        return wrapped(f"no budget of charge to mass, since this run has none; its net charge is {charge}")
    together = f"{whole.value:.6g}", f"{whole.u:.2g}", "nC/g", "", _dof(whole.dof)
    return aligned([header, *rows, ("charge to mass", *together, "", "100.0", "")])


def _dof(dof: float) -> str:
    """Degrees of freedom; infinitely many where nothing says otherwise, or where it makes no difference."""
    return "∞" if dof > 1e5 else f"{dof:.3g}"

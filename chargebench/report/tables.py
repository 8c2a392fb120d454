"""Tables of a study's answer as rows of text, for terminal and report alike. Draws nothing and computes nothing.

A header comes first.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from chargebench.study.arms import ArmFound
from chargebench.study.comparison import Difference, DifferenceTested
from chargebench.study.nouns import Group, LevelFound
from chargebench.study.treatments import Pair, Treatments

__all__ = ["TREATMENTS_TITLE", "inside_words", "number", "set_aside_rows", "treatment_rows"]

Row = tuple[str, ...]

TREATMENTS_TITLE = "treatments against dry and each other: differences with 95 % intervals, p of |Q/m| adjusted"
_DIFFERENT = 0.05


def number(value: float | None, form: str) -> str:
    """A number in a form, a dash where there is none."""
    return "—" if value is None else format(value, form)


def treatment_rows(treatments: Treatments | None) -> tuple[Row, ...]:
    """Every treatment with its mean and how it differs from dry, and from the others; empty where there is only one."""
    if treatments is None or len({arm.name for arm in treatments.arms}) < 2:
        return ()
    header = ("treatment", "runs", "mean nC/g", "against", "Q/m differs by nC/g", "|Q/m| differs by nC/g", "p", "shown")
    return (header, *_rows(treatments.arms, treatments.pairs))


def _rows(arms: Sequence[ArmFound], pairs: Sequence[Pair]) -> Iterator[Row]:
    for arm in arms:
        about = (_spaced(arm.name), str(arm.n), f"{arm.mean_nC_per_g:+.3g}")
        own = [pair for pair in pairs if pair.first == arm.name]
        for pair in own:
            yield (*about, _spaced(pair.second), *_compared(pair))
        if not own:
            yield (*about, *[""] * 5)


def _spaced(name: str) -> str:
    """A treatment's name that can go on below in a narrow column."""
    return name.replace("+", " + ")


def _compared(pair: Pair) -> Row:
    """Difference with interval, signed and absolute, p of the latter, and what is shown."""
    p = pair.absolute.p_adjusted if isinstance(pair.absolute, DifferenceTested) else None
    told = "<0.001" if p is not None and p < 0.001 else number(p, ".2g")
    return _difference(pair.signed), _difference(pair.absolute), told, _shown(pair, p)


def _difference(part: Difference) -> str:
    told = ""
    if isinstance(part, DifferenceTested):
        low, high = part.simultaneous_ci95_nC_per_g or part.ci95_nC_per_g
        told = f" [{low:+.3g},{high:+.3g}]"
    return f"{part.difference_nC_per_g:+.3g}{told}"


def _shown(pair: Pair, p: float | None) -> str:
    if p is None:
        return "no test"
    if p < _DIFFERENT:
        return "different"
    parts = (part for part in (pair.signed, pair.absolute) if isinstance(part, DifferenceTested))
    inside = [part.equivalence is not None and part.equivalence.equivalent for part in parts]
    return "equivalent" if len(inside) == 2 and all(inside) else "neither"


def inside_words(level: LevelFound) -> str:
    """Whether a level is shown inside the band; a dash where it was not put to one."""
    if level.sign_changes:
        return "not neutral: sign changes from run to run"
    return "—" if level.neutral is None else "yes" if level.neutral else "no"


def set_aside_rows(group: Group) -> tuple[Row, ...]:
    """Runs that do not count and why; empty where all do."""
    if not group.set_aside:
        return ()
    return (("set aside", "because"), *((entry.run, entry.reason) for entry in group.set_aside))

"""Compares treatments: each with dry and with each other, on signed and on absolute charge-to-mass.

Owns which arms are compared and what is said of it. Fits no curve.

Signed means hide runs of both signs; absolute ones hide a change of sign. Both are tested, and the words say which.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from chargebench.plain import absent
from chargebench.study.arms import TREATMENTS, Arm, ArmFound, Ions, arms_of, ions_taken_off
from chargebench.study.comparison import Difference, DifferenceTested, compare, contrast, dunnett_p, holm, together
from chargebench.study.rows import StudyRun
from chargebench.study.witnesses import Witness, witness_words, witnesses

__all__ = ["Arm", "Pair", "Treatments", "arms_of", "compare", "compare_treatments", "dunnett_p", "holm"]


@dataclass(frozen=True)
class Pair:
    """Two arms compared, on signed and on absolute charge-to-mass."""

    first: str
    second: str
    signed: Difference
    absolute: Difference


@dataclass(frozen=True)
class Treatments:
    """All that is said of the treatments of a group; the arms alone in a quick answer.

    Attributes
    ----------
    arms : tuple of ArmFound
    against_dry, against_each_other : tuple of Pair
        Each with p values and intervals adjusted for all differences of the list.
    ioniser_background : Ions
        As the outcomes tell it.
    witnesses : tuple of Witness
    conclusions : tuple of str
    """

    arms: tuple[ArmFound, ...]
    against_dry: tuple[Pair, ...] | None = absent()
    against_each_other: tuple[Pair, ...] | None = absent()
    ioniser_background: Ions | None = absent()
    witnesses: tuple[Witness, ...] | None = absent()
    conclusions: tuple[str, ...] | None = absent()

    @property
    def pairs(self) -> tuple[Pair, ...]:
        """Every comparison there is."""
        return (*(self.against_dry or ()), *(self.against_each_other or ()))


def compare_treatments(rows: Sequence[StudyRun], band_nC_per_g: float | None, seed: int) -> Treatments:
    """All comparisons of a group."""
    arms = arms_of(rows)
    dry = next((arm for arm in arms if arm.treatment == "dry"), None)
    others = [arm for arm in arms if arm is not dry]
    against = [] if dry is None else _pairs([(arm, dry) for arm in others], dry, band_nC_per_g, seed)
    if dry is not None:
        against = _with_dunnett(against, others, dry, seed)
    between: list[Pair] = []
    rank = {name: place for place, name in enumerate(TREATMENTS)}
    for ionised in (arm for arm in arms if "ionised" in arm.treatment):  # doses of one treatment are a curve, no pairs
        before = [(ionised, arm) for arm in others if rank[arm.treatment] < rank[ionised.treatment]]
        between += _pairs(before, ionised, band_nC_per_g, seed)
    ions, seen = ions_taken_off(rows), witnesses(arms)
    said = [words for item in (*against, *between) if (words := _words(item))]
    if len(arms) > 1:
        said += [*_ion_words(ions), witness_words(seen)]
    found = tuple(arm.found() for arm in arms)
    return Treatments(found, tuple(against), tuple(between), ions, seen, tuple(said))


def _pairs(pairs: Sequence[tuple[Arm, Arm]], common: Arm, band: float | None, seed: int) -> list[Pair]:
    """Comparisons that share an arm, each beside the others."""
    signed, absolute = (_together(pairs, common, band, seed, kind) for kind in (False, True))
    return [Pair(a.name, b.name, s, t) for (a, b), s, t in zip(pairs, signed, absolute, strict=True)]


def _together(
    pairs: Sequence[tuple[Arm, Arm]], common: Arm, band: float | None, seed: int, absolute: bool
) -> list[Difference]:
    """Differences of one kind, with p values and intervals such that all hold together."""
    found = [compare(a, b, band, absolute, seed) for a, b in pairs]
    told = {i: one for i, (a, b) in enumerate(pairs) if (one := contrast(a, b, absolute)) is not None}
    adjusted = holm([one.p for one in told.values()])
    for i, p_holm, (p, ends) in zip(told, adjusted, together(list(told.values()), common), strict=True):
        tested = found[i]
        if isinstance(tested, DifferenceTested):
            found[i] = replace(tested, p_holm=p_holm, p_adjusted=p, simultaneous_ci95_nC_per_g=ends)
    return found


def _with_dunnett(found: Sequence[Pair], others: Sequence[Arm], dry: Arm, seed: int) -> list[Pair]:
    """Dunnett's p beside each comparison with dry: his own where runs are independent, else within blocks."""
    ready = [i for i, arm in enumerate(others) if len(arm.q_nC_per_g) > 1]
    if not ready or len(dry.q_nC_per_g) < 2 or not max(arm.q_nC_per_g.std() for arm in (dry, *others)) > 0:
        return list(found)
    signed = [arm.q_nC_per_g for arm in (dry, *others)]
    absolute = [np.abs(values) for values in signed]
    p_signed, p_absolute = (
        dict(zip(ready, dunnett_p([arms[i + 1] for i in ready], arms[0], seed), strict=True))
        for arms in (signed, absolute)
    )
    return [
        replace(pair, signed=_dunnett(pair.signed, p_signed[i]), absolute=_dunnett(pair.absolute, p_absolute[i]))
        if i in p_signed
        else pair
        for i, pair in enumerate(found)
    ]


def _dunnett(part: Difference, p: float) -> Difference:
    if isinstance(part, DifferenceTested):
        return replace(part, p_dunnett=part.p_adjusted if part.block_adjusted else p)
    return replace(part, p_dunnett=p)


def _words(item: Pair) -> str:
    """One sentence on the absolute charge, with the signed one named where a change of sign makes them differ."""
    part, signed = item.absolute, item.signed
    if not isinstance(part, DifferenceTested) or not isinstance(signed, DifferenceTested):
        return ""
    assert part.p_adjusted is not None
    assert signed.p_adjusted is not None
    low, high = part.simultaneous_ci95_nC_per_g or part.ci95_nC_per_g
    where = f" {part.basis}" if part.block_adjusted else ""
    said = (
        f"{item.first} against {item.second}: |Q/m| differs{where} by {part.difference_nC_per_g:+.3g} nC/g, "
        f"95 % interval with all others {low:+.3g} to {high:+.3g}, adjusted p {part.p_adjusted:.2g}"
    )
    if part.p_adjusted >= 0.05:
        shown = all(one.equivalence is not None and one.equivalence.equivalent for one in (part, signed))
        said += "; shown equivalent" if shown else "; no difference shown, which does not show them equal"
    if abs(signed.difference_nC_per_g) > 2 * abs(part.difference_nC_per_g) and signed.p_adjusted < 0.05:
        said += f"; the signed values differ more, by {signed.difference_nC_per_g:+.3g} nC/g"
    return said + "."


def _ion_words(ions: Ions) -> Iterator[str]:
    """What was taken off for the ioniser's ions; where nothing was, a flag of the group says so."""
    if not ions.runs:
        return
    known = f" ({'; '.join(ions.sources)})" if ions.sources else ""
    left = "" if not ions.contained_in else f"; {ions.contained_in} others contain it"
    yield (
        f"The ioniser's own charge, {ions.charge_nC:+.3g} nC{known}, was taken off {ions.runs} ionised runs, "
        f"each in its own outcome, with its uncertainty{left}."
    )

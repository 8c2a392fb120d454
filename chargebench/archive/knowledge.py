"""What is known of a bench on a day. Owns the rule of what wins over what; reads no file.

Each entry has candidates: the bench file and every qualification that gives it. Those not yet made or out of date on
that day are set aside, as are checks with a flag that rejects them; of each kind of check only the newest is left,
whatever it found or did not find; of the rest the newest wins, and an undated one counts as oldest. Only the charge
calibration is still used when nothing valid is left (there is no measuring without one): with its date, so that the
run is flagged.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date
from functools import partial
from itertools import chain
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from chargebench.processing.qualify.qualification import Qualification
from chargebench.runs.run import Knowledge, Known

if TYPE_CHECKING:
    from chargebench.instruments.benchfile import Bench

__all__ = ["USED_WHEN_EXPIRED", "merge"]

USED_WHEN_EXPIRED: Final = frozenset({"gain", "charge_offset_nC"})

Candidate = tuple[str, Known]


def _iso(day: date | None) -> str:
    return "" if day is None else day.isoformat()


def _from_bench(bench: Bench) -> Iterator[Candidate]:
    """Entries that the bench file gives, in canonical units."""
    given = bench.calibration
    known = partial(
        Known, source=f"bench file of {bench.name}", date=_iso(given.certified), until=_iso(given.valid_until)
    )
    if given.gain is not None and given.u_gain is not None:
        yield "gain", known(given.gain, given.u_gain)
    if given.bias_current_pA is not None and given.u_bias_current_pA is not None:
        yield "bias_current_nA", known(given.bias_current_pA / 1e3, given.u_bias_current_pA / 1e3)
    if (tau_s := given.leakage_time_constant_s) is not None and (u_s := given.u_leakage_time_constant_s) is not None:
        yield "leakage_rate_per_s", known(1.0 / tau_s, u_s / tau_s**2)
    for instrument in bench.instruments.values():
        if "mass" not in instrument.carries:
            continue
        for name in ("resolution_g", "repeatability_g", "linearity_g"):
            if (figure := getattr(instrument, name)) is not None:
                yield f"scale_{name}", Known(figure, 0.0, source=f"bench file of {bench.name}, {instrument.name}")


def _standing(checks: Iterable[Qualification], day: str) -> Iterator[Qualification]:
    """Of each kind the newest check that holds on a day; of a kind of which none does, all."""
    newest_first = sorted(checks, key=lambda check: check.made, reverse=True)
    sound = [c for c in newest_first if c.made[:10] <= day and all(flag.severity != "reject" for flag in c.flags)]
    newest: dict[str, Qualification] = {}
    for check in sound:
        if day <= check.valid_until:
            newest.setdefault(check.kind, check)
    yield from (check for check in sound if newest.get(check.kind, check) is check)


def _from_check(check: Qualification) -> Iterator[Candidate]:
    for key, found in check.values.items():
        source = f"{check.kind} check of {check.made}"
        yield key, Known(found.value, found.u, found.dof, source, check.made[:10], check.valid_until)


def _choose(key: str, candidates: list[Known], day: str) -> Known | None:
    made = [known for known in candidates if known.date <= day]
    usable = [known for known in made if not known.until or day <= known.until]
    if not usable and key in USED_WHEN_EXPIRED:
        usable = made
    return max(usable, key=lambda known: known.date, default=None)


def merge(bench: Bench, checks: Iterable[Qualification], on: date) -> Knowledge:
    """Knowledge of a bench on a day.

    Parameters
    ----------
    bench : Bench
        Its file's ``[calibration]`` and the figures of the instrument that carries mass.
    checks : iterable of Qualification
        In order of time; those of other benches are passed over.
    on : date
        The day (UTC).
    """
    candidates: dict[str, list[Known]] = {}
    day = on.isoformat()
    mine = (check for check in checks if check.bench == bench.name)
    for key, known in chain(*map(_from_check, _standing(mine, day)), _from_bench(bench)):
        candidates.setdefault(key, []).append(known)
    chosen = {key: _choose(key, found, day) for key, found in candidates.items()}
    return Knowledge(MappingProxyType({key: known for key, known in chosen.items() if known is not None}))

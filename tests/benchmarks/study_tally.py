"""Counts what was said of simulated studies and whether it was right, and puts the counts into lines of a table."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

ENOUGH, OFTEN = 93.0, 7.0
"""Covered at least so often in a hundred; wrong calls at most so often."""
TOLD = 0.9
"""Part of what is wrong that must bear a flag where it is wrong more often."""
Claim = tuple[bool, bool, float]
"""Whether right, whether the answer bears a doubt or a reject, width."""


class Tally:
    """What was said in the studies of a cell, and whether it was right."""

    def __init__(self) -> None:
        self.claims: dict[str, list[Claim]] = defaultdict(list)
        self.calls: dict[str, list[tuple[bool, bool]]] = defaultdict(list)
        self.numbers: dict[str, list[float]] = defaultdict(list)
        self.failures: list[str] = []

    def interval(self, what: str, ends: Sequence[float | None] | None, truth: float | None, flagged: bool) -> None:
        """Count an interval; one that was not given is not counted."""
        if ends is None or truth is None or any(end is not None and math.isnan(end) for end in ends):
            return
        low, high = (default if end is None else end for end, default in zip(ends, (-math.inf, math.inf), strict=True))
        self.claims[what].append((low <= truth <= high, flagged, high - low))

    def any_wrong(self) -> bool:
        """Whether anything that was said was wrong."""
        wrong = (call[0] for what, calls in self.calls.items() if not what.startswith("(") for call in calls)
        return any(wrong) or any(not claim[0] for claims in self.claims.values() for claim in claims)

    def add(self, other: Tally) -> None:
        """Take over what another has counted."""
        for what, claims in other.claims.items():
            self.claims[what] += claims
        for what, calls in other.calls.items():
            self.calls[what] += calls

    def call(self, what: str, wrong: bool, flagged: bool) -> None:
        """Count a verdict that may be wrong."""
        self.calls[what].append((wrong, flagged))


@dataclass(frozen=True)
class Line:
    """One line of a cell: how often a thing was said, percent right (of calls: wrong), percent of wrongs told."""

    what: str
    times: int
    share: float | None = None
    told: float | None = None
    width: float | None = None
    sign: str = ""

    def text(self, before: Mapping[str, float | None] | None = None) -> str:
        """The line in columns; with what the same cell showed before, the ratio of widths too."""
        share = "" if self.share is None else f"{self.share:.1f}"
        told = "-" if self.told is None else f"{self.told:.0f}"
        width = "" if self.width is None else f"{self.width:.3g}"
        earlier = None if before is None else before.get("width")
        known = self.width is not None and earlier is not None and 0 < earlier < math.inf
        ratio = f"{self.width / earlier:.2f}" if known else ""  # type: ignore[operator]
        was = "" if before is None or before.get("share") is None else f"{before['share']:.1f}"
        return (
            f"  {self.what:44} {self.times:6} {share:>7} {told:>5} {width:>9} {was:>7} {ratio:>6} {self.sign}".rstrip()
        )


HEADER = f"  {'what is said':44} {'times':>6} {'covered':>7} {'told':>5} {'width':>9} {'before':>7} {'wider':>6}"


def mark(bad_percent: float, allowed: float, misses: int, misses_flagged: int) -> str:
    """``<<`` where a thing is wrong too often without being flagged."""
    return "<<" if bad_percent > allowed and misses_flagged < TOLD * misses else ""


def lines_of(tally: Tally) -> Iterator[Line]:
    """The lines of a cell."""
    for what, claims in tally.claims.items():
        missed = [claim[1] for claim in claims if not claim[0]]
        covered = 100 * (1 - len(missed) / len(claims))
        told = 100 * sum(missed) / len(missed) if missed else None
        sign = mark(100 - covered, 100 - ENOUGH, len(missed), sum(missed))
        yield Line(what, len(claims), covered, told, float(np.median([claim[2] for claim in claims])), sign)
    for what, calls in tally.calls.items():
        wrong = [call[1] for call in calls if call[0]]
        part = 100 * len(wrong) / len(calls)
        plain = what.startswith("(")
        told = 100 * sum(wrong) / len(wrong) if wrong and not plain else None
        yield Line(what, len(calls), part, told, None, "" if plain else mark(part, OFTEN, len(wrong), sum(wrong)))
    for what, values in tally.numbers.items():
        yield Line(what, len(values), width=float(np.median(values)))

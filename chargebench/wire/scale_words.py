"""Words that scales print beside a number, and what each makes of it. Owns the list, which is closed.

Only what stands here is believed: a word that does not is never passed over. All of it is common practice among scales
that print, no source. Case does not matter.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Final

from chargebench.wire.reading import Status

__all__ = ["NOT_WEIGHING", "NO_WEIGHT", "UNITS", "WORDS", "verdict", "words_in"]

NOT_WEIGHING: Final = "not_weighing"
UNKNOWN: Final = "word"
NO_WEIGHT: Final = Status.OVER | Status.NOT_A_NUMBER

_LIST: Final[Mapping[Status | str, str]] = {
    Status.NONE: "N NT NET NETT NETTO G GS GR GRS GROSS BRUTTO",
    Status.SETTLED: "ST S STABLE *",
    Status.UNSETTLED: "US U SD D M UNSTABLE ?",
    Status.OVER: (
        "OL OVER OVERLOAD OVERLD OVL OVR OVF OF OVERFLOW OVERRANGE HIGH HI H HH MAXLOAD "
        "UL UNDER UNDERLOAD UNDERLD UNL UDR UF UNDERFLOW UNDERRANGE LOW LO L LL -"
    ),
    Status.NOT_A_NUMBER: "E ER ERR ERROR FAIL FAULT INVALID NAN INF",
    NOT_WEIGHING: (
        "T TR TA TARE TARA PT PTARE PRESET PST MIN MINIMUM MAX MAXIMUM TOTAL TOT SUM TARGET TGT "
        "DIFF DIF DIFFERENCE DEV DEVIATION MEAN AVG AVERAGE"
    ),
}
WORDS: Final[Mapping[str, Status | str]] = MappingProxyType(
    {word: means for means, words in _LIST.items() for word in words.split()}
)
UNITS: Final = frozenset({"mg", "g", "kg"})

_WORD = re.compile(r"[^\W\d_]+|[?*]|(?P<mark>[-_=^~\xaf\xad])(?:[ .]*(?P=mark))+")


def words_in(text: str) -> list[str]:
    """Words of some text, in upper case: runs of letters of any script, ``?``, ``*``, and ``-`` for a row of dashes."""
    return ["-" if found["mark"] else found[0].upper() for found in _WORD.finditer(text)]


def verdict(words: Iterable[str]) -> Status | str:
    """What words beside a number make of it, together: the status of a weight, or of none, or why there is none.

    Returns
    -------
    Status or str
        With ``OVER`` or ``NOT_A_NUMBER`` the number beside is no weight. Else the reason: ``word`` where one of them is
        not known, ``not_weighing`` where one says that it is a tare, a total or the like.
    """
    means = [WORDS.get(word, UNKNOWN) for word in words]
    if UNKNOWN in means:
        return UNKNOWN
    status = Status.NONE
    for mean in means:
        status |= mean if isinstance(mean, Status) else Status.NONE
    if status & NO_WEIGHT:
        return status & NO_WEIGHT
    if NOT_WEIGHING in means:
        return NOT_WEIGHING
    return status & ~Status.SETTLED if status & Status.UNSETTLED else status

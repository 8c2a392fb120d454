"""Why a line was not turned into a reading: every reason there is, each with a sentence for people. Owns the table."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

__all__ = ["REASONS"]

REASONS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "cut": "first piece after the port was opened: its beginning was not seen",
        "too_long": "longer than any line of this kind; skipped to the next line end",
        "no_check": "no check field at its end",
        "check": "check field disagrees with the line: damaged on the way",
        "fields": "not the number of fields this kind of line has",
        "kind": "a kind of line that is not known",
        "not_carried": "a channel the bench file does not ask this instrument for",
        "counter": "sequence number or device time outside its range",
        "late": "sequence number before one already seen: out of order",
        "number": "its value is not a finite decimal number",
        "unit": "a unit that its channel cannot have",
        "status": "a status word that is not known",
        "unasked": "answers no question that is open: came late, or its question is not known",
        "no_match": "matches none of the line patterns",
        "word": "a word beside the number that is not known",
        "not_weighing": "no weighing: a tare, preset, total, target or the like",
        "no_unit": "its unit is missing, and the bench file says none",
        "shape": "other width, decimals or wording than the lines before and after it",
    }
)

"""Text from people and strangers: kept exactly, shown harmlessly, turned into file names that no system misreads.

Owns what is done to text before it leaves the program. Decides nothing about what a tag may hold (see
`chargebench.runs.tags`) and imports neither numpy nor h5py.
"""

from __future__ import annotations

import re
import unicodedata
from typing import Final

__all__ = ["can_be_stored", "file_name_part", "safe_in_a_table", "visible"]

_HIDDEN_CATEGORIES: Final = frozenset({"Cc", "Cf", "Cs", "Co", "Zl", "Zp"})
_JOINERS: Final = frozenset({"\u200c", "\u200d"})
_DEVICE_NAME: Final = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|com[0-9¹²³]|lpt[0-9¹²³])(\..*)?", re.IGNORECASE)
_LONGEST_PART: Final = 100


def can_be_stored(text: str) -> bool:
    """Whether `text` is real Unicode: lone surrogates (bytes no locale could decode) are not."""
    return not any("\ud800" <= character <= "\udfff" for character in text)


def visible(text: str, longest: int | None = None) -> str:
    """Text for a terminal, label or log: what would move the cursor or turn the line round is written as an escape.

    Control, format and bidirectional characters, line ends, surrogates and private characters become ``\\x1b``,
    ``\\u202e`` …; joiners inside words stay, since several scripts need them.

    Parameters
    ----------
    text : str
    longest : int, optional
        Cut after so many characters, with an ellipsis.
    """
    shown = "".join(
        character.encode("unicode_escape").decode("ascii")
        if unicodedata.category(character) in _HIDDEN_CATEGORIES and character not in _JOINERS
        else character
        for character in text
    )
    if longest is not None and len(shown) > longest:
        return shown[: max(longest - 1, 0)] + "…"
    return shown


def safe_in_a_table(text: str) -> bool:
    """Whether a spreadsheet that opens a table of text shows this as it is: it begins no formula and hides nothing."""
    return not text.lstrip().startswith(("=", "+", "-", "@")) and visible(text) == text


def file_name_part(text: str, instead: str = "unnamed") -> str:
    """A piece of a file name, safe on Linux, macOS and Windows, made from any text.

    Letters, digits, ``-``, ``_`` and inner dots stay (composed, NFC); everything else becomes one ``_``. Never empty,
    never a path part, never a device name of another system, never longer than 100 bytes of UTF-8.

    Parameters
    ----------
    text : str
    instead : str
        What an empty result is called.
    """
    kept = re.sub(r"[^\w.-]+", "_", unicodedata.normalize("NFC", text.encode("utf-8", "replace").decode()))
    kept = re.sub(r"\.{2,}", ".", kept).strip("._- ")
    kept = kept.encode("utf-8")[:_LONGEST_PART].decode("utf-8", "ignore").strip("._- ") or instead
    return f"_{kept}" if _DEVICE_NAME.fullmatch(kept) else kept

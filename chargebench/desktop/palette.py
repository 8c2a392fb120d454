"""Colours of the window, light and dark, as plain values; no Qt here.

Asking Qt for a colour scheme does nothing on several platforms and the plots do not follow its palette, so the window
carries its own two. Colours of data keep a contrast of at least 3:1 and text of at least 4.5:1 against what they stand
on (WCAG 2.2, success criteria 1.4.3 and 1.4.11); `contrast` measures it.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

__all__ = ["DARK", "LIGHT", "THEMES", "Theme", "contrast"]


@dataclass(frozen=True, slots=True)
class Theme:
    """One set of colours, each ``#rrggbb``.

    Attributes
    ----------
    page, panel, field : str
        Ground of the page, of the panels on it, and of what can be typed into.
    ink, soft : str
        Text, and text that matters less.
    line : str
        Borders and grids.
    accent, on_accent : str
        Keyboard focus and the main button, and the text on it.
    charge, mass : str
        The two traces.
    calm, ready, busy, wait : str
        Grounds of the state banner and of the shaded phases: nothing under way, armed, grinding, settling.
    note, doubt, reject : str
        Text colours of the three severities (always beside a symbol and a word).
    """

    name: str
    page: str
    panel: str
    field: str
    ink: str
    soft: str
    line: str
    accent: str
    on_accent: str
    charge: str
    mass: str
    calm: str
    ready: str
    busy: str
    wait: str
    note: str
    doubt: str
    reject: str


LIGHT: Final = Theme(
    name="light",
    page="#eceff1",
    panel="#ffffff",
    field="#ffffff",
    ink="#16202a",
    soft="#4d5b66",
    line="#b4bec6",
    accent="#00558c",
    on_accent="#ffffff",
    charge="#0b5fa5",
    mass="#a13f00",
    calm="#dfe5ea",
    ready="#bfe6d3",
    busy="#ffd9bf",
    wait="#d6def7",
    note="#0b5fa5",
    doubt="#8a5200",
    reject="#b00020",
)

DARK: Final = Theme(
    name="dark",
    page="#101519",
    panel="#1a2126",
    field="#11171b",
    ink="#eef3f6",
    soft="#a9b6bf",
    line="#46525b",
    accent="#7cc4ff",
    on_accent="#08131c",
    charge="#6cb8ff",
    mass="#ffa257",
    calm="#2a343b",
    ready="#124b36",
    busy="#6b3410",
    wait="#2b3768",
    note="#8cc8ff",
    doubt="#ffc266",
    reject="#ff8a8f",
)

THEMES: Final = MappingProxyType({theme.name: theme for theme in (LIGHT, DARK)})


def _luminance(colour: str) -> float:
    """Relative luminance of ``#rrggbb`` (WCAG 2.2)."""
    parts = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21 (WCAG 2.2)."""
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)

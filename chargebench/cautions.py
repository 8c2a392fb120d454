"""What can hurt at such a bench, said once: the command line, the report and the window read it from here.

Owns those words. Common practice, no source.
"""

from __future__ import annotations

from typing import Final

__all__ = ["CAUTIONS", "CLOSE", "IN_BRIEF"]

CAUTIONS: Final[tuple[tuple[str, str], ...]] = (
    ("Mains", "Unplug grinders and supplies before opening, cleaning or rewiring them."),
    ("Water", "Keep sprayer, wet cups and wet hands off mains parts; wipe spills at once."),
    ("High voltage", "Charged plates and ionisers hold high voltage. Switch off, earth, then touch."),
    ("Ozone", "Ionisers can make ozone. Air the room; stop if you smell it or your throat stings."),
    ("Dust", "Fine coffee dust irritates lungs and can burn in air. Keep flames and sparks away."),
    ("Burrs", "Never reach into a grinder that has power, not even while it stands still."),
)
"""Each hazard and what to do about it."""

CLOSE: Final = "Local codes, the makers' instructions and licensed practice come before anything this program says."

IN_BRIEF: Final = (
    "Rigs on mains power, water near them, high-voltage plates, ionisers (ozone), fine dust and moving burrs can hurt: "
    "follow local electrical codes and the makers' instructions, and leave mains and high voltage to licensed people."
)

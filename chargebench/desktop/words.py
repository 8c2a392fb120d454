"""What the window says, as pure functions of what the recorder says; no Qt here.

Owns the wording of states, answers and severities. Text that came from files or instruments is passed through
untouched: whoever shows it must show it as plain text.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, Final

from chargebench.desktop.row import Row
from chargebench.processing.outcome import Estimate
from chargebench.units import value_text

__all__ = [
    "SEVERITY_SYMBOLS",
    "Answer",
    "StateWords",
    "answer_words",
    "estimate_text",
    "number_text",
    "port_words",
    "rest_words",
    "state_words",
    "verdict",
]

MINUS: Final = "\N{MINUS SIGN}"

SEVERITY_SYMBOLS: Final[Mapping[str, str]] = MappingProxyType({"note": "○", "doubt": "▲", "reject": "✖"})
"""A shape for each severity, so that colour never speaks alone."""

NOTICE_WORDS: Final[Mapping[str, str]] = MappingProxyType({"note": "Note", "doubt": "Attention", "reject": "Trouble"})
"""The same severities where they are about the work and not about a result."""


@dataclass(frozen=True, slots=True)
class StateWords:
    """A state as the banner shows it: what it is, what to do now, and which ground colour of the theme."""

    headline: str
    instruction: str
    ground: str


_STATES: Final[Mapping[str, StateWords]] = MappingProxyType(
    {
        "nobench": StateWords("No bench yet", "Choose a bench file to begin (Ctrl+B)", "calm"),
        "starting": StateWords("Connecting", "The recorder is starting; it opens the ports by itself", "calm"),
        "idle": StateWords("Not recording", "Press Connect (F4) when the bench is ready", "calm"),
        "waiting": StateWords("Waiting for quiet", "Hands off the bench", "wait"),
        "emptying": StateWords("Run recorded", "Empty the cup and put it back, then hands off the bench", "calm"),
        "armed": StateWords("Armed", "Start the grinder", "ready"),
        "grinding": StateWords("Grinding", "Let it run; touch neither cup, scale nor cables", "busy"),
        "settling": StateWords("Settling", "Hands off the bench until it has come to rest", "wait"),
        "done": StateWords("Run recorded", "It is being sealed; you may empty the cup now", "calm"),
        "stopping": StateWords("Stopping", "The recorder finishes what it has; the window closes by itself", "calm"),
        "failed": StateWords("Recorder stopped", "Read the notice above, mend it, then press Connect (F4)", "calm"),
    }
)


_HOLDS: Final[Mapping[str, tuple[str, str]]] = MappingProxyType(
    {
        "silent": ("Not ready", "{text}; F7 goes on without it"),
        "cup-full": ("Empty the cup", "Empty the cup and put it back (another cup, or the scale tared anew: F7)"),
        "cup-away": ("Put the cup back", "The cup is not on the scale (another cup, or the scale tared anew: F7)"),
        "before": ("First", "{text}; then press F7"),
        "over-range": ("Over range", "{text}"),
    }
)
"""What stands between the bench and a run, by its code: headline and instruction with the recorder's own words."""

_COUNTED: Final = {"waiting": "Quiet", "settling": "Settling"}


def state_words(state: str, event: Mapping[str, Any] | None = None) -> StateWords:
    """Headline and instruction of a state.

    Parameters
    ----------
    state : str
        A state of the recorder, or one of the window's own (``nobench``, ``starting``, ``stopping``, ``failed``).
    event : mapping, optional
        The recorder's event. ``hold`` is a reason why a run may not begin yet; ``quiet_s`` and ``quiet_needed_s`` are
        counted aloud where it carries them, else its ``text`` stands beside the state. A state not known here is shown
        with the recorder's own text.
    """
    event = event or {}
    text = str(event.get("text", ""))
    hold = str(event.get("hold", ""))
    if hold and state == "waiting":
        headline, instruction = _HOLDS.get(hold, ("Not ready", "{text}"))
        return StateWords(headline, instruction.replace("{text}", text[:1].upper() + text[1:]), "wait")
    known = _STATES.get(state)
    if known is None:
        return StateWords(state or "Unknown", text, "calm")
    count = _count(event)
    if state in _COUNTED and count:
        return StateWords(f"{_COUNTED[state]}: {count}", known.instruction, known.ground)
    if state == "emptying" and count:
        return replace(known, instruction=f"{known.instruction}: quiet for {count}")
    return known


def _count(event: Mapping[str, Any]) -> str:
    """``6 of 10 s``, or empty where the event does not tell."""
    had, needed = event.get("quiet_s"), event.get("quiet_needed_s")
    if not isinstance(had, int | float) or not isinstance(needed, int | float):
        return ""
    return f"{math.floor(max(0.0, min(had, needed)))} of {needed:.0f} s"


def rest_words(seconds: float | None) -> str:
    """How long a rest is asked for, to follow an instruction; empty where it is not known."""
    return "" if seconds is None else f": {seconds:g} s of rest are needed"


def port_words(event: Mapping[str, Any]) -> tuple[str, str]:
    """Severity and sentence of a port event: ``open`` is a note, everything else stops the work."""
    state, name = str(event.get("state", "")), str(event.get("instrument", "instrument"))
    text = str(event.get("text", ""))
    if state == "open":
        return "note", text or f"{name}: connected"
    head = {
        "lost": f"{name}: connection lost, trying again by itself",
        "missing": f"{name}: port not there; check power and cable",
        "held": f"{name}: another program holds the port; close it",
        "forbidden": f"{name}: this user may not open the port",
    }.get(state, f"{name}: {state}")
    return "reject", f"{head} ({text})" if text else head


def number_text(value: float, decimals: int) -> str:
    """A number with a true minus sign, or a dash where there is none."""
    if not math.isfinite(value):
        return "–"
    text = f"{value:.{decimals}f}"
    return MINUS + text[1:] if text.startswith("-") and float(text) != 0 else text.lstrip("-")


def estimate_text(estimate: Estimate | None, unit: str = "") -> str:
    """``−61.71 ± 0.62 nC/g``, the second number being the expanded uncertainty; a dash where there is no estimate."""
    if estimate is None:
        return "–"
    text = value_text(estimate.value, estimate.U95, unit)
    return text.replace("-", MINUS, 1) if text.startswith("-") else text


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer of one run in words: the big number, one sentence, the verdict and its severity."""

    figure: str
    sentence: str
    verdict: str
    severity: str | None


def verdict(row: Row) -> tuple[str | None, str]:
    """The gravest severity among the flags (None without any) and what it means for the run."""
    if row.set_aside:
        return "reject", "Set aside"
    worst = row.outcome.worst
    words = {"reject": "Do not use", "doubt": "Use with care", "note": "Usable", None: "Usable"}
    return worst, words[worst]


def answer_words(row: Row) -> Answer:
    """Charge-to-mass in words. A run is called negative or positive only where zero lies outside its 95 % interval."""
    estimate = row.outcome.result["charge_to_mass_nC_per_g"]
    severity, words = verdict(row)
    if estimate is None:
        return Answer("–", "No charge-to-mass can be given for this run; the flags say why.", words, severity)
    value = estimate.value
    if abs(value) <= estimate.U95:
        sentence = "Zero lies inside the 95 % interval: no net charge shown, which is not proof of none."
    else:
        sign = "negative" if value < 0 else "positive"
        sentence = f"Net charge is {sign}; zero lies outside the 95 % interval."
    return Answer(estimate_text(estimate, "nC/g"), sentence, words, severity)

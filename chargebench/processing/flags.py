"""Flags: one table of what is watched, how grave it is and where it begins.

Owns the thresholds. Whoever finds a fault calls `raised` with the number found; what is inside its threshold makes no
flag.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final

from chargebench.processing.outcome import Flag, Severity

__all__ = ["TABLE", "Watch", "raised"]


@dataclass(frozen=True)
class Watch:
    """One line of the table.

    Attributes
    ----------
    code : str
    severity : str
    threshold : float
        The flag is raised when the number found exceeds it; or falls below it where `below` is set.
    unit : str
        Unit of number and threshold, written into the evidence keys.
    text : str
        One plain sentence; ``{found}`` and ``{threshold}`` are filled in.
    below : bool
    """

    code: str
    severity: Severity
    threshold: float
    unit: str
    text: str
    below: bool = False


_ROWS: Final = (
    Watch("no-charge-readings", "reject", 0.0, "readings", "The run holds no usable charge or current reading.", True),
    Watch(
        "over-range-in-grind",
        "reject",
        0.0,
        "readings",
        "The electrometer went over range between the quiet stretches: charge beyond its range is not known.",
    ),
    Watch(
        "over-range",
        "note",
        0.0,
        "readings",
        "The electrometer was over range in a quiet stretch; readings left out: {found:.0f}.",
    ),
    Watch(
        "reset-in-grind",
        "reject",
        0.0,
        "resets",
        "The input was reset between the quiet stretches: what fell in meanwhile is lost.",
    ),
    Watch(
        "reset",
        "note",
        0.0,
        "resets",
        "Resets of the input in a quiet stretch: {found:.0f}; its pieces have levels of their own.",
    ),
    Watch(
        "restarted",
        "reject",
        0.0,
        "restarts",
        "The electrometer started anew in the run ({found:.0f} times): what it had integrated is lost; repeat the run.",
    ),
    Watch(
        "scale-restarted",
        "reject",
        0.0,
        "restarts",
        "The scale started anew in the run ({found:.0f} times): its zero may be another one; repeat the run.",
    ),
    Watch(
        "gap-in-grind",
        "doubt",
        0.0,
        "s",
        "Nothing was heard for {found:.2f} s between the quiet stretches; what leaked meanwhile is only bounded.",
    ),
    Watch(
        "gap", "note", 0.0, "s", "The instrument was not heard for {found:.2f} s in a quiet stretch; it is split there."
    ),
    Watch(
        "too-little-quiet-before",
        "doubt",
        4.0,
        "s",
        "Only {found:.1f} s were quiet before the grind; at least {threshold:g} s are wanted.",
        True,
    ),
    Watch(
        "too-little-quiet-after",
        "doubt",
        4.0,
        "s",
        "Only {found:.1f} s were quiet after the grind; at least {threshold:g} s are wanted.",
        True,
    ),
    Watch(
        "display-still",
        "reject",
        0.0,
        "",
        "The charge display showed one and the same number throughout: it is stuck, or its steps hide the charge.",
    ),
    Watch(
        "display-coarse",
        "note",
        0.1,
        "part",
        "The steps of the charge display are wide for its noise: {found:.0%} of what lies within a step stays hidden.",
    ),
    Watch(
        "range-changed",
        "doubt",
        0.1,
        "part",
        "The range changed in the run, and of what lies within the wider steps {found:.0%} stays hidden: fix one "
        "range that holds the whole charge before the grind.",
    ),
    Watch("no-quiet-before", "reject", 1.0, "s", "There is no quiet stretch before the grind to start from.", True),
    Watch("no-quiet-after", "reject", 1.0, "s", "There is no quiet stretch after the grind to end on.", True),
    Watch(
        "not-quiet",
        "doubt",
        0.0,
        "steps",
        "Steps of the charge in a quiet stretch, without mass: {found:.0f}; the stretch ends there.",
    ),
    Watch(
        "touched",
        "note",
        0.0,
        "transients",
        "Disturbances of the charge in a quiet stretch that came back (a touched cable?), left out: {found:.0f}.",
    ),
    Watch(
        "hum",
        "note",
        0.5,
        "x noise",
        "A line in the spectrum has {found:.1f} times the noise of a reading: mains hum, perhaps folded.",
    ),
    Watch(
        "slow-hum",
        "doubt",
        0.8,
        "probability",
        "The drift holds a slow wave (probability {found:.0%}), as mains does when readings come a whole number of its "
        "periods apart; another rate of readings would part it from the drift.",
    ),
    Watch(
        "slow-wave",
        "doubt",
        0.6,
        "probability",
        "The zero waves slowly (probability {found:.0%}), and mains cannot look so at this rate of readings: let bench "
        "and room come to one temperature, keep draughts off, and wait longer before and after the grind.",
    ),
    Watch(
        "late-grounds",
        "note",
        0.0,
        "s",
        "The charge went on relaxing for {found:.1f} s after the grind (late grounds?); the quiet stretch begins then.",
    ),
    Watch(
        "still-relaxing",
        "doubt",
        3.2,
        "x u",
        "After the grind the charge curves to the end of the readings ({found:.1f} times its uncertainty), as late "
        "grounds or a cup that was moved make it: wait longer before the run is ended, and knock the chute empty.",
    ),
    Watch(
        "fell-to-start",
        "reject",
        0.0,
        "nC",
        "From one reading to the next the charge fell back to where it had begun, by {found:.3g} nC: the cup was "
        "emptied or the instrument switched on anew; grind again.",
    ),
    Watch(
        "step-in-grind",
        "doubt",
        0.1,
        "part",
        "One interval between readings brought {found:.0%} of the charge more than its mass explains: something "
        "touched cup or cable, or the input slipped; grind again without a hand near it.",
    ),
    Watch(
        "charge-without-mass",
        "doubt",
        1.0,
        "x U95",
        "While no mass fell, right before or after the grind, charge moved by {found:.1f} times U95 (a touched cup or "
        "cable?) and counts as grounds: keep hands away until the run is sealed, and grind again.",
    ),
    Watch(
        "check-contradicted",
        "doubt",
        3.5,
        "x u",
        "The run's own leakage and bias current lie {found:.1f} times their uncertainty from the bench check, which "
        "was let go: repeat the leakage check (`qualify leakage`), and see whether cable or cup changed since.",
    ),
    Watch("spikes", "note", 0.0, "spikes", "Spikes in the quiet stretches: {found:.0f}."),
    Watch("lost-lines", "note", 0.001, "part", "{found:.2%} of the lines were lost on the way."),
    Watch(
        "lines-lost-in-grind",
        "doubt",
        0.1,
        "s",
        "Lines were lost during the grind: for {found:.2f} s it is not known how the charge fell in.",
    ),
    Watch("repeated-lines", "note", 0.0, "lines", "{found:.0f} lines came twice; the second ones are left out."),
    Watch(
        "clock-jump",
        "doubt",
        0.0,
        "jumps",
        "Jumps of the clock while no line was lost: {found:.0f}; time and leakage are in doubt.",
    ),
    Watch(
        "clock-backwards",
        "note",
        0.0,
        "stamps",
        "{found:.0f} stamps ran backwards in order of arrival; readings are put in order of time.",
    ),
    Watch(
        "leakage-large", "doubt", 0.3, "part", "The leakage correction is {found:.0%} of the charge that the cup held."
    ),
    Watch(
        "drift-share-large",
        "note",
        0.5,
        "part",
        "Of the variance that readings and drift bring, {found:.0%} comes from carrying the drift across the grind.",
    ),
    Watch(
        "curved-drift",
        "note",
        5.0,
        "log odds",
        "The drift is curved beyond what leakage explains (log odds {found:.1f}).",
    ),
    Watch(
        "grind-assumed",
        "doubt",
        0.0,
        "",
        "Neither charge nor mass nor marks show when the grind was; the usual quiet lengths are assumed.",
    ),
    Watch("no-mass", "doubt", 0.0, "", "There is neither a scale nor a hand-weighed cup: nothing per gram can be had."),
    Watch(
        "no-mass-collected",
        "doubt",
        0.05,
        "g",
        "The cup collected {found:.3f} g: too little for anything per gram.",
        True,
    ),
    Watch(
        "weighing-missing",
        "doubt",
        0.0,
        "",
        "Of the cup weighed by hand only one of mass_before_g and mass_after_g is told: it does not count.",
    ),
    Watch(
        "weighings-swapped",
        "doubt",
        0.05,
        "g",
        "The cup weighed by hand became {found:.3f} g lighter: are mass_before_g and mass_after_g swapped?",
    ),
    Watch(
        "weighings-disagree",
        "doubt",
        3.0,
        "x u",
        "The cup weighed by hand and the scale on the port differ by {found:.1f} times their uncertainty.",
    ),
    Watch(
        "mass-not-settled",
        "doubt",
        3.0,
        "x u",
        "The scale still moves at the end: {found:.1f} times the uncertainty of its drift.",
    ),
    Watch(
        "scale-drifting",
        "note",
        0.02,
        "g/min",
        "The empty scale drifts by {found:.3f} g a minute; what is the same before and after the grind is taken off.",
    ),
    Watch(
        "scale-creeping",
        "doubt",
        3.0,
        "x u",
        "The scale drifts otherwise after the grind than before ({found:.1f} times the uncertainty of its drift), by "
        "more than it resolves: let it warm up, keep draughts off, or weigh the cup by hand.",
    ),
    Watch(
        "scale-unstable",
        "doubt",
        5.0,
        "x step",
        "The settled scale scatters by {found:.1f} of its steps; steps finer than 0.01 g count as that.",
    ),
    Watch(
        "scale-not-stated",
        "note",
        0.0,
        "",
        "Nothing is known of the scale on which the cup was weighed: the recipe's readability is taken.",
    ),
    Watch("mass-above-dose", "doubt", 1.02, "part", "The cup collected {found:.1%} of dose and water."),
    Watch("recovery-low", "note", 90.0, "%", "Only {found:.1f} % of dose and water reached the cup.", True),
    Watch("no-dose", "note", 0.0, "", "No dose is tagged: recovery and the dry basis cannot be had."),
    Watch(
        "above-breakdown",
        "doubt",
        1.0,
        "x bound",
        "Charge-to-mass is {found:.2f} times what air lets particles of the stated size hold.",
    ),
    Watch(
        "calibration-missing",
        "note",
        0.0,
        "",
        "No charge calibration is known for this bench: the gain is taken as 1 without uncertainty, "
        "so that runs of this bench compare with each other only.",
    ),
    Watch(
        "calibration-out-of-date",
        "doubt",
        0.0,
        "days",
        "The charge calibration ran out {found:.0f} days before the run.",
    ),
    Watch("below-detection-limit", "note", 1.0, "x limit", "The charge is {found:.2f} of the detection limit.", True),
    Watch(
        "noise-floor",
        "note",
        1.0,
        "x u",
        "Null grinds scatter {found:.1f} times what this run's noise says; their spread stands.",
    ),
    Watch(
        "nulls-of-other-length",
        "note",
        1.5,
        "x",
        "The null grinds that this run relies on and its own grind differ {found:.1f} times in length.",
    ),
    Watch(
        "ions-included",
        "doubt",
        0.0,
        "",
        "The ioniser was on, and nothing tells what its own ions bring: the charge contains them; "
        "make null grinds with it on (`qualify ioniser`).",
    ),
    Watch(
        "wander-floor",
        "note",
        1.0,
        "x u",
        "At the zero check the input wandered {found:.1f} times what this run's noise says; that stands.",
    ),
    Watch(
        "wander-unknown",
        "note",
        150.0,
        "s",
        "The empty cup was watched for {found:.0f} s: a zero that waves with half a minute or a minute can hide in a "
        "run's drift, beyond U95, and only {threshold:g} s and more show it: make a zero check (`qualify zero`).",
        True,
    ),
    Watch(
        "noisier-than-checked",
        "doubt",
        3.0,
        "x",
        "Quiet readings scatter {found:.1f} times what they did at the zero check: look at cable, lid and neighbours.",
    ),
    Watch("leakage-unknown", "note", 0.0, "", "Neither this run nor a bench check tells the leakage time constant."),
    Watch("cut-short", "doubt", 0.0, "", "The recording ended during the grind."),
    Watch("recovered", "note", 0.0, "", "The recording was cut short and sealed later."),
    Watch("not-reducible", "reject", 0.0, "", "The run cannot be reduced: it holds numbers that no measurement gives."),
)

TABLE: Final[Mapping[str, Watch]] = MappingProxyType({watch.code: watch for watch in _ROWS})


def raised(
    code: str, found: float, thresholds: Mapping[str, float] | None = None, /, always: bool = False, **evidence: Any
) -> tuple[Flag, ...]:
    """The flag of that code, in a tuple, where the number found is beyond its threshold; else an empty tuple.

    Parameters
    ----------
    code : str
        Of `TABLE`.
    found : float
    thresholds : mapping, optional
        Values in place of the table's, by code.
    always : bool
        Raise whatever the number.
    **evidence
        Further numbers, units in the names.
    """
    watch = TABLE[code]
    threshold = watch.threshold if thresholds is None else thresholds.get(code, watch.threshold)
    beyond = found < threshold if watch.below else found > threshold
    if not (beyond or always):
        return ()
    named = {} if not watch.unit else {"found": found, "threshold": threshold, "unit": watch.unit}
    return (Flag(code, watch.severity, watch.text.format(found=found, threshold=threshold), {**named, **evidence}),)

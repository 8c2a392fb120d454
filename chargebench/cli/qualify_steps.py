"""What is done at the bench for each kind of check, step by step. Owns the procedures, none of the mathematics.

Each takes a `Session`, leads a person through it, and hands back the finished check with the name to store it under.
The jumps of a charge put on the cup are found by themselves, so that both hands are free.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
import numpy.typing as npt

from chargebench import __version__
from chargebench.archive.archive import Archive
from chargebench.archive.null_grinds import USUAL_DOSE_G, Nulls, counted, like_coffee, null_grinds
from chargebench.archive.qualifications import FOLDER, input_hashes
from chargebench.bounded import JsonObject
from chargebench.cli.capture import Capture
from chargebench.errors import GaveUpError, InputError
from chargebench.instruments.benchfile import Bench
from chargebench.processing.outcome import Flag, Outcome
from chargebench.processing.priors import known_priors
from chargebench.processing.qualify.gain import Level, Standard, gain
from chargebench.processing.qualify.leakage import leakage
from chargebench.processing.qualify.nulls import blank, ioniser
from chargebench.processing.qualify.occasion import Occasion
from chargebench.processing.qualify.qualification import VALID_DAYS, Qualification
from chargebench.processing.qualify.sprayer import Weighing, sprayer
from chargebench.processing.qualify.step import BROAD, fit_step
from chargebench.processing.qualify.still import charge_moved, mass_moved
from chargebench.processing.qualify.zero import zero
from chargebench.processing.series import Series, clean
from chargebench.recording.ids import new_run_id, utc_now_text
from chargebench.recording.recover import fallback_folder, recover
from chargebench.recording.seal import seal
from chargebench.runs.disk import own_folder
from chargebench.runs.load import load_run
from chargebench.runs.run import Knowledge, Run, TagValue

if TYPE_CHECKING:
    from chargebench.recording.assemble import Timed
    from chargebench.recording.segments import Row

__all__ = ["Session", "do_gain", "do_leakage", "do_nulls", "do_sprayer", "do_zero"]

Answer = tuple[str, Qualification]
Floats = npt.NDArray[np.float64]

QUIET_S: Final = 10.0
PARTS: Final = 3
"""Of the quiet before a charge: the quietest tells the noise, so that a charge that comes early is found too."""
SETTLE_S: Final = 2.0
"""After a jump: contacts and hands come to rest."""
LEAD_S: Final = 0.5
"""Before a jump: the hand that brings it is near."""
JUMP_SIGMAS: Final = 25.0
WEIGH_S: Final = 2.0
NOT_FOR_NULLS: Final = ("net_charge_floor_", "detection_limit_", "ioniser_background_")
"""Beginnings of the names of what null grinds themselves tell; they are not processed with what earlier ones told."""


@dataclass(frozen=True)
class Session:
    """One check in progress.

    Attributes
    ----------
    bench : Bench
    archive : Archive
    say, ask : callable
        Tell a person what to do; the second waits until it is done.
    warn : callable
        Tells a person that something is wrong with the recording.
    valid_days : int or None
        As in `Occasion`.
    wait_s : float
        Longest wait for a jump.
    """

    bench: Bench
    archive: Archive
    say: Callable[[str], None]
    ask: Callable[[str], None]
    warn: Callable[[str], None]
    valid_days: int | None = None
    wait_s: float = 300.0

    @property
    def folder(self) -> Path:
        """Where raw runs of checks lie; made where it is not there."""
        return own_folder(self.archive.folder, FOLDER)

    def knowledge(self) -> Knowledge:
        """What is known of the bench today."""
        return self.archive.knowledge(self.bench, datetime.now(UTC).date())

    def occasion(self, inputs: Mapping[str, str]) -> Occasion:
        """This bench, now."""
        return Occasion(self.bench.name, utc_now_text(), self.valid_days, inputs, __version__)

    def capture(self, kind: str) -> Capture:
        """A recording for a check, kept apart from the runs; what an earlier one left behind is sealed first."""
        recover((self.folder, fallback_folder()), self._sealed, self._tell)
        return self.capture_in(self.folder, {"note": f"bench check: {kind}"})

    def _sealed(self, row: Row) -> JsonObject:
        self.say(f"sealing {row.run_id}, left behind by an earlier check")
        path = seal(row)
        return {"path": path, "outcome": {"run": path.stem}}

    def _tell(self, event: Mapping[str, object]) -> None:
        if "text" in event:
            self.say(str(event["text"]))

    def capture_in(self, folder: Path, tags: Mapping[str, TagValue]) -> Capture:
        """A recording of this bench, with those tags, in that folder."""
        return Capture(self.bench, folder, tags, self.knowledge(), self.warn)


def _channel(bench: Bench, allowed: tuple[str, ...], kind: str) -> str:
    carried = [channel for instrument in bench.instruments.values() for channel in instrument.carries]
    for channel in allowed:
        if channel in carried:
            return channel
    raise InputError(f"qualify {kind}: bench {bench.name!r} carries {', '.join(carried)}; needs {' or '.join(allowed)}")


def _series(run: Run, channel: str, start_s: float = -math.inf, end_s: float = math.inf) -> Series:
    if channel not in run.traces:
        raise GaveUpError(f"{run.run_id}: no reading of the {channel} was received")
    trace = run.traces[channel]
    part = (trace.time_s >= start_s) & (trace.time_s <= end_s)
    return clean(trace.time_s[part], trace.value[part], trace.status[part], trace.sequence[part])


def _spread(heard: Sequence[Timed], channel: str) -> float:
    """Robust spread of readings about a straight line, in the quietest part of them."""
    found = [(r.time_s, r.value) for r in heard if r.channel == channel and math.isfinite(r.value)]
    if len(found) < 4:
        raise GaveUpError(f"no reading of the {channel} was received; look at the bench file and the instrument")
    parts = np.array_split(np.array(found), PARTS) if len(found) >= 10 * PARTS else [np.array(found)]
    return min(_spread_about_line(*part.T) for part in parts)


def _spread_about_line(time_s: Floats, value: Floats) -> float:
    line = np.polynomial.polynomial.polyfit(time_s - time_s[0], value, 1)
    off = value - np.polynomial.polynomial.polyval(time_s - time_s[0], line)
    return 1.4826 * float(np.median(np.abs(off)))


def _await_scale(session: Session, capture: Capture) -> None:
    """Hear the mass of the untouched bench before anything can fall; a scale that says nothing is gone without."""
    if "mass" in {c for i in session.bench.instruments.values() for c in i.carries} and not capture.hear("mass"):
        session.say(
            "the scale is not heard: the check goes on, and nothing but the charge tells whether something fell"
        )


def _held_still(
    capture: Capture,
    kind: str,
    spans: Sequence[tuple[float, float]],
    channel: str = "",
    unit: str = "nC",
    undone: str = "nothing was stored, make the check again",
) -> None:
    """Hold that nothing fell, was lifted or touched in these spans of the run's clock, before anything is stored.

    Raises
    ------
    InputError
        When something did.
    GaveUpError
        When the scale was heard and says nothing of the end.
    """
    if len(capture.so_far("mass")[0]) and not capture.hear("mass"):
        raise GaveUpError(
            f"qualify {kind}: no reading of the mass at the end, the scale has fallen silent; it must vouch that "
            f"nothing fell; {undone}"
        )
    moved = mass_moved(*capture.so_far("mass"), spans)
    if not moved and channel:
        moved = charge_moved(*capture.so_far(channel), spans, unit)
    if moved:
        raise InputError(f"qualify {kind}: {moved}; {undone}")


def do_zero(session: Session, seconds: float) -> Answer:
    """Record an untouched input."""
    channel = _channel(session.bench, ("charge", "current"), "zero")
    unit: Literal["nC", "nA"] = "nC" if channel == "charge" else "nA"
    with session.capture("zero") as capture:
        session.say(f"Empty cup on, lid closed, hands off: recording {seconds:g} s")
        _await_scale(session, capture)
        capture.listen(seconds)
        _held_still(capture, "zero", [(-math.inf, math.inf)], channel, unit)
        path = capture.seal()
    check = zero(session.occasion(input_hashes([path])), _series(load_run(path), channel), unit)
    return path.stem, check


def do_leakage(session: Session, seconds: float) -> Answer:
    """Record a charge that is put on the cup and left alone."""
    channel = _channel(session.bench, ("charge",), "leakage")
    with session.capture("leakage") as capture:
        session.say(f"Empty cup on, hands off: {QUIET_S:g} s of quiet first")
        _await_scale(session, capture)
        heard = capture.listen(QUIET_S)
        threshold = max(JUMP_SIGMAS * _spread(heard, channel), 1e-3)
        session.say("Now put a charge on the cup (a third of the range or more), then hands off")
        jump_s = capture.until_jump(channel, threshold, session.wait_s, heard)
        capture.mark("charge put on the cup")
        session.say(f"Seen. Leave everything alone for {seconds:g} s")
        capture.listen(SETTLE_S + seconds)
        _held_still(capture, "leakage", [(-math.inf, jump_s - LEAD_S), (jump_s + SETTLE_S, math.inf)], channel)
        path = capture.seal()
    series = _series(load_run(path), channel)
    check = leakage(session.occasion(input_hashes([path])), series, jump_s - LEAD_S, jump_s + SETTLE_S)
    return path.stem, check


def do_gain(session: Session, standard: Standard, volts: Sequence[float], quiet_s: float) -> Answer:
    """Record known charges, each put on and taken off again."""
    channel = _channel(session.bench, ("charge",), "gain")
    steps = [step for v in volts for step in ((v, f"Switch the source to {v:g} V"), (-v, "Switch it back to 0 V"))]
    jumps: list[tuple[float, float]] = []
    with session.capture("gain") as capture:
        session.say(f"Standard of {standard.capacitor_nF:g} nF on the cup, source at 0 V, hands off")
        start_s = capture.now_s
        heard = capture.listen(quiet_s)
        for step_volts, words in steps:
            session.say(words)
            threshold = max(0.3 * abs(standard.capacitor_nF * step_volts), JUMP_SIGMAS * _spread(heard, channel))
            jump_s = capture.until_jump(channel, threshold, session.wait_s, heard)
            capture.mark(f"step of {step_volts:g} V")
            jumps.append((step_volts, jump_s))
            capture.listen(SETTLE_S + quiet_s)
            heard = capture.listen(quiet_s)
        end_s = capture.now_s
        path = capture.seal()
    found = list(_gain_levels(load_run(path), channel, jumps, (start_s, end_s), session.knowledge()))
    check = gain(session.occasion(input_hashes([path])), standard, [x for x in found if isinstance(x, Level)])
    return path.stem, replace(check, flags=check.flags + tuple(x for x in found if isinstance(x, Flag)))


def _gain_levels(
    run: Run, channel: str, jumps: Sequence[tuple[float, float]], ends_s: tuple[float, float], known: Knowledge
) -> Iterator[Level | Flag]:
    """What the display made of each step, or why a step was left out (the input was reset in it, say).

    Each half of the quiet between two steps serves one of them, so that their readings are independent.
    """
    priors = known_priors(known.known, BROAD)
    times = [t for _, t in jumps]
    middles = [0.5 * (a + SETTLE_S + b) for a, b in pairwise(times)]
    for (volts, jump_s), before_s, after_s in zip(jumps, [ends_s[0], *middles], [*middles, ends_s[1]], strict=True):
        series = _series(run, channel, before_s, after_s)
        try:
            fit = fit_step(series, (before_s, jump_s - LEAD_S), (jump_s + SETTLE_S, after_s), priors)
        except ValueError as error:
            yield Flag("step-left-out", "note", f"Step of {volts:g} V: {error}.", {"volts": volts, "at_s": jump_s})
        else:
            yield Level(volts, fit.net[0], fit.net[1])


def do_sprayer(
    session: Session, weighings: Sequence[Weighing], count: int, sprays: int, water_C: float, u_weighing_g: float | None
) -> Answer:
    """Weigh a bottle before and after so many sprays, so many times; or take weighings that were typed in."""
    if u_weighing_g is None:
        u_weighing_g = _scale_u(session.bench)
    if weighings:
        typed = {f"weighing {n}": f"{w.sprays},{w.before_g:g},{w.after_g:g}" for n, w in enumerate(weighings, 1)}
        return new_run_id(), sprayer(session.occasion(typed), weighings, water_C, u_weighing_g)
    _channel(session.bench, ("mass",), "sprayer")
    found = []
    with session.capture("sprayer") as capture:
        session.ask("Prime the sprayer until it sprays evenly, put the bottle on the scale, press Enter")
        before_g = _weigh(capture, session)
        for n in range(1, count + 1):
            session.ask(f"{n} of {count}: {sprays} sprays elsewhere, bottle back on the scale, press Enter")
            after_g = _weigh(capture, session)
            found.append(Weighing(sprays, before_g, after_g))
            before_g = after_g
        path = capture.seal()
    return path.stem, sprayer(session.occasion(input_hashes([path])), found, water_C, u_weighing_g)


def _scale_u(bench: Bench) -> float:
    """Standard uncertainty of one weighing, from the scale's stated repeatability and resolution."""
    scale = next((i for i in bench.instruments.values() if "mass" in i.carries), None)
    resolution_g = (scale and scale.resolution_g) or 0.0
    return math.hypot((scale and scale.repeatability_g) or 0.0, resolution_g / math.sqrt(12.0))


def _weigh(capture: Capture, session: Session) -> float:
    """A settled weight: the mean of a few seconds whose halves agree."""
    capture.catch_up()
    second = math.nan
    for _ in range(10):
        heard = capture.listen(WEIGH_S)
        masses = np.array([r.value for r in heard if r.channel == "mass" and math.isfinite(r.value)])
        if len(masses) < 2:
            continue
        first, second = (float(np.mean(half)) for half in np.array_split(masses, 2))
        if abs(first - second) <= max(2.0 * _scale_u(session.bench), 1e-6):
            capture.mark(f"weighed {np.mean(masses):.4f} g")
            return float(np.mean(masses))
    if math.isnan(second):
        raise GaveUpError("no weight was received; look at the bench file and the scale")
    raise GaveUpError(f"the scale does not settle (last {second:.3f} g); keep draughts and hands away")


def do_nulls(
    session: Session,
    kind: Literal["blank", "ioniser"],
    runs: int,
    grind_s: float,
    dose_g: float = 0.0,
    with_archive: bool = False,
    cup_capacitance_pF: float | None = None,
) -> Answer:
    """Record null grinds, grinder running empty, and judge them with those the archive has if that is asked for."""
    treatment = "dry" if kind == "blank" else "ionised"
    _channel(session.bench, ("charge", "current"), kind)
    paths = [_null_grind(session, n, runs, grind_s, treatment) for n in range(1, runs + 1)]
    if with_archive:
        paths = sorted({*paths, *_earlier(session, kind, treatment)})
    occasion = session.occasion(input_hashes(paths))
    nulls = _counted(paths)
    if kind == "blank":
        check = blank(occasion, nulls.charges_nC, dose_g, nulls.grinds_s)
    else:
        off = _counted(_earlier(session, kind, "dry"))
        check = ioniser(occasion, nulls.charges_nC, off.charges_nC, nulls.grinds_s, cup_capacitance_pF)
    worst = like_coffee(nulls.charges_nC, dose_g or USUAL_DOSE_G)
    return new_run_id(), replace(check, flags=check.flags + nulls.left_out + worst)


def _null_grind(session: Session, n: int, runs: int, grind_s: float, treatment: str) -> Path:
    """One run of an empty grinder, timed by words."""
    quiet = session.bench.recording
    tags: dict[str, TagValue] = {"purpose": "blank", "treatment": treatment}
    with session.capture_in(session.archive.folder, tags) as capture:
        on = ", ioniser on" if treatment == "ionised" else ""
        session.say(
            f"{n} of {runs}: cup handled as in a run and in place{on}; hands off for {quiet.quiet_before_s:g} s"
        )
        capture.listen(quiet.quiet_before_s)
        _await_scale(session, capture)
        quiet_end_s = capture.now_s
        session.say(f"Start the empty grinder now, for {grind_s:g} s")
        capture.mark("grinding", "state")
        capture.listen(grind_s)
        capture.mark("settling", "state")
        stop_s = capture.now_s
        session.say(f"Stop the grinder; hands off for {quiet.quiet_after_s:g} s")
        capture.listen(quiet.quiet_after_s)
        capture.mark("done", "state")
        kind = "blank" if treatment == "dry" else "ioniser"
        _held_still(capture, kind, [(-math.inf, quiet_end_s), (stop_s + SETTLE_S, math.inf)], undone=_undone(n - 1))
        return capture.seal()


def _undone(kept: int) -> str:
    """What is stored, and what to do, where a null grind is refused after so many others."""
    if not kept:
        return "nothing was stored, make the check again"
    before = "the null grind before it is" if kept == 1 else f"the {kept} null grinds before it are"
    return f"it was not stored, {before} kept in the archive; make the rest with --runs and --with-archive"


def _earlier(session: Session, kind: Literal["blank", "ioniser"], treatment: str) -> list[Path]:
    """Null grinds of this bench in the archive, not older than such a check holds."""
    days = VALID_DAYS[kind] if session.valid_days is None else session.valid_days
    found = null_grinds(session.archive, session.bench.name, datetime.now(UTC).date(), days, treatment)
    return [path for path, _ in found]


def _counted(paths: Sequence[Path]) -> Nulls:
    """Null grinds by the ordinary recipe, without what earlier ones told."""
    from chargebench.processing.recipe import process

    def reduced(run: Run) -> Outcome:
        known = {key: entry for key, entry in run.knowledge.known.items() if not key.startswith(NOT_FOR_NULLS)}
        return process(replace(run, knowledge=Knowledge(known)))

    return counted((run, reduced(run)) for run in map(load_run, paths))

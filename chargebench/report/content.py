"""What a report says, in order, as plain sections: headings, paragraphs, tables, figures. Knows neither HTML nor PDF.

Owns the wording of the method and the limits of what was shown. Every number comes from the answer that
``study`` gives.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from matplotlib.figure import Figure

from chargebench.cautions import CAUTIONS, CLOSE
from chargebench.processing.outcome import Used
from chargebench.report.figures import FIGURES, forest
from chargebench.report.tables import TREATMENTS_TITLE, inside_words, number, set_aside_rows, treatment_rows
from chargebench.study.nouns import AboutStudy, Group, LevelFound, RunRow, StudyAnswer
from chargebench.study.volunteers import Pooled
from chargebench.units import value_and_u, words_and_unit

__all__ = ["LIMITS", "METHOD", "Picture", "Section", "Table", "sections"]

METHOD: Final = (
    "Grounds fall into an insulated cup inside a grounded shield, wired to an electrometer; the cup stands on a "
    "scale or is weighed before and after. The net charge is the step between the quiet stretches before and "
    "after the grind, from one fit that also carries leakage and bias current and extrapolates them across the "
    "grind. Charge to mass is that step, times the charge calibration, over the collected mass. Uncertainties "
    "follow JCGM 100:2008; U95 is an expanded uncertainty for 95 % with Student's t at the effective degrees of "
    "freedom.",
    "The neutralising dose by equivalence is the lowest tested dose at which two one-sided tests show the mean "
    "inside the band, and at every higher tested dose too. The other definitions are read off the fitted curve, "
    "with profile intervals, and never beyond the highest tested dose.",
)

LIMITS: Final = (
    "The cup reads net charge: a net zero does not show that grounds carry no charge, nor that they are unclumped. "
    "Particles of opposite sign cancel in the cup, and an ioniser at the chute acts after clumps can have formed.",
    "Charge does not grow in proportion to mass: charge to mass is comparable only between runs of nearly equal mass.",
    "Ions from an ioniser, and charged drops of water, land in the cup too; a background measured with the "
    "ioniser on and the grinder empty is subtracted where there is one, and drops are not told apart from "
    "grounds.",
    "A test that fails to find a difference does not show that there is none.",
)


@dataclass(frozen=True)
class Table:
    """Rows of text under a header."""

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Picture:
    """A figure with its caption."""

    caption: str
    figure: Figure


@dataclass(frozen=True)
class Section:
    """A heading and what stands under it, in order; `level` is 1 for the whole, 2 for a part."""

    title: str
    level: int
    parts: tuple[str | Table | Picture, ...]


def sections(found: StudyAnswer) -> list[Section]:
    """The report on a study."""
    made = [_head(found)]
    made += [Section(f"{_name(group)}: what was found", 2, tuple(conclusions(group))) for group in found.groups]
    for group in found.groups:
        own = [run for run in found.runs if (run.coffee, run.grinder) == (group.coffee, group.grinder)]
        made += list(_group(group, own))
    made += list(_across(found))
    made.append(Section("The runs", 1, (_runs_table(found.runs), *_remarks(found))))
    made.append(Section("The bench", 1, _bench(found)))
    made.append(Section("Method", 1, METHOD))
    made.append(Section("Limits of what was shown", 1, LIMITS))
    made.append(Section("Cautions", 1, (*(f"{hazard}: {words}" for hazard, words in CAUTIONS), CLOSE)))
    made.append(Section("Versions and hashes", 1, _versions(found)))
    return made


def _head(found: StudyAnswer) -> Section:
    study = found.study
    if not isinstance(study, AboutStudy):
        return Section("What the runs of this archive say", 1, (found.band,))
    unknown = (f"doubt: {text}" for text in study.unknown_exclusions)
    return Section(study.question, 1, (found.band, *unknown, *_others(study)))


def _others(study: AboutStudy) -> tuple[str, ...]:
    """Runs of the archive that the study did not ask for."""
    if not study.other_runs:
        return ()
    kinds = ", ".join(study.other_runs_of)
    return (f"{study.other_runs} runs of the archive belong to no arm of the study and were left out: {kinds}.",)


def conclusions(group: Group) -> list[str]:
    """Plain sentences, each made by the rule that found it."""
    said = []
    if dry := group.dry:
        said.append(f"Dry: {value_and_u(dry.mean_nC_per_g, dry.u_nC_per_g, 'nC/g')} over {dry.n} runs.")
    said += [f"By {name}: {dose.text}" for name, dose in group.doses.items()]
    beside = [item.words for item in (*group.brew, *group.equal_brew_time, *group.particle_sizes)]
    if group.bottleneck:
        beside.append(group.bottleneck.words)
    said = said or ["Nothing is found about a dose: no dry or misted run counts."]
    return [*said, *(_sentence(text) for text in beside)]


def _sentence(text: str) -> str:
    """Words that begin small and end open as a sentence."""
    return f"{text[:1].upper()}{text[1:]}."


def _name(group: Group) -> str:
    """Coffee and grinder of a group."""
    return f"{group.coffee or '(coffee not told)'} on {group.grinder or '(grinder not told)'}"


def _group(group: Group, runs: Sequence[RunRow]) -> Iterator[Section]:
    pictures = [(caption, draw(group, runs)) for caption, draw in FIGURES.items()]
    parts: list[str | Table | Picture] = [Picture(c, figure) for c, figure in pictures if figure is not None]
    parts.insert(1 if parts else 0, _levels_table(group))
    treatments = treatment_rows(group.treatments)
    if treatments:
        parts += [_sentence(TREATMENTS_TITLE), Table(treatments[0], treatments[1:])]
    if group.treatments is not None:
        parts += group.treatments.conclusions or ()
    parts += [f"{flag.severity}: {flag.text}" for flag in group.flags]
    parts += [_sentence(trend.words) for trend in group.trends]
    yield Section(_name(group), 1, tuple(parts))
    aside = set_aside_rows(group)
    if aside:
        yield Section("Runs set aside", 2, (Table(aside[0], aside[1:]),))


def _levels_table(group: Group) -> Table:
    header = ("µL/g", "runs", "mean nC/g", "u nC/g", "RMS nC/g", "95/90 tolerance nC/g", "inside the band")
    return Table(header, tuple(_level_row(level) for level in group.levels))


def _level_row(level: LevelFound) -> tuple[str, ...]:
    tolerance = level.tolerance_nC_per_g
    return (
        f"{level.dose_uL_per_g:g}",
        str(level.n),
        f"{level.mean_nC_per_g:+.2f}",
        number(level.u_nC_per_g, ".2f"),
        f"{level.rms_nC_per_g:.2f}",
        "—" if tolerance is None else f"{tolerance[0]:+.1f} to {tolerance[1]:+.1f}",
        inside_words(level),
    )


def _across(found: StudyAnswer) -> Iterator[Section]:
    across = found.across_grinders
    if across is not None and across.rho is not None:
        text = f"Rank correlation of bottleneck and slowing by mist: {across.rho:+.2f}, exact p {across.p:.2g}."
        yield Section("Across grinders", 1, tuple(t for t in (text, across.warning) if t))
    volunteers = (found.volunteers or {}).get("all")
    if isinstance(volunteers, Pooled) and (figure := forest(volunteers)):
        low, high = volunteers.ci95
        text = f"{volunteers.contributors} contributors: {volunteers.ratio:.3f} [{low:.3f}, {high:.3f}]."
        yield Section("Volunteers", 1, (text, Picture("Brew time, misted over dry", figure)))


def _runs_table(runs: Sequence[RunRow]) -> Table:
    header = (
        "run",
        "coffee",
        "grinder",
        "treatment",
        "µL/g",
        "mass g",
        "Q/m nC/g",
        "U95 nC/g",
        "recovery %",
        "remarks",
    )
    return Table(header, tuple(_run_row(run) for run in runs))


def _remarks(found: StudyAnswer) -> tuple[str, ...]:
    """What the codes among the remarks mean."""
    return tuple(f"{code}: {text}" for code, text in sorted(found.remarks.items()))


def _run_row(run: RunRow) -> tuple[str, ...]:
    return (
        run.run,
        run.coffee,
        run.grinder,
        run.treatment,
        number(run.water_uL_per_g, "g"),
        number(run.collected_mass_g, ".2f"),
        number(run.charge_to_mass_nC_per_g, "+.2f"),
        number(run.U95_nC_per_g, ".2g"),
        number(run.recovery_percent, ".1f"),
        run.excluded or " ".join(run.flags),
    )


def _bench(found: StudyAnswer) -> tuple[str | Table, ...]:
    if not found.bench:
        return ("Nothing was known of the bench but its runs: no calibration, no check of leakage, no blanks.",)
    rows = tuple(_known_row(name, entry) for name, entry in sorted(found.bench.items()))
    return (Table(("known of the bench", "unit", "value", "u", "source", "made", "valid until"), rows),)


def _known_row(name: str, entry: Used) -> tuple[str, ...]:
    numbers = (f"{float(entry.value):.6g}", f"{float(entry.u):.2g}")
    words, unit = words_and_unit(name)
    return (words, unit or "1", *numbers, entry.source, entry.date, entry.until)


def _versions(found: StudyAnswer) -> tuple[str | Table, ...]:
    rows = tuple((run.run, run.software, run.recipe, run.raw_sha256) for run in found.runs)
    return (f"chargebench {found.software}.", Table(("run", "software", "recipe", "SHA-256 of the raw data"), rows))

"""Odd studies, drawn: too few runs, none of a kind, all alike, without scatter, without blocks, of absurd numbers.

An archive that holds outcomes instead of files, and the files' studies; everything else is the program's own.
"""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from chargebench.archive.archive import Archive, Wanted, _matches
from chargebench.archive.index import Entry
from chargebench.processing.outcome import (
    RESULT_UNITS,
    BudgetTerm,
    Estimate,
    Flag,
    Outcome,
    ResultKey,
    Used,
)
from chargebench.processing.recipe import Recipe
from chargebench.study.rows import Question
from chargebench.study.studyfile import StudyFile
from tests.made_outcome import made_outcome

RUNS: Final = (1, 1, 2, 3, 4, 6, 9, 14, 20)
COFFEES: Final = ("hill lot", "valley lot <b>", "")
GRINDERS: Final = ("stone burrs", "hand mill $x$")
DOSES: Final = ((5.0, 10.0, 20.0, 40.0), (10.0,), (20.0, 20.4), (1e-6, 500.0), (3.0, 6.0, 12.0, 24.0, 48.0, 96.0))


class Shelf(Archive):
    """An archive of outcomes as they are kept, without the files they were made of."""

    def __init__(self, outcomes: list[Outcome]) -> None:
        self.folder = Path("shelf")
        self.outcomes = outcomes
        self._kept = {outcome.run_id: outcome for outcome in outcomes}

    def entries(self) -> list[Entry]:
        """One for each outcome, in order of time."""
        return [Entry(Path(f"{run}.h5"), run, o.started, tags=o.tags) for run, o in self._kept.items()]

    def find(self, where: Mapping[str, Wanted] | None = None) -> list[Entry]:
        """Those whose tags are as wanted."""
        wanted = (where or {}).items()
        return [e for e in self.entries() if all(_matches(e.tags.get(key), value) for key, value in wanted)]

    def outcome(self, run: str | Path, recipe: Recipe | None = None, **_: object) -> Outcome:
        """The outcome of a run."""
        return self._kept[Path(run).stem]


def odd_study(seed: int) -> tuple[Shelf, StudyFile | None, Question]:
    """The `seed`-th odd study: its runs, its file or none, and what was asked."""
    draw = random.Random(seed)
    runs = draw.choice(RUNS)
    habits = _habits(draw)
    outcomes = [_outcome(draw, number, habits) for number in range(runs)]
    study = None if draw.random() < 0.5 else _study(draw, [outcome.run_id for outcome in outcomes])
    return Shelf(outcomes), study, _question(draw)


KINDS: Final = (("dry",), ("misted",), ("ionised",), ("dry", "misted"), ("misted", "ionised"), ("dry", "dry", "misted"))

HABITS: Final[Mapping[str, Sequence[Any]]] = {
    "treatments": (*KINDS, ("dry", "misted+ionised"), ("dry", "misted", "ionised", "misted+ionised")),
    "doses": DOSES,
    "blocks": ((), ("1",), ("1", "2"), tuple(str(n) for n in range(30))),
    "settings": ((), ("4",), ("espresso 4", "filter 9"), ("3", "4", "5")),
    "values": ("curve", "curve", "same", "zero", "neutral", "signs", "tiny", "huge", "line", "steps"),
    "u": (0.0, 0.3, 1e-9, 1e6),
    "dof": (None, 1.0, 12.0),
    "mass": (17.7, 17.7, 17.7, None, 0.0, -1.0, "mixed"),
    "shared": ((), ("gain",), ("gain", "leakage", "scale")),
    "flagged": (0.0, 0.0, 0.2, 1.0),
    "unmeasured": (0.0, 0.0, 0.3, 1.0),
    "blanks": (0.0, 0.0, 0.2),
    "brews": (None, None, "same", "some", "absurd"),
    "told": (1.0, 1.0, 0.5),
}
"""What the runs of one study have in common, and what it may be; the usual more than once."""


PLAIN: Final[Mapping[str, Any]] = {
    **{name: choices[0] for name, choices in HABITS.items()},
    "coffees": COFFEES[:1],
    "grinders": GRINDERS[:1],
    "treatments": ("dry", "dry", "misted"),
    "blocks": ("1", "2", "3"),
    "u": 0.3,
}
"""Habits of a study without anything odd."""


def study_like(runs: int, seed: int = 1, **habits: Any) -> Shelf:
    """Runs with plain habits but for those given."""
    draw = random.Random(seed)
    return Shelf([_outcome(draw, number, {**PLAIN, **habits}) for number in range(runs)])


def seeds_of(values: str) -> Iterator[int]:
    """Numbers of the studies whose values are of one kind, from the first with several runs on."""
    for seed in itertools.count():
        draw = random.Random(seed)
        if draw.choice(RUNS) > 5 and _habits(draw)["values"] == values:
            yield seed


def _habits(draw: random.Random) -> dict[str, Any]:
    """What the runs of a study have in common."""
    names = {
        "coffees": draw.sample(COFFEES, draw.choice((1, 1, 1, 2, 3))),
        "grinders": draw.sample(GRINDERS, draw.choice((1, 1, 2))),
    }
    return names | {name: draw.choice(choices) for name, choices in HABITS.items()}


def _ratio(draw: random.Random, dose: float, habit: str) -> float:
    """Charge to mass of one run."""
    if habit == "curve":
        return -60.0 * 2.0 ** (-dose / 6.0) * draw.gauss(1.0, 0.08) + draw.gauss(0.0, 0.6)
    if habit == "line":
        return -60.0 + dose
    if habit == "steps":
        return -60.0 if dose < 15.0 else 0.0
    spread = {"same": (-40.0, 0.0), "zero": (0.0, 0.0), "neutral": (0.0, 0.2), "tiny": (1e-12, 1e-14)}
    if habit in spread:
        return draw.gauss(*spread[habit])
    return draw.choice((-30.0, 30.0)) if habit == "signs" else draw.gauss(0.0, 1e9)


def _outcome(draw: random.Random, number: int, habits: Mapping[str, Any]) -> Outcome:
    """One run's outcome."""
    tags = _tags(draw, habits)
    dose = float(tags.get("water_uL_per_g", 0.0))
    mass = draw.choice((17.7, 9.0, None)) if habits["mass"] == "mixed" else habits["mass"]
    value = _ratio(draw, dose, habits["values"])
    result: dict[ResultKey, Estimate | None] = dict.fromkeys(RESULT_UNITS)
    result["net_charge_nC"] = _estimate(17.7 * value, habits)
    if tags["purpose"] != "blank" and draw.random() >= habits["unmeasured"]:
        result["charge_to_mass_nC_per_g"] = _estimate(value, habits)
    if mass is not None:
        result["collected_mass_g"] = _estimate(mass, habits)
        result["recovery_percent"] = _estimate(100.0 * mass / 18.0, habits)
    if draw.random() < 0.7:
        result["grind_time_s"] = _estimate(draw.choice((9.0, 9.0, 18.0, 0.0)), habits)
        result["positive_charge_nC"] = _estimate(abs(value), habits)
        result["negative_charge_nC"] = _estimate(-abs(value), habits)
    flags: list[Flag] = []
    if draw.random() < habits["flagged"]:
        severity = draw.choice(("reject", "doubt", "note"))
        flags = [Flag("quiet-not-quiet", severity, "The quiet was not quiet.")]
    terms = [
        BudgetTerm(
            cause, 1.0, draw.choice((0.0, 0.002, 1.0)), "1", "B", value, 0.1, draw.choice((math.inf, 1.0)), cause
        )
        for cause in habits["shared"]
        if result["charge_to_mass_nC_per_g"]
    ]
    known = {} if draw.random() < 0.8 else {"detection_limit_nC": _known(draw.choice((0.5, 1e-9, 1e9)))}
    made = made_outcome(
        result,
        run_id=f"20260302T08{number:02}00Z-{number:06x}",
        started=f"2026-03-02T08:{number:02}:00Z",
        tags=tags,
        flags=tuple(flags),
        budget=tuple(terms),
    )
    return replace(made, provenance=replace(made.provenance, raw_sha256=f"{number:064x}", knowledge=known))


def _known(value: float) -> Used:
    return Used(value, 0.1, "blanks", "2026-03-01", "2027-03-01")


def _estimate(value: float, habits: Mapping[str, Any]) -> Estimate:
    """An estimate as it is read back: its U95 is what was written, however odd."""
    found = Estimate(value, habits["u"], math.inf if habits["dof"] is None else habits["dof"])
    vars(found)["U95"] = 2.0 * found.u
    return found


def _tags(draw: random.Random, habits: Mapping[str, Any]) -> dict[str, Any]:
    """Tags such as `chargebench.runs.tags.check_tags` lets pass."""
    treatment = draw.choice(habits["treatments"])
    tags: dict[str, Any] = {"grinder": draw.choice(habits["grinders"]), "treatment": treatment, "purpose": "grind"}
    coffee = draw.choice(habits["coffees"])
    if coffee:
        tags["coffee"] = coffee
    if draw.random() < habits["told"]:
        tags["dose_g"] = draw.choice((18.0, 18.0, 0.0))
        if "misted" in treatment:
            tags["water_uL_per_g"] = draw.choice(habits["doses"])
    for key, choices in (("block", habits["blocks"]), ("setting", habits["settings"])):
        if choices:
            tags[key] = draw.choice(choices)
    if draw.random() < habits["blanks"]:
        tags["purpose"] = draw.choice(("blank", "purge"))
    if draw.random() < 0.5:
        tags["humidity_percent"] = draw.choice((40.0, 40.0, 60.0))
    return tags | _brew(draw, habits["brews"])


def _brew(draw: random.Random, habit: str | None) -> dict[str, Any]:
    if habit is None:
        return {}
    if habit == "same":
        return {"brew_time_s": 28.0, "tds_percent": 9.0, "beverage_g": 38.0}
    if habit == "absurd":
        return {"brew_time_s": 0.0, "tds_percent": 99.0, "beverage_g": 0.0, "d50_um": 0.0, "clump_mass_g": 0.0}
    found = {
        "brew_time_s": draw.gauss(28.0, 3.0),
        "tds_percent": draw.gauss(9.0, 0.4),
        "beverage_g": 38.0,
        "d50_um": draw.gauss(300.0, 9.0),
        "brew_method": draw.choice(("espresso", "filter")),
    }
    return {key: value for key, value in found.items() if draw.random() < 0.8}


def _study(draw: random.Random, runs: list[str]) -> StudyFile:
    """A study file over these runs, some of which it may set aside."""
    aside = draw.choice(([], [], runs[:1], runs, ["20990101T000000Z-abcdef"]))
    tables: dict[str, Any] = {
        "study": {"name": "odd", "question": "What now?", "band_nC_per_g": draw.choice((None, 3.0, 1e-9, 1e9))},
        "arm": [{"coffee": coffee, "grinder": grinder} for coffee in COFFEES if coffee for grinder in GRINDERS],
        "exclude": [{"run": run, "reason": "the cable was touched"} for run in aside],
    }
    return StudyFile.model_validate(tables)


def _question(draw: random.Random) -> Question:
    return Question(
        band_nC_per_g=draw.choice((None, None, 3.0, 1e-9, 1e9)),
        detection_limit_nC_per_g=draw.choice((None, None, 0.2, 100.0)),
        fraction=draw.choice((0.1, 0.1, 0.01, 0.9)),
        blocks=draw.choice(("random", "random", "fixed", "none")),
        resamples=draw.choice((0, 20, 20, 60)),
        stop_width_uL_per_g=draw.choice((None, 5.0)),
        most_runs=draw.choice((None, 3)),
        spray_step_uL_per_g=draw.choice((None, 6.1, 1e-7, 900.0)),
    )

"""Plans: fair order, water in whole sprays, carry-over, and progress read off the archive."""

from __future__ import annotations

import itertools
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargebench.errors import StudyError
from chargebench.processing.outcome import Estimate
from chargebench.runs.tags import read_tags
from chargebench.study.plan import Plan, Step, make_plan
from chargebench.study.progress import progress
from chargebench.study.rows import StudyRun
from chargebench.study.sprays import portion
from chargebench.study.studyfile import StudyFile, Water, append_entry, read_study

TEXT = """
[study]
name = "hill-lot"
question = "How much water neutralises the hill lot on the stone burrs?"
blocks = 4
seed = 7

[[arm]]
coffee = "hill lot"
grinder = "stone burrs"
doses_uL_per_g = [5, 10, 20, 30, 40]
treatments = ["misted", "ionised"]

[water]
spray_g = 0.1
u_spray_g = 0.006
"""


def _study(tmp_path: Path, text: str = TEXT) -> tuple[StudyFile, Path]:
    file = tmp_path / "hill-lot.toml"
    file.write_text(text, encoding="utf-8")
    return read_study(file), file


def _blocks(plan: Plan) -> list[list[Step]]:
    runs = [step for step in plan.steps if step.kind == "run"]
    return [[s for s in runs if s.block == block] for block in sorted({s.block for s in runs})]


@given(seed=st.integers(0, 10_000), blocks=st.integers(1, 6), dry=st.integers(1, 4))
def test_every_block_is_complete_and_controlled(seed: int, blocks: int, dry: int) -> None:
    """Each block has every dose once, its dry controls at both ends, and the ionised run with a blank before it."""
    study = StudyFile.model_validate(
        {
            "study": {"name": "a", "question": "b", "seed": seed, "blocks": blocks, "dry_per_block": dry},
            "arm": [
                {
                    "coffee": "c",
                    "grinder": "g",
                    "doses_uL_per_g": [5.0, 20.0, 40.0],
                    "treatments": ["misted", "ionised"],
                }
            ],
        }
    )
    plan = make_plan(study)
    assert len(_blocks(plan)) == blocks
    for block in _blocks(plan):
        doses = Counter((s.treatment, s.water.wanted_uL_per_g) for s in block)
        assert doses == {("dry", 0.0): dry, ("ionised", 0.0): 1, **{("misted", d): 1 for d in (5.0, 20.0, 40.0)}}
        assert block[0].treatment == "dry"
        assert dry == 1 or block[-1].treatment == "dry"
        assert {s.dose_g for s in block} == {18.0}
    kinds = [step.kind for step in plan.steps]
    assert kinds.count("blank") == blocks
    assert all(plan.steps[n + 1].treatment == "ionised" for n, kind in enumerate(kinds) if kind == "blank")


@given(seed=st.integers(0, 10_000))
def test_no_run_follows_a_wetter_one_unpurged(seed: int) -> None:
    """Between a run and a drier one on the same grinder there is a purge or a wait."""
    study = StudyFile.model_validate(
        {
            "study": {"name": "a", "question": "b", "seed": seed, "blocks": 3, "dry_per_block": 1},
            "arm": [{"coffee": "c", "grinder": g, "doses_uL_per_g": [5.0, 20.0]} for g in ("g", "h")],
        }
    )
    last: dict[str, Step] = {}
    for step in make_plan(study).steps:
        before = last.get(step.grinder)
        if before and step.kind == "run" and before.water.mass_g > step.water.mass_g:
            pytest.fail(f"{step} follows {before}")
        last[step.grinder] = step


def test_a_plan_is_reproducible(tmp_path: Path) -> None:
    """The same file gives the same order; another seed another one."""
    study, _ = _study(tmp_path)
    other = study.model_copy(update={"study": study.study.model_copy(update={"seed": 8})})
    assert make_plan(study) == make_plan(study)
    assert make_plan(study) != make_plan(other)


def test_the_usual_dose_in_sprays() -> None:
    """20 µL/g on 18 g is 0.36 g: three to four sprays of a usual small bottle (common practice, no source)."""
    water = portion(20.0, 18.0, spray_g=0.1)
    assert water.sprays in (3, 4)
    assert portion(20.0, 18.0).mass_g == pytest.approx(0.36, abs=0.001)
    assert water.error_uL_per_g == pytest.approx(water.mass_g / 0.99821 / 18.0 * 1000 - 20.0, abs=1e-3)


def test_the_wait_outlasts_the_damp() -> None:
    """The chamber's humidity is back at the room's within a minute or so (common practice, no source)."""
    water = Water(carry_over="wait")
    assert 60.0 <= water.wait_s <= 180.0
    study = StudyFile.model_validate(
        {
            "study": {"name": "a", "question": "b", "blocks": 1},
            "arm": [{"coffee": "c", "grinder": "g", "doses_uL_per_g": [20.0]}],
            "water": water.model_dump(),
        }
    )
    waits = [step for step in make_plan(study).steps if step.kind == "wait"]
    assert [step.wait_s for step in waits] == [water.wait_s]


def test_particle_sizes_of_grounds_are_accepted() -> None:
    """Grounds run from about 1 µm to 1 mm (common practice, no source): such sizes are valid tags."""
    assert read_tags(["d10_um=1", "d50_um=300", "d90_um=1000"]) == {"d10_um": 1.0, "d50_um": 300.0, "d90_um": 1000.0}


@pytest.mark.parametrize(
    ("wanted", "coffee_g", "spray_g", "sprays"), [(0.0, 18.0, 0.1, 0), (1.0, 18.0, 0.5, 1), (20.0, 20.0, 0.1, 4)]
)
def test_whole_sprays(wanted: float, coffee_g: float, spray_g: float, sprays: int) -> None:
    """Sprays are whole, none for a dry run, at least one for a wet one."""
    assert portion(wanted, coffee_g, spray_g).sprays == sprays


def test_spread_of_sprays_grows_with_their_root() -> None:
    """Independent sprays: the u of k of them is √k times that of one."""
    one, four = portion(5.5, 18.0, 0.1, 0.01), portion(22.0, 18.0, 0.1, 0.01)
    assert (one.sprays, four.sprays) == (1, 4)
    assert four.u_reached_uL_per_g == pytest.approx(2 * one.u_reached_uL_per_g)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (('name = "hill-lot"', 'name = "a/b"'), r"in \[study\]: name = 'a/b'"),
        (("blocks = 4", "blocks = 0"), r"in \[study\]: blocks = 0: input should be greater"),
        (("blocks = 4", "blocks = true"), r"in \[study\]: blocks = True"),
        (("[5, 10, 20, 30, 40]", "[-5]"), r"in \[arm 1\]: doses_uL_per_g, entry 1 = -5: "),
        (('"ionised"]', '"frozen"]'), "treatments"),
        (
            ("spray_g = 0.1\n", "spray_g = 0.1\nsprays = 3\n"),
            r"in \[water\]: key 'sprays' is not known; allowed are spray_g, ",
        ),
        (("seed = 7", "seed ="), "not TOML"),
        (
            ('coffee = "hill lot"', 'cofee = "hill lot"'),
            r"in \[arm 1\]: key 'cofee' is not known; allowed are coffee, ",
        ),
        (('name = "hill-lot"\n', ""), r"in \[study\]: key 'name' is missing"),
        (("[[arm]]", "[arm]"), r"write \[\[arm\]\], in double brackets"),
    ],
)
def test_a_wrong_study_file_is_named_by_key(tmp_path: Path, change: tuple[str, str], says: str) -> None:
    """Errors name the file, the key and the value found."""
    with pytest.raises(StudyError, match=says) as error:
        _study(tmp_path, TEXT.replace(*change))
    assert "hill-lot.toml" in str(error.value)


def test_notes_are_added_and_nothing_else_changes(tmp_path: Path) -> None:
    """An exclusion or a skipped step is appended with its reason; what the person wrote stays, comments too."""
    _, file = _study(tmp_path, "# mine\n" + TEXT)
    append_entry(file, "skip", {"step": 3, "reason": 'out of "beans"'})
    study = append_entry(file, "exclude", {"run": "20260302T081500Z-0a1b2c", "reason": "cable touched"})
    assert file.read_text(encoding="utf-8").startswith("# mine\n" + TEXT.rstrip())
    assert study.skipped == {3: 'out of "beans"'}
    assert study.excluded == {"20260302T081500Z-0a1b2c": "cable touched"}


def _row(step: Step, plan: Plan, **changes: object) -> StudyRun:
    row = StudyRun(
        run_id=f"run-{step.number}",
        started="2026-03-02T08:15:00+00:00",
        coffee=step.coffee,
        grinder=step.grinder,
        setting="",
        treatment=step.treatment,
        purpose="grind",
        water_uL_per_g=step.water.reached_uL_per_g,
        dose_g=step.dose_g,
        block=str(step.block),
        order=0,
        charge_to_mass=Estimate(-60.0, 0.3),
        tags=step.tags(plan.name),
    )
    return replace(row, **changes)  # type: ignore[arg-type]


def test_progress_ticks_off_what_the_archive_holds(tmp_path: Path) -> None:
    """A good run does its step; an excluded or rejected one leaves it to be repeated; a skipped one is passed over."""
    plan = make_plan(_study(tmp_path)[0])
    first, second, third, fourth = [step for step in plan.steps if step.recorded][:4]
    rows = [
        _row(first, plan),
        _row(second, plan, excluded="cup touched"),
        _row(third, plan, worst="reject", flags=("reset-in-run",)),
    ]
    found = progress(plan, rows, {fourth.number: "out of beans"})
    states = {s.step.number: (s.state, s.reason) for s in found.standings}
    assert states[first.number] == ("done", "")
    assert states[second.number] == ("set aside", "cup touched")
    assert states[third.number] == ("set aside", "rejected: reset-in-run")
    assert states[fourth.number] == ("skipped", "out of beans")
    assert found.done == 1
    assert found.next_run() == second
    assert all(not s.recorded and first.number < s.number < second.number for s in found.before_next())


def test_a_run_that_contradicts_its_step_does_not_count(tmp_path: Path) -> None:
    """A row whose grinder is not the step's is not taken for it."""
    plan = make_plan(_study(tmp_path)[0])
    first = plan.steps[0]
    found = progress(plan, [_row(first, plan, grinder="another")])
    assert found.standings[0].state == "to do"


def test_an_incomplete_run_does_not_do_its_step(tmp_path: Path) -> None:
    """A run that was ended in its middle leaves its step to be repeated, however good its answer is."""
    plan = make_plan(_study(tmp_path)[0])
    first = plan.steps[0]
    cut = _row(first, plan)
    cut = replace(cut, tags={**cut.tags, "incomplete": "ended while settling"})
    found = progress(plan, [cut])
    assert (found.standings[0].state, found.next_run()) == ("set aside", first)
    assert found.standings[0].reason == "not complete: ended while settling"
    assert progress(plan, [cut, _row(first, plan, run_id="again")]).standings[0].state == "done"


def test_minutes_left_shrink_with_every_run(tmp_path: Path) -> None:
    """The time left is that of all steps at first, less after each that is done or skipped, and nothing in the end."""
    plan = make_plan(_study(tmp_path)[0])
    recorded = [step for step in plan.steps if step.recorded]
    left_s = [progress(plan, [_row(step, plan) for step in recorded[:n]]).left_s for n in range(len(recorded) + 1)]
    assert left_s[0] == pytest.approx(plan.bench_time_s)
    assert all(less < more for more, less in itertools.pairwise(left_s))
    assert left_s[-1] == 0.0
    assert progress(plan, [], {recorded[0].number: "no beans"}).left_s < left_s[0]


def _wet_then_dry(plan: Plan) -> tuple[Step, Step]:
    """A purge's neighbours: the wet run before it, the drier one after it."""
    purge = next(step for step in plan.steps if step.kind == "purge")
    return plan.steps[purge.number - 2], plan.steps[purge.number]


def test_a_skipped_step_hides_no_purge(tmp_path: Path) -> None:
    """A purge before a step that is left out comes before the step after it."""
    plan = make_plan(_study(tmp_path)[0])
    _, drier = _wet_then_dry(plan)
    done = [_row(step, plan) for step in plan.steps[: drier.number - 1] if step.recorded]
    assert [step.kind for step in progress(plan, done).before_next()] == ["purge"]
    skipped = progress(plan, done, {drier.number: "out of beans"})
    assert skipped.next_run() != drier
    assert "purge" in [step.kind for step in skipped.before_next()]


def test_water_of_the_run_made_last_is_purged_also_where_a_step_is_repeated(tmp_path: Path) -> None:
    """A dry step done again after a wetter one has the purge that the plan has only elsewhere; after a dry one none."""
    plan = make_plan(_study(tmp_path)[0])
    first = plan.steps[0]
    wet, _ = _wet_then_dry(plan)
    rows = [_row(first, plan, excluded="touched"), _row(wet, plan, started="2026-03-02T09:15:00+00:00")]
    found = progress(plan, rows)
    assert found.next_run() == first
    assert [(step.kind, step.number) for step in found.before_next()] == [("purge", first.number)]
    assert progress(plan, rows[:1]).before_next() == []


@pytest.mark.parametrize(
    ("doses", "spray_g", "remarks"),
    [
        ([5, 7, 20], 0.1, ["5 and 7 µL/g all come to 1 spray (5.6 µL/g)"]),
        ([5, 6, 7, 20, 21], 0.1, ["5 and 6 and 7 µL/g all come to 1 spray", "20 and 21 µL/g all come to 4 sprays"]),
        ([5, 10, 20], 0.1, []),
        ([5, 7, 20], None, []),
    ],
)
def test_doses_that_whole_sprays_cannot_tell_apart_are_told(
    tmp_path: Path, doses: list[int], spray_g: float | None, remarks: list[str]
) -> None:
    """Doses that come to the same number of sprays are named when the plan is made, with what they come to."""
    text = TEXT.replace("[5, 10, 20, 30, 40]", str(doses))
    text = text.replace("spray_g = 0.1\n", f"spray_g = {spray_g}\n" if spray_g else "")
    plan = make_plan(_study(tmp_path, text)[0])
    assert len(plan.remarks) == len(remarks)
    for remark, says in zip(plan.remarks, remarks, strict=True):
        assert says in remark


def test_a_step_in_brief(tmp_path: Path) -> None:
    """A few words tell what kind of run comes: treatment and sprays, or the dose where no sprayer is known."""
    sprayed = {step.brief for step in make_plan(_study(tmp_path)[0]).steps}
    assert {"dry", "misted, 4 sprays", "ionised", "blank", "purge"} <= sprayed
    weighed = {step.brief for step in make_plan(_study(tmp_path, TEXT.replace("spray_g = 0.1\n", ""))[0]).steps}
    assert "misted, 20.0 µL/g" in weighed


@pytest.mark.parametrize(
    ("flags", "purpose", "state"),
    [
        (("no-mass-collected",), "grind", "set aside"),
        (("no-mass",), "grind", "done"),
        (("no-mass-collected",), "blank", "done"),
    ],
)
def test_a_grind_that_collected_nothing_does_not_do_its_step(
    tmp_path: Path, flags: tuple[str, ...], purpose: str, state: str
) -> None:
    """A weighed grind without charge per gram is to be made again; an unweighed bench, or a blank, has none to give."""
    plan = make_plan(_study(tmp_path)[0])
    row = _row(plan.steps[0], plan, charge_to_mass=None, flags=flags, purpose=purpose)
    assert progress(plan, [row]).standings[0].state == state

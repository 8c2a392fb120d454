"""The parts of the window that need no Qt: lines, phases, rows, colours, limits."""

from __future__ import annotations

import itertools
import json
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargebench.desktop.lines import MAX_LINE_BYTES, JsonLines
from chargebench.desktop.palette import THEMES, Theme, contrast
from chargebench.desktop.phases import GROUNDS, MAX_PHASES, Phase, add_state, view_span
from chargebench.desktop.row import Row
from chargebench.desktop.rows import COLUMNS, cells, dose_points, series_of, zero_band
from chargebench.plain import to_json
from chargebench.processing.outcome import BudgetTerm, Used
from chargebench.study.band import Band, neutral_band
from tests.desktop.fake_recorder import REJECT, sealed, sealed_runs

OBJECTS = st.lists(st.dictionaries(st.text(), st.none() | st.integers() | st.text()), max_size=5)


@given(OBJECTS, st.lists(st.integers(0, 400), max_size=6))
def test_lines_come_whole_however_the_pipe_cuts_them(objects: list[dict[str, object]], cuts: list[int]) -> None:
    """Any cutting of the stream gives the same objects in the same order."""
    data = b"".join(json.dumps(o).encode() + b"\n" for o in objects)
    lines, found = JsonLines(), []
    for start, end in itertools.pairwise(sorted({0, len(data), *(c for c in cuts if c < len(data))})):
        found += lines.feed(data[start:end])
    assert found == objects
    assert lines.strays == []


def test_what_is_no_object_is_kept_aside() -> None:
    """Text, lists, invalid UTF-8 and deep nesting never raise, and do not stop the lines that follow."""
    lines = JsonLines()
    deep = b"[" * 200_000
    assert lines.feed(b"hello\n[1]\n\xff\xfe\n\n" + deep + b'\n{"a": 1}\n') == [{"a": 1}]
    assert len(lines.strays) == 4


def test_an_endless_line_is_dropped() -> None:
    """A line beyond the bound costs bounded memory and only itself."""
    lines = JsonLines()
    assert lines.feed(b"x" * (MAX_LINE_BYTES + 1)) == []
    assert lines._rest == b""
    assert lines.feed(b'xx}\n{"a": 1}\n') == [{"a": 1}]


def test_phases_close_when_the_next_begins() -> None:
    """A state lasts until the next; the same state again changes nothing."""
    phases: tuple[Phase, ...] = ()
    for state, time_s in [("waiting", 0.0), ("waiting", 1.0), ("grinding", 14.0), ("settling", 20.0), ("done", 33.0)]:
        phases = add_state(phases, state, time_s)
    assert [(p.state, p.start_s, p.end_s) for p in phases] == [
        ("waiting", 0.0, 14.0),
        ("grinding", 14.0, 20.0),
        ("settling", 20.0, 33.0),
    ]


def test_a_state_noticed_late_takes_back_its_time() -> None:
    """A state whose beginning lies in the past shortens what stood there."""
    phases = add_state(add_state((), "waiting", 0.0), "armed", 4.0)
    assert add_state(phases, "grinding", 3.0) == (Phase("waiting", 0.0, 3.0), Phase("grinding", 3.0))


@given(st.lists(st.tuples(st.sampled_from([*GROUNDS, "done", "idle", "odd"]), st.floats(0, 1e5)), max_size=40))
def test_phases_stay_few_and_never_run_backwards(events: list[tuple[str, float]]) -> None:
    """Whatever is told, at most the pool's number is kept, none ends before it begins, each has a colour."""
    phases: tuple[Phase, ...] = ()
    for state, time_s in events:
        phases = add_state(phases, state, time_s)
    assert len(phases) <= MAX_PHASES
    assert all(p.start_s <= p.end_s and p.state in GROUNDS for p in phases)


def test_view_shows_the_last_minute_or_the_whole_grind() -> None:
    """Waiting shows the last minute; once a grind began its lead stays in view."""
    assert view_span((), 0.0) == (0.0, 30.0)
    assert view_span((Phase("waiting", 0.0),), 400.0) == (340.0, 400.0)
    assert view_span((Phase("grinding", 200.0, 206.0), Phase("settling", 206.0)), 215.0) == (185.0, 215.0)


def used(value: float) -> Used:
    return Used(value, 0.1, "a check", "2026-03-01", "2026-04-01")


def test_rows_have_a_text_for_each_column() -> None:
    """Even an outcome with nothing in it fills its row."""
    empty = sealed("", 0.0, "", 0.0, answer=None)
    empty = replace(empty, started="", tags={}, result=dict.fromkeys(empty.result))
    some = replace(empty, tags={"setting": 11.0})
    assert all(len(cells(Row(run))) == len(COLUMNS) for run in [*sealed_runs(), empty, some])
    assert "11" in cells(Row(some))[2]


def test_a_slim_outcome_shows_the_same() -> None:
    """What is left out of a kept outcome changes no cell, point, band or verdict, and takes the bulk with it."""
    known = {"detection_limit_nC": used(88.1), "gain": replace(used(1.0), source="x" * 5000)}
    term = BudgetTerm("x" * 100, 1.0, 0.1, "nC", "A", 1.0, 0.1)
    runs = [
        Row(replace(run, provenance=replace(run.provenance, knowledge=known), budget=(term,) * 40))
        for run in sealed_runs()
    ]
    slims = [run.slim() for run in runs]
    assert list(map(cells, slims)) == list(map(cells, runs))
    assert dose_points(slims, series_of(runs[0])) == dose_points(runs, series_of(runs[0]))
    assert len(json.dumps(to_json(slims))) < 0.2 * len(json.dumps(to_json(runs)))


def test_hidden_characters_of_a_tag_are_made_visible() -> None:
    """A direction override or line end in a tag cannot rearrange the table."""
    row = cells(Row(sealed("r", 0.0, "dry", -60.0, tags={"coffee": "abc\u202edef\nghi"})))
    assert row[1] == "abc\\u202edef\\nghi"


def test_dose_points_are_of_one_series_and_of_grinds() -> None:
    """Other coffees, blanks and runs without an answer are left out; rejected ones are told apart."""
    runs = [
        sealed("20260314T090000Z-000001", 0.0, "dry", -60.0),
        sealed("20260314T090100Z-000002", 10.0, "misted", -20.0, flags=[REJECT]),
        sealed("20260314T090200Z-000003", 10.0, "misted", -20.0, tags={"coffee": "Other"}),
        sealed("20260314T090300Z-000004", 0.0, "dry", 1.0, tags={"purpose": "blank"}),
        sealed("20260314T090400Z-000005", 0.0, "dry", 1.0, answer=None),
    ]
    points = dose_points(map(Row, runs), series_of(Row(runs[0])))
    assert [(p.water_uL_per_g, p.usable) for p in points] == [(0.0, True), (10.0, False)]
    assert zero_band(points) == Band(pytest.approx(3.0), "5% of the dry value", 0.05)
    assert zero_band(points[1:]) is None


@pytest.mark.parametrize(
    ("limit_nC", "band"), [(17.62, (3.0, "5% of the dry value")), (88.1, (5.0, "detection limit"))]
)
def test_band_of_zero_is_the_larger_of_limit_and_share_of_dry(limit_nC: float, band: tuple[float, str]) -> None:
    """A detection limit of 88.1 nC is 5 nC/g at 17.62 g and wins over 5 % of 60 nC/g; one of 17.62 nC does not."""
    known = {"detection_limit_nC": to_json(used(limit_nC))}
    run = Row(sealed("20260314T090000Z-000001", 0.0, "dry", -60.0, knowledge=known))
    points = dose_points([run], series_of(run))
    found = zero_band(points)
    assert found is not None
    assert (found.half_width_nC_per_g, found.origin) == (pytest.approx(band[0]), band[1])
    assert found == neutral_band(points[0].charge_to_mass_nC_per_g, points[0].limit_nC_per_g)


@pytest.mark.parametrize(
    ("tags", "dose"),
    [
        ({"treatment": "misted", "water_g": 0.35928, "dose_g": 18.0}, 20.0),
        ({"treatment": "ionised"}, 0.0),
        ({"treatment": "misted"}, None),
        ({"treatment": "misted", "water_uL_per_g": 7.0}, 7.0),
    ],
)
def test_a_water_dose_is_tagged_weighed_or_absent(tags: dict[str, object], dose: float | None) -> None:
    """0.35928 g of water (0.998 g/mL) on 18 g are 20 µL/g; a misted run without a dose has no place on the chart."""
    run = Row(replace(sealed("20260314T090000Z-000001", 0.0, "dry", -60.0), tags=tags))
    assert [p.water_uL_per_g for p in dose_points([run], series_of(run))] == (
        [] if dose is None else [pytest.approx(dose)]
    )


@pytest.mark.parametrize("theme", THEMES.values(), ids=lambda t: t.name)
def test_colours_can_be_read(theme: Theme) -> None:
    """Text has a contrast of 4.5, traces and focus of 3 on all they stand on (WCAG 2.2, 1.4.3 and 1.4.11)."""
    for ground in (theme.page, theme.panel, theme.field, theme.calm, theme.ready, theme.busy, theme.wait):
        assert contrast(theme.ink, ground) >= 4.5
        assert contrast(theme.charge, ground) >= 3
        assert contrast(theme.mass, ground) >= 3
    for text in (theme.soft, theme.note, theme.doubt, theme.reject):
        assert contrast(text, theme.panel) >= 4.5
    assert contrast(theme.soft, theme.calm) >= 4.5
    assert contrast(theme.on_accent, theme.accent) >= 4.5
    assert contrast(theme.accent, theme.page) >= 3


@pytest.mark.parametrize(("one", "other", "ratio"), [("#000000", "#ffffff", 21.0), ("#777777", "#ffffff", 4.48)])
def test_contrast_agrees_with_published_ratios(one: str, other: str, ratio: float) -> None:
    """Black on white is 21:1 (WCAG 2.2 definition); #777 on white is 4.48:1, a ratio often quoted (from memory)."""
    assert contrast(one, other) == pytest.approx(ratio, abs=0.01)
    assert contrast(one, other) == contrast(other, one)
    assert not math.isnan(contrast(one, one))

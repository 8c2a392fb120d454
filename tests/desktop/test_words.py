"""What the window says: states, answers, severities, numbers."""

from __future__ import annotations

import math

import pytest

from chargebench.cautions import CAUTIONS
from chargebench.desktop.row import Row
from chargebench.desktop.words import (
    NOTICE_WORDS,
    SEVERITY_SYMBOLS,
    answer_words,
    estimate_text,
    number_text,
    port_words,
    state_words,
    verdict,
)
from chargebench.processing.outcome import Estimate
from tests.desktop.fake_recorder import REJECT, sealed


@pytest.mark.parametrize(
    ("state", "event", "headline"),
    [
        ("waiting", {"quiet_s": 6.4, "quiet_needed_s": 10}, "Quiet: 6 of 10 s"),
        ("waiting", {"quiet_s": -1.0, "quiet_needed_s": 10}, "Quiet: 0 of 10 s"),
        ("settling", {"quiet_s": 99.0, "quiet_needed_s": 12.0}, "Settling: 12 of 12 s"),
        ("waiting", {"quiet_s": "6", "quiet_needed_s": None}, "Waiting for quiet"),
        ("settling", {}, "Settling"),
        ("armed", {"quiet_s": 6.4, "quiet_needed_s": 10}, "Armed"),
        ("a later state", {"text": "what it says"}, "a later state"),
        ("waiting", {"hold": "cup-full", "text": "empty the cup", "quiet_s": 1, "quiet_needed_s": 9}, "Empty the cup"),
        ("waiting", {"hold": "over-range", "text": "over range: empty and zero the cup"}, "Over range"),
        ("waiting", {"hold": "a later reason", "text": "what it says"}, "Not ready"),
    ],
)
def test_state_is_named_and_counted_where_it_can_be(state: str, event: dict[str, object], headline: str) -> None:
    """A count of quiet seconds is shown whole, within its bounds, and only where both numbers are numbers."""
    assert state_words(state, event).headline == headline


def test_every_state_says_what_to_do() -> None:
    """Each known state carries an instruction; an unknown one carries the recorder's own text."""
    for state in ("nobench", "starting", "idle", "waiting", "armed", "grinding", "settling", "done", "failed"):
        assert state_words(state).instruction
    assert state_words("later", {"text": "own text"}).instruction == "own text"


@pytest.mark.parametrize(
    ("hold", "key"),
    [("silent", True), ("before", True), ("cup-full", True), ("cup-away", True), ("over-range", False), ("new", False)],
)
def test_every_reason_says_what_to_do(hold: str, key: bool) -> None:
    """What stands between the bench and a run is said in the recorder's words, and the key that clears it by name."""
    words = state_words("waiting", {"hold": hold, "text": "do what is to be done", "instrument": "scale"})
    assert ("F7" in words.instruction) == key
    assert words.ground == "wait"
    assert "o what is to be done" in words.instruction or hold.startswith("cup")


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [(-61.714, 2, "−61.71"), (-0.001, 2, "0.00"), (0.0, 1, "0.0"), (12.345, 1, "12.3"), (math.nan, 2, "–")],
)
def test_numbers_have_a_true_minus_and_no_negative_zero(value: float, decimals: int, text: str) -> None:
    """Minus is a minus sign, zero has none, and what is not a number is a dash."""
    assert number_text(value, decimals) == text


@pytest.mark.parametrize(
    ("value", "u", "words"),
    [(-61.7, 0.31, "negative"), (61.7, 0.31, "positive"), (-0.5, 0.31, "not proof")],
)
def test_sign_is_claimed_only_outside_the_interval(value: float, u: float, words: str) -> None:
    """A run is called negative or positive only where zero lies outside its 95 % interval."""
    run = sealed("r", 0.0, "dry", value, answer={"value": value, "u": u, "U95": 2 * u, "dof": None})
    sentence = answer_words(Row(run)).sentence
    assert words in sentence
    assert ("negative" in sentence or "positive" in sentence) == (words in ("negative", "positive"))


def test_answer_without_a_number_says_so() -> None:
    """A run without charge-to-mass shows a dash and points at the flags."""
    answer = answer_words(Row(sealed("r", 0.0, "dry", 0.0, answer=None, flags=[REJECT])))
    assert (answer.figure, answer.severity, answer.verdict) == ("–", "reject", "Do not use")
    assert "flags" in answer.sentence


def test_expanded_uncertainty_stands_behind_the_plus_minus() -> None:
    """The number after ± is U95, not u, at two digits."""
    assert estimate_text(Estimate(-61.714, 0.31, 1000.0), "nC/g") == "−61.71 ± 0.61 nC/g"


@pytest.mark.parametrize(
    ("severities", "worst"), [([], None), (["note"], "note"), (["note", "reject", "doubt"], "reject")]
)
def test_verdict_follows_the_gravest_flag(severities: list[str], worst: str | None) -> None:
    """One rejection outweighs everything else."""
    flags = [{**REJECT, "severity": severity} for severity in severities]
    assert verdict(Row(sealed("r", 0.0, "dry", -60.0, flags=flags)))[0] == worst


def test_severities_are_told_apart_without_colour() -> None:
    """Each severity has its own symbol and its own word."""
    assert len(set(SEVERITY_SYMBOLS.values())) == len(set(NOTICE_WORDS.values())) == 3


@pytest.mark.parametrize("state", ["lost", "missing", "held", "forbidden", "invented"])
def test_a_port_that_is_not_open_is_trouble(state: str) -> None:
    """Every port state but open names the instrument and what to do, with the recorder's own words."""
    severity, text = port_words({"instrument": "scale", "state": state, "text": "because"})
    assert severity == "reject"
    assert text.startswith("scale")
    assert "because" in text


def test_cautions_cover_the_hazards_of_the_bench() -> None:
    """Mains, water, high voltage, ozone, dust and burrs are all there."""
    assert [head for head, _ in CAUTIONS] == ["Mains", "Water", "High voltage", "Ozone", "Dust", "Burrs"]

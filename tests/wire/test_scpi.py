"""Replies of a polled electrometer."""

from __future__ import annotations

import math

import pytest

from chargebench.wire.reading import RESTART, Reading, Status
from chargebench.wire.scpi import ScpiDecoder


def polled(carries: list[str]) -> ScpiDecoder:
    """A decoder that was told of the poll."""
    decoder = ScpiDecoder(carries)
    decoder.asked("READ?")
    return decoder


def told(*said: tuple[str, bytes], carries: tuple[str, ...] = ("charge",)) -> tuple[list[Reading], ScpiDecoder]:
    """Readings of a conversation: each command, and what came back."""
    decoder = ScpiDecoder(carries)
    found: list[Reading] = []
    for number, (command, reply) in enumerate(said):
        decoder.asked(command)
        found += decoder.feed(reply, number)
    return found, decoder


def numbers(found: list[Reading]) -> list[tuple[float, Status]]:
    """Values and status of those that are no notices."""
    return [(reading.value, reading.status) for reading in found if reading.channel != "notice"]


@pytest.mark.parametrize(
    ("reply", "channel", "value"),
    [
        (b"+1.250000E-09", "charge", 1.25),
        (b"-12.3E-12\r", "charge", -0.0123),
        (b"0", "charge", 0.0),
        (b" 1e-9 ", "charge", 1.0),
        (b"2.5E-12", "current", 0.0025),
        (b".1E-6", "current", 100.0),
        (b"+1.25E-09C", "charge", 1.25),
        (b"1.25E-09 C", "charge", 1.25),
        (b"1.25 nC", "charge", 1.25),
        (b"-12.3pC\r", "charge", -0.0123),
        (b"2.5E-12A", "current", 0.0025),
        (b"1E-9,123.4,7", "charge", 1.0),
        (b"1E-9C,+123.4SECS,+00007RDNG#", "charge", 1.0),
        (b"1E-9,", "charge", 1.0),
    ],
)
def test_si_units(reply: bytes, channel: str, value: float) -> None:
    """Replies in coulomb and ampere become nC and nA, rounded once."""
    (reading,) = polled([channel]).feed(reply + b"\n", 4)
    assert (reading.channel, reading.value, reading.status, reading.received_ns) == (channel, value, Status.NONE, 4)
    assert reading.device_ms is None
    assert reading.sequence is None


@pytest.mark.parametrize(
    ("reply", "status"),
    [
        (b"9.9E37", Status.OVER),
        (b"+9.900000E+37", Status.OVER),
        (b"-9.9E37", Status.OVER),
        (b"9.91E37", Status.NOT_A_NUMBER),
    ],
)
def test_numbers_that_stand_for_none(reply: bytes, status: Status) -> None:
    """The standard's stand-ins for infinity and not-a-number give a status, never a value."""
    (reading,) = polled(["charge"]).feed(reply + b"\n", 0)
    assert math.isnan(reading.value)
    assert reading.status == status


def test_several_numbers_in_one_reply() -> None:
    """Numbers of one reply go to the channels in the order the bench file lists them."""
    readings = polled(["charge", "temperature"]).feed(b"1E-9,+2.15E+01\n", 0)
    assert [(r.channel, r.value) for r in readings] == [("charge", 1.0), ("temperature", 21.5)]


@pytest.mark.parametrize(
    ("reply", "reason"),
    [
        (b'1E-9,"what"', "fields"),
        (b"1E-9,-", "fields"),
        (b"INF", "number"),
        (b"NAN", "number"),
        (b"1E-9 A", "unit"),
        (b"1.2NC", "unit"),
        (b"1.2E-9NADC", "unit"),
        (b"1E-9 C C", "number"),
        (b"1_0", "number"),
        (b"\xff\xfe", "number"),
        (b"OVERFLOW", "number"),
        (b"1E400", "number"),
    ],
)
def test_other_replies_are_counted(reply: bytes, reason: str) -> None:
    """A reply that is neither a number nor a known text is counted, never guessed at."""
    decoder = polled(["charge"])
    assert decoder.feed(reply + b"\n", 0) == []
    assert decoder.rejects == {reason: 1}


@pytest.mark.parametrize(
    "reply", [b"ANY MAKER,MODEL 5,0001,2.3", b'-113,"Undefined header;FOO?"', b'0,"No error"', b'+0, ""']
)
def test_identity_and_error_queue_are_notices(reply: bytes) -> None:
    """Answers to *IDN? and SYST:ERR? are kept as words."""
    (reading,) = polled(["charge"]).feed(reply + b"\r\n", 0)
    assert (reading.channel, reading.text) == ("notice", reply.decode())


def test_fewer_fields_than_channels_are_none() -> None:
    """A reply with too few numbers gives none of them."""
    decoder = polled(["charge", "temperature"])
    assert decoder.feed(b"1E-9\n", 0) == []
    assert decoder.rejects == {"fields": 1}


@pytest.mark.parametrize("end", [b"\n", b"\r", b"\r\n", b"\n\r"])
def test_every_end_of_a_line(end: bytes) -> None:
    """CR, LF or both end a reply."""
    assert [r.value for r in polled(["charge"]).feed(b"1E-9" + end + b"2E-9" + end, 0)] == [1.0, 2.0]


def test_only_answers_to_the_poll_are_readings() -> None:
    """Answers to queries of a start list are words, whatever they look like; only the poll's are readings."""
    found, decoder = told(
        ("*IDN?", b"MAKER,MODEL,7,1\n"), ("*ESR?", b"0\n"), ("SYST:ERR?", b'0,"No error"\n'), ("*OPC?", b"1\n"),
        (":RANG?", b"+1.0E-07\n"), ("READ?", b"1E-9\n2E-9\n"), ("*ESR?", b"0\n"), ("READ?", b"3E-9\n"),
    )  # fmt: skip
    assert numbers(found) == [(1.0, Status.NONE), (2.0, Status.NONE), (3.0, Status.NONE)]
    assert [r.text for r in found if r.channel == "notice"] == ["MAKER,MODEL,7,1", "*OPC? 1", ":RANG? +1.0E-07"]
    assert (decoder.lines_read, decoder.spoken, dict(decoder.rejects), decoder.vouched_ns) == (9, 6, {}, 6)


def test_a_reply_to_an_unknown_question_is_none() -> None:
    """Before any question was told of, after a reconnect, and after an answer, nothing counts as a reading."""
    decoder = ScpiDecoder(["charge"])
    assert decoder.feed(b"1E-9\n", 0) == []
    decoder.asked("READ?")
    assert len(decoder.feed(b"1E-9\n", 0)) == 1
    decoder.reset()
    assert decoder.feed(b"1E-9\n", 0) == []
    decoder.asked("*ESR?")
    assert decoder.feed(b"0\n1\n", 0) == []
    assert decoder.rejects == {"unasked": 3}


def test_late_answers_end_at_the_identity() -> None:
    """What comes before the identity that is asked for answers earlier questions: never a reading, never its answer."""
    found, decoder = told(("*IDN?", b'5E-9\n0\n128\n+0,"No error"\nMAKER,MODEL,7,1\n'), ("READ?", b"1E-9\n"))
    assert numbers(found) == [(1.0, Status.NONE)]
    assert decoder.rejects == {"unasked": 4}


@pytest.mark.parametrize(
    "said",
    [
        [("*ESR?", b"128\n")],
        [("*ESR?", b"+129\n")],
        [(":FUNC CHAR", b"")],
        [("*ESR?", b"128\n"), (":FUNC CHAR", b""), ("*ESR?", b"0\n")],
        [(":RANG 1;RANG?", b"1\n")],
    ],
    ids=["power on", "power on among other bits", "set up", "both", "set up while asking"],
)
def test_power_on_and_set_up_are_a_restart(said: list[tuple[str, bytes]]) -> None:
    """Switched on since it was last asked, or set up anew: the next reading of each channel is RESET and RESTARTED."""
    poll = ("READ?", b"2E-9,21\n")
    found, _ = told(poll, *said, poll, poll, carries=("charge", "temperature"))
    none = Status.NONE
    assert [status for _, status in numbers(found)] == [none, none, RESTART, RESTART, none, none]


@pytest.mark.parametrize("reply", [b"", b"256", b"-1", b"1E-9", b"ON"])
def test_no_other_answer_vouches(reply: bytes) -> None:
    """Only bits without that of power-on say that nothing was switched off."""
    assert told(("*ESR?", reply + b"\n"))[1].vouched_ns is None


def test_errors_are_kept_in_the_instruments_words() -> None:
    """What stands in the error queue is a notice; that nothing stands there is none."""
    found, _ = told(("SYST:ERR?", b'-222,"Parameter data out of range"\n'), ("SYST:ERR?", b"+0\n"))
    assert [r.text for r in found] == ['SYST:ERR? -222,"Parameter data out of range"']

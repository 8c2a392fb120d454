"""Replies of a polled electrometer."""

from __future__ import annotations

import math

import pytest

from chargebench.wire.reading import Status
from chargebench.wire.scpi import ScpiDecoder


@pytest.mark.parametrize(
    ("reply", "channel", "value"),
    [
        (b"+1.250000E-09", "charge", 1.25),
        (b"-12.3E-12\r", "charge", -0.0123),
        (b"0", "charge", 0.0),
        (b" 1e-9 ", "charge", 1.0),
        (b"2.5E-12", "current", 0.0025),
        (b".1E-6", "current", 100.0),
    ],
)
def test_si_units(reply: bytes, channel: str, value: float) -> None:
    """Replies in coulomb and ampere become nC and nA, rounded once."""
    (reading,) = ScpiDecoder([channel]).feed(reply + b"\n", 4)
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
    (reading,) = ScpiDecoder(["charge"]).feed(reply + b"\n", 0)
    assert math.isnan(reading.value)
    assert reading.status == status


def test_several_numbers_in_one_reply() -> None:
    """Numbers of one reply go to the channels in the order the bench file lists them."""
    readings = ScpiDecoder(["charge", "temperature"]).feed(b"1E-9,+2.15E+01\n", 0)
    assert [(r.channel, r.value) for r in readings] == [("charge", 1.0), ("temperature", 21.5)]


@pytest.mark.parametrize(
    ("reply", "reason"),
    [
        (b"1e-9,2e-9", "fields"),
        (b"INF", "number"),
        (b"NAN", "number"),
        (b"1E-9 C", "number"),
        (b"1_0", "number"),
        (b"\xff\xfe", "number"),
        (b"OVERFLOW", "number"),
        (b"1E400", "number"),
    ],
)
def test_other_replies_are_counted(reply: bytes, reason: str) -> None:
    """A reply that is neither a number nor a known text is counted, never guessed at."""
    decoder = ScpiDecoder(["charge"])
    assert decoder.feed(reply + b"\n", 0) == []
    assert decoder.rejects == {reason: 1}


@pytest.mark.parametrize(
    "reply", [b"ANY MAKER,MODEL 5,0001,2.3", b'-113,"Undefined header;FOO?"', b'0,"No error"', b'+0, ""']
)
def test_identity_and_error_queue_are_notices(reply: bytes) -> None:
    """Answers to *IDN? and SYST:ERR? are kept as words."""
    (reading,) = ScpiDecoder(["charge"]).feed(reply + b"\r\n", 0)
    assert (reading.channel, reading.text) == ("notice", reply.decode())

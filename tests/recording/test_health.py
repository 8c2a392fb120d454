"""What is said of an instrument whose stream makes no sense."""

from __future__ import annotations

from pathlib import Path
from queue import SimpleQueue
from typing import Any

import pytest

from chargebench.instruments.benchfile import bench_from_text
from chargebench.instruments.feed import Chunk
from chargebench.recording.health import Complaint, Health
from chargebench.recording.source import Source
from tests.recording.byte_bench import NO_SCALE_TEXT
from tests.recording.played import Event, Played

TEXT = '[bench]\nname = "x"\n[instrument.x]\nport = "/dev/x"\nlines = "{lines}"\ncarries = ["{carries}"]\n'


def complaints(lines: str, carries: str, said: list[tuple[str, bytes]]) -> list[Complaint]:
    """What is said while an instrument says that, command by command, a tenth of a second each."""
    bench = bench_from_text(TEXT.format(lines=lines, carries=carries))
    source, health, found = Source(bench.instruments["x"]), Health({"x": lines}), []
    for number, (command, reply) in enumerate(said):
        if command:
            source.asked(command)
        source.feed(reply, number, 0)
        found += health.check({"x": source}, 3.0 + 0.1 * number)
    return found


ERRORS = ("SYST:ERR?", b'0,"No error"\n')


@pytest.mark.parametrize(
    ("reply", "shown"),
    [
        (b"+1.2E-09NADC,+12.0SECS\n", '"+1.2E-09NADC,+12.0SECS"'),
        (b"1.25\xb5C\n", '"1.25\\xb5C"'),
        (b"OK\n", '"OK"'),
        (b"9" * 400 + b"C\n", '"' + "9" * 80 + '"'),
    ],
)
def test_replies_that_none_understood_are_told_with_one_of_them(reply: bytes, shown: str) -> None:
    """300 answers to the poll of which none gives a reading are one notice that shows one, errors read or not."""
    said = [turn for _ in range(300) for turn in (("READ?", reply), ERRORS, ("*ESR?", b"0\n"))]
    [complaint] = complaints("scpi", "charge", said)
    assert (complaint.severity, complaint.code) == ("doubt", "garbled")
    assert f"replies make no sense, such as {shown}" in complaint.text


def test_answers_to_other_questions_are_no_nonsense() -> None:
    """Words, bits and error queues count neither as understood nor as not."""
    said = [turn for _ in range(300) for turn in (("READ?", b"1E-9\n"), ERRORS, ("*ESR?", b"0\n"), ("*OPC?", b"1\n"))]
    assert complaints("scpi", "charge", said) == []


def test_lines_of_a_scale_are_shown_too() -> None:
    """A scale whose every line has a word that nobody knows is told with one of its lines."""
    [complaint] = complaints("printed", "mass", [("", b"Poids 12.34 g\n")] * 60)
    assert 'such as "Poids 12.34 g"' in complaint.text


def test_a_refused_command_is_told_and_questions_are_not(tmp_path: Path) -> None:
    """What a feed says of a start line that was refused is a notice at once; what is asked is said to nobody."""
    text = NO_SCALE_TEXT.replace('lines = "framed"', 'lines = "scpi"')
    refused = "cup: :FUNK of its start list was refused: -113"
    made = [Chunk("cup", 1, "open", text="open"), Chunk("cup", 2, "asked", text="*IDN?"),
            Chunk("cup", 3, "data", b"A,B,C,D\n"), Chunk("cup", 4, "refused", text=refused)]  # fmt: skip
    played = Played(tmp_path, made, text=text, react=stop_when_refused)
    played.recorder.record(1, 10.0)
    told = [
        event for event in played.events if event.get("event") == "notice" and event["code"] in ("refused", "asked")
    ]
    assert [(event["severity"], event["code"], event["text"]) for event in told] == [("doubt", "refused", refused)]


def stop_when_refused(event: Event, commands: SimpleQueue[dict[str, Any]]) -> None:
    """End the recording at that notice."""
    if event.get("code") == "refused":
        commands.put({"do": "stop"})

"""The board's side, as shipped in ``firmware_notes``, against the host's decoder."""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargebench.wire.crc import crc16
from chargebench.wire.framed import FramedDecoder, command
from chargebench.wire.reading import Status

FILE = Path(__file__).resolve().parents[2] / "firmware_notes" / "framed_board.py"


def load() -> ModuleType:
    """The file as a module; it lies outside the package because it runs on boards."""
    spec = importlib.util.spec_from_file_location("framed_board", FILE)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


board = load()


@given(st.binary(max_size=200))
def test_both_sides_agree_on_the_check(data: bytes) -> None:
    """The board's table and the host's library give the same check."""
    assert board.crc16(data) == crc16(data)


def test_catalogue_value() -> None:
    """The board's table gives the catalogue's check value (CRC-16/CCITT-FALSE; from memory)."""
    assert board.crc16(b"123456789") == 0x29B1


@pytest.mark.parametrize(
    ("count", "decimals", "text"),
    [(-1234, 3, "-1.234"), (5, 3, "0.005"), (0, 2, "0.00"), (-1, 0, "-1"), (12345, 1, "1234.5"), (-5, 1, "-0.5")],
)
def test_whole_steps_as_decimals(count: int, decimals: int, text: str) -> None:
    """Converter steps become decimal text without a float in between."""
    assert board.decimal_text(count, decimals) == text


@given(st.integers(-(10**12), 10**12), st.integers(0, 9), st.integers(0, 2**40))
def test_what_a_board_sends_is_read(count: int, decimals: int, uptime_ms: int) -> None:
    """Any count at any uptime arrives as the value the board meant."""
    line = board.Lines().line("Q", uptime_ms, board.decimal_text(count, decimals), "nC", ("OVER", "UNST"))
    (reading,) = FramedDecoder(["charge"]).feed(line, 0)
    assert reading.value == float(f"{count}e-{decimals}")
    assert reading.status == Status.OVER | Status.UNSETTLED
    assert reading.device_ms == uptime_ms % 2**32


def test_seventy_thousand_lines_lose_none() -> None:
    """Counters of two kinds run and wrap apart; the host counts no line as lost."""
    lines = board.Lines()
    decoder = FramedDecoder(["charge", "mass"])
    given = 0
    for n in range(70_000):
        data = lines.line("Q", n, "1.0", "nC")
        if n % 10 == 0:
            data += lines.line("M", n, "2.0", "g")
        given += len(decoder.feed(data, 0))
    assert given == 77_000
    assert (decoder.lost, decoder.repeated, dict(decoder.rejects)) == (0, 0, {})


@pytest.mark.parametrize("words", ["ready", "a,b*c\nd", "µ", "", "x" * 200])
def test_notices_are_always_whole(words: str) -> None:
    """Whatever words a board wants to say arrive as one notice."""
    (reading,) = FramedDecoder(["charge"]).feed(board.Lines().notice(1, words), 0)
    assert reading.channel == "notice"
    assert 1 <= len(reading.text) <= 64


@pytest.mark.parametrize("cut", [1, 3, 1000])
def test_commands_of_the_host_are_understood(cut: int) -> None:
    """Every command the host can send is understood, however it arrives."""
    data = command("ID?") + command("ZERO") + command("RATE", 1) + command("RATE", 10_000)
    commands = board.Commands()
    found = [item for at in range(0, len(data), cut) for item in commands.feed(data[at : at + cut])]
    assert found == [("ID?", None), ("ZERO", None), ("RATE", 1), ("RATE", 10_000)]


@pytest.mark.parametrize(
    "line", [b"RATE", b"RATE ", b"RATE 0", b"RATE 10001", b"RATE -1", b"RATE 1e3", b"zero", b"ID? ", b"\xff", b"x" * 99]
)
def test_other_lines_change_nothing(line: bytes) -> None:
    """A line that is no command is told apart, and the next command is understood."""
    assert board.Commands().feed(line + b"\r\nZERO\n") == [("?", None), ("ZERO", None)]


@given(st.lists(st.binary(max_size=50)))
def test_received_bytes_never_break_a_board(pieces: list[bytes]) -> None:
    """No bytes raise on the board, and an endless line is not kept."""
    commands = board.Commands()
    for piece in pieces:
        commands.feed(piece)
    assert len(commands._rest) <= board.LONGEST_COMMAND


MICROPYTHON = shutil.which("micropython") or shutil.which("micropython", path=str(Path(sys.executable).parent))


@pytest.mark.skipif(MICROPYTHON is None, reason="no MicroPython on this machine")
def test_under_micropython() -> None:
    """MicroPython makes the same lines and reads the same commands from the same file."""
    program = (
        "import sys; sys.path.insert(0, sys.argv[1]); import framed_board as b\n"
        "lines = b.Lines()\n"
        "for n in range(3): print(lines.line('Q', 4294967295 + n, b.decimal_text(-12 * n, 3), 'nC').decode(), end='')\n"
        "print(b.Commands().feed(b'RATE 50\\nID?\\n'))\n"
    )
    assert MICROPYTHON is not None
    said = subprocess.run(
        [MICROPYTHON, "-c", program, str(FILE.parent)], capture_output=True, check=True, text=True, timeout=30
    ).stdout
    lines = board.Lines()
    expected = [lines.line("Q", 4294967295 + n, board.decimal_text(-12 * n, 3), "nC").decode() for n in range(3)]
    assert said == "".join(expected) + "[('RATE', 50), ('ID?', None)]\n"


def test_the_printed_example_is_right() -> None:
    """Every line of the exchange printed for board builders is one that the host takes."""
    text = (FILE.parent / "README.md").read_text(encoding="utf-8")
    lines = [line.strip() for line in text.splitlines() if line.startswith("    ") and line[-5:-4] == "*"]
    shown = [line for line in lines if line != "KIND,SEQ,MS,VALUE,UNIT,STATUS*CRC"]
    decoder = FramedDecoder(["charge", "humidity"])
    readings = decoder.feed("".join(f"{line}\n" for line in shown).encode(), 0)
    assert len(readings) == len(shown) >= 5
    assert (decoder.lost, dict(decoder.rejects)) == (0, {})

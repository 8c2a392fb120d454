"""The bench file: what is taken, and what is said of what is not."""

from __future__ import annotations

import datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chargebench.errors import BenchFileError
from chargebench.files import BENCH
from chargebench.instruments.benchfile import bench_from_text, read_bench

GOOD = r"""[bench]
name = "Nördliche Bank 1 – 北"

[instrument.cup]
port = "/dev/ttyACM0"
lines = "framed"
baud = 115200
carries = ["charge"]

[instrument.scale]
port = 'COM3'
lines = "printed"
baud = 9600
carries = ["mass"]
pattern = '(?P<stable>ST|US),\s*(?P<value>[+-]?\d+\.?\d*)\s*,\s*(?P<unit>m?k?g)'
"""


def problem(text: str) -> str:
    """What is said of a bench file that is not taken."""
    with pytest.raises(BenchFileError) as caught:
        bench_from_text(text, where="north.toml")
    said = str(caught.value)
    assert said.startswith("north.toml: ")
    assert "\n" not in said
    return said


def test_the_documented_form_is_read() -> None:
    """The form that README shows gives the bench it describes, in the file's order, with its text kept."""
    bench = bench_from_text(GOOD)
    assert bench.name == "Nördliche Bank 1 – 北"
    assert list(bench.instruments) == ["cup", "scale"]
    cup, scale = bench.instruments.values()
    assert (cup.name, cup.port, cup.lines, cup.baud, cup.carries) == (
        "cup",
        "/dev/ttyACM0",
        "framed",
        115200,
        ("charge",),
    )
    assert (scale.port, scale.baud, scale.query, scale.request) == ("COM3", 9600, "READ?", None)
    assert (bench.recording.quiet_before_s, bench.recording.quiet_after_s) == (10, 12)
    assert bench.calibration.gain is None
    assert bench.text == GOOD


def test_optional_keys_are_read() -> None:
    """Requests, polling, scale figures, calibration and quiet stretches arrive in their units and types."""
    more = """resolution_g = 0.01
repeatability_g = 0.02
linearity_g = 0.03
request = "P\\r\\n"
poll_s = 1
serial_number = "A10K"
[instrument.meter]
port = "socket://[::1]:5025"
lines = "scpi"
carries = ["current"]
start = ["*RST", ":FUNC 'CURR'"]
query = "FETC?"
[calibration]
gain = 1.003
u_gain = 0.002
leakage_time_constant_s = 900
u_leakage_time_constant_s = 20
bias_current_pA = -1.5
u_bias_current_pA = 0.2
certified = 2026-01-10
valid_until = 2027-01-10
[recording]
quiet_before_s = 15
quiet_after_s = 20.5
"""
    bench = bench_from_text(GOOD + more)
    scale, meter = bench.instruments["scale"], bench.instruments["meter"]
    assert (scale.request, scale.poll_s, scale.serial_number) == (b"P\r\n", 1.0, "A10K")
    assert (scale.resolution_g, scale.repeatability_g, scale.linearity_g) == (0.01, 0.02, 0.03)
    assert (meter.start, meter.query) == (("*RST", ":FUNC 'CURR'"), "FETC?")
    assert (bench.calibration.gain, bench.calibration.bias_current_pA) == (1.003, -1.5)
    assert bench.calibration.valid_until == datetime.date(2027, 1, 10)
    assert bench.recording.quiet_after_s == 20.5


@pytest.mark.parametrize(
    "port",
    [
        "/dev/ttyUSB0",
        "/dev/serial/by-id/usb-Some_maker-if00",
        "/dev/pts/7",
        "/dev/cu.usbmodem1101",
        "COM1",
        "com12",
        r"\\.\COM10",
        "socket://bench.local:5025",
        "socket://192.0.2.7:23/",
        "rfc2217://[2001:db8::1]:2217",
    ],
)
def test_ports_that_are_opened(port: str) -> None:
    """Device paths, COM ports and the two network schemes are taken."""
    assert bench_from_text(GOOD.replace("'COM3'", f"'{port}'")).instruments["scale"].port == port


@pytest.mark.parametrize(
    "port",
    [
        "spy:///dev/ttyUSB0?file=/etc/passwd",
        "hwgrep://.*",
        "alt:///dev/ttyUSB0?class=x",
        "loop://",
        "cp2110://x",
        "file:///etc/passwd",
        "http://host:80",
        "socket://host",
        "socket://host:0",
        "socket://host:70000",
        "socket://user@host:1",
        "rfc2217://host:1?logging=debug",
        "SOCKET://host:1",
        "ttyUSB0",
        "../dev/ttyUSB0",
        "/dev/x\\u0000",
        "/dev/spy://x",
        "COM0",
        "COM",
        "",
        " COM3",
    ],
)
def test_ports_that_are_refused(port: str) -> None:
    """Any other URL, a relative path or a name with control characters is refused, saying what is allowed."""
    said = problem(GOOD.replace("'COM3'", f'"{port}"'))
    assert "instrument.scale.port" in said
    assert "allowed" in said


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("baud = 9600", "baud = 12", ["instrument.scale.baud", "12", "300 to 4000000"]),
        ("baud = 9600", "baud = 9600.5", ["instrument.scale.baud", "9600.5", "whole number"]),
        ("baud = 9600", 'baud = "9600"', ["instrument.scale.baud", "'9600'", "whole number"]),
        ("baud = 9600", "baud = true", ["instrument.scale.baud", "True", "whole number"]),
        ("baud = 9600", "boud = 9600", ["instrument.scale.boud", "not known", "baud"]),
        ('lines = "printed"', 'lines = "Printed"', ["instrument.scale.lines", "'Printed'", "framed, printed, scpi"]),
        ('lines = "printed"', "", ["instrument.scale.lines", "missing", "framed, printed, scpi"]),
        ("port = 'COM3'", "port = 3", ["instrument.scale.port", "3", "socket://"]),
        ("'COM3'", '"/dev/ttyACM0"', ["cup", "scale", "/dev/ttyACM0", "allowed is one"]),
        ('["mass"]', '["charge"]', ["cup", "scale", "'charge'", "allowed is one"]),
        ('["mass"]', '["mass", "mass"]', ["instrument.scale.carries", "'mass'", "once"]),
        ('["mass"]', '["weight"]', ["instrument.scale.carries", "'weight'", "mass"]),
        ('["mass"]', '["charge1"]', ["instrument.scale.carries", "'charge1'", "charge2"]),
        ('["mass"]', '["mass", "humidity"]', ["instrument.scale", "exactly one"]),
        ('["mass"]', '"mass"', ["instrument.scale.carries", "'mass'", "a list"]),
        ('["mass"]', "[]", ["instrument.scale.carries", "a list"]),
        ("?P<value>", "", ["instrument.scale.pattern", "(?P<value>"]),
        ("(?P<unit>m?k?g)", "(?P<unit>m?k?g", ["instrument.scale.pattern", "not a regular expression"]),
        ("(?P<unit>m?k?g)", "(?:g+)+", ["instrument.scale.pattern", "repeats"]),
        ("[instrument.scale]", '[instrument."my scale"]', ["instrument.my scale", "letters, digits"]),
        ("[instrument.scale]", "[instruments.scale]", ["instruments", "not known", "instrument"]),
        ("[bench]", "[bank]", ["bank", "not known", "bench"]),
        ("baud = 9600", 'name = "x"', ["scale", "name"]),
        ("baud = 9600", 'query = "X?"', ["instrument.scale", "query", "scpi"]),
        ("baud = 9600", "poll_s = 1", ["instrument.scale", "poll_s", "request"]),
        ("baud = 9600", 'request = ""', ["instrument.scale.request", "1 to 200"]),
        ("baud = 9600", "resolution_g = -1", ["instrument.scale.resolution_g", "-1", "above 0"]),
        ("baud = 115200", "resolution_g = 1", ["instrument.cup", "resolution_g", "mass"]),
        ("baud = 115200", "pattern = '(?P<value>x)'", ["instrument.cup", "pattern", "printed"]),
        ("baud = 115200", "[calibration]\ngain = 0.0", ["calibration.gain", "0.0", "above 0"]),
        ("baud = 115200", "[calibration]\nu_gain = 0.1", ["calibration", "u_gain", "gain"]),
        ("baud = 115200", "[calibration]\ngain = inf", ["calibration.gain", "inf", "above 0"]),
        ("baud = 115200", "[calibration]\nvalid_until = 12", ["calibration.valid_until", "12", "date"]),
        ("baud = 115200", "[recording]\nquiet_before_s = 0", ["recording.quiet_before_s", "0", "1 to 600"]),
        ("baud = 115200", "[recording]\nquiet_s = 5", ["recording.quiet_s", "quiet_before_s"]),
    ],
)
def test_every_error_names_key_value_and_what_is_allowed(old: str, new: str, parts: list[str]) -> None:
    """Whatever is wrong, the message names file, key, value and what is allowed, in one line."""
    head, _, tail = GOOD.rpartition(old)
    text = f"{head}{new}{tail}"
    if new.startswith(("[calibration]", "[recording]")):
        text = f"{GOOD}{new}\n"
    said = problem(text)
    assert [part for part in parts if part not in said] == [], said


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("", ["bench", "missing"]),
        ("[bench]\nname = \n", ["not TOML", "line 2"]),
        ("[bench]\nname = 'a'\nname = 'b'\n", ["not TOML", "line 3"]),
        ('[bench]\nname = "a"\n[instrument.x]\nport = "C:\\dev"\n', ["not TOML", "line 4", "single quotes"]),
        ("[bench]\nname = 'a'\n", ["instrument", "missing"]),
        ("[bench]\nname = ''\n[instrument]\n", ["bench.name", "1 to 200"]),
        ("[bench]\nname = 'a'\n[instrument]\n", ["instrument", "one [instrument.NAME] or more"]),
        ("[bench]\nname = 'a'\ninstrument = 3\n", ["bench.instrument", "not known"]),
        ("instrument = 3\n[bench]\nname = 'a'\n", ["instrument", "3"]),
        ('[bench]\nname = "a\\u202eb"\n', ["bench.name", "printable"]),
        ("a = " + "[" * 2000, ["not TOML"]),
    ],
)
def test_broken_files(text: str, parts: list[str]) -> None:
    """Syntax errors come with their line, and missing tables with their name."""
    said = problem(text)
    assert [part for part in parts if part not in said] == [], said


@pytest.mark.parametrize(
    ("data", "words"),
    [(None, "cannot be read"), (b"\xff\xfe[bench]", "UTF-8"), (b"#" * (BENCH.most_bytes + 1), "larger")],
)
def test_files_that_cannot_be_read(tmp_path: Path, data: bytes | None, words: str) -> None:
    """A file that is missing, not UTF-8 or far too large is named with the reason."""
    path = tmp_path / "bänk.toml"
    if data is not None:
        path.write_bytes(data)
    with pytest.raises(BenchFileError, match=words) as caught:
        read_bench(path)
    assert "bänk.toml" in str(caught.value)


@pytest.mark.parametrize("encode", ["utf-8", "utf-8-sig"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_files_of_other_editors(tmp_path: Path, encode: str, end: str) -> None:
    """A byte-order mark and Windows line ends change nothing."""
    path = tmp_path / "bench.toml"
    path.write_bytes(GOOD.replace("\n", end).encode(encode))
    assert read_bench(path) == bench_from_text(GOOD)


def test_what_is_read_cannot_change() -> None:
    """A bench is frozen, and reading its own text again gives the same bench."""
    bench = bench_from_text(GOOD)
    with pytest.raises(ValueError, match="frozen"):
        bench.name = "other"
    assert bench_from_text(bench.text) == bench


@given(st.lists(st.tuples(st.integers(0, len(GOOD)), st.text(max_size=4), st.integers(0, 8)), min_size=1, max_size=4))
def test_any_damage_is_taken_or_refused(edits: list[tuple[int, str, int]]) -> None:
    """However a bench file is damaged, it is either a bench or a `BenchFileError` in one line."""
    text = GOOD
    for at, new, gone in edits:
        text = text[:at] + new + text[at + gone :]
    try:
        bench_from_text(text)
    except BenchFileError as error:
        said = str(error)
    else:
        said = ""
    assert "\n" not in said

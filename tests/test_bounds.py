"""What files from strangers cost at their bounds: at most 500 MB and ten seconds of a core, and an answer in words.

The nastiest file of each kind is made as large as its kind may be and opened in a child, whose largest process and
processor time are measured.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from chargebench.files import BENCH, CHECK, JOURNAL, RECIPE, STUDY, TRACE
from chargebench.recording.records import Record, line_of, raw_payload
from chargebench.recording.segments import read_journal
from chargebench.runs.checksum import sealed
from chargebench.runs.layout import LONGEST_TEXT, MOST_BYTES
from chargebench.runs.run import Mark, Run, Trace
from chargebench.runs.tree import Node, tree_of
from chargebench.runs.write import image_of, run_bytes
from tests.measured import Took, commands, work
from tests.processing.simulate import simulate
from tests.recording.byte_bench import BENCH_TEXT, written_journal

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="measures as Linux does")

MOST_MB = 500.0
MOST_S = 10.0
LOAD = "import sys; from chargebench.runs.load import load_run; print(load_run(sys.argv[1]).run_id)"
READ = "import sys, pathlib; from chargebench.archive.trace_file import {0}; print(len({0}(pathlib.Path(sys.argv[1]){1}).{2}))"  # noqa: E501
ARRAYS_B = 48
"""Bytes of a reading's columns."""


def held(took: Took) -> str:
    """What it said, once it is known to have kept its bounds."""
    assert took.peak_MB <= MOST_MB, took
    assert took.cpu_s <= MOST_S, took
    return took.said


def _long(count: int, journal: bytes = b"", noise_nC: float = 0.0) -> Run:
    """A run of so many readings of the charge, a thousand a second."""
    run, _ = simulate(seed=1)
    short, k = run.traces["charge"], np.arange(count, dtype=np.int64)
    value = np.interp(k / count * short.time_s[-1], short.time_s, short.value)
    value += np.round(noise_nC * np.random.default_rng(1).standard_normal(count), 4)
    long = Trace("charge", short.instrument, k / 1000.0, value, k * 0, k % 65536, k, k * 1_000_000)
    return replace(run, traces={"charge": long}, journal=journal)


def _room() -> int:
    """Of the columns of a run without a journal."""
    return (MOST_BYTES - 100_000) // ARRAYS_B


def _half_an_hour() -> bytes:
    digits = np.random.default_rng(2).integers(48, 58, 38 * 1_800_000, dtype=np.uint8)
    return run_bytes(_long(1_800_000, digits.tobytes(), 0.01))


def _texts() -> bytes:
    """A run file whose JSON is as long as it may be, and its arrays too."""
    tree = dict(tree_of(_long((MOST_BYTES - 4 * LONGEST_TEXT) // ARRAYS_B)))
    for name in ("run/record", "run/tags", "knowledge/data"):
        text = b'{"a":' + b"[{}," * ((LONGEST_TEXT - 100) // 8) + b"1" + b"]" * ((LONGEST_TEXT - 100) // 8) + b"}"
        flat = b'{"a":[' + b"{},".ljust(3) * ((LONGEST_TEXT - 100) // 3) + b"1]}"
        tree[f"/entry/{name}"] = Node({}, np.array([text if name.endswith("tags") else flat]))
    return sealed(image_of(tree))


def _marks() -> bytes:
    run = _long((MOST_BYTES - 4 * LONGEST_TEXT) // ARRAYS_B)
    return run_bytes(replace(run, marks=tuple(Mark(float(n), "note", "") for n in range(LONGEST_TEXT // 75))))


RUNS: dict[str, tuple[Callable[[], bytes], str]] = {
    "half an hour at 1000 a second": (_half_an_hour, "Z-"),
    "nothing but columns": (lambda: run_bytes(_long(_room())), "Z-"),
    "packed a thousandfold": (
        lambda: run_bytes(replace(_long(1000), journal=b"\0" * (MOST_BYTES - 1_000_000))),
        "declared",
    ),
    "JSON to the brim": (_texts, "does not agree|JSON|Error"),
    "marks to the brim": (_marks, "Z-"),
}


@pytest.mark.parametrize(("made", "says"), RUNS.values(), ids=RUNS)
def test_no_run_file_costs_more_than_promised(tmp_path: Path, made: Callable[[], bytes], says: str) -> None:
    """A run file at its bounds, honest or not, is loaded or refused within memory and time, in every process."""
    path = tmp_path / "run.h5"
    path.write_bytes(made())
    assert re.search(says, held(work(LOAD, str(path), home=tmp_path / "home")))
    assert "unforeseen" not in held(commands(["show", str(path)], home=tmp_path / "home"))


def test_a_run_longer_than_its_file_may_be_is_refused_in_words() -> None:
    """Writing says how much a run file holds; a run of the longest honest kind fits."""
    with pytest.raises(Exception, match="a run file holds 160"):
        run_bytes(_long(MOST_BYTES // ARRAYS_B + 1))


SIZE = TRACE.most_bytes - 100
TRACES: dict[str, tuple[Callable[[], bytes], str]] = {
    "one line": (lambda: b"time_s,charge_nC\n" + b"1" * SIZE, "longer than 100000 characters"),
    "a million columns": (lambda: b",".join(b"c%d" % n for n in range(1_000_000)), "longer than 100000 characters"),
    "quoted over lines": (lambda: b"time_s,charge_nC\n" + b'"a\n",' * (SIZE // 5), "a row of more than 100 lines"),
    "a quote left open": (lambda: b'time_s,charge_nC\n"' + b"a\n" * (SIZE // 2), "a row of more than 100 lines"),
    "short rows": (lambda: b"time_s,charge_nC\n" + b"".join(b"%d,1\n" % n for n in range(4_000_000)), "more than"),
    "nothing but line ends": (lambda: b"\n" * SIZE, "more than"),
    "delimiters": (lambda: b"time_s,charge_nC\n" + (b"," * 99_998 + b"\n") * (SIZE // 100_000), "0"),
    "twenty minutes at 1000 a second": (
        lambda: b"time_s,charge_nC\n" + b"".join(b"%.3f,-123.4567\n" % (n / 1000) for n in range(1_200_000)),
        "1200000|more than",
    ),
}


@pytest.mark.parametrize(("made", "says"), TRACES.values(), ids=TRACES)
def test_no_trace_costs_more_than_promised(tmp_path: Path, made: Callable[[], bytes], says: str) -> None:
    """A trace of another logger as large as one may be is read or refused within memory and time, also as a list."""
    path = tmp_path / "trace.csv"
    path.write_bytes(made())
    for program in (READ.format("read_trace", ", ('charge',)", "value"), READ.format("read_table", "", "rows")):
        assert re.search(says, held(work(program, str(path), home=tmp_path / "home")))


def _line(number: int) -> bytes:
    return line_of(Record("raw", number, raw_payload(number, "cup", b"1\n")))


ROOM = JOURNAL.most_bytes - 10_000
JOURNALS: dict[str, tuple[Callable[[], bytes], str]] = {
    "nothing but line ends": (lambda: b"\n" * ROOM, "lines found, at most 700000"),
    "one line": (lambda: b"raw " * (ROOM // 4), "records 1,"),
    "as many lines as may be": (lambda: b"".join(map(_line, range(1, 699_000))), "records 699"),
    "half an hour at 1000 a second": (
        lambda: b"".join(
            line_of(Record("raw", k, raw_payload(k, "cup", b"Q 65000 1800000 -60.1234 nC 1A2B\n" * 20)))
            for k in range(1, 90_001)
        ),
        "records 90001",
    ),
}
READ_JOURNAL = """
import sys, pathlib
from chargebench.errors import UnsealableError
from chargebench.recording.segments import read_journal
try:
    print(f"records {len(read_journal(pathlib.Path(sys.argv[1])).records)},")
except UnsealableError as error:
    print(error)
"""


@pytest.mark.parametrize(("made", "says"), JOURNALS.values(), ids=JOURNALS)
def test_no_journal_costs_more_than_promised(tmp_path: Path, made: Callable[[], bytes], says: str) -> None:
    """A journal as large as one may be is read or refused within memory and time."""
    path = written_journal(tmp_path)
    (header,) = read_journal(path).records[:1]
    path.write_bytes(line_of(header) + made())
    assert says in held(work(READ_JOURNAL, str(path), home=tmp_path / "home"))


STUDY_HEAD = '[study]\nname = "odd"\nquestion = "?"\n'
ARM = '[[arm]]\ncoffee = "{}"\ngrinder = "b"\n'
INSTRUMENT = '[instrument.i{0}]\nport = "/dev/x{0}"\nlines = "printed"\ncarries = ["mass"]\n'
TABLES = {
    "arms": (
        "study.toml",
        STUDY,
        STUDY_HEAD + "".join(ARM.format(n) for n in range(4000)),
        "arm: 4000 entries; at most 20",
    ),
    "a plan at its bound": (
        "study.toml",
        STUDY,
        STUDY_HEAD + "blocks = 16\n" + "".join(f"{ARM.format(n)}doses_uL_per_g = [1, 2, 3]\n" for n in range(20)),
        "",
    ),
    "a plan beyond it": (
        "study.toml",
        STUDY,
        STUDY_HEAD + "blocks = 50\n" + "".join(f"{ARM.format(n)}doses_uL_per_g = [1, 2, 3]\n" for n in range(20)),
        "a plan of 6000 runs; at most 2000",
    ),
    "exclusions": (
        "study.toml",
        STUDY,
        STUDY_HEAD + ARM.format(1) + '[[exclude]]\nrun = "a"\nreason = "r"\n' * 6000,
        "entries; at most 5000",
    ),
    "numbers": (
        "study.toml",
        STUDY,
        STUDY_HEAD + ARM.format(1) + f"doses_uL_per_g = [{'1, ' * 300_000}1]\n",
        "at most 24",
    ),
    "digits": ("study.toml", STUDY, STUDY_HEAD + ARM.format(1) + f"dose_g = {'9' * 900_000}\n", "digits"),
    "instruments": ("bench.toml", BENCH, '[bench]\nname = "x"\n' + "".join(map(INSTRUMENT.format, range(4900))), ""),
    "recipe keys": ("recipe.toml", RECIPE, "".join(f"k{n} = 1\n" for n in range(19_000)), "key"),
    "check": ("qualifications/20260315T091500Z-0a0b0c.leakage.json", CHECK, '["x"],' * 600_000, "move it away"),
    "check of lists": (
        "qualifications/20260315T091500Z-0a0b0c.zero.json",
        CHECK,
        f"[{'[],' * 1_300_000}1]",
        "move it away",
    ),
}


@pytest.mark.parametrize(("name", "kind", "text", "says"), TABLES.values(), ids=TABLES)
def test_no_table_costs_more_than_promised(tmp_path: Path, name: str, kind: object, text: str, says: str) -> None:
    """TOML and JSON as long and as odd as they may be are read or refused within memory and time."""
    archive = tmp_path / "archive"
    path = archive / name
    path.parent.mkdir(parents=True)
    (archive / "bench.toml").write_text(BENCH_TEXT, encoding="utf-8")
    path.write_text(text[: kind.most_bytes], encoding="utf-8")  # type: ignore[attr-defined]
    (archive / "20260314T091500Z-7f3a2c.h5").write_bytes(run_bytes(replace(simulate(seed=1)[0], journal=b"")))
    words = {
        "study.toml": [
            ["plan", str(path)],
            ["study", str(path)],
            ["report", str(path), "--out", str(tmp_path / "o.pdf")],
        ],
        "recipe.toml": [["show", str(archive / "20260314T091500Z-7f3a2c.h5"), "--recipe", str(path)]],
    }.get(name, [["qualify", "known", "--bench", str(archive / "bench.toml"), "--archive", str(archive)]])
    for command in words:
        said = held(commands(command, home=tmp_path / "home"))
        assert says in said
        assert "unforeseen" not in said
        assert "Traceback" not in said

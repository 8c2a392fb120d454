"""What a piece of work takes: the largest process of it and the time of a core, of a child that does nothing else."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

__all__ = ["Took", "commands", "work"]


class Took(NamedTuple):
    """Largest resident set of any of its processes, processor time of all, and what it said."""

    peak_MB: float
    cpu_s: float
    code: int
    said: str


_TELL = """
import atexit, resource, sys
def _tell():
    with open("/proc/self/status") as file:
        own_kB = next(int(line.split()[1]) for line in file if line.startswith("VmHWM"))
    others_kB = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    print("peak", max(own_kB, others_kB), file=sys.__stdout__)
atexit.register(_tell)
"""
"""What the system says of a child from outside holds the memory of the process that it was forked from."""


def work(program: str, *words: str, home: Path | None = None) -> Took:
    """Run a Python program in a child and measure it and its children."""
    place = {} if home is None else {"HOME": str(home), "XDG_CACHE_HOME": str(home), "XDG_DATA_HOME": str(home)}
    child = subprocess.Popen(
        [sys.executable, "-c", _TELL + program, *words], stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        stdin=subprocess.DEVNULL, env={**os.environ, "OPENBLAS_NUM_THREADS": "1", **place},
    )  # fmt: skip
    assert child.stdout is not None
    said = child.stdout.read().decode("utf-8", "replace")
    child.stdout.close()
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    said, _, peak_kB = said.rpartition("peak ")
    return Took(int(peak_kB) / 1024, usage.ru_utime + usage.ru_stime, child.returncode, said)


def commands(*all_words: list[str], home: Path | None = None) -> Took:
    """Commands of the program, one after another in one child."""
    program = "import sys, json; from chargebench.cli.main import main; [main(w) for w in json.loads(sys.argv[1])]"
    return work(program, json.dumps(all_words), home=home)

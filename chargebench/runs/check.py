"""Looks a run file over: what the reader finds, and what a sound run should be besides.

Owns findings, in words. Changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from chargebench.errors import RunFileError, TagError
from chargebench.runs.load import load_run
from chargebench.runs.run import Run, Trace
from chargebench.runs.tags import check_tags
from chargebench.runs.text import visible
from chargebench.runs.tree import first_difference, tree_of

__all__ = ["check_run", "difference", "findings"]


def check_run(path: Path | str) -> tuple[str, ...]:
    """Findings about a run file, one sentence each; none where it is sound.

    Never raises for what a file holds: a file that cannot be read as a run is one finding.
    """
    path = Path(path)
    try:
        run = load_run(path)
    except RunFileError as error:
        return (str(error),)
    return tuple(findings(run, path))


def difference(one: Run, other: Run) -> str:
    """Where two runs differ first, as the path in their files; an empty string where they are equal to the last bit."""
    return first_difference(tree_of(one), tree_of(other))


def findings(run: Run, path: Path) -> Iterator[str]:
    """Findings about a run that was read from a file, as `check_run` has them."""
    if path.name != f"{run.run_id}.h5":
        yield f"the file is called {visible(path.name, 80)} and the run {visible(run.run_id, 80)}; were files swapped?"
    try:
        check_tags(run.tags)
    except TagError as error:
        yield str(error)
    if not run.journal and run.origin == "recorded":
        yield "a recorded run without the journal it was made from"
    if not run.traces:
        yield "no channel was recorded"
    for channel, trace in run.traces.items():
        yield from _trace_findings(channel, trace, run)


def _trace_findings(channel: str, trace: Trace, run: Run) -> Iterator[str]:
    if run.instruments and trace.instrument not in run.instruments:
        yield f"{channel}: its instrument {visible(trace.instrument, 60)} is not among the run's"
    if not np.all(np.isfinite(trace.time_s)):
        yield f"{channel}: {np.count_nonzero(~np.isfinite(trace.time_s))} readings without a time"
    backwards = int(np.count_nonzero(np.diff(trace.time_s) < 0))
    if backwards:
        yield f"{channel}: time runs backwards {backwards} times"

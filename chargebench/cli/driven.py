"""A recorder process that another program listens to and commands, as the window does."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

__all__ = ["drive"]


def drive(
    bench: Path,
    archive: Path,
    hear: Callable[[Mapping[str, Any]], Iterable[Mapping[str, Any]]],
    tags: Mapping[str, str | float] | None = None,
    more: Iterable[str] = (),
) -> int:
    """Run ``chargebench record --json --control`` to its end.

    Parameters
    ----------
    bench, archive : Path
        The bench file, and the folder the runs go to.
    hear : callable
        Is told every line of the recorder, in order; what it returns is sent back as commands.
    tags : mapping, optional
        Tags of the first run.
    more : iterable of str, optional
        Further words of the command.

    Returns
    -------
    int
        The recorder's exit code.
    """
    words = ["record", "--bench", str(bench), "--archive", str(archive), "--json", "--control", *more]
    words += [word for key, value in (tags or {}).items() for word in ("--tag", f"{key}={value}")]
    command = [sys.executable, "-m", "chargebench", *words]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, encoding="utf-8") as recorder:
        assert recorder.stdin is not None
        assert recorder.stdout is not None
        for line in recorder.stdout:
            for answer in hear(json.loads(line)):
                recorder.stdin.write(json.dumps(answer) + "\n")
                recorder.stdin.flush()
        return recorder.wait()

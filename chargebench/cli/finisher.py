"""A child process that turns finished journals into sealed runs and their outcomes, so that the recorder only records.

The child loads numpy, HDF5 and the statistics once and stays warm; a crash of it (a full disk under HDF5, say) costs
the recorder nothing, and the next journal gets a new child. So does one that never ends: after a deadline it is ended
from here. Parent and child speak JSON lines: a job is
``{"run": ID, "segments": [PATH, …], "folders": [DIR, …]}`` or ``{"plan": STUDY, "archive": DIR}``; an answer
``{"path": …, "outcome": {…}}``, what comes next in a plan, or ``{"error": …}``. The child ends when its standard input
does, so it never outlives a recorder that was killed.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from chargebench.errors import ChargebenchError, StorageError, UnsealableError
from chargebench.unforeseen import told

if TYPE_CHECKING:
    from chargebench.plain import JsonObject
    from chargebench.recording.segments import Row

__all__ = ["Finisher", "serve"]

PATIENCE_S = 300.0
SLOWEST_BYTES_PER_S = 50_000
"""Of a journal. A slow machine seals and processes some ten times as many, so no deadline meets a sound one."""

STOPPED = (-signal.SIGINT, -signal.SIGTERM, -getattr(signal, "SIGKILL", 9), -getattr(signal, "SIGHUP", 1))
"""How a child ends that somebody stopped: that is no fault of the journal."""

PLAN_PATIENCE_S = 3600.0
"""A plan may have to process every run of a large archive anew."""


class Finisher:
    """Client of the child; call it with a journal's segments, as `chargebench.recording.recorder.Recorder` does.

    Parameters
    ----------
    patience_s : float
        How long a journal may take, besides a second for every 50 kB of it.
    """

    def __init__(self, patience_s: float = PATIENCE_S) -> None:
        self._patience_s = patience_s
        self._child: subprocess.Popen[str] | None = None
        self._turn = threading.Lock()

    def start(self) -> None:
        """Start the child now, so that it is warm when the first run ends."""
        if self._child is None or self._child.poll() is not None:
            self._child = subprocess.Popen(
                [sys.executable, "-m", "chargebench.cli.finisher"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
                encoding="utf-8",
                start_new_session=True,  # Ctrl-C is the recorder's to handle, also while the child is still starting
                creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
            )

    def __call__(self, row: Row) -> JsonObject:
        """Seal a journal and process the run; ``path`` and ``outcome`` of it.

        Raises
        ------
        UnsealableError
            When no run can be made of the journal: sealing it crashes, or does not end in the time given.
        StorageError
            When the run could not be sealed otherwise; the journal is still there. Or when it could not be processed
            once it was sealed.
        """
        size = 0
        for segment in row.segments:
            with suppress(OSError):  # the child says what is wrong with it
                size += segment.stat().st_size
        job = {"run": row.run_id, "segments": [*map(str, row.segments)], "folders": [*map(str, row.folders)]}
        return self._ask(job, self._patience_s + size / SLOWEST_BYTES_PER_S)

    def upcoming(self, study: Path, archive: Path) -> JsonObject:
        """What comes next in a study's plan: ``next``, ``before_next`` (see `chargebench.cli.plan.upcoming`).

        Raises
        ------
        StorageError
            When the study or the archive cannot be read.
        """
        return self._ask({"plan": str(study), "archive": str(archive)}, PLAN_PATIENCE_S)

    def close(self, *, at_once: bool = False) -> None:
        """Let the child end when it is done with what it does, and wait as for a small journal, or not at all."""
        child, self._child = self._child, None
        if child is not None:
            try:
                child.communicate(timeout=0.0 if at_once else self._patience_s)
            except subprocess.TimeoutExpired:
                child.kill()
                child.communicate()

    def _ask(self, job: Mapping[str, object], patience_s: float) -> JsonObject:
        overdue = threading.Event()

        def end_it(child: subprocess.Popen[str]) -> None:
            overdue.set()
            child.kill()

        with self._turn:
            self.start()
            child = self._child
            assert child is not None
            assert child.stdin is not None
            assert child.stdout is not None
            alarm = threading.Timer(patience_s, end_it, (child,))
            alarm.daemon = True
            alarm.start()
            try:
                child.stdin.write(json.dumps(job) + "\n")
                child.stdin.flush()
                line = child.stdout.readline()
            except OSError:
                line = ""
            finally:
                alarm.cancel()
                alarm.join()
            if overdue.is_set() or not line.endswith("\n"):
                self._child = None
                child.communicate()
                code = child.returncode
                why = f"had no answer after {patience_s:.0f} s" if overdue.is_set() else f"ended with code {code}"
                crashed = overdue.is_set() or code not in STOPPED
                kind = UnsealableError if crashed and "run" in job else StorageError
                raise kind(f"{next(iter(job.values()))}: the sealing process {why}")
        answer: JsonObject = json.loads(line)
        if "error" in answer:
            raise (UnsealableError if answer["unsealable"] else StorageError)(answer["error"])
        return answer


def serve(jobs: Iterable[str], answers: TextIO) -> None:
    """Answer each job line; a job that cannot be done is answered with its error, never with an end of the child."""
    for line in jobs:
        job = json.loads(line)
        try:
            answer = _sealed(job) if "run" in job else _upcoming(job)
        except (ChargebenchError, OSError) as error:
            answer = {"error": " ".join(str(error).split()), "unsealable": isinstance(error, UnsealableError)}
        except Exception as error:  # noqa: BLE001 - told to the parent in one line, the rest is in the log
            text = f"sealing process: {told((type(error), error, error.__traceback__))}"
            answer = {"error": text, "unsealable": "run" in job}
        answers.write(json.dumps(answer) + "\n")
        answers.flush()


def _sealed(job: JsonObject) -> JsonObject:
    """Seal and process; the outcome is kept beside the run."""
    from chargebench.archive.archive import Archive
    from chargebench.recording.seal import seal
    from chargebench.recording.segments import Row

    path = seal(Row(job["run"], tuple(map(Path, job["segments"])), tuple(map(Path, job["folders"]))))
    return {"path": str(path), "outcome": Archive(path.parent).outcome(path).as_json()}


def _upcoming(job: dict[str, str]) -> JsonObject:
    from chargebench.cli.plan import upcoming
    from chargebench.plain import to_json

    found: JsonObject = to_json(upcoming(Path(job["plan"]), Path(job["archive"])))
    return found


def _main() -> None:
    """The child: deaf to Ctrl-C, which is the parent's to handle; an error of the program ends it in one line."""
    sys.excepthook = lambda *error: print(f"chargebench: sealing process: {told(error)}", file=sys.stderr)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    sys.stdin.reconfigure(encoding="utf-8")  # type: ignore[union-attr]
    serve(sys.stdin, sys.stdout)


if __name__ == "__main__":
    _main()

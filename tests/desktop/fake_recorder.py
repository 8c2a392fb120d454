"""A stand-in for the recorder process: speaks its events and hears its commands, from a script of its own.

``python fake_recorder.py record …`` plays one run after another as fast as told by ``CB_FAKE_SPEED``; the environment
variable ``CB_FAKE_FAULT`` makes it fail in a chosen way. ``show`` prints a few finished runs. Its journal is a plain
text of its own (see `FakeFollower`), not the real one.
"""

from __future__ import annotations

import json
import math
import os
import random
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any


@dataclass(frozen=True)
class FakeTimed:
    """A reading on the run's clock."""

    channel: str
    time_s: float
    value: float
    status: int = 0


class FakeFollower:
    """Follows the fake journal: lines of channel, time and value."""

    def __init__(self, path: Path) -> None:
        self._path, self._position = path, 0
        path.stat()

    def poll(self) -> list[FakeTimed]:
        try:
            with self._path.open() as file:
                file.seek(self._position)
                lines = file.readlines()
                self._position = file.tell()
        except FileNotFoundError:
            return []
        found = []
        for line in lines:
            channel, time_s, value = line.split()
            found.append(FakeTimed(channel, float(time_s), float(value)))
        return found


def estimate(value: float, u: float) -> dict[str, Any]:
    """An estimate with plain normal expansion."""
    return {"value": value, "u": u, "U95": 2 * u, "dof": 30.0}


def outcome(run: str, dose: float, treatment: str, charge_to_mass: float, **more: Any) -> dict[str, Any]:
    """The object ``show --json`` prints for a run."""
    tags = {
        "coffee": "Quiet Harbour lot 7",
        "grinder": "Fennel flat 58",
        "setting": "11",
        "dose_g": 18.0,
        "treatment": treatment,
        "water_uL_per_g": dose,
        **more.get("tags", {}),
    }
    return {
        "run": run,
        "started": f"2026-03-14T09:{run[11:13]}:00Z",
        "tags": tags,
        "recovered": more.get("recovered", False),
        "result": {
            "net_charge_nC": estimate(charge_to_mass * 17.6, 2.1),
            "collected_mass_g": estimate(17.62, 0.011),
            "charge_to_mass_nC_per_g": more.get("answer", estimate(charge_to_mass, 0.31)),
            "grind_time_s": estimate(6.42, 0.05),
            "throughput_g_per_s": estimate(2.2, 0.03),
            "recovery_percent": estimate(97.9, 0.1),
        },
        "flags": more.get("flags", []),
        "provenance": {"recipe": "standard"},
    }


DOUBT = {"code": "recovery-low", "severity": "doubt", "text": "Only 88 % of the dose reached the cup; allowed: 93 %."}
REJECT = {"code": "gap-in-grind", "severity": "reject", "text": "The electrometer was silent for 1.2 s of the grind."}
NOTE = {"code": "clock-rate", "severity": "note", "text": "Device clock runs 112 ppm faster than this computer's."}


def finished_runs() -> list[dict[str, Any]]:
    """A series of two dozen runs with a falling charge."""
    found = []
    rng = random.Random(5)
    for index in range(24):
        dose = (0.0, 5.0, 10.0, 15.0, 20.0, 30.0)[index % 6]
        value = -62 * math.exp(-dose / 9) + rng.gauss(0, 1.4)
        flags = [NOTE] if index % 5 == 0 else [DOUBT] if index == 9 else [REJECT, NOTE] if index == 14 else []
        run = f"20260314T09{index:02d}00Z-{rng.randrange(16**6):06x}"
        found.append(outcome(run, dose, "misted" if dose else "dry", value, flags=flags))
    return found


class Player:
    """Plays runs in time, listening to commands."""

    def __init__(self, folder: Path, speed: float) -> None:
        self.folder, self.speed = folder, speed
        self.commands: SimpleQueue[dict[str, Any]] = SimpleQueue()
        self.tags: dict[str, Any] = {}
        self.stopped = self.finish = self.discard = self.start = False

    def listen(self) -> None:
        """Read commands until the end of the input, which means stop."""
        for line in sys.stdin:
            self.commands.put(json.loads(line))
        self.commands.put({"do": "stop"})

    def hear(self) -> None:
        """Take what has been commanded."""
        while True:
            try:
                command = self.commands.get_nowait()
            except Empty:
                return
            say(event="notice", severity="note", code="heard", text=json.dumps(command))
            if command["do"] == "stop":
                self.stopped = True
            elif command["do"] == "tags":
                self.tags = command["tags"]
            else:
                setattr(self, command["do"], True)

    def play(self, number: int) -> None:
        """One run: quiet 10 s, armed, grind 6 s at 12 s, settle 12 s."""
        self.finish = self.discard = self.start = False
        run = f"20260314T10{number:02d}00Z-00000{number % 10}"
        path = self.folder / f"{run}.journal"
        path.write_text("")
        say(event="journal", run=run, path=str(path))
        onset = end = math.inf
        state, charge, now = "", 0.0, 0.0
        with path.open("a") as journal:
            while state != "done":
                self.hear()
                if self.stopped or self.discard:
                    say(event="discarded", run=run, text="as asked")
                    path.unlink()
                    return
                grinding = onset <= now < end
                charge += (-180.0 * 0.05 if grinding else 0) - charge * 0.05 / 900
                mass = 250 + 2.9 * (min(now, end) - onset if now > onset else 0)
                journal.write(f"charge {now:.3f} {charge + random.gauss(0, 0.05):.4f}\n")
                journal.write(f"mass {now:.3f} {mass:.2f}\n")
                journal.flush()
                if state == "armed" and (now > 13 or self.start):
                    onset = min(onset, now)
                    end = onset + 6
                if self.finish and grinding:
                    end = now
                new = state_at(now, onset, end)
                if new != state or round(now * 20) % 20 == 0:
                    state = new
                    say(event="state", run=run, state=state, time_s=now, text=state, **count(state, now, end))
                now += 0.05
                time.sleep(0.05 / self.speed)
        path.unlink()
        (self.folder / f"{run}.h5").write_bytes(b"stand-in")
        say(event="sealed", run=run, path=str(self.folder / f"{run}.h5"))
        tags = {k: v for k, v in self.tags.items() if k != "water_uL_per_g"}
        print(json.dumps(outcome(run, 0.0, "dry", -61.7, flags=[NOTE], tags=tags)), flush=True)


def state_at(now: float, onset: float, end: float) -> str:
    """State of the recorder at a time."""
    if now < onset:
        return "waiting" if now < 10 else "armed"
    if now < end:
        return "grinding"
    return "settling" if now < end + 12 else "done"


def count(state: str, now: float, end: float) -> dict[str, float]:
    """How much quiet is had and needed."""
    if state == "waiting":
        return {"quiet_s": now, "quiet_needed_s": 10.0}
    return {"quiet_s": now - end, "quiet_needed_s": 12.0} if state == "settling" else {}


def say(**event: Any) -> None:
    """Print one event."""
    print(json.dumps(event), flush=True)


def record(arguments: list[str]) -> int:
    """The command ``record``."""
    fault = os.environ.get("CB_FAKE_FAULT", "")
    if fault == "refuse":
        print("chargebench: bench.toml: instrument.cup.baud: 12, allowed: 300 to 3000000", file=sys.stderr)
        return 1
    folder = Path(arguments[arguments.index("--archive") + 1])
    folder.mkdir(parents=True, exist_ok=True)
    player = Player(folder, float(os.environ.get("CB_FAKE_SPEED", "20")))
    player.tags = dict(item.split("=", 1) for item in arguments if "=" in item)
    threading.Thread(target=player.listen, daemon=True).start()
    say(event="port", instrument="cup", state="open", text="cup: open")
    if fault == "garbage":
        print("this is no JSON\n[1, 2]\n" + "x" * 10_000, flush=True)
        say(event="invented", text="of a later version")
    if fault == "lost":
        say(event="port", instrument="scale", state="lost", text="unplugged")
        say(event="notice", severity="doubt", code="disk", text="Only 180 MB free on the disk of the archive.")
    for number in range(60):
        if player.stopped:
            return 0
        player.play(number)
        player.hear()
        if fault == "crash":
            os._exit(9)
    return 0


def main() -> int:
    """Dispatch on the first word."""
    if sys.argv[1] == "show":
        for run in finished_runs():
            print(json.dumps(run), flush=True)
        return 0
    return record(sys.argv[2:])


if __name__ == "__main__":
    sys.stdout.reconfigure(encoding="utf-8")
    sys.exit(main())

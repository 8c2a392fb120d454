"""A stand-in for the recorder process: speaks its events and hears its commands, from a script of its own.

``python fake_recorder.py record …`` plays one run after another as fast as told by ``CB_FAKE_SPEED``; the environment
variable ``CB_FAKE_FAULT`` makes it fail in a chosen way. ``show`` prints a few finished runs, ``plan`` and ``study``
answer as those commands do. Its journal is a plain text of its own (see `FakeFollower`), not the real one.
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
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from chargebench.processing.outcome import Outcome


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

    def go_on(self, path: Path) -> None:
        self._path, self._position = path, 0

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
            **dict.fromkeys(("positive_charge_nC", "negative_charge_nC", "charge_to_dry_mass_nC_per_g")),
            **dict.fromkeys(("bias_current_pA", "leakage_time_constant_s", "mass_lag_s", "noise_nC")),
            "net_charge_nC": estimate(charge_to_mass * 17.6, 2.1),
            "collected_mass_g": estimate(17.62, 0.011),
            "charge_to_mass_nC_per_g": more.get("answer", estimate(charge_to_mass, 0.31)),
            "grind_time_s": estimate(6.42, 0.05),
            "throughput_g_per_s": estimate(2.2, 0.03),
            "recovery_percent": estimate(97.9, 0.1),
        },
        "flags": more.get("flags", []),
        "budget": [],
        "details": {},
        "provenance": {
            "recipe": "standard",
            "recipe_version": "1",
            "recipe_steps": [],
            "parameters": {},
            "thresholds": {},
            "software": "chargebench",
            "raw_sha256": "0" * 64,
            "model": None,
            "stretches_s": {"before": [0, 10], "grind": [10, 17], "after": [17, 30], "left_out": [], "how": "marks"},
            "steps": [],
            "knowledge": more.get("knowledge", {}),
        },
    }


def sealed(run: str, dose: float, treatment: str, charge_to_mass: float, **more: Any) -> Outcome:
    """The same as the window reads it."""
    from chargebench.processing.outcome import Outcome

    return Outcome.from_json(outcome(run, dose, treatment, charge_to_mass, **more))


DOUBT = {
    "code": "recovery-low",
    "severity": "doubt",
    "text": "Only 88 % of the dose reached the cup; allowed: 93 %.",
    "evidence": {},
}
REJECT = {
    "code": "gap-in-grind",
    "severity": "reject",
    "text": "The electrometer was silent for 1.2 s of the grind.",
    "evidence": {},
}
NOTE = {
    "code": "clock-rate",
    "severity": "note",
    "text": "Device clock runs 112 ppm faster than this computer's.",
    "evidence": {},
}


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


def sealed_runs() -> list[Outcome]:
    """The same as the window reads them."""
    from chargebench.processing.outcome import Outcome

    return [Outcome.from_json(run) for run in finished_runs()]


def step(number: int, treatment: str, words: str, dose: float = 0.0, **more: Any) -> dict[str, Any]:
    """One step of a plan as ``plan --json`` prints it."""
    tags = {
        "coffee": "Quiet Harbour lot 7",
        "grinder": "Fennel flat 58",
        "treatment": treatment,
        "purpose": "grind",
        "water_uL_per_g": dose,
        "block": "1",
        "plan": "harbour",
        "plan_step": str(number),
        "dose_g": 18.0,
    }
    about = {"coffee": tags["coffee"], "grinder": tags["grinder"], "treatment": treatment, "block": 1}
    return {"step": number, "kind": "run", **about, "wait_s": 0.0, "words": words, "tags": tags, **more}


MISTED = step(2, "misted", "misted: 18 g of beans, 6.1 µL/g = 0.11 mL = 0.11 g = 1 spray", 6.1)
WAIT = step(3, "dry", "wait 90 s for the grinding chamber to dry", kind="wait", wait_s=90.0, tags={})
FOLLOWING = (
    {"next": step(1, "dry", "dry: 18 g of beans"), "before_next": []},
    {"next": MISTED, "before_next": []},
    {"next": step(4, "dry", "dry: 18 g of beans"), "before_next": [WAIT]},
    {"next": None, "before_next": []},
)
"""What a plan of three runs says before its first run and after each."""


def plan_event(number: int) -> dict[str, Any]:
    """What the recorder says of the plan after so many runs."""
    found = FOLLOWING[number]
    after = found["next"]
    tags = {} if after is None else after["tags"]
    return {"event": "plan", "step": after and after["step"], "tags": tags, "text": "in words", **found}


def plan(arguments: list[str]) -> int:
    """The command ``plan``: the second step comes next, or the first again after it was set aside."""
    if "--set-aside" in arguments:
        reason = arguments[arguments.index("--reason") + 1]
        if reason == "refuse":
            print("chargebench: study.toml: cannot be written (no space); check its permissions", file=sys.stderr)
            return 1
        print(f"noted in study.toml: {reason}", file=sys.stderr)
    through = os.environ.get("CB_FAKE_FAULT") == "through"
    found = FOLLOWING[3 if through else 0 if "--set-aside" in arguments else 1]
    print(json.dumps({**found, "repeats": []}), flush=True)
    return 0


def study() -> int:
    """The command ``study``."""
    group = {"coffee": "Quiet Harbour lot 7", "grinder": "Fennel flat 58"}
    text = "20 µL/g would narrow the interval most, from 2.64 to about 2.39 µL/g."
    print(json.dumps({"groups": [{**group, "next": {"text": text}}]}), flush=True)
    return 0


class Player:
    """Plays runs in time, listening to commands."""

    def __init__(self, folder: Path, speed: float) -> None:
        self.folder, self.speed = folder, speed
        self.commands: SimpleQueue[dict[str, Any]] = SimpleQueue()
        self.tags: dict[str, Any] = {}
        self.planned = False
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
        tags = {k: v for k, v in self.tags.items() if k != "water_uL_per_g"}
        if self.planned:
            self.say_next(number + 1)
        (self.folder / f"{run}.h5").write_bytes(b"stand-in")
        say(event="sealed", run=run, path=str(self.folder / f"{run}.h5"))
        print(json.dumps(outcome(run, 0.0, "dry", -61.7, flags=[NOTE], tags=tags)), flush=True)

    def say_next(self, number: int) -> None:
        """Say what comes next in the plan and take its tags; stop where nothing does."""
        event = plan_event(number)
        say(**event)
        self.tags = {**self.tags, **event["tags"]}
        self.stopped = event["next"] is None


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
    player.planned = "--plan" in arguments
    if player.planned:
        player.say_next(0)
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
    if sys.argv[1] in ("plan", "study"):
        return plan(sys.argv[2:]) if sys.argv[1] == "plan" else study()
    return record(sys.argv[2:])


if __name__ == "__main__":
    sys.stdout.reconfigure(encoding="utf-8")
    sys.exit(main())

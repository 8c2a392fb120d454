"""One run of the independent player, recorded by the real command: both processes, two terminals, one answer."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.independent_player import Play, Player

BENCH = """\
[bench]
name = "Independent player"

[instrument.cup]
port = "{charge}"
lines = "framed"
baud = 115200
carries = ["charge"]

[instrument.scale]
port = "{scale}"
lines = "printed"
baud = 9600
carries = ["mass"]
pattern = '(?P<stable>ST|US),\\s*(?P<value>[+-]?\\d+\\.?\\d*)\\s*,\\s*(?P<unit>m?k?g)'
"""


@dataclass(frozen=True)
class Judged:
    """A play, its truth and what the command answered (None where it did not)."""

    play: Play
    truth: dict[str, float]
    outcome: dict[str, Any] | None

    def _ratio(self) -> dict[str, float] | None:
        return None if self.outcome is None else self.outcome["result"]["charge_to_mass_nC_per_g"]

    @property
    def true_nC_per_g(self) -> float:
        return self.truth["charge_to_mass_nC_per_g"]

    @property
    def error_nC_per_g(self) -> float:
        """Answer minus truth; infinite without an answer."""
        ratio = self._ratio()
        return float("inf") if ratio is None else ratio["value"] - self.true_nC_per_g

    @property
    def inside(self) -> bool:
        """True where the truth lies within the stated U95."""
        ratio = self._ratio()
        return ratio is not None and abs(self.error_nC_per_g) <= ratio["U95"]

    def __str__(self) -> str:
        ratio = self._ratio() or {"value": float("nan"), "U95": float("nan")}
        flags = [] if self.outcome is None else self.outcome["flags"]
        doubts = " ".join(flag["code"] for flag in flags if flag["severity"] != "note")
        return (
            f"{self.play.seed:4d} {self.true_nC_per_g:9.3f} {ratio['value']:9.3f} {ratio['U95']:7.3f} "
            f"{'inside ' if self.inside else 'OUTSIDE'} {abs(self.error_nC_per_g / self.true_nC_per_g):7.2%} "
            f"{self.play.tau_s:6.0f} {self.play.bias_pA:+6.1f} {doubts}"
        )


HEAD = "seed true nC/g    answer     U95             error  tau s I_b pA doubts"


def record(play: Play, folder: Path, speed: float) -> Judged:
    """Play once into a recorder that was started before; `folder` takes the bench file and the archive."""
    folder.mkdir(parents=True)
    with Player(play, speed) as player:
        bench = folder / "bench.toml"
        bench.write_text(BENCH.format(charge=player.charge_port, scale=player.scale_port), encoding="utf-8")
        command = [sys.executable, "-m", "chargebench", "record", "--bench", str(bench), "--archive"]
        command += [str(folder / "archive"), "--runs", "1", "--json", "--give-up", "150"]
        with subprocess.Popen(command, stdout=subprocess.PIPE, encoding="utf-8") as recorder:
            assert recorder.stdout is not None
            outcome = None
            waiting = {"cup", "scale"}
            for line in recorder.stdout:
                event = json.loads(line)
                if event.get("event") == "port" and event["state"] == "open" and waiting:
                    waiting.discard(event["instrument"])
                    if not waiting:
                        player.start()
                if "result" in event:
                    outcome = event
        return Judged(play, player.truth, outcome)


def record_all(plays: list[Play], folder: Path, speed: float, at_once: int) -> Iterator[Judged]:
    """Many plays, some at once, in order."""
    with ThreadPoolExecutor(at_once) as pool:
        yield from pool.map(lambda play: record(play, folder / f"play-{play.seed}", speed), plays)

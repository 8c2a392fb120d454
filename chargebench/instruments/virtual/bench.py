"""The virtual bench as others use it: opens wires, writes a bench file and a truth file, lives in a thread of its own.

Owns real time, the thread and the files. The physics is in `world`, the lines in `board` and `printing_scale`.
"""

from __future__ import annotations

import json
import math
import threading
import time
from dataclasses import asdict
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np

from chargebench.bounded import JsonObject
from chargebench.errors import InputError
from chargebench.instruments.virtual.board import Board
from chargebench.instruments.virtual.grind import GrindOrder
from chargebench.instruments.virtual.meter import START, Meter
from chargebench.instruments.virtual.printing_scale import PrintingScale
from chargebench.instruments.virtual.scenario import Scenario, scenario
from chargebench.instruments.virtual.wires import Wire, open_wire
from chargebench.instruments.virtual.world import World

__all__ = ["VirtualBench", "bench_text"]

_TICK_S = 0.01
TRANSPORTS = ("auto", "pty", "socket")


def _json(value: Any) -> Any:
    """The same with infinities as null, since JSON has none."""
    if isinstance(value, dict):
        return {key: _json(entry) for key, entry in value.items()}
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _calibration_text(made_of: Scenario, seed: int) -> str:
    """What a bench check of this bench would have found, with the errors that such a check makes."""
    model, rng = made_of.electrometer, np.random.default_rng([seed, 5])
    known = {"gain": (model.gain, 0.002 * model.gain), "bias_current_pA": (model.bias_current_pA, 2.0)}
    if math.isfinite(model.leakage_time_constant_s):
        known["leakage_time_constant_s"] = (model.leakage_time_constant_s, 0.05 * model.leakage_time_constant_s)
    lines = ["", "[calibration]"]
    for key, (value, u) in known.items():
        lines += [f"{key} = {value + u * rng.standard_normal():.5g}", f"u_{key} = {u:.2g}"]
    return "\n".join(lines) + "\n"


def bench_text(made_of: Scenario, cup_port: str, scale_port: str, seed: int) -> str:
    """The bench file of a virtual bench, TOML."""
    plates = ', "charge2", "charge3"' if made_of.electrometer.plates else ""
    cup = f'lines = "framed"\ncarries = ["charge"{plates}, "humidity", "temperature"]'
    if made_of.electrometer.speaks == "scpi":
        cup = f'lines = "scpi"\ncarries = ["charge"]\nstart = {json.dumps(START)}\npoll_s = 0.05'
    scale = made_of.scale
    return f"""\
[bench]
name = {json.dumps(f"Virtual bench {made_of.name}: {made_of.place}")}

[instrument.cup]
port = {json.dumps(cup_port)}
baud = 115200
{cup}

[instrument.scale]
port = {json.dumps(scale_port)}
lines = "printed"
baud = 9600
carries = ["mass"]
resolution_g = {scale.resolution_g}
repeatability_g = {scale.noise_g}
""" + (_calibration_text(made_of, seed) if made_of.calibrated else "")


class VirtualBench:
    """A bench that is not there, on ports that are.

    Parameters
    ----------
    folder : Path
        Where ``bench.toml`` and ``truth.jsonl`` are written on entry; made if missing.
    scenario : str or Scenario
        What it is made of: a name in `SCENARIOS`, or one of your own.
    seed : int
        Of every draw; the truth of the n-th grind depends on nothing else.
    speed : float
        Virtual seconds per real second, 1 to 50.
    transport : str
        ``pty``, ``socket``, or ``auto``: the first that this system has.

    Raises
    ------
    InputError
        When a parameter is outside what it may be.

    Examples
    --------
    >>> with VirtualBench(folder, speed=20) as bench:  # doctest: +SKIP
    ...     bench.grind(18.0, 20.0, "misted")
    """

    def __init__(
        self,
        folder: Path,
        *,
        scenario: str | Scenario = "quarry",
        seed: int = 0,
        speed: float = 10.0,
        transport: str = "auto",
    ) -> None:
        if not 1 <= speed <= 50:
            raise InputError(f"speed {speed!r}: allowed 1 to 50 virtual seconds per second")
        if transport not in TRANSPORTS:
            raise InputError(f"transport {transport!r}: allowed {', '.join(TRANSPORTS)}")
        if seed < 0:
            raise InputError(f"seed {seed!r}: allowed 0 and above")
        self.scenario = _resolve(scenario)
        self.bench_path = folder / "bench.toml"
        self.truth_path = folder / "truth.jsonl"
        self._folder, self._seed, self._speed, self._transport = folder, seed, speed, transport
        self._world = World(self.scenario, seed)
        self._board = (Meter if self.scenario.electrometer.speaks == "scpi" else Board)(self._world, seed)
        self._scale = PrintingScale(self._world, seed)
        self._wires: dict[str, Wire] = {}
        self._lock = threading.Lock()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._live, name="virtual-bench", daemon=True)
        self._began_s = 0.0

    def __enter__(self) -> VirtualBench:
        self._folder.mkdir(parents=True, exist_ok=True)
        self.truth_path.write_text("", encoding="utf-8")
        self._wires = {name: open_wire(self._transport) for name in ("cup", "scale")}
        text = bench_text(self.scenario, self._wires["cup"].port, self._wires["scale"].port, self._seed)
        self.bench_path.write_text(text, encoding="utf-8", newline="\n")
        self._tell("scenario", self._header())
        self._began_s = time.monotonic()
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stopping.set()
        self._thread.join()
        for wire in self._wires.values():
            wire.close()

    @property
    def now_s(self) -> float:
        """Virtual seconds since entry; the board's clock reads this plus its starting uptime."""
        return (time.monotonic() - self._began_s) * self._speed

    @property
    def dropped_bytes(self) -> dict[str, int]:
        """Bytes that nobody took in time, by instrument."""
        return {name: wire.dropped_bytes for name, wire in self._wires.items()}

    def grind(
        self,
        dose_g: float,
        water_uL_per_g: float = 0.0,
        treatment: str | None = None,
        purpose: str = "grind",
        setting: str = "filter",
    ) -> JsonObject:
        """Start a grind now and return at once with its truth, which goes to the truth file too.

        Parameters
        ----------
        dose_g : float
            Beans; 0 grinds nothing.
        water_uL_per_g : float
            Water sprayed on them.
        treatment : str, optional
            ``dry``, ``misted``, ``ionised``, ``misted+ionised``; from the water where it is not given.
        purpose : str
            ``grind``, ``blank`` or ``purge``.
        setting : str
            ``filter`` or ``espresso``.

        Raises
        ------
        InputError
            When a value is not allowed, or the bench is still busy.
        """
        means = treatment or ("misted" if water_uL_per_g > 0 else "dry")
        order = GrindOrder(dose_g, water_uL_per_g, means, purpose, setting)
        with self._lock:
            return self._tell("grind", self._world.grind(order, self.now_s))

    def empty_cup(self) -> JsonObject:
        """Zero the electrometer and pour the cup out; takes 3.5 virtual seconds."""
        with self._lock:
            return self._tell("empty_cup", self._world.empty_cup(self.now_s))

    def inject(self, charge_nC: float) -> JsonObject:
        """Put a known charge on the cup now."""
        with self._lock:
            return self._tell("inject", self._world.inject(charge_nC, self.now_s))

    def spray(self, count: int) -> JsonObject:
        """Make the bottle on the scale lighter by so many sprays, now."""
        with self._lock:
            return self._tell("spray", self._world.spray(count, self.now_s))

    def touch(self) -> JsonObject:
        """Brush against the cable now."""
        with self._lock:
            return self._tell("touch", self._world.touch(self.now_s))

    def zero(self) -> JsonObject:
        """Press the board's zero switch for half a virtual second, now, whatever is going on."""
        with self._lock:
            now_s = self.now_s
            self._world.zero(now_s)
            return self._tell("zero", {"start_s": now_s})

    def restart(self, off_s: float = 1.0) -> JsonObject:
        """Switch the electrometer off now, and on again after so many virtual seconds; its ports stay open."""
        with self._lock:
            now_s = self.now_s
            self._board.restart(now_s, off_s)
            return self._tell("restart", {"start_s": now_s, "off_s": off_s})

    def set_ioniser(self, on: bool) -> JsonObject:
        """Switch the ioniser on or off; while on, it acts on every grind."""
        with self._lock:
            self._world.ioniser_on = on
            return self._tell("ioniser", {"start_s": self.now_s, "on": on})

    def _header(self) -> JsonObject:
        """First line of the truth file."""
        return {
            "scenario": asdict(self.scenario),
            "seed": self._seed,
            "speed": self._speed,
            "dose_curve": self.scenario.curve.truth(),
            "neutralising_dose_uL_per_g": self.scenario.neutralising_dose_uL_per_g,
        }

    def _tell(self, record: str, values: JsonObject) -> JsonObject:
        """Append one line to the truth file; returns the values."""
        with self.truth_path.open("a", encoding="utf-8", newline="\n") as file:
            file.write(json.dumps({"record": record, **_json(values)}, allow_nan=False) + "\n")
        return values

    def _live(self) -> None:
        """Thread: move virtual time on and put what the instruments say on their wires."""
        while not self._stopping.wait(_TICK_S):
            self._board.hear(self._wires["cup"].receive())
            self._wires["scale"].receive()
            with self._lock:
                now_s = self.now_s
                said = {"cup": self._board.advance(now_s), "scale": self._scale.advance(now_s)}
                self._world.forget_before(now_s)
            for name, data in said.items():
                self._wires[name].send(data, time.monotonic())


def _resolve(given: str | Scenario) -> Scenario:
    """A scenario, looked up where a name is given."""
    return scenario(given) if isinstance(given, str) else given

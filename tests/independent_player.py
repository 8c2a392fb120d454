"""Plays one bench run on two pseudo-terminals, by itself: nothing of chargebench is imported here.

A yardstick for whatever records and reduces a run. It follows the public description of the lines (a charge board
with framed lines and a CRC-16/CCITT-FALSE, a scale that prints) with a check sequence, framing and physics of its own,
on the standard library and numpy. Run it as a program::

    python tests/independent_player.py --tau 600 --bias-pA -25 --charge-to-mass -40 --seed 3

It prints one JSON line with the two port names, waits (``--start on-line`` for a line on stdin, ``--start-delay``
seconds otherwise), plays a quiet stretch, a grind and a quiet stretch, prints one JSON line with the truth, and goes on
with quiet until stdin ends, ``--after`` runs out, or it is terminated.

The model: dq/dt = i + I_b - q/tau, solved by a fourth-order Runge-Kutta step of at most 1 ms over a current that is a
smooth function of time; noise: white, first-order autoregressive, random walk, hum; a scale with first-order lag.
"""

import argparse
import json
import math
import os
import select
import sys
import threading
import time
import tty
from dataclasses import asdict, dataclass, field

import numpy as np


@dataclass(frozen=True)
class Play:
    """One run's settings; times in seconds of play."""

    tau_s: float = 900.0
    bias_pA: float = 20.0
    charge_to_mass_nC_per_g: float = -40.0
    mass_g: float = 18.0
    grind_s: float = 12.0
    quiet_before_s: float = 16.0
    quiet_after_s: float = 20.0
    white_nC: float = 0.03
    correlated_nC: float = 0.03
    correlated_s: float = 1.0
    walk_nC_per_sqrt_s: float = 0.002
    hum_nC: float = 0.05
    hum_Hz: float = 49.96
    scale_lag_s: float = 0.5
    scale_noise_g: float = 0.004
    tare_g: float = 211.0
    charge_rate_Hz: float = 50.0
    scale_rate_Hz: float = 10.0
    start_charge_nC: float = 0.0
    positive_share: float = 0.1
    seed: int = 0


# --- what happens -----------------------------------------------------------------------------------------------------


@dataclass
class Story:
    """The course of a run, worked out beforehand up to the end of the second quiet stretch, then continued."""

    play: Play
    end_s: float = 0.0
    time_s: np.ndarray = field(default_factory=lambda: np.empty(0))
    charge_nC: np.ndarray = field(default_factory=lambda: np.empty(0))
    deposited_nC: np.ndarray = field(default_factory=lambda: np.empty(0))
    mass_g: np.ndarray = field(default_factory=lambda: np.empty(0))
    felt_g: np.ndarray = field(default_factory=lambda: np.empty(0))


def fallen_share(u: np.ndarray) -> np.ndarray:
    """Share of the grounds that has fallen at a share u of the grind: smooth rise, steady flow, smooth end."""
    u = np.clip(u, 0.0, 1.0)
    edge = 0.08
    area = 1 - edge
    rise = np.where(u < edge, (u - edge / math.pi * np.sin(math.pi * u / edge)) / 2, 0.0)
    flat = np.where((u >= edge) & (u <= 1 - edge), edge / 2 + (u - edge), 0.0)
    v = 1 - u
    fall = np.where(u > 1 - edge, area - (v - edge / math.pi * np.sin(math.pi * v / edge)) / 2, 0.0)
    return (rise + flat + fall) / area


def fallen_charge(play: Play, u: np.ndarray) -> np.ndarray:
    """Charge fallen at a share u of the grind, nC: one sign follows the mass, some of the other comes early."""
    net = play.charge_to_mass_nC_per_g * play.mass_g
    other = -play.positive_share * net
    late = fallen_share(u)
    early = fallen_share(np.clip(u * 1.6, 0.0, 1.0))
    return (net - other) * late + other * early


def tell(play: Play, after_s: float) -> Story:
    """Work the run out on a 1 ms clock."""
    h = 0.001
    end_s = play.quiet_before_s + play.grind_s + play.quiet_after_s + after_s
    half = np.arange(round(end_s / h) * 2 + 1) * (h / 2)
    share = (half - play.quiet_before_s) / play.grind_s
    deposited = fallen_charge(play, share)
    current = np.gradient(deposited, h / 2) + play.bias_pA * 1e-3
    k = 1.0 / play.tau_s
    q = np.empty(len(half) // 2 + 1)
    q[0] = value = play.start_charge_nC
    left, mid, right = current[0:-2:2].tolist(), current[1:-1:2].tolist(), current[2::2].tolist()
    for n, (a, b, c) in enumerate(zip(left, mid, right, strict=True)):
        k1 = a - k * value
        k2 = b - k * (value + h / 2 * k1)
        k3 = b - k * (value + h / 2 * k2)
        k4 = c - k * (value + h * k3)
        value += h / 6 * (k1 + 2 * k2 + 2 * k3 + k4)
        q[n + 1] = value
    time_s = half[::2]
    mass = play.mass_g * fallen_share(share[::2])
    felt = np.empty_like(mass)
    level, pull = 0.0, 1 - math.exp(-h / play.scale_lag_s)
    for n, load in enumerate(mass.tolist()):
        level += pull * (load - level)
        felt[n] = level
    return Story(play, end_s, time_s, q, deposited[::2], mass, felt)


def noise(play: Play, time_s: np.ndarray) -> np.ndarray:
    """What the board shows on top of the charge."""
    rng = np.random.default_rng([play.seed, 11])
    step = 1.0 / play.charge_rate_Hz
    n = len(time_s)
    keep = math.exp(-step / play.correlated_s)
    shocks = rng.standard_normal(n) * play.correlated_nC * math.sqrt(1 - keep**2)
    slow = np.empty(n)
    last = rng.standard_normal() * play.correlated_nC
    for i, shock in enumerate(shocks):
        last = keep * last + shock
        slow[i] = last
    walk = np.cumsum(rng.standard_normal(n)) * play.walk_nC_per_sqrt_s * math.sqrt(step)
    hum = play.hum_nC * np.sin(2 * math.pi * (play.hum_Hz * time_s + rng.random()))
    return play.white_nC * rng.standard_normal(n) + slow + walk + hum


def truth(story: Story) -> dict:
    """What a perfect bench would answer."""
    play = story.play
    steps = np.diff(story.deposited_nC)
    t10, t90 = np.interp([0.1, 0.9], story.mass_g / story.mass_g[-1], story.time_s)
    return {
        "net_charge_nC": float(story.deposited_nC[-1]),
        "positive_charge_nC": float(steps[steps > 0].sum()),
        "negative_charge_nC": float(steps[steps < 0].sum()),
        "collected_mass_g": float(story.mass_g[-1]),
        "charge_to_mass_nC_per_g": float(story.deposited_nC[-1] / story.mass_g[-1]),
        "grind_start_s": play.quiet_before_s,
        "grind_end_s": play.quiet_before_s + play.grind_s,
        "time_10_to_90_percent_s": float(t90 - t10),
        "leakage_time_constant_s": play.tau_s,
        "bias_current_pA": play.bias_pA,
    }


# --- how it is said ---------------------------------------------------------------------------------------------------


def crc16(data: bytes) -> int:
    """CRC-16/CCITT-FALSE, bit by bit."""
    register = 0xFFFF
    for byte in data:
        register ^= byte << 8
        for _ in range(8):
            register = ((register << 1) ^ 0x1021 if register & 0x8000 else register << 1) & 0xFFFF
    return register


def framed(kind: str, seq: int, ms: int, value: str, unit: str, status: str = "OK") -> bytes:
    """KIND,SEQ,MS,VALUE,UNIT,STATUS*CRC and CR LF."""
    body = f"{kind},{seq % 65536},{ms % 4294967296},{value},{unit},{status}"
    return f"{body}*{crc16(body.encode()):04X}\r\n".encode()


def charge_lines(story: Story) -> list[tuple[float, bytes]]:
    """(time, line) of the charge board: the charge in nC or pC, humidity once a second."""
    play = story.play
    time_s = np.arange(int(story.end_s * play.charge_rate_Hz)) / play.charge_rate_Hz
    shown = np.interp(time_s, story.time_s, story.charge_nC) + noise(play, time_s)
    in_pC = play.seed % 2 == 1
    texts = [f"{1000 * q:.1f}" for q in shown] if in_pC else [f"{q:.4f}" for q in shown]
    unit = "pC" if in_pC else "nC"
    boot_ms = 4294967296 - 20000 if play.seed % 3 == 2 else 7000 + 13 * play.seed
    lines = [
        (float(t), framed("Q", 65500 + n, boot_ms + round(1000 * t), text, unit))
        for n, (t, text) in enumerate(zip(time_s, texts, strict=True))
    ]
    lines += [(float(s), framed("H", s, boot_ms + 1000 * s, "42.1", "%")) for s in range(int(story.end_s))]
    return sorted(lines, key=lambda line: line[0])


def scale_lines(story: Story) -> list[tuple[float, bytes]]:
    """(time, line) of the scale: ``ST,   211.00, g`` once it has been still for half a second."""
    play = story.play
    rng = np.random.default_rng([play.seed, 12])
    time_s = (np.arange(int(story.end_s * play.scale_rate_Hz)) + 0.37) / play.scale_rate_Hz
    felt = play.tare_g + np.interp(time_s, story.time_s, story.felt_g)
    shown = np.round(felt + play.scale_noise_g * rng.standard_normal(len(time_s)), 2)
    lines = []
    for n, (t, grams) in enumerate(zip(time_s, shown, strict=True)):
        recent = shown[max(0, n - 5) : n + 1]
        flag = "ST" if np.ptp(recent) <= 0.02 else "US"
        lines.append((float(t), f"{flag},{grams:9.2f}, g\r\n".encode()))
    return lines


# --- the ports --------------------------------------------------------------------------------------------------------


class Terminal:
    """A pseudo-terminal played from the master's side; lines that nobody reads are lost, as on a real cable."""

    def __init__(self) -> None:
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        os.set_blocking(self.master, False)
        self.name = os.ttyname(self.slave)
        self.lost_lines = 0
        self._rest = b""

    def write(self, line: bytes) -> None:
        """Say one line, or lose it whole."""
        try:
            if self._rest:
                self._rest = self._rest[os.write(self.master, self._rest) :]
            if self._rest:
                self.lost_lines += 1
            else:
                self._rest = line[os.write(self.master, line) :]
        except BlockingIOError:
            self.lost_lines += 1

    def close(self) -> None:
        os.close(self.master)
        os.close(self.slave)


class Player:
    """Plays a run on two terminals in a thread of its own.

    Use it as a context manager: ports exist from entry on, and nothing is said before `start`.
    """

    def __init__(self, play: Play, speed: float = 1.0, after_s: float = 30.0) -> None:
        self.play = play
        self.speed = speed
        story = tell(play, after_s)
        self.truth = truth(story)
        self.end_s = story.end_s
        self._lines = {"charge": charge_lines(story), "scale": scale_lines(story)}
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> "Player":
        self._terminals = {name: Terminal() for name in self._lines}
        self.charge_port = self._terminals["charge"].name
        self.scale_port = self._terminals["scale"].name
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()
        for terminal in self._terminals.values():
            terminal.close()

    @property
    def lost_lines(self) -> int:
        """Lines that found the terminal full."""
        return sum(terminal.lost_lines for terminal in self._terminals.values())

    def start(self) -> None:
        """Begin to play now."""
        self._thread.start()

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until all is said; True when it is."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        merged = sorted((t, name, line) for name, lines in self._lines.items() for t, line in lines)
        began = time.monotonic()
        for t, name, line in merged:
            delay = began + t / self.speed - time.monotonic()
            if delay > 0 and self._stop.wait(delay):
                return
            if self._stop.is_set():
                return
            self._terminals[name].write(line)


def draw_play(seed: int) -> Play:
    """A run drawn at random from the whole range a bench may meet."""
    rng = np.random.default_rng([seed, 10])
    size = math.exp(rng.uniform(math.log(0.5), math.log(120.0)))
    return Play(
        tau_s=math.exp(rng.uniform(math.log(300.0), math.log(3000.0))),
        bias_pA=rng.uniform(-50.0, 50.0),
        charge_to_mass_nC_per_g=float(rng.choice([-1.0, 1.0], p=[0.7, 0.3])) * size,
        mass_g=rng.uniform(12.0, 22.0),
        grind_s=rng.uniform(8.0, 20.0),
        quiet_before_s=rng.uniform(14.0, 18.0),
        quiet_after_s=rng.uniform(16.0, 22.0),
        correlated_nC=rng.uniform(0.0, 0.06),
        correlated_s=rng.uniform(0.2, 2.0),
        walk_nC_per_sqrt_s=rng.uniform(0.0, 0.01),
        hum_nC=rng.uniform(0.0, 0.2),
        hum_Hz=float(rng.choice([50.0, 60.0])) + rng.uniform(-0.05, 0.05),
        scale_lag_s=rng.uniform(0.2, 1.0),
        charge_rate_Hz=float(rng.choice([40.0, 50.0, 80.0, 100.0])),
        start_charge_nC=rng.uniform(-20.0, 20.0),
        positive_share=rng.uniform(0.0, 0.3),
        seed=seed,
    )


def main() -> int:
    """The program."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--random", action="store_true", help="draw all settings from the seed")
    for name in Play.__dataclass_fields__:
        default = getattr(Play, name)
        short = {"tau_s": "--tau", "charge_to_mass_nC_per_g": "--charge-to-mass"}.get(name)
        options = ["--" + name.replace("_", "-")] + ([short] if short else [])
        parser.add_argument(*options, dest=name, type=type(default), default=default, help=f"default {default}")
    parser.add_argument("--speed", type=float, default=1.0, help="1 is real time")
    parser.add_argument("--start", choices=("delay", "on-line"), default="delay")
    parser.add_argument("--start-delay", type=float, default=0.0, help="seconds before the first line")
    parser.add_argument("--after", type=float, default=30.0, help="further quiet, seconds of play")
    given = parser.parse_args()
    play = draw_play(given.seed) if given.random else Play(**{n: getattr(given, n) for n in Play.__dataclass_fields__})
    with Player(play, given.speed, given.after) as player:
        print(json.dumps({"charge_port": player.charge_port, "scale_port": player.scale_port}), flush=True)
        if given.start == "on-line":
            sys.stdin.readline()
        else:
            time.sleep(given.start_delay)
        player.start()
        print(json.dumps({"play": asdict(play), "truth": player.truth}), flush=True)
        while not player.wait(0.1):
            if given.start == "on-line" and select.select([sys.stdin], [], [], 0)[0] and not sys.stdin.readline():
                break
        print(json.dumps({"lost_lines": player.lost_lines}), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""Self-check of the independent player: its physics against closed forms, its lines as they come out of a terminal."""

import contextlib
import json
import math
import os
import re
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("tty", reason="the player needs pseudo-terminals")

import itertools

from tests import independent_player as player
from tests.instruments.far_end import wait_for

QUIET = player.Play(quiet_before_s=2.0, quiet_after_s=3.0, grind_s=4.0)
SILENT = replace(QUIET, white_nC=0.0, correlated_nC=0.0, walk_nC_per_sqrt_s=0.0, hum_nC=0.0)


def test_check_sequence():
    """The player's own CRC gives the catalogue's check value for "123456789", 29B1, and FFFF for nothing."""
    assert player.crc16(b"123456789") == 0x29B1
    assert player.crc16(b"") == 0xFFFF


def test_imports_nothing_of_the_program():
    """A yardstick shares no code with what it measures."""
    source = Path(player.__file__).read_text(encoding="utf-8")
    assert re.search(r"^\s*(import|from)\s+chargebench", source, re.MULTILINE) is None


@pytest.mark.parametrize("tau_s", [5.0, 300.0, 3000.0])
@pytest.mark.parametrize("bias_pA", [-50.0, 40.0])
def test_quiet_stretches_decay(tau_s, bias_pA):
    """Without grounds the displayed charge tends to I_b·τ exponentially with τ."""
    play = replace(SILENT, tau_s=tau_s, bias_pA=bias_pA, start_charge_nC=7.0)
    story = player.tell(play, 0.0)
    rest = bias_pA * 1e-3 * tau_s
    for low, high in ((0.0, 2.0), (6.0, 9.0)):
        q0, q1 = np.interp([low, high], story.time_s, story.charge_nC)
        assert q1 == pytest.approx(rest + (q0 - rest) * math.exp((low - high) / tau_s), abs=1e-6)


def test_truth_is_what_was_deposited():
    """Charge corrected for leakage and bias by their integrals equals the stated net charge; the shares add up."""
    play = replace(SILENT, tau_s=60.0, bias_pA=-30.0)
    story, truth = player.tell(play, 0.0), player.truth(player.tell(play, 0.0))
    q, t = story.charge_nC, story.time_s
    integral = float(np.sum((q[1:] + q[:-1]) / 2 * np.diff(t)))
    net = q[-1] - q[0] + integral / play.tau_s - play.bias_pA * 1e-3 * t[-1]
    assert truth["net_charge_nC"] == pytest.approx(net, abs=1e-4)
    assert truth["net_charge_nC"] == pytest.approx(play.charge_to_mass_nC_per_g * play.mass_g)
    assert truth["net_charge_nC"] == pytest.approx(truth["positive_charge_nC"] + truth["negative_charge_nC"])
    assert truth["collected_mass_g"] == pytest.approx(play.mass_g)


@pytest.mark.parametrize("share", [0.0, 0.04, 0.08, 0.5, 0.92, 0.96, 1.0])
def test_fall_is_smooth(share):
    """The share fallen is continuous and antisymmetric about the middle of the grind."""
    here, mirrored = player.fallen_share(np.array([share, 1 - share]))
    assert here + mirrored == pytest.approx(1.0, abs=1e-12)
    beside = player.fallen_share(np.array([share - 1e-6, share + 1e-6]))
    assert beside[1] - beside[0] < 3e-6


def test_scale_lags():
    """The weight follows the load with the stated first-order lag."""
    story = player.tell(replace(SILENT, scale_lag_s=0.5), 0.0)
    middle = (story.time_s > 4.5) & (story.time_s < 5.6)
    rate = np.gradient(story.mass_g, story.time_s)[middle]
    behind = story.mass_g[middle] - story.felt_g[middle]
    assert np.allclose(behind / rate, 0.5, atol=0.02)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_lines_have_the_documented_shape(seed):
    """Every line of the board carries a valid CRC and rising counters; every line of the scale one pattern."""
    play = replace(QUIET, seed=seed)
    story = player.tell(play, 0.0)
    board = [line for _, line in player.charge_lines(story)]
    for line in board:
        body, _, check = line.removesuffix(b"\r\n").rpartition(b"*")
        assert check.decode() == f"{player.crc16(body):04X}"
        assert re.fullmatch(rb"(Q|H),\d+,\d+,-?\d+\.\d+,(nC|pC|%),OK", body)
    ms = [int(line.split(b",")[2]) for line in board if line.startswith(b"Q,")]
    assert {(b - a) % 2**32 for a, b in itertools.pairwise(ms)} == {20}
    pattern = re.compile(rb"(ST|US),\s*\d+\.\d\d, g\r\n")
    assert all(pattern.fullmatch(line) for _, line in player.scale_lines(story))


def test_seed_decides():
    """The same seed draws the same run and says the same lines."""
    assert player.draw_play(4) == player.draw_play(4) != player.draw_play(5)
    story = player.tell(QUIET, 0.0)
    assert player.charge_lines(story) == player.charge_lines(story)


def test_program_plays_on_terminals(tmp_path):
    """Run as a program it names two terminals, waits for its cue, plays there, and tells the truth."""
    command = [sys.executable, player.__file__, "--speed", "30", "--after", "1", "--start", "on-line"]
    command += ["--quiet-before-s", "4", "--quiet-after-s", "5", "--grind-s", "6"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        ports = json.loads(process.stdout.readline())
        readers = {name: os.open(port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK) for name, port in ports.items()}
        process.stdin.write("\n")
        process.stdin.flush()
        told = json.loads(process.stdout.readline())
        heard = dict.fromkeys(readers, b"")
        while process.poll() is None:
            time.sleep(0.01)
            for name, descriptor in readers.items():
                try:
                    heard[name] += os.read(descriptor, 65536)
                except OSError:  # nothing there, or the player has gone
                    continue
        for descriptor in readers.values():
            os.close(descriptor)
        assert json.loads(process.stdout.readline()) == {"lost_lines": 0}
    assert told["truth"]["charge_to_mass_nC_per_g"] == pytest.approx(-40.0)
    assert heard["charge_port"].count(b"Q,") >= 0.9 * 16 * 50
    assert heard["scale_port"].count(b"g\r\n") >= 0.9 * 16 * 10


def test_lines_nobody_reads_are_lost_whole():
    """A terminal that is full loses whole lines and never blocks; what does come out is in one piece."""
    terminal = player.Terminal()
    reader = os.open(terminal.name, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    lines = [player.framed("Q", n, n, "1.0", "nC") for n in range(10_000, 13_000)]  # of one length
    heard = bytearray()

    def heard_all(said):
        with contextlib.suppress(BlockingIOError):
            heard.extend(os.read(reader, 65536))
        return len(heard) == len(lines[0]) * (said - terminal.lost_lines) - len(terminal._rest)

    for line in lines:
        terminal.write(line)
    assert terminal.lost_lines > 0
    wait_for(lambda: heard_all(3000))
    terminal.write(lines[-1])  # after what is left of a line that was cut
    wait_for(lambda: heard_all(3001))
    assert set(bytes(heard).split(b"\r\n")[:-1]) <= {line.removesuffix(b"\r\n") for line in lines}
    os.close(reader)
    terminal.close()

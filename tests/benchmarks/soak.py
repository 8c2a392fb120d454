"""A long recording at 1,000 readings a second with the window open: lines lost, memory that grows, share of a core.

Run as ``python -m tests.benchmarks.soak --minutes 30``. A player process plays a board and a scale on terminals, in
real time, grind after grind; like a real port, and unlike a pipe, it drops what nobody fetches. The window runs off
screen in this process and starts the recorder as it always does. Afterwards the sequence numbers in the sealed runs
must go on without a hole from the first to the last line. Wanted: no line lost; memory growing by less than 10 MB an
hour (of a run's own trace nothing stays once it is sealed, so it is the least in use after each run that is compared);
the recorder under 8 % of one core.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import psutil

from chargebench.runs.load import load_run

WANTED_MB_PER_H = 10.0
WANTED_SHARE = 0.08
CYCLE_S = 60.0
START_UP_S = 30.0
SAMPLE_MS = 1000
GRACE_S = 60.0

BENCH = """\
[bench]
name = "Soak"
[instrument.cup]
port = "{cup}"
lines = "framed"
baud = 921600
carries = ["charge"]
[instrument.scale]
port = "{scale}"
lines = "printed"
baud = 9600
carries = ["mass"]
"""

# The player: descriptors of the two terminals, lines a second, seconds a grind comes round. Says what it sent and
# dropped, and its own longest pause: after one it catches up no faster than ten times the rate, as no board would send
# more than its line carries.
PLAYER = """
import os, random, signal, sys, time
from chargebench.wire.framed import encode
cup, scale, rate, cycle_s = int(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3]), float(sys.argv[4])
for end in (cup, scale):
    os.set_blocking(end, False)
running, sent, dropped, longest_s, last_s = True, 0, 0, 0.0, 0.0
def stop(number, frame):
    global running
    running = False
signal.signal(signal.SIGTERM, stop)
draw, start, weighed = random.Random(1), time.monotonic(), 0
while running:
    now_s = time.monotonic() - start
    longest_s, last_s = max(longest_s, now_s - last_s), now_s
    due = min(int(now_s * rate), sent + int(rate / 10))
    data = b""
    while sent < due:
        at_s = sent / rate % cycle_s
        share = min(max((at_s - 22.0) / 9.0, 0.0), 1.0) if at_s < cycle_s - 4.0 else 0.0
        value, ms = -900 * share + draw.gauss(0, 0.2), int(sent * 1000 / rate)
        data += encode("Q", sent % 65536, ms % (1 << 32), f"{value:.4f}", "nC")
        sent += 1
    if data:
        try:
            taken = os.write(cup, data)
        except BlockingIOError:
            taken = 0
        dropped += data[taken:].count(b"\\n")
    if int(now_s * 5) > weighed:
        weighed = int(now_s * 5)
        at_s = now_s % cycle_s
        share = min(max((at_s - 22.0) / 9.0, 0.0), 1.0) if at_s < cycle_s - 4.0 else 0.0
        try:
            os.write(scale, b"ST,%+09.3f,g\\r\\n" % (210 + 18 * share + draw.gauss(0, 0.002)))
        except BlockingIOError:
            pass
    time.sleep(0.01)
print(sent, dropped, round(longest_s, 3))
"""


@dataclass
class Samples:
    """Memory and processor time of recorder and window, once a second."""

    at_s: list[float] = field(default_factory=list)
    recorder_MB: list[float] = field(default_factory=list)
    window_MB: list[float] = field(default_factory=list)
    recorder_cpu_s: list[float] = field(default_factory=list)
    window_cpu_s: list[float] = field(default_factory=list)

    def take(self, recorder: psutil.Process) -> None:
        """One more sample; none once the recorder is gone."""
        window = psutil.Process()
        try:
            memory, cpu = recorder.memory_info().rss, recorder.cpu_times()
        except psutil.NoSuchProcess:
            return
        self.at_s.append(time.monotonic())
        self.recorder_MB.append(memory / 1e6)
        self.recorder_cpu_s.append(cpu.user + cpu.system)
        self.window_MB.append(window.memory_info().rss / 1e6)
        self.window_cpu_s.append(sum(window.cpu_times()[:2]))

    def growth_MB_per_h(self, memory_MB: Sequence[float]) -> float:
        """From the least in use in the second fifth of the time to the least in the last fifth."""
        span_s = self.at_s[-1] - self.at_s[0]
        share = (np.array(self.at_s) - self.at_s[0]) / span_s
        used = np.array(memory_MB)
        before, after = used[(share >= 0.2) & (share < 0.4)].min(), used[share >= 0.8].min()
        return float((after - before) / (0.6 * span_s / 3600.0))

    def share(self, cpu_s: Sequence[float]) -> float:
        """Share of one core."""
        return (cpu_s[-1] - cpu_s[0]) / (self.at_s[-1] - self.at_s[0])


def recorded(folder: Path, minutes: float, rate: float) -> tuple[Samples, dict[str, float]]:
    """Record with the window open: samples, and what player and window say."""
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    from chargebench.desktop.archive_reader import ArchiveReader
    from chargebench.desktop.qt import QtCore, QtWidgets
    from chargebench.desktop.session import BenchSession
    from chargebench.desktop.window import MainWindow

    app = QtWidgets.QApplication.instance() or QtWidgets.QApplication([])
    app.setStyle("Fusion")
    player, bench = _played(folder, rate)
    window = MainWindow(BenchSession(), ArchiveReader(), bench, folder / "archive")
    window.resize(1366, 768)
    window.show()
    seen: list[int] = [0]
    window.session.readings.connect(lambda found: seen.__setitem__(0, seen[0] + len(found)))
    window.connect_bench()
    samples = Samples()
    began = time.monotonic()

    def sample() -> None:
        process = window.session._process
        if process is not None and time.monotonic() - began > START_UP_S:
            samples.take(psutil.Process(process.processId()))

    timer = QtCore.QTimer()
    timer.timeout.connect(sample)
    timer.start(SAMPLE_MS)
    QtCore.QTimer.singleShot(round(minutes * 60_000), window.session.stop)
    window.session.running.connect(lambda running: None if running else app.quit())
    QtCore.QTimer.singleShot(round(minutes * 60_000 + GRACE_S * 1000), app.quit)
    app.exec()
    timer.stop()
    player.send_signal(signal.SIGTERM)
    sent, dropped, pause_s = player.communicate()[0].split()
    window.close()
    told = {"lines_sent": int(sent), "dropped_by_port": int(dropped), "longest_pause_of_player_s": float(pause_s)}
    return samples, {**told, "readings_in_window": seen[0]}


def _played(folder: Path, rate: float) -> tuple[subprocess.Popen[str], Path]:
    """The player, and a bench file for its terminals."""
    masters, names = [], []
    for _ in range(2):
        master, slave = os.openpty()
        tty.setraw(slave)
        masters.append(master)
        names.append(os.ttyname(slave))
    bench = folder / "bench.toml"
    bench.write_text(BENCH.format(cup=names[0], scale=names[1]), encoding="utf-8")
    words = [sys.executable, "-c", PLAYER, *map(str, masters), str(rate), str(CYCLE_S)]
    return subprocess.Popen(words, stdout=subprocess.PIPE, text=True, pass_fds=masters), bench


def held(archive: Path) -> dict[str, Any]:
    """Runs, readings and holes in the sequence numbers, from the first run to the last."""
    previous, holes, lost, repeated, readings, runs, stated = None, 0, 0, 0, 0, 0, 0
    where: list[str] = []
    for path in sorted(archive.glob("*.h5")):
        run = load_run(path)
        sequence = run.traces["charge"].sequence
        steps = np.diff(sequence, prepend=sequence[0] - 1 if previous is None else previous) % 65536
        holes += int(np.sum(steps > 1))
        lost += int(np.sum(steps[steps > 1] - 1))
        repeated += int(np.sum(steps == 0))
        where += [f"{run.traces['charge'].time_s[at]:.1f} s of {run.run_id}" for at in np.flatnonzero(steps > 1)]
        previous = int(sequence[-1])
        readings, runs = readings + len(sequence), runs + 1
        stated += len(run.gaps)
    return {"runs": runs, "readings": readings, "holes": holes, "lines_lost": lost, "repeated": repeated,
            "gaps_stated": stated, "holes_at": where[:20]}  # fmt: skip


def main() -> int:
    """Soak and print what came of it as JSON; exit code 1 where something is not as wanted."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.soak", description=__doc__)
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--rate", type=float, default=1000.0, help="lines a second")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        samples, told = recorded(Path(name), chosen.minutes, chosen.rate)
        found = held(Path(name) / "archive")
    found |= told | {
        "minutes": chosen.minutes,
        "recorder_share_of_core": round(samples.share(samples.recorder_cpu_s), 4),
        "window_share_of_core": round(samples.share(samples.window_cpu_s), 4),
        "recorder_MB": [round(min(samples.recorder_MB), 1), round(max(samples.recorder_MB), 1)],
        "window_MB": [round(min(samples.window_MB), 1), round(max(samples.window_MB), 1)],
        "recorder_growth_MB_per_h": round(samples.growth_MB_per_h(samples.recorder_MB), 1),
        "window_growth_MB_per_h": round(samples.growth_MB_per_h(samples.window_MB), 1),
        "load_average": [round(load, 1) for load in os.getloadavg()],
    }
    print(json.dumps(found, indent=1))
    well = (
        found["runs"] > 0
        and found["lines_lost"] == found["repeated"] == 0
        and found["recorder_share_of_core"] < WANTED_SHARE
        and max(found["recorder_growth_MB_per_h"], found["window_growth_MB_per_h"]) < WANTED_MB_PER_H
    )
    return 0 if well else 1


if __name__ == "__main__":
    sys.exit(main())

"""The virtual bench on real ports: what goes out there, who may come and go, and the process form."""

import json
import math
import os
import socket
import subprocess
import sys
from dataclasses import replace

import pytest

from chargebench.errors import InputError
from chargebench.instruments.benchfile import bench_from_text, read_bench
from chargebench.instruments.virtual import SCENARIOS, Scenario, VirtualBench
from chargebench.instruments.virtual.bench import bench_text
from chargebench.instruments.virtual.scenario import Electrometer
from chargebench.instruments.virtual.wires import PtyWire, SocketWire
from chargebench.wire.make import make_decoder
from tests.instruments.far_end import PATIENCE_S, wait_for

TRANSPORTS = ["socket"] if sys.platform == "win32" else ["pty", "socket"]
HAS_PTY = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals here")


@pytest.mark.parametrize("name", [*SCENARIOS, "leakproof", "unknown"])
def test_bench_file_is_one(name):
    """The bench file reads back, and what it states lies within five of its own uncertainties of the truth."""
    made_of = SCENARIOS.get(name, Scenario())
    if name == "leakproof":
        made_of = replace(made_of, electrometer=Electrometer(leakage_time_constant_s=math.inf, plates=True))
    if name == "unknown":
        made_of = replace(made_of, calibrated=False)
    bench = bench_from_text(bench_text(made_of, "/dev/pts/7", "socket://127.0.0.1:9", 4))
    stated, model = bench.calibration, made_of.electrometer
    assert ("charge3" in bench.instruments["cup"].carries) == model.plates
    for key in ("gain", "bias_current_pA", "leakage_time_constant_s"):
        value, u, true = getattr(stated, key), getattr(stated, f"u_{key}"), getattr(model, key)
        if name == "unknown" or math.isinf(true):
            assert value is None
        else:
            assert abs(value - true) < 5 * u


class _Host:
    """A plain reader of a port, without the program's own port room."""

    def __init__(self, port):
        self._socket = self._descriptor = None
        if port.startswith("socket://"):
            host, _, number = port.removeprefix("socket://").rpartition(":")
            self._socket = socket.create_connection((host, int(number)))
            self._socket.setblocking(False)
        else:
            self._descriptor = os.open(port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)

    def read(self):
        try:
            return self._socket.recv(65536) if self._socket else os.read(self._descriptor, 65536)
        except BlockingIOError:
            return b""

    def write(self, data):
        if self._socket:
            self._socket.sendall(data)
        else:
            os.write(self._descriptor, data)

    def read_until(self, enough):
        heard = bytearray()

        def read_on():
            heard.extend(self.read())
            return enough(heard)

        wait_for(read_on)
        return bytes(heard)

    def close(self):
        if self._socket:
            self._socket.close()
        else:
            os.close(self._descriptor)


@pytest.fixture(params=TRANSPORTS)
def bench(request, tmp_path):
    with VirtualBench(tmp_path, seed=3, speed=50.0, transport=request.param) as running:
        yield running


def test_a_run_on_real_ports(bench):
    """A grind ordered is a grind heard: charge and mass on the ports agree with the truth written."""
    instruments = read_bench(bench.bench_path).instruments
    hosts = {name: _Host(i.port) for name, i in instruments.items()}
    decoders = {name: make_decoder(i.lines, i.carries, i.pattern) for name, i in instruments.items()}
    heard = {"charge": [], "mass": []}

    def heard_beyond(time_s):
        for name, host in hosts.items():
            for reading in decoders[name].feed(host.read(), 0):
                heard.setdefault(reading.channel, []).append(reading)
        charge, printed_s = heard["charge"], len(heard["mass"]) / bench.scenario.scale.lines_per_s
        return charge and charge[-1].device_ms - charge[0].device_ms > 1000 * time_s and printed_s > time_s

    wait_for(lambda: heard_beyond(10.0))
    truth = bench.grind(10.0)
    wait_for(lambda: heard_beyond(truth["end_s"] + 10.0))
    for host in hosts.values():
        host.close()
    charge, mass = heard["charge"], heard["mass"]
    assert {"humidity", "temperature"} <= set(heard)
    assert charge[-1].value - charge[0].value == pytest.approx(truth["net_charge_nC"], rel=0.05)
    assert mass[-1].value - mass[0].value == pytest.approx(truth["collected_mass_g"], abs=0.03)
    assert decoders["cup"].lost == 0 or bench.dropped_bytes["cup"] > 0  # where this process was held up for a second
    assert sum(decoders["cup"].rejects.values()) <= 1
    lines = [json.loads(line) for line in bench.truth_path.read_text(encoding="utf-8").splitlines()]
    assert [line["record"] for line in lines] == ["scenario", "grind"]
    assert lines[0]["seed"] == 3
    assert lines[0]["neutralising_dose_uL_per_g"] == pytest.approx(20.0, rel=1e-3)
    assert lines[1]["net_charge_nC"] == truth["net_charge_nC"]


def test_a_host_may_go_and_come_again(bench):
    """After one host has gone, another hears whole lines and can give commands."""
    port = read_bench(bench.bench_path).instruments["cup"].port
    for _ in range(2):
        host = _Host(port)
        host.read_until(lambda heard: heard.count(b"\n") > 20)
        host.write(b"ID?\n")
        host.read_until(lambda heard: b"virtual charge board" in heard)
        host.close()


def test_nobody_listens(bench):
    """Without a reader nothing blocks: time goes on, and what was not taken is counted."""
    start_s = bench.now_s
    wait_for(lambda: bench.dropped_bytes["cup"] > 0)
    assert bench.now_s > start_s
    host = _Host(read_bench(bench.bench_path).instruments["cup"].port)
    host.write(b"ID?\n")
    host.read_until(lambda heard: b"virtual charge board" in heard)
    host.close()


def _read_out(wire, host, now_s, enough):
    """What a host gets of what waits on a wire, until it is enough."""

    def go_on(heard):
        wire.send(b"", now_s)
        return enough(heard)

    return host.read_until(go_on)


@HAS_PTY
def test_who_asks_is_answered():
    """However long nobody has listened, a host that asks has a second to take the answer."""
    wire = PtyWire()
    for n in range(5_000):
        wire.send(b"%06d and so on\n" % n, 0.01 * n)
    host = _Host(wire.port)
    host.write(b"ID?\n")
    wait_for(wire.receive)
    wire.send(b"an answer\n", 50.0)
    for n in range(90):
        wire.send(b"%06d and so on\n" % n, 50.01 + 0.01 * n)
    assert wire.dropped_bytes > 0
    _read_out(wire, host, 50.91, lambda heard: b"an answer\n" in heard)


@HAS_PTY
def test_lines_are_dropped_whole():
    """What nobody takes within a second is dropped; a host that reads later gets whole lines only."""
    wire = PtyWire()
    host = _Host(wire.port)
    lines = [b"%06d and so on\n" % n for n in range(20_000)]
    for n, line in enumerate(lines):
        wire.send(line, 0.01 * n)
    assert wire.dropped_bytes > 100_000
    heard = _read_out(wire, host, 200.0, lambda heard: len(heard) + wire.dropped_bytes >= sum(map(len, lines)))
    assert set(heard.splitlines(keepends=True)) <= set(lines)
    assert len(heard) + wire.dropped_bytes == sum(map(len, lines))
    host.close()
    wire.close()


@HAS_PTY
def test_exclusive_mode_does_not_outlive_its_host(tmp_path):
    """A host killed while it held a terminal in exclusive mode leaves it open to the next, whoever runs it."""
    import fcntl
    import termios

    with VirtualBench(tmp_path, speed=1.0, transport="pty") as bench:
        port = read_bench(bench.bench_path).instruments["scale"].port
        first = os.open(port, os.O_RDWR | os.O_NOCTTY)
        fcntl.ioctl(first, termios.TIOCEXCL)
        os.close(first)
        if sys.platform == "linux":
            slave = bench._wires["scale"]._slave
            wait_for(lambda: not any(fcntl.ioctl(slave, 0x80045440, b"\0\0\0\0")))


def _read_line(wire, host, now_s):
    """What a host that is called again and again hears first."""

    def call(heard):
        if not heard:
            wire.send(b"line\n", now_s)
        return heard

    return host.read_until(call)


def test_a_socket_host_that_vanishes_is_hung_up_on():
    """A connection that is gone is dropped, and the next one served."""
    wire = SocketWire()
    try:
        for now_s in (0.0, 10.0):
            host = _Host(wire.port)
            assert _read_line(wire, host, now_s).startswith(b"line\n")
            host.close()
            wait_for(lambda wire=wire: wire.receive() == b"" and wire._host is None)
    finally:
        wire.close()


@pytest.mark.parametrize(
    ("values", "word"),
    [
        ({"speed": 0.5}, "speed"),
        ({"speed": 51.0}, "speed"),
        ({"speed": float("nan")}, "speed"),
        ({"transport": "pigeon"}, "transport"),
        ({"scenario": "nowhere"}, "scenario"),
        ({"seed": -1}, "seed"),
    ],
)
def test_parameters_are_checked(tmp_path, values, word):
    """A bench that cannot be is refused by the name of what is wrong, before any port is opened."""
    with pytest.raises(InputError, match=word):
        VirtualBench(tmp_path, **values)


def test_process_form(tmp_path):
    """As a process it obeys JSON lines, answers each one, names what it cannot do, and ends with its stdin."""
    commands = [
        {"do": "grind", "dose_g": 3, "water_uL_per_g": 10, "treatment": "misted"},
        {"do": "empty_cup"},
        {"do": "set_ioniser", "on": True},
        {"do": "touch"},
        {"do": "zero"},
        {"do": "inject", "charge_nC": 1e9},
        {"do": "spray", "count": 0},
        {"do": "boil"},
        {"do": "grind", "sugar": 1},
        {"do": "grind", "dose_g": "much"},
        {"do": "now"},
    ]
    text = "".join(json.dumps(command) + "\n" for command in commands) + "nonsense\n\n"
    done = subprocess.run(
        [sys.executable, "-m", "chargebench.instruments.virtual", "--folder", str(tmp_path), "--speed", "20"],
        input=text,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=True,
    )
    answers = [json.loads(line) for line in done.stdout.splitlines()]
    events = [answer["event"] for answer in answers]
    assert events == [
        "ready",
        "done",
        "error",
        "done",
        "done",
        "done",
        "error",
        "error",
        "error",
        "error",
        "error",
        "done",
        "error",
        "stopped",
    ]
    assert answers[1]["dose_g"] == 3
    assert "busy" in answers[2]["text"]
    assert read_bench(tmp_path / "bench.toml").instruments.keys() == {"cup", "scale"}
    assert done.stderr == ""


@pytest.mark.parametrize(("words", "says"), [(["--speed", "900"], "speed"), (["--folder", "file"], "file")])
def test_process_form_refuses(tmp_path, words, says):
    """A bench that cannot begin says why in one line of JSON, nothing else, and ends with 1."""
    (tmp_path / "file").write_text("")
    command = [sys.executable, "-m", "chargebench.instruments.virtual", "--folder", "new", *words]
    done = subprocess.run(
        command, capture_output=True, text=True, timeout=PATIENCE_S, input="", check=False, cwd=tmp_path
    )
    assert (done.returncode, done.stderr) == (1, "")
    answer = json.loads(done.stdout)
    assert answer["event"] == "error"
    assert says in answer["text"]


def test_a_caller_that_is_gone_ends_the_process_quietly(tmp_path):
    """When whoever reads its answers went away, the process ends with nothing on standard error."""
    command = [sys.executable, "-m", "chargebench.instruments.virtual", "--folder", str(tmp_path)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as child:
        child.stdout.readline()
        child.stdout.close()
        child.stdin.close()
        assert child.stderr.read() == b""
        assert child.wait(PATIENCE_S) == 0

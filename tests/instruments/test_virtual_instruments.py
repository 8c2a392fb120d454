"""The virtual board and scale, driven by virtual time alone: no port, no thread, no waiting."""

import math
from dataclasses import replace

import numpy as np
import pytest

from chargebench.errors import InputError
from chargebench.instruments.virtual import GrindOrder, Scenario
from chargebench.instruments.virtual.board import Board, Noise
from chargebench.instruments.virtual.grind import Fall
from chargebench.instruments.virtual.meter import Meter
from chargebench.instruments.virtual.printing_scale import PrintingScale
from chargebench.instruments.virtual.scenario import Electrometer, Room, ScaleModel
from chargebench.instruments.virtual.world import World
from chargebench.wire.make import make_decoder
from chargebench.wire.reading import Status

SILENT = Electrometer(white_nC=0.0, correlated_nC=0.0, wander_nC=0.0, hum_nC=0.0, lines_per_s=100.0)
STILL = ScaleModel(noise_g=0.0, vibration_g=0.0)


def _world(seed=0, electrometer=SILENT, scale=STILL, **parts):
    return World(replace(Scenario(), electrometer=electrometer, scale=scale, **parts), seed)


def _readings(data, channel, carries=("charge", "charge2", "charge3", "humidity", "temperature")):
    decoder = make_decoder("framed", carries)
    readings = decoder.feed(data, 0)
    assert not decoder.rejects
    assert decoder.lost == decoder.repeated == 0
    return [r for r in readings if r.channel == channel]


def _weights(data):
    decoder = make_decoder("printed", ("mass",))
    return [r for r in decoder.feed(b"US, +152.30,g\r\n" + data, 0) if r.channel == "mass"]


def test_leakage_follows_the_closed_form():
    """τ 300 s, I_b 0.01 nC/s, −20 nC/s for 10 s: displays as equation (1) solved in closed form says."""
    world = _world(electrometer=replace(SILENT, leakage_time_constant_s=300.0, bias_current_pA=10.0))
    total = np.array([0.0, -200.0])
    world._falls.append(Fall(0.0, np.array([0.0, 10.0]), np.zeros(2), total, np.zeros(2), total))
    shown = _readings(Board(world, 0).advance(71.0), "charge")
    at = {round(r.device_ms - SILENT.uptime_ms, -1): r.value for r in shown}
    expected = {5000: -99.121691, 10000: -196.605045, 40000: -177.610114, 70000: -160.422789}
    assert {ms: at[ms] for ms in expected} == pytest.approx(expected, abs=1e-4)


def test_no_leakage_is_a_limit():
    """With an infinite τ a charge stays and a bias current is a straight line."""
    world = _world(electrometer=replace(SILENT, leakage_time_constant_s=math.inf, bias_current_pA=-50.0))
    world.inject(100.0, 1.0)
    values = [r.value for r in _readings(Board(world, 0).advance(101.0), "charge")]
    assert values[-1] == pytest.approx(100.0 - 0.05 * 101.0, abs=0.01)


def test_gain_scales_the_display():
    """True charge is the gain times what is displayed."""
    world = _world(electrometer=replace(SILENT, leakage_time_constant_s=math.inf, bias_current_pA=0.0, gain=1.25))
    world.inject(100.0, 1.0)
    assert _readings(Board(world, 0).advance(2.0), "charge")[-1].value == pytest.approx(80.0, abs=1e-3)


@pytest.mark.parametrize("ticks", [[0.01] * 500, [0.3, 1.7, 0.004, 0.996, 2.0], [5.0]])
def test_lines_do_not_depend_on_the_tick(ticks):
    """However time is cut, a silent board says the same."""
    world = _world()
    world.grind(GrindOrder(1.0), 0.5)
    board, data = Board(world, 0), b""
    for until_s in np.cumsum(ticks):
        data += board.advance(float(until_s))
    whole = _world()
    whole.grind(GrindOrder(1.0), 0.5)
    expected = [r.raw for r in _readings(Board(whole, 0).advance(4.9), "charge")]
    assert [r.raw for r in _readings(data, "charge")][: len(expected)] == expected


def test_a_starved_board_catches_up_in_order():
    """Lines of many seconds sent at once stand in order of their stamps, but for one step of the charge's."""
    data = Board(_world(), 0).advance(10.0)
    decoder = make_decoder("framed", ("charge", "humidity", "temperature"))
    stamps = [reading.device_ms for reading in decoder.feed(data, 0)]
    assert len(stamps) == 1000 + 2 * 10
    assert np.diff(stamps).min() >= -1000.0 / SILENT.lines_per_s


def test_over_range_is_said_and_held():
    """Beyond the range the board says OVER and shows the range's end."""
    world = _world(electrometer=replace(SILENT, range_nC=50.0))
    world.inject(80.0, 0.5)
    last = _readings(Board(world, 0).advance(1.0), "charge")[-1]
    assert last.status & Status.OVER
    assert last.value == 50.0


def test_zero_switch_takes_the_charge():
    """ZERO is answered, closes the switch for half a second, and the first line after it says RESET."""
    world = _world(electrometer=replace(SILENT, bias_current_pA=0.0))
    world.inject(80.0, 0.0)
    board = Board(world, 0)
    before = _readings(board.advance(1.0), "charge")
    board.hear(b"ZERO\n")
    data = board.advance(2.0)
    after = _readings(data, "charge")
    assert before[-1].value == pytest.approx(80.0, abs=0.2)
    assert [r.text for r in _readings(data, "notice")] == ["ZERO closed for 500 ms"]
    states = [(bool(r.status & Status.ZERO), bool(r.status & Status.RESET)) for r in after]
    closed = states.count((True, False))
    assert closed in (49, 50)
    assert states == [(True, False)] * closed + [(False, True)] + [(False, False)] * (len(states) - closed - 1)
    assert after[-1].value == 0.0


@pytest.mark.parametrize(
    ("said", "answers"),
    [
        (b"ID?\n", ["virtual charge board 1"]),
        (b"RATE 20\r\nID?\n", ["RATE 20", "virtual charge board 1"]),
        (b"RATE 0\nRATE 201\nRATE x\nRATE\n", ["not understood"] * 4),
        (b"\xff\x00,*\n", ["not understood"]),
        (b"ID?", []),
        (b"x" * 100_000 + b"\n", ["not understood"]),
    ],
)
def test_commands_are_answered(said, answers):
    """Each whole line the host sends is answered by one notice, whatever it holds."""
    board = Board(_world(), 0)
    board.hear(said)
    assert [r.text for r in _readings(board.advance(0.1), "notice")] == answers


def test_command_in_pieces():
    """A command may come byte by byte; an endless one takes no room."""
    board = Board(_world(), 0)
    for byte in b"RATE 10\n":
        board.hear(bytes([byte]))
    assert len(_readings(board.advance(2.0), "charge")) in (19, 20)
    for _ in range(1000):
        board.hear(b"y" * 1000)
    assert len(board._received) <= 200


def test_counters_wrap():
    """Sequence numbers wrap at 65536, the uptime at 2³² ms, and the decoder sees no loss."""
    world = _world(electrometer=replace(SILENT, uptime_ms=2**32 - 100_000, lines_per_s=200.0))
    shown = _readings(Board(world, 0).advance(400.0), "charge")
    assert shown[-1].sequence == len(shown) - 1 - 65536
    assert shown[-1].device_ms == pytest.approx(300_000, abs=10)


def test_noise_has_the_stated_size():
    """White noise, noise with memory, wander and hum add up in variance; the correlation is the stated one."""
    model = replace(SILENT, white_nC=0.02, correlated_nC=0.05, correlated_s=0.5, hum_nC=0.03, hum_Hz=50.3)
    noise = Noise(model, np.random.default_rng(1))
    time_s = np.arange(1, 200_001) / 100.0
    shown = np.concatenate([noise.sample(part, 0.01) for part in np.split(time_s, 40)])
    assert np.var(shown) == pytest.approx(0.02**2 + 0.05**2 + 0.03**2 / 2, rel=0.06)
    lag = np.mean(shown[:-31] * shown[31:])
    expected = 0.05**2 * math.exp(-0.31 / 0.5) + 0.03**2 / 2 * math.cos(2 * math.pi * 50.3 * 0.31)
    assert lag == pytest.approx(expected, abs=2e-4)


def test_spikes_come_at_their_rate():
    """Spikes are off by default; asked for, they come about as often as stated; a touch leaves no charge."""
    time_s = np.arange(1, 60_001) / 100.0
    model = replace(SILENT, spikes_per_min=6.0, spike_nC=100.0)
    assert not Noise(SILENT, np.random.default_rng(1)).sample(time_s, 0.01).any()
    spiky = Noise(model, np.random.default_rng(1)).sample(time_s, 0.01)
    starts = np.sum(np.abs(np.diff(spiky)) > 10.0) / 2
    assert 25 < starts < 130
    world = _world(electrometer=replace(SILENT, bias_current_pA=0.0))
    world.touch(1.0)
    values = np.array([r.value for r in _readings(Board(world, 0).advance(4.0), "charge")])
    assert np.abs(values).max() > 0.5
    assert abs(values[-1]) < 1e-4


def test_damp_air_dries():
    """Humidity rises after a misted grind and is back at the room's within a few minutes; dry grinds leave it."""
    world = _world()
    world.grind(GrindOrder(18.0, 20.0, "misted"), 0.0)
    end_s = world._busy_until_s
    assert world.humidity_percent(end_s - 0.1) == 41.0
    assert world.humidity_percent(end_s + 12.0) > 44.0
    assert world.humidity_percent(end_s + 240.0) == pytest.approx(41.0, abs=0.1)
    dry = _world()
    dry.grind(GrindOrder(18.0), 0.0)
    assert dry.humidity_percent(30.0) == 41.0


def test_plates_tell_the_signs_apart():
    """With plates, charge2 rises with the positive grounds and charge3 falls with the negative ones."""
    world = _world(electrometer=replace(SILENT, plates=True))
    truth = world.grind(GrindOrder(18.0), 0.0)
    data = Board(world, 0).advance(30.0)
    assert _readings(data, "charge2")[-1].value == pytest.approx(0.05 * truth["positive_charge_nC"], abs=1e-3)
    assert _readings(data, "charge3")[-1].value == pytest.approx(0.05 * truth["negative_charge_nC"], abs=1e-3)


def test_ioniser_drives_a_current_and_brings_charge():
    """While it is on, ions drift into the cup; each ionised grind brings a background with the stated spread."""
    world = _world(electrometer=replace(SILENT, leakage_time_constant_s=math.inf, bias_current_pA=0.0))
    world.ioniser_on = True
    assert _readings(Board(world, 0).advance(10.0), "charge")[-1].value == pytest.approx(0.4, abs=0.01)
    room = Room()
    ions = []
    for n in range(200):
        ions.append(world.grind(GrindOrder(0.0, purpose="blank"), 100.0 * n)["ion_charge_nC"])
    assert np.mean(ions) == pytest.approx(room.ioniser_background_nC, abs=4 * room.ioniser_spread_nC / 200**0.5)
    assert np.std(ions) == pytest.approx(room.ioniser_spread_nC, rel=0.2)


def test_scale_lags_and_settles():
    """A load put on at once shows 1−1/e of itself after one lag, is unstable meanwhile, then stable and exact."""
    world = _world(scale=replace(STILL, lag_s=1.0, resolution_g=0.001, lines_per_s=50.0))
    scale = PrintingScale(world, 0)
    heard = scale.advance(1.0)
    start_s = scale._time_s
    grams = np.array([10.0, 10.0])
    world._falls.append(Fall(start_s, np.array([0.0, 0.001]), grams, np.zeros(2), np.zeros(2), np.zeros(2)))
    heard += scale.advance(start_s + 15.0)
    weights = _weights(heard)
    after = weights[-750:]
    assert after[49].value - 152.3 == pytest.approx(10 * (1 - 1 / math.e), abs=0.05)
    assert after[49].status & Status.UNSETTLED
    assert after[-1].value == pytest.approx(162.3)
    assert after[-1].status & Status.SETTLED


def test_scale_rounds_to_its_resolution():
    """Every printed value is a whole number of resolution steps."""
    scale = PrintingScale(_world(scale=ScaleModel(resolution_g=0.05, noise_g=0.1)), 0)
    values = np.array([r.value for r in _weights(scale.advance(30.0))])
    steps = values / 0.05
    assert np.allclose(steps, np.round(steps), atol=1e-6)
    assert len(set(values)) > 3


def test_emptying_returns_to_the_tare():
    """Poured out again and again, the cup comes back to its tare, and the charge to zero."""
    world = _world(electrometer=replace(SILENT, bias_current_pA=0.0))
    board, scale, now_s = Board(world, 0), PrintingScale(world, 0), 0.0
    for _ in range(3):
        truth = world.grind(GrindOrder(5.0), now_s)
        full = _weights(scale.advance(now_s + 20.0))[-1]
        assert full.value - 152.3 == pytest.approx(truth["collected_mass_g"], abs=0.0051)
        world.empty_cup(now_s + 20.0)
        lifted = [r.value for r in _weights(scale.advance(now_s + 28.0))]
        assert min(lifted) < 5.0
        assert lifted[-1] == pytest.approx(152.3)
        shown = _readings(board.advance(now_s + 28.0), "charge")[-1]
        assert shown.value == pytest.approx(0.0, abs=1e-3)
        world.forget_before(now_s + 28.0)
        now_s += 40.0


def test_one_thing_at_a_time():
    """While it grinds or the cup is out, the bench takes no other order."""
    world = _world()
    world.grind(GrindOrder(18.0), 0.0)
    for order in (lambda: world.grind(GrindOrder(1.0), 1.0), lambda: world.empty_cup(1.0), lambda: world.inject(1, 1)):
        with pytest.raises(InputError, match="busy"):
            order()


def test_truth_does_not_depend_on_the_hour():
    """The n-th grind of a seed is the same whenever it starts and whatever is done in between."""
    early, late = _world(seed=5), _world(seed=5)
    late.inject(5.0, 0.0)
    late.empty_cup(100.0)
    keys = ("net_charge_nC", "positive_charge_nC", "collected_mass_g", "grind_time_s")
    for n in range(3):
        a = early.grind(GrindOrder(18.0), 60.0 * n)
        b = late.grind(GrindOrder(18.0), 200.0 + 97.0 * n)
        assert {k: a[k] for k in keys} == pytest.approx({k: b[k] for k in keys}, rel=1e-12)
    assert _world(seed=6).grind(GrindOrder(18.0), 0.0)["net_charge_nC"] != pytest.approx(a["net_charge_nC"])


def test_water_carries_over_and_dries():
    """What a misted run leaves acts on the next, less so after a wait."""
    world = _world(room=replace(Room(), carry_over=0.2, carry_over_return_s=60.0))
    world.grind(GrindOrder(18.0, 20.0, "misted"), 0.0)
    end_s = world._busy_until_s
    assert world.grind(GrindOrder(18.0), end_s + 60.0)["carried_water_uL_per_g"] == pytest.approx(4.0 / math.e)
    assert world.grind(GrindOrder(18.0), end_s + 700.0)["carried_water_uL_per_g"] < 0.01


def test_forgetting_changes_nothing():
    """Folding the past into constants leaves charge and load as they were."""
    world = _world()
    for n in range(6):
        world.grind(GrindOrder(3.0), 30.0 * n)
        world.empty_cup(30.0 * n + 20.0)
    now = np.array([181.0, 185.0])
    before = world.charge_nC(now), world.load_g(now), world.plate_nC(1, now)
    world.forget_before(181.0)
    world.forget_before(182.0)
    assert len(world._falls) < 3
    assert len(world._emptied) < 3
    after = world.charge_nC(now), world.load_g(now), world.plate_nC(1, now)
    for a, b in zip(before, after, strict=True):
        assert np.allclose(a, b, rtol=1e-12, atol=1e-9)


def test_a_board_that_is_switched_off_begins_again():
    """Charge, clock and line numbers begin anew after a restart, nothing is said meanwhile, and a decoder tells it."""
    world = _world(electrometer=replace(SILENT, leakage_time_constant_s=math.inf, bias_current_pA=0.0))
    board = Board(world, 0)
    world.inject(-50.0, 1.0)
    decoder = make_decoder("framed", ["charge", "humidity", "temperature"])
    before = decoder.feed(board.advance(3.0), 0)
    board.restart(3.0, 0.5)
    after = decoder.feed(board.advance(6.0), 0)
    charge = [[r for r in readings if r.channel == "charge"] for readings in (before, after)]
    assert charge[0][-1].value == pytest.approx(-50.0)
    assert [r.value for r in charge[1]] == pytest.approx([0.0] * len(charge[1]))
    assert len(charge[1]) == pytest.approx(250, abs=2)
    assert (charge[1][0].sequence, charge[1][0].device_ms < 20) == (0, True)
    marked = [r.channel for r in after if r.status & Status.RESTARTED]
    assert sorted(marked) == ["charge", "humidity", "temperature"]


def test_a_polled_electrometer_answers_and_is_switched_off():
    """It tells its name, its bits, its errors and the charge in coulomb; after a restart the bits say so."""
    world = _world(electrometer=replace(SILENT, speaks="scpi", leakage_time_constant_s=math.inf, bias_current_pA=0.0))
    meter = Meter(world, 0)
    world.inject(-50.0, 1.0)

    def ask(command, at_s):
        meter.hear(f"{command}\n".encode())
        return meter.advance(at_s).decode().strip()

    meter.advance(3.0)
    assert ask("*IDN?", 3.1).count(",") == 3
    assert [ask("*ESR?", 3.2), ask("*ESR?", 3.3)] == ["128", "0"]
    assert float(ask("READ?", 3.4)) == pytest.approx(-50e-9)
    assert [ask(":FUNK CHAR", 3.5), ask("*ESR?", 3.6)] == ["", "32"]
    assert [ask("SYST:ERR?", 3.7), ask("SYST:ERR?", 3.8)] == ['-113,"Undefined header"', '0,"No error"']
    meter.restart(4.0, 0.5)
    assert ask("READ?", 4.2) == ""
    meter.advance(5.0)
    assert ask("*ESR?", 5.1) == "128"
    assert float(ask("READ?", 5.2)) == pytest.approx(0.0, abs=1e-15)

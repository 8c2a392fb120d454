"""Clocks: counters to seconds, and the rate between host and device."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from chargebench.recording.clocks import WRAP_MS, DeviceClock, Envelope, HostMap


def stream(
    clock: DeviceClock, start_ms: int, seconds: float, rate: float = 1.0, host_from_s: float = 0.0, seed: int = 0
) -> tuple[np.ndarray, float]:
    """Feed 100 lines a device second in chunks that come a little late; gives device seconds and the last host time."""
    rng = np.random.default_rng(seed)
    found, host_s = [], host_from_s
    chunk = max(1, round(2 * rate))
    for first in range(0, int(100 * seconds), chunk):
        sent_ms = 10 * np.arange(first, first + chunk)
        host_s = host_from_s + sent_ms[-1] / 1000 / rate + rng.exponential(0.004) + 0.001
        found += [clock.seconds(int((start_ms + ms) % WRAP_MS), host_s) for ms in sent_ms]
        clock.arrived(found[-1], host_s)
    return np.array(found), host_s


@pytest.mark.parametrize("rate", [0.999, 0.99999, 1.0, 1.00005, 1.002, 3.0, 10.0, 50.0])
def test_rate_is_found_under_late_arrivals(rate: float) -> None:
    """From 1 to 50 times the host's rate the fit is right to a few parts in ten thousand over ten host seconds."""
    clock = DeviceClock()
    stream(clock, 5000, 10.0 * rate, rate)
    assert clock.map.rate == pytest.approx(rate, rel=4e-4)


@pytest.mark.parametrize("rate", [1.0, 10.0, 50.0])
def test_rate_serves_from_the_first_seconds(rate: float) -> None:
    """After one host second the host's time already falls where the device is, within its reading interval."""
    clock = DeviceClock()
    times_s, host_s = stream(clock, 0, rate, rate)
    assert clock.map.device_s(host_s) == pytest.approx(times_s[-1], abs=0.03 * rate)


def test_a_backlog_at_the_start_does_not_tilt_the_line() -> None:
    """Old lines that were waiting in the port when it was opened arrive at once; the rate is that of what follows."""
    clock = DeviceClock()
    for ms in range(0, 8000, 10):
        clock.seconds(ms, 0.001)
    clock.arrived(clock.seconds(8000, 0.001), 0.001)
    for ms in range(8010, 28000, 10):
        host_s = (ms - 8000) / 1000 + 0.002
        clock.arrived(clock.seconds(ms, host_s), host_s)
    assert clock.map.rate == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("at", [1, 2, 3])
def test_the_counter_wraps_after_4294967295_to_the_millisecond(at: int) -> None:
    """The last stamp before the wrap is 2³² − 1 and the next is 0: a millisecond later, wherever a line falls."""
    clock = DeviceClock()
    stamps = [4_294_967_293, 4_294_967_294, 4_294_967_295, 0, 1, 2]
    stamps = [*stamps[:at], *stamps[at + 1 :]]  # the wrap itself may fall between lines that are further apart
    times_s = [clock.seconds(ms, 10.0 + number / 1000) for number, ms in enumerate(stamps)]
    steps_ms = [round(1000 * step_s, 6) for step_s in np.diff(times_s)]
    assert steps_ms == [2.0 if number == at - 1 else 1.0 for number in range(4)]
    assert clock.seconds(2, 10.01) == times_s[-1]  # two lines of one millisecond are no wrap
    assert clock.events == []


@pytest.mark.parametrize("start_ms", [0, 1000, WRAP_MS - 1, WRAP_MS - 1500, WRAP_MS // 2])
def test_a_wrap_of_the_counter_is_no_event(start_ms: int) -> None:
    """Seconds go on evenly where the counter wraps from 4294967295 to 0."""
    clock = DeviceClock()
    times_s, _ = stream(clock, start_ms, 5.0)
    assert np.diff(times_s) == pytest.approx(0.01)
    assert clock.events == []


@pytest.mark.parametrize("before_ms", [10_000, 3_000_000_000, 2_000_000, 700])
def test_a_restart_goes_on_by_the_host(before_ms: int) -> None:
    """A board that starts again from zero two seconds later goes on two seconds later, and the event is kept."""
    clock = DeviceClock()
    first_s, host_s = stream(clock, before_ms, 5.0)
    again_s, _ = stream(clock, 0, 5.0, host_from_s=host_s + 2.0)
    assert [event.kind for event in clock.events] == ["restart"]
    assert again_s[1] - first_s[-1] == pytest.approx(2.0, abs=0.06)
    assert np.diff(again_s[1:]) == pytest.approx(0.01)


def test_a_host_that_slept_is_a_jump_and_the_device_is_believed() -> None:
    """When the host's clock stood still for an hour the device's hour counts, and both maps hold on their own side."""
    clock = DeviceClock()
    first_s, host_s = stream(clock, 10_000_000, 5.0)
    again_s, last_s = stream(clock, 10_005_000 + 3_600_000, 5.0, host_from_s=host_s + 0.1)
    assert [event.kind for event in clock.events] == ["jump"]
    assert again_s[1] - first_s[-1] == pytest.approx(3600.0, abs=0.2)
    assert clock.map.device_s(last_s) == pytest.approx(again_s[-1], abs=0.05)
    assert clock.map.device_s(host_s) == pytest.approx(first_s[-1], abs=0.05)


@pytest.mark.parametrize("stray_ms", [0, 5, 4_000_000_000, 123_456_789])
def test_a_single_stray_stamp_changes_nothing(stray_ms: int) -> None:
    """One damaged stamp that passed its check is no restart: the lines after it are where they would have been."""
    clock, other = DeviceClock(), DeviceClock()
    _, host_s = stream(clock, 1_000_000, 3.0)
    stream(other, 1_000_000, 3.0)
    clock.seconds(stray_ms, host_s)
    after_s = [clock.seconds(1_003_000 + ms, host_s + ms / 1000) for ms in range(0, 500, 10)]
    wanted_s = [other.seconds(1_003_000 + ms, host_s + ms / 1000) for ms in range(0, 500, 10)]
    assert after_s == wanted_s
    assert clock.events == []


def test_a_late_line_keeps_its_own_time() -> None:
    """Lines out of order get the time that they are stamped with."""
    clock = DeviceClock()
    times_s = [clock.seconds(ms, 0.1) for ms in (1000, 1010, 1030, 1020, 1040)]
    assert np.array(times_s) - times_s[0] == pytest.approx([0.0, 0.01, 0.03, 0.02, 0.04])


def test_every_stretch_costs_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    """A board that restarts twice as often takes twice as many looks at stretches, and the longest tells the rate."""
    looks = 0
    span_s = Envelope.span_s.fget
    assert span_s is not None

    def counted(envelope: Envelope) -> float:
        nonlocal looks
        looks += 1
        return span_s(envelope)

    monkeypatch.setattr(Envelope, "span_s", property(counted))

    def looked(restarts: int) -> int:
        nonlocal looks
        looks, kept = 0, HostMap()
        for number in range(restarts):
            rate = 2.0 if number == 3 else 1.0
            kept.begin(100.0 * number, 100.0 * number)
            for step_s in range(9 if number == 3 else 5):
                kept.add(100.0 * number + rate * step_s, 100.0 * number + step_s)
        assert (kept.rate, kept.span_s) == (2.0, 8.0)
        return looks

    assert looked(400) < 2.5 * looked(200)


@settings(max_examples=50)
@example([(0.0, 0.0), (5e-324, 2.0)])
@given(st.lists(st.tuples(st.floats(0, 1e6), st.floats(0, 1e6)), min_size=1, max_size=200))
def test_envelope_never_raises_and_stays_below(points: list[tuple[float, float]]) -> None:
    """Whatever arrives, the line lies on or below every point that it was given in order."""
    envelope = Envelope()
    host_s, device_s, kept = 0.0, 0.0, []
    for step_d, step_h in points:
        device_s, host_s = device_s + step_d, host_s + step_h
        envelope.add(device_s, host_s)
        kept.append((device_s, host_s))
    line = envelope.line()
    assert line.rate > 0
    assert all(line.offset_s + d / line.rate <= h + 1e-6 * (1 + abs(h) + abs(d / line.rate)) for d, h in kept)


@settings(max_examples=60)
@given(st.lists(st.tuples(st.integers(0, WRAP_MS - 1), st.floats(0, 100)), max_size=100))
def test_clock_never_raises_on_stamps(lines: list[tuple[int, float]]) -> None:
    """Stamps of any order give finite seconds."""
    clock, host_s = DeviceClock(), 0.0
    for ms, step_s in lines:
        host_s += step_s
        device_s = clock.seconds(ms, host_s)
        clock.arrived(device_s, host_s)
        assert np.isfinite(device_s)
        assert np.isfinite(clock.map.device_s(host_s))


@pytest.mark.parametrize("off_s", [0.2, 3.0])
def test_a_board_that_starts_again_at_once_keeps_its_time(off_s: float) -> None:
    """Switched off within half a second of its start, as its lines tell: times go on by the host's clock."""
    clock = DeviceClock()
    times_s = []
    for number in range(400):
        true_s = 0.02 * number
        again = true_s >= 0.4
        if again and true_s < 0.4 + off_s:
            continue
        ms = round(1000 * (true_s - (0.4 + off_s if again else -0.05)))
        times_s.append((true_s, clock.seconds(ms, true_s + 0.001, anew=again and not clock.events)))
        clock.arrived(times_s[-1][1], true_s + 0.001)
    assert [event.kind for event in clock.events] == ["restart"]
    assert max(abs(found_s - true_s) for true_s, found_s in times_s) < 0.05
    assert clock.map.device_s(7.0) == pytest.approx(7.0, abs=0.05)

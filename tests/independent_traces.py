"""Makes one bench run as arrays, a charge and a mass trace with the truth, by itself: nothing of the program is here.

A yardstick for whatever reduces a run, on the standard library and numpy. The cup obeys

    dq/dt = i(t) + I_b - q/tau

and is solved in the form that needs no current: with P(t) what was put on the cup by time t (what it held at first,
grounds, touches, discharges, bias current times time),

    q(t) = P(t) - k exp(-k t) * integral of exp(k s) P(s) ds from 0 to t,   k = 1/tau,

so that a charge which arrives within no time at all is as exact as one that takes ten seconds. The integral is taken by
trapezoids of 2 ms. On the display come white, first-order autoregressive, random-walk and 1/f noise, mains as the
readings see it, slow waves of the zero, and the steps of the display; the scale lags, vibrates, drifts, creeps under
its load and rounds.

Truth is what the grounds carried in, those that fall late among them, and their mass.
"""

import math
from dataclasses import dataclass, field, replace

import numpy as np

TICK_S = 0.002
"""Step of the integration."""
FLICKER_SPAN_S = 400.0
"""Slowest period of the 1/f noise."""


@dataclass(frozen=True)
class Event:
    """Charge that moves without grounds, from `at_s` on.

    ``step``: `size_nC` more within `lasts_s` (0 for at once). ``pulse``: a charge that comes and is gone again after
    `lasts_s`, `size_nC` at its height. ``zero``: the cup holds nothing at that moment, whatever it held before.
    """

    kind: str
    at_s: float
    size_nC: float = 0.0
    lasts_s: float = 0.0


@dataclass(frozen=True)
class Setting:
    """What is simulated. The recording begins at 0; burrs run from `before_s` for `grind_s`, `after_s` follow.

    Shares: `late_share` of the mass falls within `late_s` after the burrs stop, evenly (``dribble``) or dying away
    (``fading``), and carries `late_factor` times the charge per gram of the rest. `bipolar_nC` comes early in the grind
    and goes again with the later grounds. From `range_at_s` on the display has `coarse_nC` steps.
    """

    seed: int = 0
    before_s: float = 15.0
    grind_s: float = 12.0
    after_s: float = 15.0
    mass_g: float = 18.0
    charge_per_gram_nC: float = -30.0
    bipolar_nC: float = 0.0
    late_share: float = 0.0
    late_s: float = 3.0
    late_kind: str = "fading"
    late_factor: float = 1.0
    unsteady: float = 0.15
    edge_s: float = 0.5
    tau_s: float = 900.0
    bias_nA: float = 0.01
    start_nC: float = 0.0
    events: tuple[Event, ...] = ()
    rate_Hz: float = 20.0
    white_nC: float = 0.05
    correlated_nC: float = 0.0
    memory_s: float = 1.0
    walk_nC_per_root_s: float = 0.0
    flicker_nC: float = 0.0
    mains_nC: float = 0.0
    mains_Hz: float = 50.0
    wave_nC: float = 0.0
    wave_s: float = 40.0
    display_nC: float = 0.0
    range_at_s: float = math.inf
    coarse_nC: float = 0.0
    scale_Hz: float = 10.0
    lag_s: float = 0.6
    resolution_g: float = 0.01
    scale_noise_g: float = 0.003
    vibration_g: float = 0.05
    drift_g_per_s: float = 0.0
    creep_g: float = 0.0
    creep_s: float = 20.0
    tare_g: float = 180.0


@dataclass(frozen=True)
class Truth:
    """What the grounds did: charge and mass of all of them, when the burrs ran, when the last of them had fallen."""

    net_charge_nC: float
    mass_g: float
    charge_to_mass_nC_per_g: float
    onset_s: float
    end_s: float
    last_s: float


@dataclass(frozen=True, eq=False)
class Traces:
    """What the two instruments sent, and the truth. Times in s since the recording began."""

    charge_s: np.ndarray
    charge_nC: np.ndarray
    mass_s: np.ndarray
    mass_g: np.ndarray
    truth: Truth
    drawn: dict[str, object] = field(default_factory=dict)


# --- what falls -------------------------------------------------------------------------------------------------------


def course(setting: Setting, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Times, and the share of the main grounds fallen by then: a flow with soft ends that is never quite steady."""
    n = max(round(setting.grind_s / TICK_S), 10)
    x = np.arange(n + 1) * (setting.grind_s / n)
    edge = min(setting.edge_s, 0.3 * setting.grind_s)
    flow = np.clip(np.minimum(x, setting.grind_s - x) / edge, 0.0, 1.0) if edge > 0 else np.ones(n + 1)
    knots = np.arange(0.0, setting.grind_s + 0.8, 0.4)
    flow = flow * np.exp(setting.unsteady * np.interp(x, knots, rng.standard_normal(len(knots))))
    share = np.concatenate(([0.0], np.cumsum(0.5 * (flow[1:] + flow[:-1]))))
    return setting.before_s + x, share / share[-1]


def late_course(setting: Setting, time_s: np.ndarray) -> np.ndarray:
    """Share of the late grounds fallen by each time."""
    x = np.clip((time_s - setting.before_s - setting.grind_s) / setting.late_s, 0.0, 1.0)
    return x if setting.late_kind == "dribble" else (1.0 - np.exp(-3.0 * x)) / (1.0 - math.exp(-3.0))


@dataclass(frozen=True, eq=False)
class Fall:
    """How grounds fall, as functions of time."""

    setting: Setting
    table_s: np.ndarray
    table: np.ndarray

    def shares(self, time_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Shares of the main and of the late grounds fallen."""
        main = np.interp(time_s, self.table_s, self.table)
        return main, late_course(self.setting, time_s) if self.setting.late_share > 0 else np.zeros(len(time_s))

    def mass_g(self, time_s: np.ndarray) -> np.ndarray:
        """Mass fallen."""
        main, late = self.shares(time_s)
        return self.setting.mass_g * ((1.0 - self.setting.late_share) * main + self.setting.late_share * late)

    def charge_nC(self, time_s: np.ndarray) -> np.ndarray:
        """Charge that the grounds have carried in."""
        s = self.setting
        main, late = self.shares(time_s)
        whole = s.charge_per_gram_nC * s.mass_g
        swing = 4.0 * s.bipolar_nC * main * (1.0 - main)
        return whole * ((1.0 - s.late_share) * main + s.late_factor * s.late_share * late) + swing


# --- what the cup holds -----------------------------------------------------------------------------------------------


def moved_nC(event: Event, time_s: np.ndarray) -> np.ndarray:
    """What an event of known size has put on the cup by each time."""
    since = time_s - event.at_s
    if event.kind == "step":
        return event.size_nC * (since >= 0 if event.lasts_s == 0 else np.clip(since / event.lasts_s, 0.0, 1.0))
    if event.kind == "pulse":
        return event.size_nC * np.sin(np.pi * np.clip(since / event.lasts_s, 0.0, 1.0)) ** 2
    raise ValueError(f"event is {event.kind!r}, expected step or pulse")


def held_nC(setting: Setting, fall: Fall, time_s: np.ndarray) -> np.ndarray:
    """Charge on the cup at each time."""
    known = [e for e in setting.events if e.kind != "zero"]

    def put(t: np.ndarray) -> np.ndarray:
        total = setting.start_nC + fall.charge_nC(t) + setting.bias_nA * t
        return sum((moved_nC(e, t) for e in known), total)

    for event in sorted((e for e in setting.events if e.kind == "zero"), key=lambda e: e.at_s):
        before = solved(put, setting.tau_s, np.array([np.nextafter(event.at_s, 0.0)]))[0]
        known.append(Event("step", event.at_s, -float(before)))
    return solved(put, setting.tau_s, time_s)


def solved(put, tau_s: float, time_s: np.ndarray) -> np.ndarray:
    """The cup's charge at each time, from what was put on it as a function of time."""
    if math.isinf(tau_s):
        return put(time_s)
    k = 1.0 / tau_s
    grid = np.arange(math.ceil(float(time_s[-1]) / TICK_S) + 2) * TICK_S
    grown = np.exp(k * grid) * put(grid)
    integral = np.concatenate(([0.0], np.cumsum(0.5 * TICK_S * (grown[1:] + grown[:-1]))))
    return put(time_s) - k * np.exp(-k * time_s) * np.interp(time_s, grid, integral)


# --- what the instruments show ----------------------------------------------------------------------------------------


def autoregressive(n: int, keep: float, rng: np.random.Generator) -> np.ndarray:
    """First-order autoregressive noise of unit variance."""
    drive = (math.sqrt(1.0 - keep * keep) * rng.standard_normal(n)).tolist()
    value, out = float(rng.standard_normal()), []
    for each in drive:
        value = keep * value + each
        out.append(value)
    return np.array(out)


def flicker_lines(rate_Hz: float, span_s: float) -> tuple[np.ndarray, np.ndarray, int]:
    """Frequencies, variances and number of samples of 1/f noise of unit variance per factor e of frequency."""
    n = 1 << math.ceil(math.log2(rate_Hz * max(FLICKER_SPAN_S, 2.0 * span_s)))
    f = np.arange(1, n // 2) * rate_Hz / n
    return f, (rate_Hz / n) / f, n


def flicker(n: int, rate_Hz: float, rng: np.random.Generator) -> np.ndarray:
    """1/f noise of unit variance per factor e of frequency."""
    f, variance, whole = flicker_lines(rate_Hz, n / rate_Hz)
    spectrum = np.zeros(whole // 2 + 1, dtype=complex)
    turns = rng.standard_normal(len(f)) - 1j * rng.standard_normal(len(f))
    spectrum[1 : 1 + len(f)] = 0.5 * whole * np.sqrt(variance) * turns
    return np.fft.irfft(spectrum, whole)[:n]


def wobble_nC(setting: Setting, time_s: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Everything that the display shows beside the cup's charge."""
    s, n = setting, len(time_s)
    out = s.white_nC * rng.standard_normal(n)
    if s.correlated_nC:
        out += s.correlated_nC * autoregressive(n, math.exp(-1.0 / (s.rate_Hz * s.memory_s)), rng)
    if s.walk_nC_per_root_s:
        out += s.walk_nC_per_root_s / math.sqrt(s.rate_Hz) * np.cumsum(rng.standard_normal(n))
    if s.flicker_nC:
        out += s.flicker_nC * flicker(n, s.rate_Hz, rng)
    for size, period_s in ((s.mains_nC, 1.0 / s.mains_Hz), (s.wave_nC, s.wave_s)):
        if size:
            out += size * np.sin(2 * np.pi * (time_s / period_s + rng.uniform()))
    return out


def rounded(value: np.ndarray, step: np.ndarray | float) -> np.ndarray:
    """To the nearest step; unchanged where it is 0."""
    step = np.broadcast_to(np.asarray(step, dtype=float), value.shape)
    safe = np.where(step > 0, step, 1.0)
    return np.where(step > 0, np.round(value / safe) * safe, value)


def stamps(rate_Hz: float, until_s: float, rng: np.random.Generator) -> np.ndarray:
    """When readings are taken."""
    return rng.uniform(0.0, 1.0 / rate_Hz) + np.arange(math.floor((until_s - 1.0 / rate_Hz) * rate_Hz)) / rate_Hz


def weighed_g(setting: Setting, fall: Fall, time_s: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """What the scale shows."""
    s = setting
    grid = np.arange(math.ceil(float(time_s[-1]) / TICK_S) + 2) * TICK_S
    load = fall.mass_g(grid)
    if s.creep_g:
        since = np.clip(grid - s.before_s - 0.5 * s.grind_s, 0.0, None)
        load = load + s.creep_g * (1.0 - np.exp(-since / s.creep_s))
    if s.lag_s > 0:
        grown = np.exp(grid / s.lag_s) * load
        area = np.concatenate(([0.0], np.cumsum(0.5 * TICK_S * (grown[1:] + grown[:-1]))))
        load = np.exp(-grid / s.lag_s) * area / s.lag_s
    grinding = (time_s > s.before_s) & (time_s < s.before_s + s.grind_s)
    noise = np.hypot(s.scale_noise_g, s.vibration_g * grinding) * rng.standard_normal(len(time_s))
    shown = s.tare_g + np.interp(time_s, grid, load) + s.drift_g_per_s * time_s + noise
    return rounded(shown, s.resolution_g)


def at_rest(setting: Setting) -> tuple[np.ndarray, np.ndarray]:
    """Times and readings of the empty, untouched cup for `before_s`, as a check of the zero sees them."""
    s, rng = replace(setting, charge_per_gram_nC=0.0, bipolar_nC=0.0, events=()), np.random.default_rng(setting.seed)
    charge_s = stamps(s.rate_Hz, s.before_s, rng)
    shown = held_nC(s, Fall(s, *course(s, rng)), charge_s) + wobble_nC(s, charge_s, rng)
    return charge_s, rounded(shown, s.display_nC)


def play(setting: Setting, drawn: dict[str, object] | None = None) -> Traces:
    """The run's two traces and its truth."""
    s, rng = setting, np.random.default_rng(setting.seed)
    fall = Fall(s, *course(s, rng))
    end_s = s.before_s + s.grind_s
    charge_s = stamps(s.rate_Hz, end_s + s.after_s, rng)
    mass_s = stamps(s.scale_Hz, end_s + s.after_s, rng)
    step = np.where(charge_s < s.range_at_s, s.display_nC, s.coarse_nC)
    shown = rounded(held_nC(s, fall, charge_s) + wobble_nC(s, charge_s, rng), step)
    last_s = end_s + (s.late_s if s.late_share > 0 else 0.0)
    ever = np.array([last_s + 1.0])
    net, mass = float(fall.charge_nC(ever)[0]), float(fall.mass_g(ever)[0])
    truth = Truth(net, mass, net / mass, s.before_s, end_s, last_s)
    return Traces(charge_s, shown, mass_s, weighed_g(s, fall, mass_s, rng), truth, dict(drawn or {}))

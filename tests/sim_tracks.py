"""Made-up inputs of the findings stage, as hard as real ones, together with their truth, from a seed.

Works on arrays, not on audio: the speed curve is made at 200 Hz, seen through the smoothing and the faults of a speed
tracker (correlated noise, outliers, gaps, octave glitches of low confidence), and the firing opportunities are laid on
the same curve with timing jitter, uneven burns, misses, noise and probabilities of a detector.

Every figure drawn here is a choice meant to span ordinary and hard recordings; none is from a standard.
Random numbers come from `numpy.random.default_rng(seed)`: the same seed gives the same case.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.signal import lfilter

from enginelog.model import Engine, Firings, Pop, Quality, Span, Speed, Timeline, Track

FINE_HZ = 200.0
FRAME_S = 0.05
SINGLE4 = Engine(strokes=4, cylinders=1, firing_angles_deg=(0.0,))
SINGLE2 = Engine(strokes=2, cylinders=1, firing_angles_deg=(0.0,))
TWIN_270 = Engine(strokes=4, cylinders=2, firing_angles_deg=(0.0, 270.0))
TWIN_180 = Engine(strokes=4, cylinders=2, firing_angles_deg=(0.0, 180.0))
TWIN_360 = Engine(strokes=4, cylinders=2, firing_angles_deg=(0.0, 360.0))
ENGINES = (SINGLE4, SINGLE2, TWIN_270, TWIN_180, TWIN_360)


@dataclass(frozen=True)
class Load:
    """A load taken (droop > 0) or dropped (droop < 0): deep = extra transient depth, both in per cent of speed."""

    at_s: float
    droop_percent: float
    deep_percent: float
    tau_s: float
    ring_hz: float = 0.0


@dataclass(frozen=True)
class Scenario:
    """What happens in one run. Shares are 0..1, the rest in the unit of the name."""

    engine: Engine = SINGLE4
    rpm: float = 3000.0
    seconds: float = 20.0
    lead_s: float = 1.0
    wobble_percent: float = 0.2
    wobble_hz: float = 0.0
    wobble_damping: float = 0.3
    drift_percent: float = 0.0
    hunt_hz: float = 0.0
    hunt_swing_percent: float = 0.0
    hunt_harmonic: float = 0.0
    hunt_phase_noise: float = 0.0
    hunt_growth: float = 0.0
    hunt_within_s: tuple[float, float] = (0.0, np.inf)
    miss_share: float = 0.0
    miss_slot: int | None = None
    burst_mean: float = 1.0
    every_second: bool = False
    rough_s: float = 0.0
    rough_share: float = 0.0
    rough_kind: str = "step"
    rough_wobble_percent: float = 0.0
    puff: tuple[float, float] = (0.0, 0.15)
    dip_percent: float = 1.2
    loads: tuple[Load, ...] = ()
    throttle: tuple[tuple[float, float, float], ...] = ()
    run_up: bool = True
    snr_db: float = 20.0
    strength_spread: float = 0.15
    timing_jitter: float = 0.02
    noise_percent: float = 0.2
    outliers: float = 0.01
    gaps: float = 0.03
    glitches: float = 0.01
    window_s: float = 0.22
    slot_levels: tuple[float, ...] = ()


@dataclass(frozen=True)
class Truth:
    """What really was: the fine curve, the lost firings, and the scenario itself."""

    scenario: Scenario
    t_s: np.ndarray
    rpm: np.ndarray
    missed: np.ndarray
    hunt_swing_percent: float = 0.0
    hunt_hz: float = 0.0
    settle_s: float | None = None

    @property
    def miss_percent(self) -> float:
        return 100.0 * float(np.mean(self.missed))


@dataclass(frozen=True)
class Case:
    """All arguments of `enginelog.findings.judge` but the limits, and the truth."""

    engine: Engine
    quality: Quality
    timeline: Timeline
    speed: Speed
    track: Track
    firings: Firings
    truth: Truth = field(repr=False)


def make(seed: int, scenario: Scenario) -> Case:
    """One case of `scenario` from `seed`."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, scenario.seconds, 1 / FINE_HZ)
    base, hunt = _base_curve(t, scenario, rng)
    times, slots, revs = _opportunities(t, base, scenario.engine)
    missed = _draw_misses(times, slots, scenario, rng)
    rpm = base * (1 - _dips(t, times[missed], scenario))
    times, slots, revs = _opportunities(t, rpm, scenario.engine)
    missed = np.resize(missed, len(times))
    firings = _observe_firings(times, slots, revs, missed, scenario, rng)
    track = _observe_track(t, rpm, scenario, rng)
    truth = _truth(scenario, t, rpm, missed, hunt)
    return _case(scenario, track, firings, truth)


# ---------------------------------------------------------------- the speed curve


def _base_curve(t: np.ndarray, s: Scenario, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    share = _wobble(len(t), s.wobble_percent, s.wobble_hz, s.wobble_damping, rng)
    rough = _wobble(len(t), s.rough_wobble_percent, 0.0, 0.3, rng) * np.sqrt(rough_shape(t, s))
    hunt = _hunting(t, s, rng)
    drift = s.drift_percent * (t / t[-1] - 0.5) + 0.3 * s.drift_percent * np.sin(
        2 * np.pi * t / t[-1] * rng.uniform(0.3, 0.8)
    )
    loads = sum((load_response(t - load.at_s, load) for load in s.loads), np.zeros(len(t)))
    percent = share + rough + hunt + drift + loads
    rpm = s.rpm * (1 + percent / 100) * _throttle(t, s)
    return rpm * _run_up(t, s, rng), hunt


def _wobble(n: int, percent: float, hz: float, damping: float, rng: np.random.Generator) -> np.ndarray:
    """Gaussian wobble of standard deviation `percent`: lightly damped round `hz`, or first-order (0.5 s)
    where
    hz is 0.
    """
    if percent <= 0:
        return np.zeros(n)
    extra = int(20 * FINE_HZ)
    white = rng.standard_normal(n + extra)
    if hz > 0:
        radius = np.exp(-2 * np.pi * hz * damping / FINE_HZ)
        angle = 2 * np.pi * hz * np.sqrt(1 - damping**2) / FINE_HZ
        wobble = lfilter([1.0], [1.0, -2 * radius * np.cos(angle), radius**2], white)
    else:
        wobble = lfilter([1.0], [1.0, -np.exp(-1 / (0.5 * FINE_HZ))], white)
    wobble = wobble / np.std(wobble)
    return percent * wobble[extra:]


def _hunting(t: np.ndarray, s: Scenario, rng: np.random.Generator) -> np.ndarray:
    """Per cent of speed; period jitter `hunt_phase_noise` a cycle (share), amplitude growing by `hunt_growth` (log)
    over the run; none outside of `hunt_within_s`.
    """
    if s.hunt_hz <= 0:
        return np.zeros(len(t))
    steps = rng.standard_normal(len(t)) * 2 * np.pi * s.hunt_phase_noise * np.sqrt(s.hunt_hz / FINE_HZ)
    phase = 2 * np.pi * s.hunt_hz * t + np.cumsum(steps) + rng.uniform(0, 2 * np.pi)
    wave = np.sin(phase) + s.hunt_harmonic * np.sin(2 * phase + rng.uniform(0, 2 * np.pi))
    wave = wave / np.ptp(wave)
    envelope = np.exp(s.hunt_growth * (t / t[-1] - 0.5))
    slow = 1 + 0.1 * np.sin(2 * np.pi * t / t[-1] * rng.uniform(0.5, 1.5) + rng.uniform(0, 6))
    inside = (t >= s.hunt_within_s[0]) & (t < s.hunt_within_s[1])
    return s.hunt_swing_percent * wave * envelope * slow * inside


def load_response(u: np.ndarray, load: Load) -> np.ndarray:
    """Per cent of speed at `u` seconds after the load: a fall by droop with a transient of depth `deep_percent`."""
    after = np.maximum(u, 0.0)
    rise = 1 - np.exp(-after / 0.15)
    ring = np.cos(2 * np.pi * load.ring_hz * after)
    sign = np.sign(load.droop_percent)
    curve = load.droop_percent * rise + sign * load.deep_percent * rise * np.exp(-after / load.tau_s) * ring
    return -curve * (u > 0)


def _throttle(t: np.ndarray, s: Scenario) -> np.ndarray:
    """Factor on the speed: each move (at_s, factor, tau_s) goes to `factor` exponentially."""
    factor = np.ones(len(t))
    for at_s, target, tau_s in s.throttle:
        late = t >= at_s
        start = factor[late][0] if late.any() else 1.0
        factor[late] = target + (start - target) * np.exp(-(t[late] - at_s) / tau_s)
    return factor


def _run_up(t: np.ndarray, s: Scenario, rng: np.random.Generator) -> np.ndarray:
    if not s.run_up:
        return np.ones(len(t))
    tau, low, over = rng.uniform(0.15, 0.5), rng.uniform(0.3, 0.6), rng.uniform(0, 0.08)
    return 1 - (1 - low) * np.exp(-t / tau) + over * (t / tau) * np.exp(-t / (1.5 * tau))


def rough_shape(t: np.ndarray, s: Scenario) -> np.ndarray:
    """0..1: how much of the rough start is left at `t` seconds of running (step at rough_s, or
    exponential
    with rough_s = 3 tau).
    """
    if s.rough_s <= 0:
        return np.zeros(len(t))
    if s.rough_kind == "exponential":
        return np.exp(-3 * t / s.rough_s)
    if s.rough_kind == "worse":
        return (t > s.rough_s).astype(float)
    return (t < s.rough_s).astype(float)


# ---------------------------------------------------------------- firing opportunities


def _opportunities(t: np.ndarray, rpm: np.ndarray, engine: Engine) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times, slots and revolutions of every firing opportunity on the curve."""
    revs = np.concatenate([[0.0], np.cumsum(rpm[:-1] / 60 / FINE_HZ)])
    angles = np.asarray(engine.firing_angles_deg) / 360.0
    cycles = int(revs[-1] / engine.revs_per_cycle)
    at = (np.arange(cycles)[:, None] * engine.revs_per_cycle + angles[None, :]).ravel()
    slots = np.tile(np.arange(engine.cylinders), cycles)
    return np.interp(at, revs, t), slots, at


def _draw_misses(times: np.ndarray, slots: np.ndarray, s: Scenario, rng: np.random.Generator) -> np.ndarray:
    n = len(times)
    if s.every_second:
        return np.arange(n) % 2 == 1
    share = np.full(n, s.miss_share) + s.rough_share * rough_shape(times, s)
    if s.miss_slot is not None:
        share = np.where(slots == s.miss_slot, share, 0.0)
    if s.burst_mean <= 1:
        return rng.random(n) < share
    return _bursts(share, s.burst_mean, rng)


def _bursts(share: np.ndarray, mean: float, rng: np.random.Generator) -> np.ndarray:
    """A two-state chain whose lost stretches last `mean` opportunities on average."""
    missed, inside = np.zeros(len(share), bool), False
    draws = rng.random(len(share))
    for i, p in enumerate(share):
        enter = p / max(mean * (1 - p), 1e-9)
        inside = draws[i] < (1 - 1 / mean if inside else enter)
        missed[i] = inside
    return missed


def _dips(t: np.ndarray, at: np.ndarray, s: Scenario) -> np.ndarray:
    """Share of speed lost after each missed firing, recovering with 0.3 s; many in a row do not stop the engine."""
    if s.every_second or len(at) == 0:
        return np.zeros(len(t))
    hits = np.bincount(np.clip((at * FINE_HZ).astype(int), 0, len(t) - 1), minlength=len(t))
    per_second = s.engine.firing_hz_per_rpm * s.rpm
    size = s.dip_percent / 100 * min(1.0, 25.0 / per_second)
    dips = lfilter([1.0], [1.0, -np.exp(-1 / (0.3 * FINE_HZ))], hits) * size
    return 0.15 * np.tanh(dips / 0.15)


def _observe_firings(times, slots, revs, missed, s: Scenario, rng: np.random.Generator) -> Firings:
    n = len(times)
    interval = 1 / (s.engine.firing_hz_per_rpm * s.rpm)
    burn = np.exp(s.strength_spread * rng.standard_normal(n) - s.strength_spread**2 / 2)
    levels = np.asarray(s.slot_levels or (1.0,) * s.engine.cylinders)
    puff = rng.uniform(*s.puff, n)
    true = np.where(missed, puff, burn) * levels[slots]
    snr = s.snr_db + 1.0 * rng.standard_normal() + 1.5 * np.sin(2 * np.pi * times / 7.0 + rng.uniform(0, 6))
    noise = 10 ** (-snr / 20)
    heard = np.abs(true + noise * rng.standard_normal(n))
    strength, level = _local_norm(heard, slots, missed)
    probability = _posterior(strength, noise / np.maximum(level, 0.05), s, missed, rng)
    moment = rng.standard_normal(n) * np.hypot(s.timing_jitter, 0.05 * noise)
    even = moment - 0.5 * (np.roll(moment, 1) + np.roll(moment, -1))
    even[[0, -1]] = np.nan
    return Firings(times + moment * interval, slots, strength, level, probability, even, snr, revs + rng.uniform(0, 1))


def _local_norm(heard: np.ndarray, slots: np.ndarray, missed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Strength against the mean of the eight firings of its slot either side that fired, and the slot's level."""
    strength, level = np.ones(len(heard)), np.ones(len(heard))
    fired, overall, kernel = (~missed).astype(float), np.mean(heard), np.ones(17)
    for slot in np.unique(slots):
        own = np.flatnonzero(slots == slot)
        sums = np.convolve(heard[own] * fired[own], kernel)[8:-8]
        count = np.convolve(fired[own], kernel)[8:-8]
        norm = np.where(count > 2, sums / np.maximum(count, 1), overall)
        strength[own] = heard[own] / norm
        level[own] = norm / overall
    return strength, level


def _posterior(strength, noise, s: Scenario, missed: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Probability of a miss by a fitted mixture of two Gaussians (lost, fired), each widened by the
    noise;
    slightly off.
    """
    wide_miss = np.hypot(noise, 0.12)
    wide_fire = np.hypot(noise, 1.1 * s.strength_spread)
    prior = np.clip(np.mean(missed), 0.003, 0.5) * rng.uniform(0.7, 1.4)
    middle = np.mean(s.puff) + 0.05
    like_miss = np.exp(-0.5 * ((np.maximum(strength, middle) - middle) / wide_miss) ** 2) / wide_miss
    like_fire = np.exp(-0.5 * ((np.minimum(strength, 1.0) - 1.0) / wide_fire) ** 2) / wide_fire
    odds = prior / (1 - prior) * like_miss / np.maximum(like_fire, 1e-12)
    return np.clip(odds / (1 + odds), 0.0, 1.0) ** rng.uniform(0.85, 1.15)


# ---------------------------------------------------------------- the track


def _observe_track(t: np.ndarray, rpm: np.ndarray, s: Scenario, rng: np.random.Generator) -> Track:
    frame_t = np.arange(0.2, t[-1] - 0.2, FRAME_S)
    smooth = _moving_mean(rpm, int(s.window_s * FINE_HZ))
    seen = np.interp(frame_t, t, smooth)
    frames = int(round(s.window_s / FRAME_S))
    noise = _moving_mean(rng.standard_normal(len(frame_t) + 50), frames)[50:]
    std = s.noise_percent / 100 * seen
    seen = seen + std * noise / np.std(noise)
    confidence = np.clip(0.85 + 0.1 * rng.standard_normal(len(seen)), 0.3, 1.0)
    seen, confidence = _spoil(seen, confidence, s, rng)
    confidence = np.where(np.isfinite(seen), confidence, 0.0)
    return Track(s.lead_s + frame_t, seen, confidence, np.where(np.isfinite(seen), std, np.nan))


def _spoil(seen, confidence, s: Scenario, rng: np.random.Generator):
    n = len(seen)
    odd = rng.random(n) < s.outliers
    seen = np.where(odd, seen * (1 + 0.03 * rng.standard_normal(n)), seen)
    glitch = _stretches(n, s.glitches, 4, rng)
    seen = np.where(glitch, seen * rng.choice([0.5, 2.0]), seen)
    confidence = np.where(glitch, rng.uniform(0.15, 0.45, n), confidence)
    return np.where(_stretches(n, s.gaps, 8, rng), np.nan, seen), confidence


def _stretches(n: int, share: float, length: int, rng: np.random.Generator) -> np.ndarray:
    mask = np.zeros(n, bool)
    for start in np.flatnonzero(rng.random(n) < share / length):
        mask[start : start + 1 + rng.integers(length * 2)] = True
    return mask


def _moving_mean(x: np.ndarray, width: int) -> np.ndarray:
    padded = np.pad(x, (width // 2, width - 1 - width // 2), mode="edge")
    return np.convolve(padded, np.ones(width) / width, mode="valid")


# ---------------------------------------------------------------- putting it together


def _truth(s: Scenario, t, rpm, missed, hunt) -> Truth:
    settle = s.rough_s if s.rough_s > 0 and s.rough_kind != "worse" else None
    swing = _typical_swing(hunt, s.hunt_hz) if s.hunt_hz > 0 else 0.0
    return Truth(s, t, rpm, missed, swing, _crossing_rate(hunt) if s.hunt_hz > 0 else 0.0, settle)


def _typical_swing(hunt: np.ndarray, hz: float) -> float:
    """Median over whole cycles of the peak-to-peak of the hunting itself, per cent of speed."""
    width = max(int(FINE_HZ / hz), 2)
    blocks = [np.ptp(hunt[i : i + width]) for i in range(0, len(hunt) - width + 1, max(width // 2, 1))]
    return float(np.median(blocks)) if blocks else float(np.ptp(hunt))


def _crossing_rate(hunt: np.ndarray) -> float:
    """Mean rate from the phase of the analytic signal."""
    from scipy.signal import hilbert

    phase = np.unwrap(np.angle(hilbert(hunt)))
    trim = len(phase) // 20
    return float((phase[-1 - trim] - phase[trim]) / (2 * np.pi) * FINE_HZ / (len(phase) - 1 - 2 * trim))


def _case(s: Scenario, track: Track, firings: Firings, truth: Truth) -> Case:
    from dataclasses import replace

    firings = replace(firings, t_s=firings.t_s + s.lead_s)
    end = s.lead_s + s.seconds
    spans = (Span("quiet", 0.0, s.lead_s), Span("run", s.lead_s, end, s.rpm))
    median = float(np.nanmedian(track.rpm))
    quality = Quality(True, s.snr_db, 0.0, 100.0)
    speed = Speed(median, median * 0.999, median * 1.001, None, 0.9)
    return Case(s.engine, quality, Timeline(True, 0.95, spans), speed, track, firings, truth)


def with_pops(case: Case, at: tuple[float, ...]) -> Timeline:
    """The case's timeline with pops while running."""
    from dataclasses import replace

    return replace(case.timeline, pops=tuple(Pop(x, 12.0, "running") for x in at))


# ---------------------------------------------------------------- kinds of cases, drawn from a seed


def draw_common(rng: np.random.Generator, hard: bool = False) -> dict:
    """Everything about a recording that is no fault of the engine's."""
    engine = ENGINES[rng.integers(len(ENGINES))]
    rpm = rng.uniform(1600, 3700) if engine.strokes == 4 else rng.uniform(2800, 9000)
    resonant = rng.random() < 0.5
    return {
        "engine": engine,
        "rpm": float(rpm),
        "seconds": float(rng.uniform(8, 14) if hard else rng.uniform(12, 45)),
        "wobble_percent": float(np.exp(rng.uniform(np.log(0.1), np.log(0.5)))) * (2.0 if hard else 1.0),
        "wobble_hz": float(rng.uniform(0.3, 2.0)) if resonant else 0.0,
        "wobble_damping": float(rng.uniform(0.2, 0.6)),
        "drift_percent": float(rng.uniform(-2, 2)),
        "snr_db": float(rng.uniform(7, 15) if hard else rng.uniform(15, 26)),
        "strength_spread": float(rng.uniform(0.1, 0.2)),
        "timing_jitter": float(rng.uniform(0.005, 0.03)),
        "noise_percent": float(rng.uniform(0.3, 0.6) if hard else rng.uniform(0.1, 0.3)),
        "outliers": 0.03 if hard else 0.01,
        "gaps": 0.12 if hard else 0.03,
        "glitches": 0.04 if hard else 0.01,
        "window_s": float(rng.uniform(0.18, 0.26)),
    }


def draw_load(rng: np.random.Generator, at_s: float, sign: float = 1.0) -> Load:
    """A load step of a governed engine: droop 3-8 %, transient 2-10 % deeper, gone with 0.3-1.2 s."""
    return Load(
        at_s,
        sign * float(rng.uniform(3, 8)),
        float(rng.uniform(2, 10)),
        float(rng.uniform(0.3, 1.2)),
        float(rng.choice([0.0, rng.uniform(0.3, 0.8)])),
    )


def scenario(kind: str, seed: int, hard: bool = False) -> Scenario:
    """The scenario of one kind from a seed. Kinds: see `KINDS`."""
    rng = np.random.default_rng(seed + 7_000_000)
    common = draw_common(rng, hard)
    return KINDS[kind](rng, common)


def _steady(rng, common) -> Scenario:
    return Scenario(**common)


def _misfiring(rng, common) -> Scenario:
    return Scenario(**common, miss_share=float(np.exp(rng.uniform(np.log(0.005), np.log(0.2)))))


def _puffing(rng, common) -> Scenario:
    return Scenario(
        **{**common, "snr_db": float(rng.uniform(14, 22))}, miss_share=float(rng.uniform(0.01, 0.15)), puff=(0.25, 0.45)
    )


def _bursting(rng, common) -> Scenario:
    return Scenario(**common, miss_share=float(rng.uniform(0.02, 0.15)), burst_mean=float(rng.uniform(3, 8)))


def _one_cylinder(rng, common) -> Scenario:
    common = {**common, "engine": ENGINES[2 + rng.integers(3)], "rpm": float(rng.uniform(1600, 3700))}
    return Scenario(**common, miss_share=float(rng.uniform(0.05, 0.4)), miss_slot=int(rng.integers(2)))


def _every_second(rng, common) -> Scenario:
    return Scenario(**{**common, "engine": SINGLE2, "rpm": float(rng.uniform(2800, 9000))}, every_second=True)


def _drifting(rng, common) -> Scenario:
    return Scenario(**{**common, "drift_percent": float(rng.choice([-1, 1]) * rng.uniform(3, 8))})


def _loaded(rng, common) -> Scenario:
    seconds = max(common["seconds"], 20.0)
    on, off = float(rng.uniform(6, 8)), float(seconds - rng.uniform(5, 7))
    first = draw_load(rng, on)
    second = Load(off, -first.droop_percent, float(rng.uniform(1, 6)), first.tau_s, first.ring_hz)
    return Scenario(**{**common, "seconds": seconds}, loads=(first, second))


def _hunting_case(rng, common) -> Scenario:
    hz = float(np.exp(rng.uniform(np.log(0.2), np.log(3.0))))
    seconds = max(common["seconds"], 5.0 / hz)
    return Scenario(
        **{**common, "seconds": seconds, "wobble_percent": common["wobble_percent"] * 0.6},
        hunt_hz=hz,
        hunt_swing_percent=float(np.exp(rng.uniform(np.log(1.6), np.log(15)))),
        hunt_harmonic=float(rng.uniform(0, 0.3)),
        hunt_phase_noise=float(rng.uniform(0, 0.03)),
        hunt_growth=float(rng.uniform(-0.3, 0.3)),
    )


def _settling_case(rng, common) -> Scenario:
    kind = str(rng.choice(["step", "exponential"]))
    seconds = max(common["seconds"], 15.0)
    return Scenario(
        **{**common, "seconds": seconds},
        rough_s=float(rng.uniform(0.2, 0.6) * seconds),
        rough_share=float(rng.uniform(0.12, 0.4)),
        rough_kind=kind,
        rough_wobble_percent=float(rng.uniform(0, 2)),
    )


def _worsening(rng, common) -> Scenario:
    seconds = max(common["seconds"], 15.0)
    late = float(rng.uniform(0.3, 0.7) * seconds)
    return Scenario(**{**common, "seconds": seconds}, rough_s=late, rough_share=0.25, rough_kind="worse")


KINDS = {
    "steady": _steady,
    "misfiring": _misfiring,
    "puffing": _puffing,
    "bursting": _bursting,
    "one_cylinder": _one_cylinder,
    "every_second": _every_second,
    "drifting": _drifting,
    "loaded": _loaded,
    "hunting": _hunting_case,
    "settling": _settling_case,
    "worsening": _worsening,
}


def draw(kind: str, seed: int, hard: bool = False) -> Case:
    """One case of a kind from a seed."""
    return make(seed, scenario(kind, seed, hard))

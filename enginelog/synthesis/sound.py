"""The engine's own sound, close by and before any room: exhaust, intake, block, turbulence, mechanics, tones.

Every part is tied to the crank of `crank.Motion`. Levels are set against the exhaust part while the engine runs.
"""

from __future__ import annotations

import numpy as np

from enginelog.synthesis.chance import db, smooth, stream
from enginelog.synthesis.crank import Motion, blowdown_turns
from enginelog.synthesis.pulses import add, blow, coloured, convolve, modes, rms, stamp, train
from enginelog.synthesis.scenario import Scenario

WIDTHS_S = 0.0003 * 1.6 ** np.arange(8)


def engine_sound(scenario: Scenario, motion: Motion) -> np.ndarray:
    """All of the engine, float64, shape (n,); the exhaust has unit RMS while running (or a nominal size)."""
    s, n = scenario, int(round(scenario.seconds * scenario.rate_hz))
    turn, rps = on_samples(motion, n, s.rate_hz)
    active = (rps > 0.6 * np.median(rps[rps > 2])) if np.any(rps > 2) else np.ones(n, bool)
    pressure = pressures(s, motion)
    exhaust = exhaust_part(s, motion, pressure, n)
    unit = rms(exhaust[active]) if np.any(motion.running) else nominal(s)
    parts = exhaust / max(unit, 1e-12)
    bangs = pop_part(s, n)
    if s.colour.pops and np.any(motion.running):
        bangs *= float(np.percentile(np.abs(parts[active]), 99.8))  # the height of a firing
    parts += breath_parts(s, motion, pressure, n, active)
    parts += mechanical_parts(s, motion, turn, rps, n, active)
    parts += tone_parts(s, turn, rps, n)
    return parts + starter_part(s, n) + bangs


def on_samples(motion: Motion, n: int, rate_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """Crank position (turns) and speed (turns a second) at each sample."""
    t = np.arange(n) / rate_hz
    return np.interp(t, motion.t_s, motion.turns), np.interp(t, motion.t_s, motion.rps)


def nominal(scenario: Scenario) -> float:
    """RMS of full firings at a running speed: the yardstick of a recording in which it never runs."""
    rate = scenario.engine.firing_hz_per_rpm * scenario.speeds.rpm
    return float(np.sqrt(rate / scenario.rate_hz))


def pressures(scenario: Scenario, motion: Motion) -> np.ndarray:
    """Sound pressure of each event: a firing by its strength and throttle, a dead one by its compression's puff.

    A failed firing still puffs with the strength drawn for it; unfired events puff by how fast they turn.
    """
    speed = np.abs(motion.event_rps) / (scenario.speeds.rpm / 60.0)
    load = 0.4 + 0.6 * np.clip(motion.throttle, 0, 1.1)
    fired = motion.strength * load * np.clip(speed, 0.2, 1.5) ** 0.35
    puff = 0.16 * np.clip(speed, 0.01, 1.2) ** 0.8
    return np.where(motion.running, fired, np.maximum(puff, 0.8 * motion.strength))


def wobbled(scenario: Scenario, motion: Motion, purpose: str, share: float) -> np.ndarray:
    """Moments of the events with the jitter of sound against crank, `share` of the local interval as deviation."""
    rng = stream(scenario.take_seed, purpose)
    cycle_s = scenario.engine.revs_per_cycle / scenario.engine.cylinders / np.maximum(np.abs(motion.event_rps), 1.0)
    return motion.event_t_s + share * cycle_s * rng.standard_normal(len(motion.event_t_s))


def exhaust_part(scenario: Scenario, motion: Motion, pressure: np.ndarray, n: int) -> np.ndarray:
    """Blow-downs through pipe and muffler, cylinder by cylinder (each a little different on its way out)."""
    s, c = scenario, scenario.colour
    t = wobbled(s, motion, "exhaust", c.timing_spread)
    shape = stream(s.take_seed, "shapes").standard_normal((len(t), 2))
    out = np.zeros(n)
    for slot in range(s.engine.cylinders):
        mine = motion.slot == slot
        pulses = widened(t[mine], pressure[mine], motion.event_rps[mine], shape[mine], c, n, s.rate_hz)
        out += convolve(pulses, exhaust_path(s, slot))
    return out


def widened(t, pressure, rps, shape, colour, n: int, rate_hz: float) -> np.ndarray:
    """Pulses whose width follows speed (`pulse_deg` of crank) and whose shape varies from one to the next."""
    width = colour.pulse_deg / 360.0 / np.maximum(np.abs(rps), 4.0) * np.exp(0.35 * colour.shape_spread * shape[:, 0])
    place = np.clip(np.log(width / WIDTHS_S[0]) / np.log(1.6), 0, len(WIDTHS_S) - 1.001)
    out = np.zeros(n)
    for j, w in enumerate(WIDTHS_S):
        share = np.clip(1 - np.abs(place - j), 0, None)
        if not np.any(share):
            continue
        used = share > 0
        out += stamp(t[used], (pressure * share)[used], blow(w, rate_hz), n, rate_hz)
    late = pressure * colour.shape_spread * 0.5 * shape[:, 1]
    delay = 0.6 * np.median(width) if len(width) else 0.0
    return out + stamp(t + delay, late, blow(0.001, rate_hz), n, rate_hz)


def exhaust_path(scenario: Scenario, slot: int) -> np.ndarray:
    """Pipe (quarter-wave and its odd multiples), muffler and shell modes; cylinders share them as far as alike."""
    c, rate = scenario.colour, scenario.rate_hz
    common, own = stream(scenario.seed, "path"), stream(scenario.seed, f"path{slot}")
    alike = c.cylinder_alike if scenario.engine.cylinders > 1 else 1.0

    def mixed(size: int) -> np.ndarray:
        return alike * common.standard_normal(size) + np.sqrt(1 - alike**2) * own.standard_normal(size)

    pipe = c.pipe_hz * np.array([1, 3, 5, 7]) * (1 + 0.02 * mixed(4))
    shell = c.muffler_hz * 1.55 ** np.arange(-1, 5) * np.exp(0.12 * mixed(6))
    freq = np.minimum(np.concatenate([pipe, shell]), 0.45 * rate)
    gain = np.concatenate(
        [np.array([3.0, 1.6, 0.9, 0.6]), db(c.bright_db) * 2.5 * np.array([1.3, 1.2, 1, 0.8, 0.6, 0.4])]
    )
    q = np.concatenate([np.full(4, c.pipe_q), 4 + 10 * np.abs(mixed(6))])
    sign = np.concatenate([np.ones(4), np.sign(common.standard_normal(6))])
    return modes(freq, q, gain * sign * np.exp(0.3 * mixed(10)), rate, direct=db(c.bright_db))


def breath_parts(scenario: Scenario, motion: Motion, pressure: np.ndarray, n: int, active: np.ndarray) -> np.ndarray:
    """Intake pulses (they come with or without a firing), block thuds and the turbulence that each outflow carries."""
    s, c = scenario, scenario.colour
    rng = stream(s.seed, "breath")
    rps = np.maximum(np.abs(motion.event_rps), 1.5)
    late = (0.62 if s.engine.strokes == 4 else 0.45) / rps
    draw = -(0.7 + 0.3 * motion.throttle) * np.exp(0.15 * rng.standard_normal(len(late))) * np.clip(rps / 30, 0.02, 1.5)
    freq = c.intake_hz * np.array([1.0, 2.3, 4.1, 6.7])
    intake = convolve(
        train(motion.event_t_s + late, draw, n, s.rate_hz),
        modes(freq, [5, 6, 7, 7], [3, 1.2, 0.8, 0.5], s.rate_hz, 0.05),
    )
    early = blowdown_turns(s) / rps
    knock = pressure * motion.running * np.exp(0.3 * rng.standard_normal(len(late)))
    freq = np.array([420, 850, 1450, 2300, 3400]) * np.exp(0.15 * rng.standard_normal(5))
    block = convolve(
        train(motion.event_t_s - early, knock, n, s.rate_hz),
        modes(freq, [9] * 5, [1, 1.2, 1, 0.8, 0.5], s.rate_hz, 0.0),
    )
    return (
        scaled(intake, c.intake_db, active)
        + scaled(block, c.block_db, active)
        + turbulence(s, motion, pressure, n, active)
    )


def turbulence(scenario: Scenario, motion: Motion, pressure: np.ndarray, n: int, active: np.ndarray) -> np.ndarray:
    """Broad noise: a part that rises and dies with each outflow, and a steady part of fan, gas and gears."""
    s, c = scenario, scenario.colour
    rng = stream(s.take_seed, "turbulence")
    rate = s.rate_hz / 24
    m = n // 24 + 2
    rps = max(float(np.median(np.abs(motion.event_rps))) if len(motion.event_rps) else 10.0, 4.0)
    fall = np.exp(-np.arange(int(0.1 * rate)) / rate / max(0.35 * c.pulse_deg / 360 / rps * 3, 0.0006))
    blown = convolve(train(motion.event_t_s, np.abs(pressure), m, rate), fall)
    blown = np.interp(np.arange(n) / 24, np.arange(m), blown)
    hiss = coloured(rng, n, s.rate_hz, c.hiss_tilt_db, 350.0, 6000.0)
    turning = np.interp(np.arange(n) / s.rate_hz, motion.t_s, np.abs(motion.rps)) / (s.speeds.rpm / 60)
    steady = coloured(rng, n, s.rate_hz, c.hiss_tilt_db, 250.0, 9000.0) * np.clip(turning, 0, 1.5) ** 1.5
    return scaled(blown * hiss, c.turbulence_db, active) + scaled(steady, c.steady_noise_db, active)


def scaled(part: np.ndarray, level_db: float | None, active: np.ndarray) -> np.ndarray:
    """`part` at `level_db` RMS where the engine is active."""
    size = rms(part[active]) if np.any(active) else rms(part)
    return part * (db(level_db) / size) if size > 1e-15 else np.zeros_like(part)


def mechanical_parts(
    scenario: Scenario, motion: Motion, turn: np.ndarray, rps: np.ndarray, n: int, active: np.ndarray
) -> np.ndarray:
    """Valve ticks (two a cycle and cylinder), piston slap at the dead centres, once-a-turn noises."""
    s, c = scenario, scenario.colour
    rng = stream(s.seed, "mechanics")
    ticks = (0.03, 0.55) if s.engine.strokes == 4 else ()
    out = np.zeros(n)
    spots = np.concatenate([turns_at(s, motion, x) for x in ticks]) if ticks else np.array([])
    out += ringing(s, spots, c.ticks_db, (2600, 3900, 5200, 7400), rng, n, active)
    slaps = np.concatenate([turns_at(s, motion, x - blowdown_turns(s)) for x in (0.0, 0.5)])
    out += ringing(s, slaps, c.slap_db, (700, 1100, 1900, 2700), rng, n, active)
    once = np.interp(np.arange(int(turn[-1]) + 1), motion.turns, motion.t_s, left=-1, right=-1)
    out += ringing(s, once, c.rev_noise_db, (500, 1300, 2100, 4400), rng, n, active)
    return out


def turns_at(scenario: Scenario, motion: Motion, later: float) -> np.ndarray:
    """Moments at which each cylinder is `later` turns after its exhaust opens."""
    return motion.event_t_s + later / np.maximum(np.abs(motion.event_rps), 1.5)


def ringing(
    scenario: Scenario, t: np.ndarray, level_db: float, freq: tuple, rng, n: int, active: np.ndarray
) -> np.ndarray:
    """Small hard knocks at `t`, each of its own strength, ringing at `freq`."""
    freq = np.array(freq) * np.exp(0.1 * rng.standard_normal(len(freq)))
    hits = np.exp(0.45 * rng.standard_normal(len(t))) * rng.choice([-1.0, 1.0], len(t), p=[0.15, 0.85])
    kernel = modes(freq, [14] * len(freq), np.exp(0.4 * rng.standard_normal(len(freq))), scenario.rate_hz, 0.0)
    return scaled(convolve(train(t, hits, n, scenario.rate_hz), kernel), level_db, active)


def tone_parts(scenario: Scenario, turn: np.ndarray, rps: np.ndarray, n: int) -> np.ndarray:
    """Gear or chain whine, blade tips, cooling fan, alternator hum: all locked to the crank."""
    s, c = scenario, scenario.colour
    rng = stream(s.seed, "tones")
    speed = np.clip(np.abs(rps) / (s.speeds.rpm / 60), 0, 1.6)
    out = np.zeros(n)
    if c.whine_db is not None:
        out += db(c.whine_db) * partials(rng, turn, c.whine_order, (1, 0.5, 0.25), s.rate_hz) * speed
    if c.fan_db is not None:
        out += db(c.fan_db) * partials(rng, turn, c.fan_blades, (1, 0.3), s.rate_hz) * speed**2
    if c.hum_db is not None and s.engine.alternator_poles:
        out += (
            db(c.hum_db)
            * partials(rng, turn, s.engine.alternator_poles / 2, (0.4, 1, 0.15, 0.5, 0.1, 0.3), s.rate_hz)
            * speed
        )
    if c.blade_db is not None:
        chop = partials(rng, turn, c.blade_tips, (1, 0.6, 0.3), s.rate_hz)
        rush = coloured(rng, n, s.rate_hz, -5, 120, 4000) * (1 + 0.5 * np.cos(2 * np.pi * c.blade_tips * turn))
        out += db(c.blade_db) * (0.6 * chop + 0.8 * rush) * speed**2.5
    return out


def partials(rng, turn: np.ndarray, order: float, gains: tuple, rate_hz: float) -> np.ndarray:
    """A tone `order` times a turn with overtones, wavering slowly in level and once a turn; about unit RMS."""
    out = np.zeros(len(turn))
    first = np.exp(2j * np.pi * np.mod(order * turn, 1.0))
    power = np.ones(len(turn), complex)
    for gain in gains:
        power = power * first
        level = 1 + 0.25 * smooth(rng, len(turn), 0.3 * rate_hz)
        out += level * np.real(power * (gain * np.exp(2j * np.pi * rng.random())))
    out *= 1 + 0.2 * np.cos(2 * np.pi * (turn + rng.random()))
    return out / np.sqrt(0.5 * np.sum(np.square(gains)))


def starter_part(scenario: Scenario, n: int) -> np.ndarray:
    """The rope's zip and ratchet and its winding back, or the whirr of an electric starter."""
    out, rate = np.zeros(n), scenario.rate_hz
    rng = stream(scenario.seed, "starter")
    for pull in scenario.pulls:
        m = int(pull.seconds * rate)
        t = np.arange(m) / rate
        env = np.sin(np.pi * np.clip(t / pull.seconds, 0, 1)) ** 0.5
        noise = coloured(rng, m, rate, -1, 600, 7000) * env
        gear = np.sin(2 * np.pi * np.cumsum(pull.rpm / 60 * (22 if pull.electric else 9) * env) / rate)
        add(out, 0.12 * noise + (0.25 if pull.electric else 0.05) * gear * env, int(pull.at_s * rate))
        if not pull.electric:
            back = coloured(rng, int(0.5 * rate), rate, 0, 1200, 8000) * np.linspace(1, 0.2, int(0.5 * rate))
            add(out, 0.05 * back, int((pull.at_s + pull.seconds + 0.15) * rate))
    return out


def pop_part(scenario: Scenario, n: int) -> np.ndarray:
    """Loud bangs in the exhaust at the moments given, `pop_db` over the height of a firing, which is 1."""
    c, rate = scenario.colour, scenario.rate_hz
    if not c.pops:
        return np.zeros(n)
    rng = stream(scenario.seed, "pops")
    hits = train(np.array(c.pops), np.exp(0.15 * rng.standard_normal(len(c.pops))), n, rate)
    kernel = convolve(np.pad(blow(0.004, rate), (0, 4000)), exhaust_path(scenario, 0))
    kernel += (
        0.4
        * np.pad(rng.standard_normal(2000) * np.exp(-np.arange(2000) / 500), (0, len(kernel) - 2000))
        * np.max(np.abs(kernel))
    )
    return db(c.pop_db) * convolve(hits, kernel / np.max(np.abs(kernel)))

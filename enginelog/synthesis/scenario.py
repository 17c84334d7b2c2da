"""The words of the synthesis: everything that describes one made-up recording, as frozen types.

A `Scenario` says completely what is to be heard; together with its seed it gives the same samples every time.
Levels in dB are relative to the exhaust sound of a normal firing unless said otherwise. Shares are 0..1.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from enginelog.model import Engine

RATE_HZ = 48_000


@dataclass(frozen=True)
class Wave:
    """Hunting: a sustained swing of the governed speed.

    swing_rpm: peak to peak of the set speed (what the crank really does is measured into the truth).
    skew: 0 sine, up to 0.6 a faster rise than fall. jitter: spread of the period from swing to swing.
    fade_s: time constant with which it dies away (negative: it grows); None: it stays.
    """

    rate_hz: float
    swing_rpm: float
    skew: float = 0.2
    jitter: float = 0.03
    fade_s: float | None = None
    start_s: float = 0.0
    end_s: float = 1e9


@dataclass(frozen=True)
class Rough:
    """Rough running. shape: "step" (rough until `settle_s` after the start, then clean), "fade" (exponential, a
    tenth of it left at `settle_s`), "never" (rough all along) or "worse" (clean until `settle_s`, then rough)."""

    settle_s: float
    miss_share: float = 0.2
    wobble_percent: float = 3.0
    shape: str = "step"


@dataclass(frozen=True)
class Load:
    """A load taken on at `at_s` and let go at `off_s`; `amount` is the share of full power it takes."""

    at_s: float
    off_s: float
    amount: float = 0.5


@dataclass(frozen=True)
class Move:
    """The throttle is moved at `at_s`: the speed wanted goes to `rpm` within `ramp_s`; `bog_s`: it sags first."""

    at_s: float
    rpm: float
    ramp_s: float = 0.4
    bog_s: float = 0.0


@dataclass(frozen=True)
class Speeds:
    """What speed is wanted over time. `wobble_percent` is the standard deviation of the governor's small wander."""

    rpm: float
    wobble_percent: float = 0.3
    drift_percent: float = 0.0
    waves: tuple[Wave, ...] = ()
    rough: Rough | None = None
    loads: tuple[Load, ...] = ()
    moves: tuple[Move, ...] = ()


@dataclass(frozen=True)
class Misfires:
    """Which firings fail. kind: none, random, burst, cylinder, every_second.

    share: share of firing opportunities lost (kind "cylinder": share lost of that cylinder's own).
    puff: strength (pressure, healthy = 1) that a failed firing still puffs with, low and high end.
    partial_share: share of uneven, weak burns (0.5..0.75) that are no misfires.
    burst_length: mean length of a burst in opportunities. cylinder: which slot.
    """

    kind: str = "none"
    share: float = 0.0
    puff: tuple[float, float] = (0.02, 0.12)
    partial_share: float = 0.0
    burst_length: float = 5.0
    cylinder: int = 0


@dataclass(frozen=True)
class Pull:
    """One pull of the starter (or one go of an electric one).

    runs_s: None, it does not catch; infinite, it runs until it is switched off; finite, it stalls by itself after that.
    after_compressions: how many compressions pass before the first firing. stray: lone firings in a pull that fails.
    """

    at_s: float
    seconds: float = 0.5
    rpm: float = 650.0
    runs_s: float | None = None
    after_compressions: int = 3
    stray: int = 0
    electric: bool = False


@dataclass(frozen=True)
class Body:
    """The machine as a turning mass.

    rundown_s: time from full speed to standstill with the ignition off, which fixes friction against inertia.
    power: full power as a multiple of what running without load takes.
    compression: energy to go over compression, as a share of one full-load firing.
    governor_s: time constant with which the governor answers a speed error; reset_s: with which it makes it good wholly
    (long for a fixed throttle). droop: speed lost at full load, share. governed: has a governor.
    """

    rundown_s: float = 3.0
    power: float = 3.0
    compression: float = 0.3
    governor_s: float = 0.15
    governor_lag_s: float = 0.04
    reset_s: float = 0.6
    droop: float = 0.05
    governed: bool = True


@dataclass(frozen=True)
class Colour:
    """How the engine sounds. Levels in dB relative to the exhaust sound (None: absent).

    strength_spread: of the logarithm of strength. strength_memory: correlation with the cycle before. alternation: how
    much weaker one cycle in `alternation_every` is (a rich two-stroke). timing_spread: of the sound's moment, in firing
    intervals. cylinder_alike: 1 = all cylinders sound the same. pulse_deg: crank degrees an outflow lasts.
    """

    strength_spread: float = 0.12
    strength_memory: float = -0.25
    alternation: float = 0.0
    alternation_every: int = 2
    timing_spread: float = 0.01
    shape_spread: float = 0.3
    cylinder_level: tuple[float, ...] = ()
    cylinder_alike: float = 0.7
    pulse_deg: float = 45.0
    pipe_hz: float = 180.0
    pipe_q: float = 4.0
    muffler_hz: float = 900.0
    bright_db: float = -6.0
    turbulence_db: float = -6.0
    steady_noise_db: float = -14.0
    hiss_tilt_db: float = -2.0
    intake_db: float = -8.0
    intake_hz: float = 220.0
    block_db: float = -10.0
    ticks_db: float = -16.0
    slap_db: float = -20.0
    rev_noise_db: float = -18.0
    whine_db: float | None = None
    whine_order: float = 11.0
    blade_db: float | None = None
    blade_tips: int = 2
    fan_db: float | None = None
    fan_blades: int = 18
    hum_db: float | None = None
    pops: tuple[float, ...] = ()
    pop_db: float = 12.0


@dataclass(frozen=True)
class Place:
    """Where it is recorded. Noise levels in dB relative to the engine as the phone's own high-pass leaves both.

    reverb_s: RT60. direct_db: level of the direct sound over the reverberant one.
    """

    reverb_s: float = 0.3
    direct_db: float = 6.0
    drift_db: float = 1.0
    noise_db: float | None = -25.0
    noise_tilt_db_per_octave: float = -4.0
    wind_db: float | None = None
    talk_db: float | None = None
    hum_db: float | None = None
    hum_hz: float = 50.0
    birds_db: float | None = None
    knocks_db: float | None = None


@dataclass(frozen=True)
class Phone:
    """What the telephone does. high_pass_hz: 24 dB/octave corner. level_dbfs: RMS of the running engine it aims at.

    suppression: 0 off .. 1 strong. clip_db: how far peaks are driven over full scale (None: never).
    gaps: lost stretches. bits: of the quantiser.
    """

    high_pass_hz: float | None = 120.0
    low_pass_hz: float | None = 17_000.0
    resonance_db: float = 3.0
    agc: float = 0.5
    agc_attack_s: float = 0.05
    agc_release_s: float = 0.8
    limiter: bool = True
    suppression: float = 0.0
    clip_db: float | None = None
    gaps: int = 0
    bits: int = 16
    level_dbfs: float = -20.0


@dataclass(frozen=True)
class Scenario:
    """One recording, described completely. pulls empty: the engine runs when the recording begins.

    cut_s: when it is switched off (None: it runs to the end). take: another recording of the same
    machine (its voice stays, chance and surroundings differ). codec: "aac", "opus", "mp3", "amr" (8 kHz) or None.
    """

    engine: Engine
    speeds: Speeds
    seconds: float = 12.0
    seed: int = 0

    kind: str = "mower"
    hardness: str = "ordinary"
    pulls: tuple[Pull, ...] = ()
    cut_s: float | None = None
    misfires: Misfires = field(default_factory=Misfires)
    body: Body = field(default_factory=Body)
    colour: Colour = field(default_factory=Colour)
    place: Place = field(default_factory=Place)
    phone: Phone = field(default_factory=Phone)
    codec: str | None = "aac"
    rate_hz: int = RATE_HZ
    take: int = 0

    @property
    def take_seed(self) -> int:
        """Seed of what differs from one recording of a machine to the next."""
        return self.seed + 1_000_003 * self.take

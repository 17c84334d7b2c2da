"""What really happened in a made-up recording, read off the simulated crank (never off the sound)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from enginelog import limits
from enginelog.model import Span
from enginelog.synthesis.crank import Motion
from enginelog.synthesis.scenario import Scenario

TRUTH_STEP_S = 0.005
READ_OVER_S = 0.25  # over which a speed is read, as the analysis reads it


@dataclass(frozen=True)
class PullTruth:
    """One pull: `end_s` is when the crank stands still again, or fires. rpm: mean while the starter drives."""

    start_s: float
    end_s: float
    rpm: float
    compressions: int


@dataclass(frozen=True)
class LoadTruth:
    """One load taken on. dip and droop in percent of the speed before; recovery into +-2 % of the new steady speed."""

    at_s: float
    off_s: float
    dip_percent: float
    droop_percent: float
    recovery_s: float


@dataclass(frozen=True)
class Truth:
    """The truth of one recording.

    firing_*: one entry each firing opportunity while the engine runs by itself, at the moment its exhaust opens: that
    is firing_angle/360 turns into a cycle of `turns`. firing_strength: 1 = healthy; missed: a misfire; partial: a weak
    burn that is none. t_s, turns, rpm: crank position and speed (mean over one cycle, 20..200 ms) each 5 ms.
    speed_rpm: see `median_speed`, of the last run, run-up left out; misfire_share: of the same.
    settle_s counts from `run_start_s` (rough_shape names what was asked for: step, fade, never, worse).
    hunting_swing_rpm: median over cycles of the peak to peak of what the crank did at the rate of the swing and twice
    it. seconds_to_run: from the first pull of the start of the last run (`start_pulled_s`) to `run_start_s`.
    """

    seconds: float
    engine_heard: bool
    firing_t_s: np.ndarray
    firing_slot: np.ndarray
    firing_strength: np.ndarray
    missed: np.ndarray
    partial: np.ndarray
    t_s: np.ndarray
    turns: np.ndarray
    rpm: np.ndarray
    spans: tuple[Span, ...]
    pulls: tuple[PullTruth, ...] = ()
    run_start_s: float | None = None
    run_up_end_s: float | None = None
    run_end_s: float | None = None
    cut_s: float | None = None
    standstill_s: float | None = None
    rundown_s: float | None = None
    seconds_to_run: float | None = None
    speed_rpm: float | None = None
    misfire_share: float | None = None
    misfire_pattern: str | None = None
    hunting_rate_hz: float | None = None
    hunting_swing_rpm: float | None = None
    settle_s: float | None = None
    rough_shape: str | None = None
    loads: tuple[LoadTruth, ...] = ()
    pops: tuple[float, ...] = ()

    def speed_at(self, t_s: np.ndarray) -> np.ndarray:
        """Speed in rpm at any moments `t_s` (seconds, any shape), from the crank position 10 ms to either side."""
        t = np.asarray(t_s, float)
        return (np.interp(t + 0.01, self.t_s, self.turns) - np.interp(t - 0.01, self.t_s, self.turns)) / 0.02 * 60


def nothing(seconds: float) -> Truth:
    """The truth of a recording without any engine."""
    empty, t = np.zeros(0), np.arange(0, seconds, TRUTH_STEP_S)
    none = np.zeros(0, bool)
    spans = (Span("quiet", 0.0, seconds),)
    return Truth(
        seconds, False, empty, np.zeros(0, int), empty, none, none, t, np.zeros_like(t), np.zeros_like(t), spans
    )


def cycle_speed(t: np.ndarray, motion: Motion, revs_per_cycle: float) -> np.ndarray:
    """rpm averaged over one working cycle about each moment (20 ms at least, 200 ms at most)."""
    rps = np.abs(np.interp(t, motion.t_s, motion.rps))
    half = 0.5 * np.clip(revs_per_cycle / np.maximum(rps, 1e-6), 0.02, 0.2)
    low, high = np.maximum(t - half, 0), np.minimum(t + half, motion.t_s[-1])
    return (np.interp(high, motion.t_s, motion.turns) - np.interp(low, motion.t_s, motion.turns)) / (high - low) * 60


def median_speed(t_s: np.ndarray, turns: np.ndarray, start_s: float, end_s: float) -> float | None:
    """Median in rpm of the speed read over a quarter of a second about each moment; None where less than that runs.

    t_s, turns: (n,) crank position. At the ends the part of the quarter second that lies in the run is read. (Quarters
    of a second end to end are a few dozen numbers, whose median hangs on where the first of them begins: by up to 1 %
    in a run that misfires. Without the ends, where a run begins and ends idling, its median shifts by 4 %.)
    """
    if end_s - start_s < READ_OVER_S:
        return None
    middle_s = np.arange(start_s, end_s, TRUTH_STEP_S)
    low_s, high_s = (np.clip(middle_s + side, start_s, end_s) for side in (-READ_OVER_S / 2, READ_OVER_S / 2))
    turned = np.interp(high_s, t_s, turns) - np.interp(low_s, t_s, turns)
    return float(np.median(turned / (high_s - low_s))) * 60


def window_speeds(motion: Motion, start: float, end: float, width: float = 0.25) -> np.ndarray:
    """rpm averaged over whole windows of `width` seconds between two moments."""
    edges = np.arange(start, end + 1e-9, width)
    turns = np.interp(edges, motion.t_s, motion.turns)
    return np.diff(turns) / width * 60


def standstill_after(motion: Motion, t: float, until: float) -> float | None:
    """When the crank stands still for good after `t` (before `until`); None if it does not within the recording."""
    inside = (motion.t_s >= t) & (motion.t_s < until)
    moving = inside & (np.abs(motion.rps) > 0.15)
    if not np.any(inside):
        return None
    last = motion.t_s[moving][-1] if np.any(moving) else t
    return None if last > until - 0.02 else float(last)


def pull_truths(scenario: Scenario, motion: Motion) -> tuple[PullTruth, ...]:
    """What each pull of the starter really did."""
    out = []
    starts = [p.at_s for p in scenario.pulls] + [scenario.seconds]
    for pull, following in zip(scenario.pulls, starts[1:], strict=True):
        caught = [a for a, _, _ in motion.runs if pull.at_s <= a < following]
        still = standstill_after(motion, pull.at_s, following)
        end = caught[0] if caught else (still if still is not None else following)
        rope = min(end, pull.at_s + pull.seconds)
        turned = np.diff(np.interp([pull.at_s, rope], motion.t_s, motion.turns))[0]
        count = int(np.sum((motion.event_t_s >= pull.at_s) & (motion.event_t_s < end)))
        out.append(PullTruth(pull.at_s, float(end), float(60 * turned / max(rope - pull.at_s, 1e-3)), count))
    return tuple(out)


def run_up_end(
    scenario: Scenario, motion: Motion, start: float, end: float, wanted_rpm: np.ndarray, t: np.ndarray
) -> float:
    """When the speed first comes within 3 % of where it will stay (its usual share of the speed wanted)."""
    if not scenario.pulls:
        return start
    share = cycle_speed(t, motion, scenario.engine.revs_per_cycle) / wanted_rpm
    running = (t > start) & (t < end)
    late = running & (t > start + min(1.5, 0.5 * (end - start)))
    usual = float(np.median(share[late])) if np.any(late) else 1.0
    near = running & (np.abs(share - usual) < 0.03 * usual)
    return float(t[near][0]) if np.any(near) else end


def make_spans(scenario: Scenario, motion: Motion, pulls: tuple[PullTruth, ...]) -> tuple[Span, ...]:
    """quiet, pull, run, rundown in order of time, without gaps."""
    marks = [Span("pull", p.start_s, p.end_s, p.rpm) for p in pulls]
    for start, end, how in motion.runs:
        speeds = window_speeds(motion, start, end)
        marks.append(Span("run", start, end, float(np.median(speeds)) if len(speeds) else None))
        if how != "end":
            following = min([p.start_s for p in pulls if p.start_s > end] + [scenario.seconds])
            still = standstill_after(motion, end, following)
            marks.append(Span("rundown", end, still if still is not None else following))
    marks.sort(key=lambda m: (m.start_s, m.end_s))
    out, at = [], 0.0
    for mark in marks:
        if mark.start_s > at + 0.02:
            out.append(Span("quiet", at, mark.start_s))
        out.append(mark)
        at = mark.end_s
    if scenario.seconds > at + 0.02:
        out.append(Span("quiet", at, scenario.seconds))
    return tuple(out)


def swing_of(scenario: Scenario, motion: Motion, start: float, end: float) -> tuple[float | None, float | None]:
    """(rate_hz, swing_rpm) of the hunting asked for, the swing as the crank really made it."""
    waves = scenario.speeds.waves
    if not waves:
        return None, None
    wave = waves[0]
    t = np.arange(max(start, wave.start_s), min(end, wave.end_s), 0.01)
    if len(t) * 0.01 < 1.0 / wave.rate_hz:
        return wave.rate_hz, None
    speed = cycle_speed(t, motion, scenario.engine.revs_per_cycle)
    return wave.rate_hz, float(np.median(swing_of_cycles(speed, wave.rate_hz, 0.01)))


def swing_of_cycles(speed: np.ndarray, rate_hz: float, step_s: float) -> np.ndarray:
    """Peak to peak of the swing in each whole cycle: of its rate and twice it, fitted with a straight line beneath.

    The plain peak to peak of a cycle would count the engine's random wobble as swing (half as much again on a saw).
    """
    size = int(1.0 / rate_hz / step_s)
    blocks = speed[: len(speed) // size * size].reshape(-1, size)
    angle = 2 * np.pi * rate_hz * step_s * np.arange(size)
    waves = np.stack([np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)])
    basis = np.vstack([waves, np.ones(size), np.arange(size) / size]).T
    fitted = np.linalg.lstsq(basis, blocks.T, rcond=None)[0][:4].T @ waves
    return np.ptp(fitted, axis=1)


def load_truths(scenario: Scenario, motion: Motion) -> tuple[LoadTruth, ...]:
    """What each load step really did to the speed."""
    out = []
    for load in scenario.speeds.loads:
        end = min(load.off_s, scenario.seconds) - 0.12
        if end - load.at_s < 1.0 or load.at_s < 0.5:
            continue
        t = np.arange(load.at_s, end, 0.01)
        speed = cycle_speed(t, motion, scenario.engine.revs_per_cycle)
        speed = np.convolve(np.pad(speed, 7, mode="edge"), np.ones(15) / 15, "valid")  # 0.15 s
        before = float(np.median(window_speeds(motion, max(load.at_s - 1.0, 0), load.at_s, 0.1)))
        after = float(np.median(window_speeds(motion, load.at_s + 0.6 * (end - load.at_s), end, 0.1)))
        outside = np.flatnonzero(np.abs(speed / after - 1) > 0.02)
        recovery = float(outside[-1] * 0.01) if len(outside) else 0.0
        out.append(
            LoadTruth(load.at_s, load.off_s, 100 * (1 - speed.min() / before), 100 * (1 - after / before), recovery)
        )
    return tuple(out)


def tell(scenario: Scenario, motion: Motion, wanted_rpm: np.ndarray, wanted_t: np.ndarray) -> Truth:
    """The whole truth of a recording with an engine in it."""
    t = np.arange(0, scenario.seconds + TRUTH_STEP_S, TRUTH_STEP_S)
    pulls = pull_truths(scenario, motion)
    base = Truth(
        scenario.seconds, bool(motion.runs), *firing_columns(motion),
        t, np.interp(t, motion.t_s, motion.turns), cycle_speed(t, motion, scenario.engine.revs_per_cycle),
        make_spans(scenario, motion, pulls), pulls, pops=scenario.colour.pops,
    )  # fmt: skip
    return with_run(base, scenario, motion, wanted_rpm, wanted_t) if motion.runs else base


def start_pulled_s(scenario: Scenario, motion: Motion) -> float:
    """When the starter was first pulled for the last run: after the end of any run before it that went on for as long
    as the timeline's `sustained_run_s`; shorter ones are false starts of the same attempt."""
    sustained = limits.load("timeline").value("sustained_run_s")
    ended = max((end for start, end, _ in motion.runs[:-1] if end - start >= sustained), default=-np.inf)
    return min(pull.at_s for pull in scenario.pulls if pull.at_s >= ended)


def firing_columns(motion: Motion) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Time, slot, strength, missed, partial of the events while running."""
    keep = motion.running
    return motion.event_t_s[keep], motion.slot[keep], motion.strength[keep], motion.missed[keep], motion.partial[keep]


def with_run(base: Truth, scenario: Scenario, motion: Motion, wanted_rpm: np.ndarray, wanted_t: np.ndarray) -> Truth:
    """`base` with what holds for the last run filled in."""
    from dataclasses import replace

    start, end, how = motion.runs[-1]
    up = run_up_end(scenario, motion, start, end, wanted_rpm, wanted_t)
    after = (base.firing_t_s >= up) & (base.firing_t_s <= end)
    rate, swing = swing_of(scenario, motion, up, end)
    still = standstill_after(motion, end, scenario.seconds) if how != "end" else None
    rough = scenario.speeds.rough
    return replace(
        base,
        run_start_s=start, run_up_end_s=up, run_end_s=end, cut_s=end if how == "cut" else None,
        standstill_s=still, rundown_s=still - end if still is not None else None,
        seconds_to_run=start - start_pulled_s(scenario, motion) if scenario.pulls else None,
        speed_rpm=median_speed(base.t_s, base.turns, up, end),
        misfire_share=float(np.mean(base.missed[after])) if np.any(after) else None,
        misfire_pattern=scenario.misfires.kind,
        hunting_rate_hz=rate, hunting_swing_rpm=swing,
        settle_s=rough.settle_s if rough is not None and rough.shape in ("step", "fade") else None,
        rough_shape=rough.shape if rough is not None else None, loads=load_truths(scenario, motion),
    )  # fmt: skip

"""Made-up recordings through the whole analysis: what it said of each, beside the truth."""

from __future__ import annotations

import io
from dataclasses import dataclass, replace

import numpy as np

from enginelog import analysis, synthesis
from enginelog.model import Clip, Engine, Run, Speed
from measuring.pool import each

# Taken in turn. Their number (10) and that of kinds (13) have no common divisor: every kind meets every behaviour.
BEHAVIOURS = (
    *("steady", "misfire", "hunting", "settling", "start", "load_step", "cut", "never_settles"),
    *("start,misfire", "moved"),
)
DISTURBANCES = ("noise_db", "wind_db", "talk_db", "hum_db", "birds_db", "knocks_db")  # of the place, over the engine
WITHIN = 0.01  # a speed further off is wrong
MOVED = "moved"  # throttle worked, or a saw revved: such a run has no one speed
MACHINES = {"generator_60": "generator", "twin_270": "mower twin", "twin_180": "mower twin", "twin_360": "mower twin"}
PLAIN_MACHINES = ("mower", "generator", "pump", "tiller", "saw", "trimmer")


@dataclass(frozen=True)
class Case:
    """One recording to be made: everything follows from these four. kind `any`, behaviour None: by the seed."""

    seed: int
    kind: str
    hardness: str
    behaviour: str | None


@dataclass(frozen=True)
class Reading:
    """What the analysis said of one recording. true_rpm: see `true_speed`.

    track_ratio: median of the track over the true run, over that of the true speed at the same moments: the tracking
    alone, whatever the analysis took for the run. NaN where the track told nothing there. said_to_run: the analysis was
    told that an engine ran. disturbed_db: all that is heard beside the engine, together, over the engine's level.
    """

    case: Case
    rated_told: bool
    true_rpm: float
    rpm: float | None
    low: float | None
    high: float | None
    confidence: float
    heard: bool
    usable: bool
    track_ratio: float = float("nan")
    said_to_run: bool = False
    disturbed_db: float = float("nan")

    @property
    def ratio(self) -> float:
        """Speed told over the true one; NaN where none was told."""
        return float("nan") if self.rpm is None else self.rpm / self.true_rpm

    @property
    def covered(self) -> bool:
        """Whether the 95 % interval holds the truth."""
        return self.low is not None and self.high is not None and self.low <= self.true_rpm <= self.high


def cases(runs: int, first_seed: int, hardness: str, behaviours: tuple[str, ...] = BEHAVIOURS) -> list[Case]:
    """`runs` recordings over all kinds and the behaviours, seeds counting up from `first_seed`."""
    kinds = list(synthesis.KINDS)
    return [Case(first_seed + i, kinds[i % len(kinds)], hardness, behaviours[i % len(behaviours)]) for i in range(runs)]


def moved_as(kind: str) -> str:
    """How the throttle of a kind is moved: blips, or from idle to full and back."""
    return "revving" if kind in ("saw", "trimmer", "two_stroke_twin", "four") else "throttle"


def scenario_of(case: Case) -> synthesis.Scenario:
    """The recording described completely."""
    name = case.behaviour
    if name == MOVED:
        name = moved_as(case.kind)
    return synthesis.random_scenario(case.seed, case.kind, case.hardness, name)


def as_told(engine: Engine, rated: bool) -> Engine:
    """The engine as its user would tell it: strokes, cylinders, firing angles, machine; the rated speed if `rated`."""
    kind = engine.machine or ""
    machine = MACHINES.get(kind, kind if kind in PLAIN_MACHINES else "other")
    return replace(engine, machine=machine, alternator_poles=None, rated_rpm=engine.rated_rpm if rated else None)


def analysed(clip: Clip, engine: Engine, name: str = "made up", ran: bool = False) -> Run:
    """The whole analysis of a clip in memory, handed over as a WAV file of floating-point samples."""
    import soundfile

    stream = io.BytesIO()
    soundfile.write(stream, clip.samples, round(clip.rate_hz), format="WAV", subtype="FLOAT")
    stream.seek(0)
    return analysis.analyse(stream, engine, name=name, ran=ran)


def read(case: Case) -> list[Reading]:
    """Make one recording and analyse it: without the rated speed, with it where the machine has one, and as one of
    which somebody says that the engine ran (without the rated speed again)."""
    scenario = scenario_of(case)
    clip, truth = synthesis.make(scenario)
    loud = disturbed_db(scenario.place)
    readings = []
    for rated in (False, True) if scenario.engine.rated_rpm else (False,):
        run = analysed(clip, as_told(scenario.engine, rated))
        readings.append(_reading(case, run, truth, rated, False, loud))
        if not rated:
            if not run.timeline.engine_heard:  # one that was heard is told the same, said to run or not
                run = analysed(clip, as_told(scenario.engine, rated), ran=True)
            readings.append(_reading(case, run, truth, rated, True, loud))
    return readings


def _reading(case: Case, run: Run, truth: synthesis.Truth, rated: bool, said_to_run: bool, loud: float) -> Reading:
    speed = run.measures.speed
    told = (speed.rpm, speed.rpm_low, speed.rpm_high, _surely(speed, truth))
    state = (run.timeline.engine_heard, run.quality.usable)
    return Reading(case, rated, true_speed(truth), *told, *state, _track_ratio(run, truth), said_to_run, loud)


def _surely(speed: Speed, truth: synthesis.Truth) -> float:
    """How surely the speed is told. Of a run at no one speed no median is claimed, but the speeds held: of the surest
    of these that is more than WITHIN off the median of the true speed meanwhile; 0 where none is."""
    if not speed.changed:
        return speed.confidence
    wrong = [0.0]
    for held in speed.held:
        inside = (truth.t_s >= held.start_s) & (truth.t_s <= held.end_s)
        if not inside.any() or abs(held.rpm / np.median(truth.rpm[inside]) - 1) > WITHIN:
            wrong.append(held.confidence)
    return max(wrong)


def disturbed_db(place: synthesis.Place) -> float:
    """Level of noise, wind, talk, hum, birds and knocks together over that of the engine, dB; -inf: none."""
    levels = [getattr(place, name) for name in DISTURBANCES]
    power = sum(10 ** (level / 10) for level in levels if level is not None)
    return float(10 * np.log10(power)) if power else -np.inf


def true_speed(truth: synthesis.Truth) -> float:
    """Median over running time of the crank's speed, rpm (`synthesis.truth.median_speed`); NaN: no run.

    The same that the analysis tells of: the last run, run-up left out, every moment counted alike.
    """
    return float("nan") if truth.speed_rpm is None else truth.speed_rpm


def _track_ratio(run: Run, truth: synthesis.Truth) -> float:
    """Tracked over true median speed, at the known frames from the end of the run-up to the end of the run."""
    track = run.track
    inside = np.isfinite(track.rpm) & (track.t_s >= (truth.run_up_end_s or 0.0)) & (track.t_s <= truth.run_end_s)
    if not inside.any():
        return float("nan")
    true_rpm = np.interp(track.t_s[inside], truth.t_s, truth.rpm)
    return float(np.median(track.rpm[inside]) / np.median(true_rpm))


def readings(drawn: list[Case], jobs: int, what: str) -> list[Reading]:
    """All readings of the recordings; those without a run at a true speed are left out."""
    found = each(read, drawn, jobs, what)
    return [reading for group in found for reading in group if np.isfinite(reading.true_rpm)]

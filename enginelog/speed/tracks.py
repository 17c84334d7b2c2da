"""The track of a block: the path, how sure each frame is of it, and which may be of a part of the speed."""

from __future__ import annotations

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import RHYTHM, Clip, Engine, Track
from enginelog.speed.confidence import confidence_of
from enginelog.speed.emission import plain_sum
from enginelog.speed.kinds import faster_reading, is_saw, usual_range
from enginelog.speed.tracking import pursue


def track(clip: Clip, engine: Engine, limits: LimitSet) -> Track:
    """Speed of the crankshaft through one block of sound, a frame every `frame_hop_s`.

    Frames whose confidence falls short of `least_confidence` keep their confidence but have no speed (NaN).
    """
    found = pursue(clip, engine, limits)
    rpm_per_hz = 60.0 * engine.revs_per_cycle
    confidence = confidence_of(found.shown)
    least = limits.value("least_confidence")
    confidence = np.where(may_be_faster(found.shown, engine, limits), np.minimum(confidence, least), confidence)
    known = confidence >= least
    blank = np.where(known, 1.0, np.nan)
    std = np.maximum(found.std_hz * rpm_per_hz, limits.value("least_std_rpm"))
    rpm, rhythm = found.cycle_hz * rpm_per_hz * blank, found.shown.astype(np.float32)
    return Track(found.t_s, rpm, confidence, std * blank, rhythm, hum=np.full(len(rpm), found.hum, np.float32))


def may_be_faster(rhythm: np.ndarray, engine: Engine, limits: LimitSet) -> np.ndarray:
    """Which frames of a rhythm (frames, len(RHYTHM)) are of an engine that may turn `faster_reading` times as fast.

    A two-stroke single that fires on every second turn repeats itself only then, and so does an even engine whose
    cylinders sound unlike, or one of which is dead. Where another reading lags little behind, it stays in doubt; and
    always for a twin taken for even because nobody told its firing angles.
    """
    times = faster_reading(engine)
    if times == 1:
        return np.zeros(len(rhythm), bool)
    shown = {name: rhythm[:, number] for number, name in enumerate(RHYTHM)}
    kind = "half_speed" if is_saw(engine) else "octave"
    close = shown["octave_margin"] < limits.value(f"{kind}_doubt") * plain_sum(shown)
    close |= shown["octave_odds"] < limits.value(f"{kind}_odds_doubt")
    close |= engine.firing_open
    faster_rpm = times * 60.0 * engine.revs_per_cycle * np.exp(shown["pitch"])
    return close & (faster_rpm < usual_range(engine, limits)[1])

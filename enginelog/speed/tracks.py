"""The track of a block: the path, how sure each frame is of it, and which may be of half the speed."""

from __future__ import annotations

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import RHYTHM, Clip, Engine, Track
from enginelog.speed.confidence import confidence_of
from enginelog.speed.emission import plain_sum
from enginelog.speed.kinds import is_saw, usual_range
from enginelog.speed.tracking import pursue


def track(clip: Clip, engine: Engine, limits: LimitSet) -> Track:
    """Speed of the crankshaft through one block of sound, a frame every `frame_hop_s`.

    Frames whose confidence falls short of `least_confidence` keep their confidence but have no speed (NaN).
    """
    found = pursue(clip, engine, limits)
    rpm_per_hz = 60.0 * engine.revs_per_cycle
    confidence = confidence_of(found.shown)
    least = limits.value("least_confidence")
    confidence = np.where(may_be_half(found.shown, engine, limits), np.minimum(confidence, least), confidence)
    known = confidence >= least
    blank = np.where(known, 1.0, np.nan)
    std = np.maximum(found.std_hz * rpm_per_hz, limits.value("least_std_rpm"))
    rpm, rhythm = found.cycle_hz * rpm_per_hz * blank, found.shown.astype(np.float32)
    return Track(found.t_s, rpm, confidence, std * blank, rhythm)


def may_be_half(rhythm: np.ndarray, engine: Engine, limits: LimitSet) -> np.ndarray:
    """Which frames of a rhythm (frames, len(RHYTHM)) are of an engine that may turn twice as fast.

    A two-stroke single that fires on every second turn repeats itself only then, and so does an even engine whose
    cylinders sound unlike. Where the other reading lags little behind, it stays in doubt.
    """
    if engine.cylinders > 1 and not engine.even_firing:
        return np.zeros(len(rhythm), bool)
    if engine.cylinders == 1 and not is_saw(engine):
        return np.zeros(len(rhythm), bool)
    shown = {name: rhythm[:, number] for number, name in enumerate(RHYTHM)}
    contrast = plain_sum(shown)
    close = shown["octave_margin"] < limits.value("half_speed_doubt" if is_saw(engine) else "octave_doubt") * contrast
    twice_rpm = 2 * 60.0 * engine.revs_per_cycle * np.exp(shown["pitch"])
    return close & (twice_rpm < usual_range(engine, limits)[1])

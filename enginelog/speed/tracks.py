"""The track of a block: the path, how sure each frame is of it, and which may be of a part of the speed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import RHYTHM, Clip, Engine, Track
from enginelog.speed.beside import beside
from enginelog.speed.confidence import confidence_of
from enginelog.speed.kinds import faster_reading, is_saw, usual_range
from enginelog.speed.tracking import pursue


def track(clip: Clip, engine: Engine, limits: LimitSet, about_rpm: float | None = None) -> Track:
    """Speed of the crankshaft through one block of sound, a frame every `frame_hop_s`.

    Frames whose confidence falls short of `least_confidence` keep their confidence but have no speed (NaN). Where the
    speed is known to be near to `about_rpm`, no other one is looked at, and every frame has one.
    """
    found = pursue(clip, engine, limits, about_rpm)
    rpm_per_hz = 60.0 * engine.revs_per_cycle
    confidence = confidence_of(found.shown)
    least = limits.value("least_confidence")
    confidence = np.where(may_be_faster(found.shown, engine, limits), np.minimum(confidence, least), confidence)
    known = (confidence >= least) | (about_rpm is not None)
    blank = np.where(known, 1.0, np.nan)
    std = np.maximum(found.std_hz * rpm_per_hz, limits.value("least_std_rpm"))
    rpm, rhythm = found.cycle_hz * rpm_per_hz * blank, found.shown.astype(np.float32)
    hum, settled = np.full(len(rpm), found.hum, np.float32), np.zeros(len(rpm), np.int8)
    other = None
    if about_rpm is None:
        other = beside(found.signals, found.t_s - clip.start_s, found.cycle_hz, known, limits)
    return Track(found.t_s, rpm, confidence, std * blank, rhythm, hum=hum, settled=settled, beside=other)


def double_in_question(track: Track, engine: Engine, limits: LimitSet) -> float | None:
    """The speed, rpm, at which a single-cylinder two-stroke may turn that sounds as the track of a block tells, firing
    on every second turn. None where no such engine turns so fast, or the track has no one speed."""
    known = track.rpm[np.isfinite(track.rpm)]
    if not is_saw(engine) or len(known) < limits.value("least_known_frames"):
        return None
    middle = float(np.median(known))
    alike = np.abs(np.log(known / middle)) < limits.value("one_pace_within")
    steady = np.mean(alike) >= limits.value("one_pace_share")
    return 2 * middle if steady and 2 * middle < usual_range(engine, limits)[1] else None


def settled(track: Track, faster: Track | None = None) -> Track:
    """The track of a block of which the order of its turns tells that no other speed is possible; where it tells that
    the engine turned twice as fast, at the speeds of `faster`, looked for there. The rhythm, and with it the
    confidence, is that of the speed at which it shows better: while the order keeps, lines stand where the slower one
    has them."""
    assert track.rhythm is not None
    every = np.ones(len(track.rpm), np.int8)
    confidence = confidence_of(track.rhythm.astype(float))
    if faster is None:
        return replace(track, confidence=confidence, settled=every)
    assert faster.rhythm is not None
    of_faster, rhythm = confidence_of(faster.rhythm.astype(float)), faster.rhythm
    if confidence.mean() > of_faster.mean():
        rhythm = track.rhythm.copy()
        rhythm[:, RHYTHM.index("pitch")] = faster.rhythm[:, RHYTHM.index("pitch")]
    confidence, blank = np.maximum(confidence, of_faster), np.where(np.isfinite(track.rpm), 1.0, np.nan)
    rpm, std = faster.rpm * blank, faster.rpm_std * blank
    return replace(track, rpm=rpm, confidence=confidence, rpm_std=std, rhythm=rhythm, settled=2 * every)


def settled_double(track: Track) -> float | None:
    """The speed of a block, rpm, of which the order of the turns told that it fires on every second one; else None."""
    known = np.isfinite(track.rpm)
    twice = track.settled is not None and known.any() and bool((track.settled[known] == 2).all())
    return float(np.median(track.rpm[known])) if twice else None


def may_be_faster(rhythm: np.ndarray, engine: Engine, limits: LimitSet) -> np.ndarray:
    """Which frames of a rhythm (frames, len(RHYTHM)) are of an engine that may turn `faster_reading` times as fast.

    A two-stroke single that fires on every second turn repeats itself only then, and so does an even engine whose
    cylinders sound unlike, or one of which is dead. Where the lines of the whole block leave the faster reading any
    chance (`multiples`), it stays in doubt; and always for a twin taken for even because nobody told its firing angles.
    """
    if faster_reading(engine) == 1:
        return np.zeros(len(rhythm), bool)
    kind = "half_speed" if is_saw(engine) else "octave"
    close = rhythm[:, RHYTHM.index("faster_odds")] > limits.value(f"{kind}_odds_doubt")
    close |= engine.firing_open
    faster_rpm = faster_reading(engine) * 60.0 * engine.revs_per_cycle * np.exp(rhythm[:, RHYTHM.index("pitch")])
    return close & (faster_rpm < usual_range(engine, limits)[1])

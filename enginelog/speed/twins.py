"""How a four-stroke twin fires, by its sound, where nobody told it.

A twin fires evenly (360 degrees apart), 270/450 (a V of 90 degrees) or 180/540. An uneven one repeats itself once a
cycle, just as often as an even one at half its speed fires: taken for even, it is read at half its speed, and the track
is sure of it. So each way is tracked, and a multinomial logistic regression weighs how well the lines of each stand
out, and whether those that equal firings cancel are missing. Its coefficients lie in `twins.json`;
`scripts/fit_twins.py` fits them on made-up recordings (tuning seeds only).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from enginelog.dsp.stored import Model, stored_model
from enginelog.limits import LimitSet
from enginelog.model import RHYTHM, Clip, Engine, Speed, Track
from enginelog.speed.emission import plain_sum
from enginelog.speed.spectrum import OrderPower, added, cancelled_db, order_power, spectrum_of
from enginelog.speed.tones import COLUMNS as TONES
from enginelog.speed.tracks import track

WAYS = ((0.0, 360.0), (0.0, 270.0), (0.0, 180.0))
# The place would teach usual speeds; the lines of the whole block came after the fit; the rest says nothing here.
UNREAD = ("noise", "restless", "pitch", "whole_odds", "faster_odds", *TONES)
SHOWN = tuple(name for name in RHYTHM if name not in UNREAD)
FIGURES = ("plain_sum", *SHOWN, "confidence", "cancelled_db", "cancelled_unknown")  # of each way, in turn
WIDEST = 3.0  # figures are read within three standard deviations of those seen in fitting
FEWEST = 10  # known frames without which all count
SAME = 0.1  # two readings that differ by less are of one speed


@dataclass(frozen=True)
class HeardAngles:
    """The way of firing that fits best. chance: that the speed read so is right; times: the speed of the other
    reading as a multiple of it, None where all read the same."""

    angles_deg: tuple[float, ...]
    chance: float
    times: float | None

    def doubted(self, speed: Speed, limits: LimitSet) -> Speed:
        """The speed with the other reading beside it, where that is likely enough."""
        if speed.rpm is None or self.times is None or self.chance >= limits.value("firing_angles_sure"):
            return speed
        confidence = min(speed.confidence, limits.value("confidence_in_doubt"))
        return replace(speed, confidence=confidence, or_rpm=self.times * speed.rpm)


class Twin:
    """A four-stroke twin heard block by block, each way it may fire tracked beside the others."""

    def __init__(self, engine: Engine, limits: LimitSet) -> None:
        self._limits = limits
        self._engines = [fires(engine, angles) for angles in WAYS]
        self._tracks: list[list[Track]] = []
        self._powers = [OrderPower(np.zeros(0), 0)] * len(WAYS)

    def hear(self, clip: Clip) -> None:
        """One more block."""
        tracks = [track(clip, engine, self._limits) for engine in self._engines]
        for number, (one, engine) in enumerate(zip(tracks, self._engines, strict=True)):
            self._powers[number] = added(self._powers[number], order_power(clip, one, engine))
        self._tracks.append(tracks)

    @property
    def known_s(self) -> float:
        """How long a speed was known."""
        return float(sum(_known(tracks).sum() for tracks in self._tracks) * self._limits.value("frame_hop_s"))

    @property
    def enough(self) -> bool:
        """Whether a speed was known for so long that more sound tells little more."""
        return self.known_s >= self._limits.value("firing_angles_heard_s")

    def figures(self) -> np.ndarray:
        """What the regression reads, shape (len(WAYS) * len(FIGURES),)."""
        counted, found = self._counted(), []
        for number, engine in enumerate(self._engines):
            rhythm = self._rhythm(number, counted)
            shown = {name: rhythm[:, place] for place, name in enumerate(RHYTHM)}
            confidence = np.concatenate([tracks[number].confidence for tracks in self._tracks])[counted]
            level = cancelled_db(spectrum_of(self._powers[number]), engine)
            found += [plain_sum(shown).mean(), *(shown[name].mean() for name in SHOWN), confidence.mean()]
            found += [level or 0.0, float(level is None)]
        return np.array(found, float)

    def _counted(self) -> np.ndarray:
        """Mask of the frames that count: those whose speed is known by any way of firing, or all if these are few."""
        known = np.concatenate([_known(tracks) for tracks in self._tracks])
        return known if known.sum() >= FEWEST else np.ones(len(known), bool)

    def _rhythm(self, number: int, counted: np.ndarray) -> np.ndarray:
        """How the rhythm showed itself by one way of firing, shape (frames that count, len(RHYTHM))."""
        parts = [tracks[number].rhythm for tracks in self._tracks]
        return np.concatenate([part for part in parts if part is not None])[counted].astype(float)

    def angles(self) -> HeardAngles | None:
        """The angles it fires at; None where no block was heard."""
        if not self._tracks:
            return None
        chances = chance_of(self.figures())
        counted, column = self._counted(), RHYTHM.index("pitch")
        pitch = np.array([np.median(self._rhythm(number, counted)[:, column]) for number in range(len(WAYS))])
        best = int(chances.argmax())
        same = np.abs(pitch - pitch[best]) < SAME
        other = max(np.flatnonzero(~same), key=lambda number: chances[number], default=None)
        times = None if other is None else float(np.exp(pitch[other] - pitch[best]))
        return HeardAngles(WAYS[best], float(chances[same].sum()), times)


class Taken:
    """How an engine is taken while the sound comes: a twin whose firing angles nobody told for even, so that no speed
    of it is sure, until it was heard for long enough to tell. engine: as it is taken now."""

    def __init__(self, told: Engine, limits: LimitSet) -> None:
        self.engine, self._told, self._limits = told, told, limits
        self._twin = Twin(told, limits) if told.firing_open else None
        self._heard_until_s = -np.inf

    def hear(self, clip: Clip, found: Track) -> None:
        """The latest stretch of sound and its track; stretches that overlap the last one heard are left out."""
        if self._twin is None or clip.start_s < self._heard_until_s or not np.isfinite(found.rpm).any():
            return
        self._heard_until_s = clip.start_s + clip.seconds
        self._twin.hear(clip)
        angles = self._twin.angles()
        if angles is None or self._twin.known_s < self._limits.value("firing_angles_least_s"):
            return
        sure = angles.times is None or angles.chance >= self._limits.value("firing_angles_sure")
        self.engine = fires(self._told, angles.angles_deg) if sure else self._told
        self._twin = None if self._twin.enough else self._twin


def fires(engine: Engine, angles_deg: tuple[float, ...]) -> Engine:
    """The engine as one that was told to fire at these angles."""
    left = tuple(name for name in engine.assumed if name != "firing_angles_deg")
    return replace(engine, firing_angles_deg=angles_deg, assumed=left)


def _known(tracks: list[Track]) -> np.ndarray:
    """Frames of a block whose speed is known by any way of firing."""
    return np.any([np.isfinite(one.rpm) for one in tracks], axis=0)


def chance_of(figures: np.ndarray, model: Model | None = None) -> np.ndarray:
    """How likely each of WAYS is, shape (len(WAYS),), from the figures of a twin. model: the shipped one if None; its
    weights have a row for each way."""
    model = model or stored_model(__package__, "twins")
    z = np.clip((figures - model.mean) / model.spread, -WIDEST, WIDEST)
    logit = model.weight[:, 0] + model.weight[:, 1:] @ z
    share = np.exp(logit - logit.max())
    return share / share.sum()

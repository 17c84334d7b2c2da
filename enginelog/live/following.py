"""What is heard while the sound comes: the latest seconds go through the stages that listen, again and again."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import Clip, Firings, Track

Hear = Callable[[Clip, bool], tuple[Track, Firings | None]]  # the second argument: whether firings are wanted
SURE_MISS = 0.5
MOST_KEPT = 1200  # frames of speed kept for trend and steadiness: a minute at twenty a second


@dataclass(frozen=True)
class Reading:
    """What can be said at a moment of the sound.

    at_s: seconds of sound so far. rpm: None where not sure enough; of the moment `rpm_at_s`, `confidence` 0..1.
    trend_rpm_per_s: how the speed changes. band_percent: width of the middle 95 % of the speed over the last seconds,
    of its median. level_db: RMS against full scale; peak: largest sample, 0..1; clipped_percent: samples at full scale.
    firings, misfires: counted so far. lost: gaps in the sound.
    """

    at_s: float
    level_db: float
    peak: float
    clipped_percent: float
    rpm: float | None = None
    rpm_at_s: float | None = None
    confidence: float = 0.0
    trend_rpm_per_s: float | None = None
    band_percent: float | None = None
    firings: int = 0
    misfires: int = 0
    lost: int = 0


class Follower:
    """Takes sound block by block and gives a Reading every `hop_s`. hear: the stages, for one stretch of sound.

    limits: topic live. t_s, rpm: the speed as it was said, frame by frame (NaN where not sure).
    """

    def __init__(self, rate_hz: float, hear: Hear, limits: LimitSet) -> None:
        self.rate_hz, self._hear, self._limits = rate_hz, hear, limits
        self._window = round(limits.value("window_s") * rate_hz)
        self._held: deque[np.ndarray] = deque()
        self._held_n = self._total_n = self._since_n = 0
        self._counted_s = 0.0
        self._firings = self._misfires = 0
        self.t_s: list[float] = []
        self.rpm: list[float] = []

    @property
    def seconds(self) -> float:
        return self._total_n / self.rate_hz

    def add(self, block: np.ndarray, behind: bool = False) -> Reading | None:
        """Take a block; a Reading where one is due.

        behind: more sound waits already. The work is then put off, so that it never holds up the sound.
        """
        self._held.append(np.asarray(block, np.float32))
        self._held_n += len(block)
        self._total_n += len(block)
        self._since_n += len(block)
        while self._held_n - len(self._held[0]) >= self._window:
            self._held_n -= len(self._held.popleft())
        if behind or self._since_n < round(self._limits.value("hop_s") * self.rate_hz):
            return None
        self._since_n = 0
        return self._reading()

    def _reading(self) -> Reading:
        samples = np.concatenate(self._held)[-self._window :]
        level_db, peak, clipped = self._level(samples)
        if len(samples) < self._limits.value("least_window_s") * self.rate_hz:
            return Reading(self.seconds, level_db, peak, clipped)
        clip = Clip(samples, self.rate_hz, self.seconds - len(samples) / self.rate_hz)
        due = self.seconds - self._limits.value("firings_lag_s") >= self._counted_s + self._limits.value(
            "firings_hop_s"
        )
        track, firings = self._hear(clip, due)
        at = self._take_speed(track)
        if firings is not None:
            self._count(firings)
        return Reading(
            self.seconds, level_db, peak, clipped, *self._now(track, at), self._trend(), self._band(), self._firings,
            self._misfires,
        )  # fmt: skip

    def _level(self, samples: np.ndarray) -> tuple[float, float, float]:
        last = samples[-round(self._limits.value("level_s") * self.rate_hz) :]
        size = np.abs(last)
        rms = float(np.sqrt(np.mean(np.square(last, dtype=np.float64))))
        clipped = 100.0 * float(np.mean(size >= self._limits.value("full_scale")))
        return 20.0 * float(np.log10(max(rms, 1e-6))), float(size.max(initial=0.0)), clipped

    def _take_speed(self, track: Track) -> int:
        """Keep the frames not taken yet, up to `lag_s` before the end of the sound; the index of the last of them."""
        until = self.seconds - self._limits.value("lag_s")
        since = self.t_s[-1] if self.t_s else -1.0
        sure = np.where(track.confidence >= self._limits.value("least_confidence"), track.rpm, np.nan)
        new = (track.t_s > since + 1e-6) & (track.t_s <= until)
        self.t_s += track.t_s[new].tolist()
        self.rpm += sure[new].tolist()
        del self.t_s[:-MOST_KEPT], self.rpm[:-MOST_KEPT]
        return int(np.searchsorted(track.t_s, until, side="right")) - 1

    def _now(self, track: Track, at: int) -> tuple[float | None, float | None, float]:
        if at < 0:
            return None, None, 0.0
        sure = float(track.confidence[at])
        if sure < self._limits.value("least_confidence") or not np.isfinite(track.rpm[at]):
            return None, float(track.t_s[at]), sure
        return float(track.rpm[at]), float(track.t_s[at]), sure

    def _recent(self, seconds: float) -> tuple[np.ndarray, np.ndarray]:
        t_s, rpm = np.array(self.t_s), np.array(self.rpm)
        use = np.isfinite(rpm) & (t_s > self.seconds - self._limits.value("lag_s") - seconds)
        return t_s[use], rpm[use]

    def _trend(self) -> float | None:
        t_s, rpm = self._recent(self._limits.value("trend_s"))
        if len(t_s) < 10 or t_s[-1] - t_s[0] < 0.5 * self._limits.value("trend_s"):
            return None
        return float(np.polyfit(t_s - t_s[0], rpm, 1)[0])

    def _band(self) -> float | None:
        t_s, rpm = self._recent(self._limits.value("steady_s"))
        if len(t_s) < 20 or t_s[-1] - t_s[0] < 0.3 * self._limits.value("steady_s"):
            return None
        low, middle, high = np.percentile(rpm, [2.5, 50, 97.5])
        return 100.0 * float((high - low) / middle)

    def _count(self, firings: Firings) -> None:
        """Count the firings not counted yet, up to `firings_lag_s` before the end of the sound."""
        until = self.seconds - self._limits.value("firings_lag_s")
        new = (firings.t_s > self._counted_s) & (firings.t_s <= until)
        self._firings += int(new.sum())
        self._misfires += int((firings.miss_probability[new] > SURE_MISS).sum())
        self._counted_s = max(self._counted_s, until)

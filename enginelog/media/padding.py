"""Cuts the padding that encoders leave at the end of MP4-family files.

The start (priming) is cut by FFmpeg itself, from edit lists and gapless tags; the end is not.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Frame:
    """One decoded frame. samples: shape (n, channels). declared: how many of them are sound by the file's own table."""

    samples: np.ndarray
    declared: int


@dataclass(frozen=True)
class End:
    """Where the sound ends by the file's index, in samples, true within `tick` samples."""

    at: int
    tick: int


def stated_end(tags: Mapping[str, str], seconds: float | None, rate_hz: int, tick_s: float) -> End | None:
    """The end by the gapless tag (hexadecimal: zero, priming, padding, length), which is exact, or by the duration.

    tick_s: edit lists count in coarse units of time, often milliseconds; this is how far off they may be.
    """
    fields = tags.get("iTunSMPB", "").split()
    try:
        if len(fields) >= 4 and int(fields[3], 16) > 0:
            return End(int(fields[3], 16), 0)
    except ValueError:
        pass
    return End(round(seconds * rate_hz), round(tick_s * rate_hz)) if seconds else None


def without_padding(frames: Iterator[Frame], end: End | None, most: int) -> Iterator[np.ndarray]:
    """The samples of the frames, without what lies beyond the end.

    A last frame that declares itself shorter than it decodes gives the end exactly, where it agrees with the index.
    More than `most` samples beyond the end mean that the index is wrong; then all are kept: nothing recorded is lost.
    """
    sure = None if end is None else max(0, end.at - end.tick)
    count, tail, frame = 0, [], None
    for frame in frames:
        fits = len(frame.samples) if sure is None else min(len(frame.samples), max(0, sure - count))
        count += len(frame.samples)
        if fits:
            yield frame.samples[:fits]
        if fits < len(frame.samples):
            tail.append(frame.samples[fits:])
        if end is not None and sure is not None and count - end.at > most:
            yield from tail
            tail, sure = [], None
    if tail and frame is not None and end is not None and sure is not None:
        yield np.concatenate(tail)[: max(0, _exact(count, frame, end) - sure)]


def _exact(count: int, last: Frame, end: End) -> int:
    """The end in samples: by the last frame's own declaration where it has one that agrees with the index."""
    by_table = count - len(last.samples) + last.declared
    return by_table if last.declared < len(last.samples) and abs(by_table - end.at) <= end.tick else end.at


def by_the_second(frames: Iterator[np.ndarray], rate_hz: int) -> Iterator[np.ndarray]:
    """The same samples in chunks of about a second, which later steps handle faster than frames of 20 ms."""
    held, held_n = [], 0
    for frame in frames:
        held.append(frame)
        held_n += len(frame)
        if held_n >= rate_hz:
            yield np.concatenate(held)
            held, held_n = [], 0
    if held_n:
        yield np.concatenate(held)

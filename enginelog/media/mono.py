"""From the decoder's channels to one clean channel at a rate of at most 48 kHz, a chunk at a time."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from enginelog.limits import LimitSet
from enginelog.media.source import Source, Tally

_AT_ONCE = 1 << 16  # samples of each channel that are turned into float64 together: more than a second of any phone's


def to_mono(source: Source, weights: np.ndarray, limits: LimitSet) -> tuple[float, Iterator[np.ndarray]]:
    """The rate in Hz and the chunks of a source as one channel: float32, shape (n,), every value finite.

    weights: of each channel (`mix_weights`).
    """
    chunks = _cleaned(source, limits)
    mixed = (chunk[:, 0] if chunk.shape[1] == 1 else chunk @ weights for chunk in chunks)
    top = limits.value("max_rate_hz")
    if source.rate_hz <= top:
        return float(source.rate_hz), mixed
    return top, _resampled(mixed, source.rate_hz, top)


def _cleaned(source: Source, limits: LimitSet) -> Iterator[np.ndarray]:
    """The chunks of a source without what is no number, up to the longest length."""
    cleaned = (clean(chunk, source.tally, limits.value("absurd_sample")) for chunk in source.chunks)
    return _bounded(cleaned, source, limits.value("max_seconds"))


def clean(chunk: np.ndarray, tally: Tally, absurd: float) -> np.ndarray:
    """The chunk as float32 with NaN, infinity and absurdly large samples set to 0 and counted."""
    chunk = np.asarray(chunk, np.float32)
    if not len(chunk) or (chunk.max() <= absurd and chunk.min() >= -absurd):  # false for NaN
        return chunk
    bad = ~(np.abs(chunk) <= absurd)
    tally.non_finite += int(bad.sum())
    return np.where(bad, np.float32(0.0), chunk)


def _bounded(chunks: Iterator[np.ndarray], source: Source, max_seconds: float) -> Iterator[np.ndarray]:
    """Stop after `max_seconds`."""
    left = round(max_seconds * source.rate_hz)
    for chunk in chunks:
        if len(chunk) > left:
            source.tally.stopped_at_s = max_seconds
            yield chunk[:left]
            return
        left -= len(chunk)
        yield chunk


def mix_weights(source: Source, limits: LimitSet) -> np.ndarray:
    """The weight of each channel, float32, summing to 1: equal, or all on one channel. Reads a source of several to its
    end.

    The same for the whole recording, so that nothing jumps within it. The first stretch that is not silent chooses: the
    mean of the channels, or the strongest alone where the mean has less than `mix_keep_ratio` of its energy (channels
    of opposite phase have 0, one live channel of two 1/4). Where so little is left of a later loud stretch
    (`mix_lost_ratio`) that an engine in it would be lost, what keeps most of every loud stretch is taken instead.
    """
    if source.channels == 1:
        return np.ones(1, np.float32)
    ways = np.array(list(_stretches(source, limits)))
    weights = np.full(source.channels, 1.0 / source.channels, np.float32)
    if not len(ways):
        return weights
    strongest = ways[:, 1:].max(axis=1)
    chosen = 0 if ways[0, 0] >= limits.value("mix_keep_ratio") * strongest[0] else 1 + int(ways[0, 1:].argmax())
    loud = strongest >= limits.value("mix_loud_ratio") * strongest.max()
    kept = (ways[loud] / strongest[loud, None]).min(axis=0)
    if kept[chosen] < limits.value("mix_lost_ratio"):
        chosen = int(kept.argmax())
    if chosen:
        weights[:] = 0.0
        weights[chosen - 1] = 1.0
    return weights


def _stretches(source: Source, limits: LimitSet) -> Iterator[np.ndarray]:
    """The energy of each stretch of `mix_stretch_s` from a sound on: of the mean of the channels, then of each channel.

    float64, shape (1 + channels,), never all 0: a few numbers for each ten seconds, however long the recording.
    """
    stretch_n = round(limits.value("mix_stretch_s") * source.rate_hz)
    held_n, held = 0, np.zeros(1 + source.channels)
    for chunk in _cleaned(source, limits):
        sounding = chunk.any()
        if not held_n and not sounding:
            continue
        for at in range(0, len(chunk) if sounding else 0, _AT_ONCE):
            exact = chunk[at : at + _AT_ONCE].astype(np.float64)
            mean = exact @ np.full(source.channels, 1.0 / source.channels)
            held[0] += mean @ mean
            held[1:] += np.einsum("ij,ij->j", exact, exact)
        held_n += len(chunk)
        if held_n >= stretch_n:
            yield held
            held_n, held = 0, np.zeros(1 + source.channels)
    if held_n:
        yield held


def _resampled(chunks: Iterator[np.ndarray], rate_hz: float, target_hz: float) -> Iterator[np.ndarray]:
    """The chunks at another rate; the resampler's delay is taken off by it, so times stay true."""
    import soxr

    stream = soxr.ResampleStream(rate_hz, target_hz, 1, dtype="float32")
    for chunk in chunks:
        out = stream.resample_chunk(chunk)
        if len(out):
            yield out
    rest = stream.resample_chunk(np.zeros(0, np.float32), last=True)
    if len(rest):
        yield rest

"""From the decoder's channels to one clean channel at a rate of at most 48 kHz, a chunk at a time."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from enginelog.limits import LimitSet
from enginelog.media.source import Source, Tally


def to_mono(source: Source, limits: LimitSet) -> tuple[float, Iterator[np.ndarray]]:
    """The rate in Hz and the chunks of a source as one channel: float32, shape (n,), every value finite."""
    cleaned = (clean(chunk, source.tally, limits.value("absurd_sample")) for chunk in source.chunks)
    bounded = _bounded(cleaned, source, limits.value("max_seconds"))
    mixed = _mixed(bounded, source.rate_hz, limits)
    top = limits.value("max_rate_hz")
    if source.rate_hz <= top:
        return float(source.rate_hz), mixed
    return top, _resampled(mixed, source.rate_hz, top)


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


def _mixed(chunks: Iterator[np.ndarray], rate_hz: int, limits: LimitSet) -> Iterator[np.ndarray]:
    """One channel: the mean of all, or the strongest alone where the mean loses most of the sound.

    Decided once, on the first `mix_decide_s` seconds that are not silent, so that nothing jumps within a recording.
    """
    decide_n, held_n = round(limits.value("mix_decide_s") * rate_hz), 0
    held: list[np.ndarray] = []
    weights: np.ndarray | None = None
    for chunk in chunks:
        if chunk.shape[1] == 1:
            yield chunk[:, 0]
            continue
        if weights is not None:
            yield chunk @ weights
            continue
        if not held and not chunk.any():
            yield chunk[:, 0]
            continue
        held.append(chunk)
        held_n += len(chunk)
        if held_n >= decide_n:
            weights = mix_weights(held, limits.value("mix_keep_ratio"))
            yield from (kept @ weights for kept in held)
            held = []
    if held:
        weights = mix_weights(held, limits.value("mix_keep_ratio"))
        yield from (kept @ weights for kept in held)


def mix_weights(chunks: list[np.ndarray], keep_ratio: float) -> np.ndarray:
    """The weight of each channel, float32, summing to 1: equal, or all on the strongest channel.

    The strongest is taken alone where the mean of the channels has less than `keep_ratio` of its energy: channels of
    opposite phase (0), or one live channel among silent ones (1/4 of two).
    """
    channels = chunks[0].shape[1]
    energy = sum((np.einsum("ij,ij->j", chunk, chunk, dtype=np.float64) for chunk in chunks), np.zeros(channels))
    mixed = sum(float(np.sum(np.square(chunk.mean(axis=1, dtype=np.float64)))) for chunk in chunks)
    weights = np.full(channels, 1.0 / channels, np.float32)
    if mixed < keep_ratio * energy.max():
        weights[:] = 0.0
        weights[int(energy.argmax())] = 1.0
    return weights


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

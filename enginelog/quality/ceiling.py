"""Clipping: how many samples were cut off at a ceiling, at full scale or below it (then made quieter later)."""

from __future__ import annotations

import numpy as np

_COARSE = 20  # bins between zero and the usual top
_RARE = 2e-4  # share of samples above the usual top: what a codec throws over a ceiling
_HUMP_FROM, _VALLEY_FROM = 12, 8
_LEAST = 0.005
_TONE_BINS = 2
_FEW_TONES = 5


def piled_share(counts: np.ndarray, lingers: bool, pile_ratio: float) -> float:
    """Share of samples, 0..1, that were cut off at a ceiling anywhere.

    counts: of |sample| by size up to the peak, see `amplitude.histogram`.
    lingers: the sound stays near its peaks by nature, see `lingers`; then no pile tells of a ceiling.
    pile_ratio: how much fuller than its neighbours the top must be. Larger samples are rarer in any sound that is not
        cut off (all real recordings looked at fall towards their peak), so a pile near the peak is a ceiling: sharp
        in uncompressed sound, spread over some per cent of the peak by a codec.
    """
    total = counts.sum()
    if lingers or not total:
        return 0.0
    shares = counts / total
    return max(_sharp_pile(shares, pile_ratio), _broad_pile(shares, pile_ratio))


def _sharp_pile(shares: np.ndarray, ratio: float) -> float:
    """What the top per cent holds beyond the per cent below it."""
    top, below = shares[-2:].sum(), shares[-4:-2].sum()
    return float(top - below) if top > 2 * ratio * below else 0.0


def _broad_pile(shares: np.ndarray, ratio: float) -> float:
    """What lies in a hump in the upper part of the range beyond the valley before it.

    The range ends where only _RARE of the samples are larger; the hump is looked for from 60 % of it, the valley from
    40 %. Less than _LEAST of the samples is no ceiling: evenly strong firings reach the same height, too.
    """
    above = np.cumsum(shares[::-1])[::-1]
    top = int(np.flatnonzero(above > _RARE)[-1]) + 1
    upto = np.interp(np.linspace(0, top, _COARSE + 1), np.arange(len(shares) + 1), np.append(0, np.cumsum(shares)))
    coarse = np.diff(upto)
    hump = _HUMP_FROM + int(np.argmax(coarse[_HUMP_FROM:]))
    valley = _VALLEY_FROM + int(np.argmin(coarse[_VALLEY_FROM : hump + 1]))
    if coarse[hump] <= ratio * coarse[valley]:
        return 0.0
    excess = float(np.maximum(coarse[valley:] - coarse[valley], 0).sum() + above[top:][:1].sum())
    return excess if excess > _LEAST else 0.0


def lingers(power: np.ndarray, rate_hz: float, share: float, share_of_few: float) -> bool:
    """Whether the sound stays near its peaks by nature, judged by the middle frame: one tone, or what lies below 112 Hz
    (wind), holds more than `share` of its energy, or _FEW_TONES hold more than `share_of_few`, as in a whine.

    The sum of a few steady tones repeats itself, and each of its tops is as high as the last: a pile without a ceiling.
    power: spectra, shape (frames, bins).
    """
    if not len(power):
        return False
    total = np.maximum(power.sum(axis=1), 1e-20)
    tones = np.median(_strongest(power) / total[:, None], axis=0)
    low = power[:, : int(112 / (rate_hz / 2) * (power.shape[1] - 1)) + 1].sum(axis=1)
    return bool(tones[0] > share or tones[-1] > share_of_few or np.median(low / total) > share)


def _strongest(power: np.ndarray) -> np.ndarray:
    """Energy of the strongest tone, of the two strongest together and so on: shape (frames, _FEW_TONES)."""
    left, taken = np.pad(power, ((0, 0), (_TONE_BINS, _TONE_BINS))), []  # what is about a tone never lies outside
    for _ in range(_FEW_TONES):
        strongest = left[:, _TONE_BINS:-_TONE_BINS].argmax(axis=1)
        around = strongest[:, None] + np.arange(2 * _TONE_BINS + 1)
        taken.append(np.take_along_axis(left, around, axis=1).sum(axis=1))
        np.put_along_axis(left, around, 0.0, axis=1)
    return np.cumsum(taken, axis=0).T

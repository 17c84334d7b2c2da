"""A few short spectra spread over the recording: enough to see what is missing from it, at little cost."""

from __future__ import annotations

import numpy as np

from enginelog.limits import LimitSet

# Edges of the bands in Hz: about half octaves below 125 Hz, third octaves above (IEC 61260 nominal edges).
EDGES_HZ = np.array(
    [20, 45, 63, 90, 112, 141, 178, 224, 282, 355, 447, 562, 708, 891, 1122, 1413, 1778, 2239, 2818, 3548, 4467]
    + [5623, 7079, 8913, 11_220, 14_130, 17_780, 22_390],
    float,
)
CENTRES_HZ = np.sqrt(EDGES_HZ[1:] * EDGES_HZ[:-1])
_FRAME_S = 0.085  # twice that would cost ten times as much: it no longer fits the processor's cache
_A_SECOND = 1.5
_AT_LEAST = 24
_SHORT_S, _SHORT_A_SECOND = 0.021, 5.0
_SILENT = 1e-16
_TOP_FROM_HZ = 2000.0  # no recorder ends below; what falls off lower is the sound itself
_ALIKE, _ALIKE_RATIO = 8, 2.5  # frames, and how far their powers may lie apart (4 dB)


def spectra(samples: np.ndarray, rate_hz: float, frame_s: float = _FRAME_S, a_second: float = _A_SECOND) -> np.ndarray:
    """Power spectra of frames spread evenly over the samples, shape (frames, bins); a full-scale sine sums to 0.5.

    frame_s: length of a frame (the nearest power of two is taken). a_second: how many frames for each second; at least
    24 in all, as far as the samples reach without overlapping by more than half.
    Shape (0, bins) where the samples are shorter than a frame.
    """
    from scipy.fft import rfft

    length = 2 ** round(np.log2(frame_s * rate_hz))
    room = len(samples) - length
    if room < 0:
        return np.zeros((0, length // 2 + 1), np.float32)
    most = 1 + room // (length // 2)
    count = int(min(most, max(_AT_LEAST, a_second * len(samples) / rate_hz)))
    starts = np.linspace(0, room, count).astype(int)
    window = np.hanning(length).astype(np.float32)
    frames = samples[starts[:, None] + np.arange(length)] * window
    spectrum = rfft(frames)
    scale = np.float32(2.0 / np.sum(np.square(window)) / length)
    return (np.square(spectrum.real) + np.square(spectrum.imag)) * scale


def band_levels_db(power: np.ndarray, rate_hz: float) -> np.ndarray:
    """Level of each band in dB of full scale, shape (frames, bands); NaN for bands beyond half the sampling rate."""
    width = rate_hz / 2 / (power.shape[1] - 1)
    edges = np.ceil(EDGES_HZ / width).astype(int)
    inside = EDGES_HZ[1:] <= rate_hz / 2
    out = np.full((len(power), len(EDGES_HZ) - 1), np.nan, np.float32)
    if len(power) and inside.any():
        used = int(inside.sum())
        sums = np.add.reduceat(power[:, : edges[used]], edges[:used], axis=1)
        out[:, :used] = 10 * np.log10(np.maximum(sums, _SILENT))
    return out


def holes_share(samples: np.ndarray, rate_hz: float, depth_db: float) -> float:
    """Share of places between 300 and 3400 Hz, in short frames of about the same loudness, that were emptied.

    Emptied: more than `depth_db` below the middle of the same frequency. Noise of any colour does that by chance with
    probability 1 - 2^-(10^(-depth/10)): 0.22 % for 25 dB (exponential distribution of a spectral bin's power).
    Frames are 21 ms long, like those in which noise reduction works.
    0 where fewer than a third of the frames are alike: single knocks leave the same picture as noise reduction.
    """
    power = spectra(samples, rate_hz, _SHORT_S, _SHORT_A_SECOND)
    width = rate_hz / 2 / (power.shape[1] - 1)
    heard = power[:, int(300 / width) : int(3400 / width)]
    if len(heard) < _ALIKE:
        return 0.0
    total = heard.sum(axis=1)
    usual = np.percentile(total, 60)
    alike = heard[(total > usual / _ALIKE_RATIO) & (total < usual * _ALIKE_RATIO)]
    if len(alike) < max(_ALIKE, len(heard) / 3):
        return 0.0
    return float(np.mean(alike < np.median(alike, axis=0) * 10 ** (-depth_db / 10)))


def low_cut_hz(bands_db: np.ndarray, limits: LimitSet) -> float | None:
    """Corner of the phone's high-pass filter, or None where the recording reaches down.

    From the middle over time of the density in each band: where it falls `cut_drop_db` below that of 250 to 1200 Hz and
    stays below. Noise that rises towards low frequencies hides a part of the fall, which `cut_factor` puts right.
    """
    density = middle_density_db(bands_db)
    low = density[CENTRES_HZ < 600]
    reference = np.median(density[(CENTRES_HZ >= 250) & (CENTRES_HZ <= 1200)])
    rising = np.maximum.accumulate(low)
    wanted = reference - limits.value("cut_drop_db")
    if not np.all(np.isfinite(low)) or rising[0] > reference - limits.value("cut_deep_db") or rising[-1] <= wanted:
        return None
    octave, k = np.log2(CENTRES_HZ), int(np.argmax(rising > wanted))
    at = np.interp(wanted, rising[k - 1 : k + 1], octave[k - 1 : k + 1])
    below = np.interp(at - 1, octave[: len(rising)], rising)
    steep = wanted - below >= limits.value("cut_steep_db_per_octave")
    return float(2**at * limits.value("cut_factor")) if steep else None


def top_hz(bands_db: np.ndarray, rate_hz: float, limits: LimitSet) -> float | None:
    """Where the recording ends towards high frequencies: at a cliff with nothing above it, or half the sampling rate.

    A cliff falls by `cliff_db` within two bands, and all above it lies `cliff_below_db` under the strongest band.
    """
    density = middle_density_db(bands_db)
    density = density[np.isfinite(density)]
    if not len(density):
        return None
    floor = density.max() - limits.value("cliff_below_db")
    for k in range(int(np.argmax(CENTRES_HZ > _TOP_FROM_HZ)), len(density) - 1):
        if density[k - 1] - density[k + 1] > limits.value("cliff_db") and np.all(density[k + 1 :] < floor):
            return float(min(rate_hz / 2, EDGES_HZ[k + 1]))
    return rate_hz / 2


def windy(bands_db: np.ndarray, limits: LimitSet) -> bool:
    """Whether wind rumbles in the microphone: below 112 Hz it is loud, unsteady, and goes its own way.

    An engine's own low notes are steady, or they come and go together with its higher ones.
    """
    if len(bands_db) < 8:
        return False
    power = 10 ** (np.nan_to_num(bands_db, nan=-160.0) / 10)
    low = 10 * np.log10(power[:, CENTRES_HZ < 112].sum(axis=1))
    middle = 10 * np.log10(power[:, (CENTRES_HZ > 200) & (CENTRES_HZ < 2000)].sum(axis=1))
    loud = np.median(low) - np.median(middle) > limits.value("wind_over_db")
    unsteady = np.percentile(low, 90) - np.percentile(low, 10) > limits.value("wind_unsteady_db")
    if not (loud and unsteady):
        return False
    together = np.corrcoef(low, middle)[0, 1] if np.ptp(middle) > 0 else 0.0
    return bool(together < limits.value("wind_together"))


def middle_density_db(bands_db: np.ndarray) -> np.ndarray:
    """Middle over time of the power density in each band, dB of full scale per Hz, NaN where unknown."""
    if not len(bands_db):
        return np.full(len(CENTRES_HZ), np.nan)
    return np.median(bands_db, axis=0) - 10 * np.log10(np.diff(EDGES_HZ))

"""General-purpose trackers of the fundamental, each behind the same call, and this program's own.

A tracker takes (samples, rate_hz, lowest_hz, highest_hz) and gives (t_s, f0_hz), evenly spaced by about HOP_S; f0 is
NaN where it calls the frame unvoiced. Each gets its best settings known for engines: a long enough window, low
thresholds.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib.util import find_spec

import numpy as np

from enginelog import limits, speed
from enginelog.model import Clip, Engine
from enginelog.speed.tracking import pursue

HOP_S = 0.05
RATE_HZ = 8000.0
Found = tuple[np.ndarray, np.ndarray]
Tracker = Callable[[np.ndarray, float, float, float], Found]


def search_range(engine: Engine) -> tuple[float, float]:
    """Firing rates searched for, in hertz: what the layout allows, as this program uses it too."""
    if engine.strokes == 2 and engine.cylinders == 1:
        return 25.0, 260.0  # 1500 to 15 600 rpm
    return 8.0, 220.0


def at_8_khz(samples: np.ndarray, rate_hz: float) -> np.ndarray:
    """The sound at 8 kHz, at which all peers work."""
    import soxr

    return soxr.resample(np.asarray(samples, np.float64), rate_hz, RATE_HZ)


def pyin(x: np.ndarray, rate_hz: float, low_hz: float, high_hz: float) -> Found:
    """librosa's probabilistic YIN, with its best guess in unvoiced frames too. Four periods of the lowest rate."""
    import librosa

    frame = 1 << int(np.ceil(np.log2(4 * rate_hz / low_hz)))
    hop = round(HOP_S * rate_hz)
    settings = {"fmin": low_hz, "fmax": high_hz, "sr": rate_hz, "frame_length": frame, "hop_length": hop}
    f0, _, _ = librosa.pyin(x, fill_na=None, **settings)
    return np.arange(len(f0)) * hop / rate_hz, np.asarray(f0, float)


def praat(x: np.ndarray, rate_hz: float, low_hz: float, high_hz: float) -> Found:
    """Praat's autocorrelation with a voicing threshold of 0.1 (0.45, meant for speech, loses noisy engines)."""
    import parselmouth

    sound = parselmouth.Sound(x, rate_hz)
    pitch = sound.to_pitch_ac(
        time_step=HOP_S, pitch_floor=low_hz, pitch_ceiling=high_hz, voicing_threshold=0.1, silence_threshold=0.0
    )
    f0 = pitch.selected_array["frequency"]
    return pitch.xs(), np.where(f0 > 0, f0, np.nan)


def swipe(x: np.ndarray, rate_hz: float, low_hz: float, high_hz: float) -> Found:
    """SWIPE' as in SPTK, without a voicing threshold."""
    import pysptk

    hop = round(HOP_S * rate_hz)
    whole = np.ascontiguousarray(32767 * x, np.float64)
    f0 = pysptk.swipe(whole, round(rate_hz), hop, threshold=0.0, min=low_hz, max=high_hz, otype="f0")
    return np.arange(len(f0)) * hop / rate_hz, np.where(f0 > 0, f0, np.nan)


ENVELOPE_HZ = 1000.0


def envelope(x: np.ndarray, rate_hz: float, low_hz: float, high_hz: float) -> Found:
    """Autocorrelation of the envelope of 150-3000 Hz, over four periods of the lowest rate."""
    from scipy import signal

    band = signal.sosfiltfilt(signal.butter(2, (150.0, 3000.0), "bandpass", fs=rate_hz, output="sos"), x)
    slow = signal.sosfiltfilt(signal.butter(4, 400.0, fs=rate_hz, output="sos"), np.abs(band))
    slow = slow[:: round(rate_hz / ENVELOPE_HZ)]
    length, hop = int(4 * ENVELOPE_HZ / low_hz), round(HOP_S * ENVELOPE_HZ)
    padded = np.pad(slow - slow.mean(), length // 2)
    frames = np.lib.stride_tricks.sliding_window_view(padded, length)[: len(slow) : hop]
    frames = (frames - frames.mean(axis=1, keepdims=True)) * np.hanning(length)
    power = np.abs(np.fft.rfft(frames, 2 * length, axis=1)) ** 2
    window = np.fft.irfft(np.abs(np.fft.rfft(np.hanning(length), 2 * length)) ** 2)[:length]
    likeness = np.fft.irfft(power, axis=1)[:, :length] / np.maximum(window, 1e-3 * window[0])
    first, last = int(ENVELOPE_HZ / high_hz), int(np.ceil(ENVELOPE_HZ / low_hz))
    return np.arange(len(frames)) * hop / ENVELOPE_HZ, ENVELOPE_HZ / _peak(likeness, max(first, 2), last)


def _peak(likeness: np.ndarray, first: int, last: int) -> np.ndarray:
    """Lag, by a parabola, of the first local maximum between two lags that reaches 85 % of the highest value there.

    Whole multiples of a period repeat as well as the period itself; the shortest is meant (usual practice).
    """
    inner = likeness[:, first : last + 1]
    rises = inner >= np.maximum(likeness[:, first - 1 : last], likeness[:, first + 1 : last + 2])
    high = rises & (inner >= 0.85 * inner.max(axis=1, keepdims=True))
    best = first + np.where(high.any(axis=1), high.argmax(axis=1), inner.argmax(axis=1))
    row = np.arange(len(likeness))
    left, middle, right = (likeness[row, best + step] for step in (-1, 0, 1))
    bend = left - 2 * middle + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
    return best + np.clip(shift, -0.5, 0.5)


# name: the tracker, the module it needs, and what to install
PEERS: dict[str, tuple[Tracker, str, str]] = {
    "pYIN (librosa)": (pyin, "librosa", "the extra [peers] brings it"),
    "Praat autocorrelation (parselmouth)": (praat, "parselmouth", "the extra [peers] brings it"),
    "SWIPE' (pysptk)": (swipe, "pysptk", "there is no ready-made package: `pip install pysptk` needs a C compiler"),
    "envelope autocorrelation (scipy)": (envelope, "scipy", "pip install scipy"),
}


def absent() -> dict[str, str]:
    """Peers that cannot run here, with the reason."""
    return {name: f"{module} is not installed ({how})" for name, (_, module, how) in PEERS.items() if not _has(module)}


def _has(module: str) -> bool:
    return find_spec(module) is not None


def own_path(clip: Clip, engine: Engine) -> Found:
    """This program's best path in every frame, also where its confidence is too low to report."""
    found = pursue(clip, engine, limits.load("speed"))
    return found.t_s - clip.start_s, found.cycle_hz * engine.cylinders


def own_track(clip: Clip, engine: Engine) -> Found:
    """This program's track: NaN where the speed could not be told."""
    found = speed.track(clip, engine, limits.load("speed"))
    return found.t_s - clip.start_s, found.rpm * engine.firing_hz_per_rpm

"""The telephone: high-pass, resonances, noise suppression, volume control, limiter, clipping, gaps, quantiser."""

from __future__ import annotations

import numpy as np

from enginelog.synthesis.chance import stream
from enginelog.synthesis.scenario import Phone, Scenario

HOP_S = 0.005


def high_pass(x: np.ndarray, corner_hz: float | None, rate_hz: float) -> np.ndarray:
    """Fourth-order Butterworth: 24 dB an octave below the corner."""
    if corner_hz is None:
        return x
    from scipy.signal import butter, sosfilt

    return sosfilt(butter(4, corner_hz, "highpass", fs=rate_hz, output="sos"), x)


def capsule(x: np.ndarray, phone: Phone, seed: int, rate_hz: float) -> np.ndarray:
    """Mild resonances of microphone and case (a few dB, 0.4 to 9 kHz) and the upper end."""
    from scipy.signal import butter, sosfilt

    rng = stream(seed, "capsule")
    sections = [peak(f, rng.normal() * phone.resonance_db / 2, 2.0, rate_hz) for f in (450, 1100, 2600, 5200, 8800)]
    if phone.low_pass_hz is not None and phone.low_pass_hz < 0.48 * rate_hz:
        sections.append(butter(4, phone.low_pass_hz, fs=rate_hz, output="sos"))
    return sosfilt(np.vstack(sections), x)


def peak(freq_hz: float, gain_db: float, q: float, rate_hz: float) -> np.ndarray:
    """One peaking section, (1, 6): the bilinear transform of (s2 + s A/q + 1) / (s2 + s/(A q) + 1)."""
    a, w = 10 ** (gain_db / 40), 2 * np.pi * freq_hz / rate_hz
    alpha = np.sin(w) / (2 * q)
    b = np.array([1 + alpha * a, -2 * np.cos(w), 1 - alpha * a])
    d = np.array([1 + alpha / a, -2 * np.cos(w), 1 - alpha / a])
    return np.concatenate([b, d])[None, :] / d[0]


def volume_control(x: np.ndarray, phone: Phone, rate_hz: float) -> np.ndarray:
    """Automatic volume: blocks of 5 ms, fast down, slow up, turning `agc` of the level difference (in dB) into gain."""
    hop = int(HOP_S * rate_hz)
    m = len(x) // hop + 1
    power = np.add.reduceat(np.square(x), np.arange(0, len(x), hop)) / hop
    level = 10 * np.log10(power + 1e-9)
    fast, slow = 1 - np.exp(-HOP_S / phone.agc_attack_s), 1 - np.exp(-HOP_S / phone.agc_release_s)
    state, gains = float(np.median(level)), []
    for value in level.tolist():
        state += (value - state) * (fast if value > state else slow)
        gains.append(min(max(phone.agc * (phone.level_dbfs - state), -30.0), 24.0))
    gain = np.interp(np.arange(len(x)), (np.arange(len(gains)) + 0.5) * hop, np.array(gains)) if m else 0.0
    return x * 10 ** (gain / 20)


def suppressed(x: np.ndarray, strength: float, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    """Noise suppression: a floor per frequency that adapts to whatever is steady (the engine included) is taken away.

    Bins near the floor flicker (the "musical" remains); the adaptive floor eats a steady engine within a second or two.
    """
    from scipy.signal import istft, stft

    size = int(0.02 * rate_hz)
    _, _, spec = stft(x, rate_hz, nperseg=size, noverlap=size // 2)
    power = np.square(np.abs(spec))
    smoothed, floor = power[:, 0].copy(), power[:, : max(10, power.shape[1] // 20)].mean(axis=1)
    gain = np.empty_like(power)
    lowest = 10 ** (-(4 + 14 * strength) / 20)
    for k in range(power.shape[1]):
        smoothed += 0.4 * (power[:, k] - smoothed)
        floor += np.where(smoothed < floor, 0.08, 0.004 + 0.008 * strength) * (smoothed - floor)
        gain[:, k] = np.clip(1 - strength * 1.1 * floor / (smoothed + 1e-15), lowest**2, 1)
    gain = np.sqrt(gain) * np.exp(0.15 * strength * rng.standard_normal(gain.shape))
    out = istft(spec * gain, rate_hz, nperseg=size, noverlap=size // 2)[1]
    return np.pad(out, (0, max(0, len(x) - len(out))))[: len(x)]


def with_gaps(x: np.ndarray, count: int, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    """Stretches of 20 to 150 ms lost to silence."""
    out = x.copy()
    for _ in range(count):
        at, length = rng.integers(0, len(x)), int(rng.uniform(0.02, 0.15) * rate_hz)
        out[at : at + length] = 0.0
    return out


def through_phone(scenario: Scenario, sound: np.ndarray, active: np.ndarray) -> np.ndarray:
    """Everything after the high-pass. `active` marks where the running engine sets the level. float32 in -1..1."""
    s, p = scenario, scenario.phone
    rng = stream(s.take_seed, "phone")
    x = capsule(sound, p, s.seed, s.rate_hz)
    size = np.sqrt(np.mean(np.square(x[active]))) if np.any(active) else np.sqrt(np.mean(np.square(x)))
    x = x * (10 ** (p.level_dbfs / 20) / max(size, 1e-9))
    if p.suppression > 0:
        x = suppressed(x, p.suppression, s.rate_hz, rng)
    if p.agc > 0:
        x = volume_control(x, p, s.rate_hz)
    x = with_gaps(limited(x, p, active), p.gaps, s.rate_hz, rng)
    step = 2.0 ** (1 - p.bits)
    return np.clip(np.round(x / step) * step, -1, 1 - step).astype(np.float32)


def limited(x: np.ndarray, phone: Phone, active: np.ndarray) -> np.ndarray:
    """Soft limiter above -3 dBFS, or hard clipping where the gain is driven `clip_db` over it."""
    if phone.clip_db is not None:
        top = np.percentile(np.abs(x[active] if np.any(active) else x), 99.9)
        return np.clip(x * (10 ** (phone.clip_db / 20) / max(top, 1e-9)), -1, 1)
    if phone.limiter:
        knee = 0.7
        over = np.abs(x) > knee
        return np.where(over, np.sign(x) * (knee + (1 - knee) * np.tanh((np.abs(x) - knee) / (1 - knee))), x)
    return x

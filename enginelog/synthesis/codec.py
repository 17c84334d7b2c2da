"""Round trip through a lossy codec, in memory, with the codec's own delay taken out again."""

from __future__ import annotations

import io

import numpy as np

CODECS = {
    "aac": ("mp4", "aac", 48_000, 64_000),
    "opus": ("ogg", "libopus", 48_000, 48_000),
    "mp3": ("mp3", "libmp3lame", 48_000, 64_000),
    "amr": ("3gp", "libopencore_amrnb", 8_000, 12_200),
}


def encode(
    samples: np.ndarray, rate_hz: int, codec: str, container: str | None = None, bit_rate: int | None = None
) -> bytes:
    """A complete file holding mono `samples` (float, -1..1); `codec` is a name of CODECS."""
    import av

    form, name, rate, rate_bits = CODECS[codec]
    if rate != rate_hz:
        samples = resampled(samples, rate_hz, rate)
    sink = io.BytesIO()
    with av.open(sink, "w", format=container or form) as box:
        stream = box.add_stream(name, rate=rate)
        if not isinstance(stream, av.AudioStream):
            raise ValueError(f"{name} is no codec of sound")
        stream.codec_context.layout = "mono"
        stream.codec_context.bit_rate = bit_rate or rate_bits
        stream.codec_context.options = {"aac_coder": "fast"} if name == "aac" else {}
        for packet in packets(stream, samples, rate):
            box.mux(packet)
    return sink.getvalue()


def packets(stream, samples: np.ndarray, rate: int):
    """Encoded packets of `samples`, the encoder flushed at the end."""
    import av

    form = stream.codec_context.format.name
    fifo = av.AudioResampler(format=form, layout="mono", rate=rate, frame_size=stream.codec_context.frame_size or 960)
    frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(samples, np.float32)[None, :], "flt", "mono")
    frame.sample_rate, frame.pts = rate, 0
    for piece in [*fifo.resample(frame), *fifo.resample(None)]:
        yield from stream.encode(piece)
    yield from stream.encode(None)


def decode(data: bytes) -> tuple[np.ndarray, int]:
    """(samples, rate) of the first sound stream; frames before time zero (encoder priming) are dropped."""
    import av

    pieces: list[np.ndarray] = []
    rate = 0
    with av.open(io.BytesIO(data), "r") as box:
        for frame in box.decode(audio=0):
            rate = frame.sample_rate
            block = frame.to_ndarray().reshape(-1)
            at_s = 0.0 if frame.pts is None or frame.time_base is None else float(frame.pts * frame.time_base)
            early = max(0, -round(at_s * rate))
            pieces.append(block[early:] if early else block)
    x = np.concatenate(pieces) if pieces else np.zeros(0)
    return (x / 32768.0 if x.dtype == np.int16 else x).astype(np.float32), rate


def resampled(samples: np.ndarray, rate_hz: float, to_hz: float) -> np.ndarray:
    """The samples at another rate, same length in time."""
    import soxr

    return soxr.resample(np.asarray(samples, np.float32), rate_hz, to_hz)


def round_trip(samples: np.ndarray, rate_hz: int, codec: str | None) -> np.ndarray:
    """`samples` encoded and decoded again, same length and rate, aligned to the sample with what went in."""
    if codec is None:
        return samples
    out, rate = decode(encode(samples, rate_hz, codec))
    if rate != rate_hz:
        out = resampled(out, rate, rate_hz)
    early = EARLY_S.get(codec, 0.0)
    out = np.pad(out, (round(early * rate_hz), 0))
    return np.clip(np.pad(out, (0, max(0, len(samples) - len(out))))[: len(samples)], -1.0, 1.0)


# Measured with noise: the decoder's time stamps take away more than the delay of this codec really is.
EARLY_S = {"amr": 61 / 48_000}

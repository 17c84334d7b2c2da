"""Writes a clip to a file, block by block, so that a half-written file never lies under its name."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from enginelog.model import Clip, UsageError

_BLOCK = 1 << 16  # libsndfile 1.2.2 crashes the process when a minute of Vorbis is written in one call


@dataclass(frozen=True)
class _Kind:
    """How a codec is written: by libsndfile (format, subtype) or by FFmpeg (encoder, sample format, rates it takes)."""

    sndfile: tuple[str, str] | None = None
    encoder: str = ""
    sample_format: str = "fltp"
    rates: tuple[int, ...] = ()


_OPUS_RATES = (8000, 12000, 16000, 24000, 48000)
_AAC_RATES = (7350, 8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000)
_MP3_RATES = (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000)
_CODECS = {
    "pcm_s16": _Kind(("WAV", "PCM_16")),
    "pcm_s24": _Kind(("WAV", "PCM_24")),
    "pcm_f32": _Kind(("WAV", "FLOAT")),
    "aiff": _Kind(("AIFF", "PCM_16")),
    "au": _Kind(("AU", "PCM_16")),
    "flac": _Kind(("FLAC", "PCM_16")),
    "vorbis": _Kind(("OGG", "VORBIS")),
    "aac": _Kind(encoder="aac", rates=_AAC_RATES),
    "opus": _Kind(encoder="libopus", sample_format="flt", rates=_OPUS_RATES),
    "mp3": _Kind(encoder="libmp3lame", rates=_MP3_RATES),
    "amr_nb": _Kind(encoder="libopencore_amrnb", sample_format="s16", rates=(8000,)),
}
# suffix: the codec taken where none is named, and FFmpeg's name of the container
_SUFFIXES = {
    ".wav": ("pcm_s16", "wav"),
    ".aiff": ("aiff", "aiff"),
    ".au": ("au", "au"),
    ".flac": ("flac", "flac"),
    ".m4a": ("aac", "ipod"),
    ".mp4": ("aac", "mp4"),
    ".mov": ("aac", "mov"),
    ".3gp": ("aac", "3gp"),
    ".aac": ("aac", "adts"),
    ".ts": ("aac", "mpegts"),
    ".ogg": ("opus", "ogg"),
    ".webm": ("opus", "webm"),
    ".mp3": ("mp3", "mp3"),
    ".amr": ("amr_nb", "amr"),
}


def write(
    path: str | os.PathLike[str],
    clips: Clip | Iterable[Clip],
    codec: str | None = None,
    bit_rate: int = 64_000,
    recorded_at: str | None = None,
) -> None:
    """Write mono sound to a file; the container follows from the suffix of the path.

    clips: one Clip, or several of one rate that follow each other (memory stays that of one).
    codec: pcm_s16, pcm_s24, pcm_f32, aiff, au, flac, vorbis, aac, opus, mp3, amr_nb; where None, what the suffix says.
    bit_rate: bits a second, for aac, opus and mp3 (64 kbit/s: what phones use by default).
    recorded_at: ISO 8601 with zone, put into the metadata of MP4-family files.
    Values beyond -1..1 are clipped by all codecs but pcm_f32. The file appears under its name only when complete.
    UsageError for a codec, container or rate that do not go together.
    """
    target = Path(path)
    usual, container = _SUFFIXES.get(target.suffix.lower(), (None, None))
    name = codec or usual
    if container is None or name not in _CODECS:
        raise UsageError(f"{target.name}: cannot write {name or 'this kind of file'}; suffixes: {' '.join(_SUFFIXES)}")
    first, blocks = _blocks(clips)
    kind, rate_hz = _CODECS[name], round(first.rate_hz)
    if kind.rates and rate_hz not in kind.rates:
        raise UsageError(f"{target.name}: {name} takes {', '.join(map(str, kind.rates))} Hz, not {rate_hz}")
    with _Replacing(target) as stream:
        if kind.sndfile:
            _write_plain(stream, kind.sndfile, rate_hz, blocks)
        else:
            _write_coded(stream, container, kind, rate_hz, blocks, bit_rate, recorded_at)


class _Replacing:
    """A temporary file beside the target that takes its place on success and is deleted on failure."""

    def __init__(self, target: Path) -> None:
        self._target = target

    def __enter__(self) -> BinaryIO:
        handle, self._name = tempfile.mkstemp(prefix=".enginelog-", dir=self._target.parent)
        self._stream = os.fdopen(handle, "w+b")
        return self._stream

    def __exit__(self, kind: type | None, *_: object) -> None:
        self._stream.close()
        if kind is None:
            os.chmod(self._name, 0o644)  # mkstemp gives 0600, which would keep others from reading it
            os.replace(self._name, self._target)
        else:
            os.unlink(self._name)


def _blocks(clips: Clip | Iterable[Clip]) -> tuple[Clip, Iterator[np.ndarray]]:
    """The first clip (for its rate) and all samples in blocks of a size every encoder takes."""
    each = iter((clips,) if isinstance(clips, Clip) else clips)
    first = next(each, None)
    if first is None:
        raise UsageError("nothing to write: give at least one clip")

    def pieces() -> Iterator[np.ndarray]:
        clip: Clip | None = first
        while clip is not None:
            samples = np.asarray(clip.samples, np.float32)
            for at in range(0, len(samples), _BLOCK):
                yield samples[at : at + _BLOCK]
            clip = next(each, None)

    return first, pieces()


def _write_plain(stream: BinaryIO, kind: tuple[str, str], rate_hz: int, blocks: Iterator[np.ndarray]) -> None:
    import soundfile

    with soundfile.SoundFile(stream, "w", rate_hz, 1, format=kind[0], subtype=kind[1]) as sound:
        for block in blocks:
            sound.write(block if kind[1] == "FLOAT" else np.clip(block, -1.0, 1.0))


def _write_coded(
    stream: BinaryIO,
    container: str,
    kind: _Kind,
    rate_hz: int,
    blocks: Iterator[np.ndarray],
    bit_rate: int,
    recorded_at: str | None,
) -> None:
    import av

    av.logging.set_level(av.logging.PANIC)
    try:
        with av.open(stream, "w", format=container) as opened:
            if recorded_at is not None:
                opened.metadata["creation_time"] = recorded_at
            track: Any = opened.add_stream(kind.encoder, rate=rate_hz)
            track.layout, track.format = "mono", kind.sample_format
            if kind.encoder != "libopencore_amrnb":
                track.bit_rate = bit_rate
            for frame in _frames(blocks, rate_hz, kind.sample_format):
                opened.mux(track.encode(frame))
            opened.mux(track.encode(None))
    except (av.FFmpegError, ValueError) as error:
        raise UsageError(f"{kind.encoder} does not go into {container}: {' '.join(str(error).split())}") from error


def _frames(blocks: Iterator[np.ndarray], rate_hz: int, sample_format: str) -> Iterator[Any]:
    """The blocks as FFmpeg frames with running time stamps."""
    import av

    done = 0
    for block in blocks:
        block = np.clip(block, -1.0, 1.0)
        if sample_format == "s16":
            block = np.round(block * 32767.0).astype(np.int16)
        frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(block)[None, :], format=sample_format, layout="mono")
        frame.sample_rate, frame.pts = rate_hz, done
        done += len(block)
        yield frame

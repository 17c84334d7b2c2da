"""WAV, W64 and AIFF through libsndfile: exact in every sample, and three times faster than through FFmpeg.

FLAC is no faster here (38 against 37 ms a minute), and libsndfile gives up a whole second of it at a damaged place, so
it goes the other way.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import Any, BinaryIO

import numpy as np

from enginelog.limits import LimitSet
from enginelog.media.forgiving import ForLibsndfile
from enginelog.media.sniff import Container
from enginelog.media.source import Source, Tally, check_sane, note_end

_CODECS = {
    "PCM_U8": "pcm_u8",
    "PCM_S8": "pcm_s8",
    "PCM_16": "pcm_s16",
    "PCM_24": "pcm_s24",
    "PCM_32": "pcm_s32",
    "FLOAT": "pcm_f32",
    "DOUBLE": "pcm_f64",
}
# Sizes that a recorder writes when it does not know the size yet: these, and others near them, rounded to whole pages
# or frames (0x7FFFFF00, 0xFFFFF000), where no honest copy would lack so much.
_STREAMED = (0, 0x7FFFFFFF, 0xFFFFFFFF)
_NEARLY = ((0x7FFF0000, 0x80000000), (0xFFFF0000, 0xFFFFFFFF))
_THERE_LEAST = 0.5  # share of such a size that is there if it was meant
_CLAIMED_MOST_S = 3.2e7  # a declared length beyond a year means "unknown" (libsndfile gives the largest integer)


def open_plain(stream: BinaryIO, name: str, container: Container, limits: LimitSet) -> Source | None:
    """Open the sound of such a file; None where libsndfile finds none in it (another decoder may).

    That is so for codings it does not know, and for files whose recorder never came to write the length.
    """
    import soundfile

    missing_bytes = _missing_bytes(stream, container)
    stream.seek(0)
    try:
        sound = soundfile.SoundFile(ForLibsndfile(stream))
    except (RuntimeError, ValueError, OSError):  # libsndfile's own errors are RuntimeErrors
        return None
    if not sound.frames:
        sound.close()
        return None
    check_sane(name, sound.samplerate, sound.channels, limits)
    tally = Tally()
    declared_s = sound.frames / sound.samplerate
    chunks = _chunks(sound, declared_s, _seconds_of(missing_bytes, sound), tally, limits)
    codec = _CODECS.get(sound.subtype, sound.subtype.lower())
    known_s = declared_s if declared_s < _CLAIMED_MOST_S else None
    return Source(sound.samplerate, sound.channels, codec, known_s, None, chunks, tally)


def _chunks(sound: Any, declared_s: float, cut_s: float, tally: Tally, limits: LimitSet) -> Iterator[np.ndarray]:
    """A second at a time; what cannot be read any more ends the sound and is noted."""
    read = 0
    with sound:
        while True:
            block = _next(sound)
            if not len(block):
                break
            read += len(block)
            yield block
    whole_s = declared_s if declared_s < _CLAIMED_MOST_S else None
    note_end(tally, whole_s, read / sound.samplerate, limits)
    if cut_s > 0:
        tally.missing_s = cut_s


def _next(sound: Any) -> np.ndarray:
    """The next second, shape (n, channels); empty at the end and where the data is damaged."""
    try:
        return sound.read(sound.samplerate, dtype="float32", always_2d=True)
    except (RuntimeError, OSError):
        return np.zeros((0, sound.channels), np.float32)


def _seconds_of(missing_bytes: int, sound: Any) -> float:
    """How long so many missing bytes of plain PCM would sound; 0 where the coding is not plain PCM."""
    width = {"PCM_U8": 1, "PCM_S8": 1, "PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}.get(
        sound.subtype
    )
    if width is None:
        return 0.0
    return missing_bytes / (width * sound.channels * sound.samplerate)


def _missing_bytes(stream: BinaryIO, container: Container) -> int:
    """How many bytes the data chunk of a WAV or AIFF file declares beyond the end of the file (0 where none).

    Needed because libsndfile silently shortens the chunk to what is there.
    """
    if container.kind not in ("WAV", "AIFF"):
        return 0
    size = stream.seek(0, 2)
    stream.seek(0)
    order = "<" if stream.read(4) in (b"RIFF", b"RF64", b"BW64") else ">"
    wanted = b"data" if container.kind == "WAV" else b"SSND"
    at = 12
    for _ in range(1000):
        stream.seek(at)
        head = stream.read(8)
        if len(head) < 8:
            return 0
        length = struct.unpack(order + "I", head[4:])[0]
        if head[:4] == wanted:
            return 0 if _unknown(length, size - at - 8) else max(0, at + 8 + length - size)
        at += 8 + length + length % 2
    return 0


def _unknown(length: int, there: int) -> bool:
    """Whether a declared length in bytes, of which so many are there, stands for "not known yet"."""
    near = any(low <= length <= high for low, high in _NEARLY)
    return length in _STREAMED or (near and there < _THERE_LEAST * length)

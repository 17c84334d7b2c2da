"""WAV, W64, AIFF and AU through libsndfile: exact in every sample, and three times faster than through FFmpeg.

FLAC is no faster here (38 against 37 ms a minute), and libsndfile gives up a whole second of it at a damaged place, so
it goes the other way.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, BinaryIO

import numpy as np

from enginelog.limits import LimitSet
from enginelog.media.chunks import SoundChunk, behind, sound_chunk
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
    "ULAW": "pcm_mulaw",
    "ALAW": "pcm_alaw",
}
# Bytes of a sample
_WIDTHS = {
    "PCM_U8": 1,
    "PCM_S8": 1,
    "ULAW": 1,
    "ALAW": 1,
    "PCM_16": 2,
    "PCM_24": 3,
    "PCM_32": 4,
    "FLOAT": 4,
    "DOUBLE": 8,
}
_CLAIMED_MOST_S = 3.2e7  # a declared length beyond a year means "unknown" (libsndfile gives the largest integer)


def open_plain(stream: BinaryIO, name: str, container: Container, limits: LimitSet) -> Source | None:
    """Open the sound of such a file; None where libsndfile finds none in it (another decoder may).

    That is so for codings it does not know, and for files whose recorder never came to write the length.
    """
    chunk = sound_chunk(stream, container)
    sound, beyond_s = _read_on(stream, chunk, limits) if chunk else (None, 0.0)
    sound = sound or _opened(stream)
    if sound is None:
        return None
    check_sane(name, sound.samplerate, sound.channels, limits)
    tally = Tally(beyond_s=beyond_s)
    declared_s = sound.frames / sound.samplerate
    chunks = _chunks(sound, declared_s, _seconds_of(chunk.missing if chunk else 0, sound), tally, limits)
    codec = _CODECS.get(sound.subtype, sound.subtype.lower())
    known_s = declared_s if declared_s < _CLAIMED_MOST_S else None
    return Source(sound.samplerate, sound.channels, codec, known_s, None, chunks, tally)


def _opened(stream: BinaryIO, *edits: tuple[int, bytes]) -> Any | None:
    """The sound as libsndfile reads it, of a file with these bytes at these places; None where it finds none."""
    import soundfile

    stream.seek(0)
    try:
        sound = soundfile.SoundFile(ForLibsndfile(stream, edits))
    except (RuntimeError, ValueError, OSError):  # libsndfile's own errors are RuntimeErrors
        return None
    if not sound.frames:
        sound.close()
        return None
    return sound


def _read_on(stream: BinaryIO, chunk: SoundChunk, limits: LimitSet) -> tuple[Any | None, float]:
    """The sound with what follows the end that its header declares, and how long that lasts; None where nothing to
    speak of follows."""
    more = behind(stream, chunk)
    sound = _opened(stream, chunk.edit(chunk.length + more)) if more else None
    if sound is None:
        return None, 0.0
    beyond_s = sound.frames / sound.samplerate * more / (chunk.length + more)
    if beyond_s >= limits.value("ends_early_s"):
        return sound, beyond_s
    sound.close()
    return None, 0.0


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
    width = _WIDTHS.get(sound.subtype)
    return missing_bytes / (width * sound.channels * sound.samplerate) if width else 0.0

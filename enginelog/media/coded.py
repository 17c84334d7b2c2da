"""Everything phones make, through PyAV (FFmpeg inside the wheel).

FFmpeg is given an opened file, never a name or an address, and the one demuxer that fits the first bytes, so it opens
nothing else. Priming and padding of the encoder are cut: FFmpeg skips what edit lists, gapless headers and pre-skip
fields say about the start; what they say about the end of MP4-family files is cut here.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, BinaryIO

import numpy as np

from enginelog.limits import LimitSet
from enginelog.media.origin import recorded_at
from enginelog.media.sniff import Container
from enginelog.media.source import Source, Tally, check_sane, note_end
from enginelog.model import UnreadableError

_DTYPES = {"u8": np.uint8, "s16": np.int16, "s32": np.int32, "s64": np.int64, "flt": np.float32, "dbl": np.float64}
_CODECS = {"mp3float": "mp3", "amrnb": "amr_nb", "amrwb": "amr_wb", "libopus": "opus"}
_EXACT_LENGTH = ("MP4", "Matroska/WebM", "CAF", "WAV", "AIFF", "W64", "FLAC")  # others only estimate it
_BROKEN_MOST = 1000  # damaged packets in a row after which the rest is given up


def open_coded(stream: BinaryIO, name: str, container: Container, limits: LimitSet) -> Source:
    """Open the sound track of such a file. UnreadableError where there is none or it cannot be decoded."""
    import av

    av.logging.set_level(av.logging.PANIC)
    stream.seek(0)
    try:
        opened = av.open(stream, format=container.demuxer, metadata_errors="replace")
    except (av.FFmpegError, ValueError, OSError, MemoryError) as error:
        raise UnreadableError(f"{name}: {_why(stream, container)}") from error
    try:
        return _open_track(opened, name, container, limits)
    except (av.FFmpegError, ValueError, OverflowError) as error:
        opened.close()
        raise UnreadableError(f"{name}: its sound cannot be decoded ({_one_line(error)}); export it as WAV") from error
    except UnreadableError:
        opened.close()
        raise


def _open_track(opened: Any, name: str, container: Container, limits: LimitSet) -> Source:
    track = _track(opened, name)
    codec = track.codec_context
    check_sane(name, codec.sample_rate or 0, len(codec.layout.channels) if codec.layout else 0, limits)
    tally, seconds = Tally(), _declared_s(opened, track)
    chunks = _chunks(opened, track, container, seconds, tally, limits)
    codec_name = _CODECS.get(codec.name, codec.name)
    stamp = recorded_at(opened.metadata, track.metadata)
    return Source(codec.sample_rate, len(codec.layout.channels), codec_name, seconds, stamp, chunks, tally)


def _track(opened: Any, name: str) -> Any:
    """The sound track; all others are passed over without being read."""
    if not opened.streams.audio:
        video = "a video" if opened.streams.video else "a file"
        raise UnreadableError(f"{name}: this is {video} without a sound track; record again with sound")
    track = opened.streams.audio[0]
    for other in opened.streams:
        if other.index != track.index:
            other.discard = "all"
    if track.codec_context is None:
        raise UnreadableError(f"{name}: no decoder for its sound; play it on the phone and export it as M4A or WAV")
    return track


def _declared_s(opened: Any, track: Any) -> float | None:
    """How long the sound is by the file's own word."""
    if track.duration and track.time_base:
        return float(track.duration * track.time_base)
    return opened.duration / 1e6 if opened.duration else None


def _chunks(
    opened: Any, track: Any, container: Container, seconds: float | None, tally: Tally, limits: LimitSet
) -> Iterator[np.ndarray]:
    """About a second at a time, padding of the encoder cut off."""
    rate, channels = track.codec_context.sample_rate, len(track.codec_context.layout.channels)
    frames = _frames(opened, track, rate, channels, tally, limits)
    if container.kind == "MP4":
        frames = _without_padding(frames, _wanted(opened, seconds, rate), int(limits.value("padding_samples")))
    read, held, held_n = 0, [], 0
    try:
        for frame in frames:
            held.append(frame)
            held_n += len(frame)
            if held_n >= rate:
                read += held_n
                yield np.concatenate(held)
                held, held_n = [], 0
        if held_n:
            read += held_n
            yield np.concatenate(held)
    finally:
        opened.close()
    if container.kind in _EXACT_LENGTH:
        note_end(tally, seconds, read / rate, limits)


def _frames(opened: Any, track: Any, rate: int, channels: int, tally: Tally, limits: LimitSet) -> Iterator[np.ndarray]:
    """Decoded frames, shape (n, channels); damaged packets and jumps of the time stamps become silence of that length."""
    import av

    expected: float | None = None
    broken = 0
    for packet in _packets(opened, track, tally):
        try:
            frames = packet.decode()
            broken = 0
        except (av.FFmpegError, ValueError):
            tally.damaged_packets += 1
            broken += 1
            if broken > _BROKEN_MOST:
                return
            continue
        for frame in frames:
            if frame.sample_rate != rate or len(frame.layout.channels) != channels:
                tally.damaged_packets += 1
                continue
            at = float(frame.pts * frame.time_base) if frame.pts is not None and frame.time_base else None
            yield from _fill(at, expected, rate, channels, tally, limits)
            expected = (at if at is not None else expected or 0.0) + frame.samples / rate
            yield _samples(frame, channels)


def _packets(opened: Any, track: Any, tally: Tally) -> Iterator[Any]:
    """The packets of the track; a damaged place ends them and is noted."""
    import av

    try:
        yield from opened.demux(track)
    except (av.FFmpegError, ValueError, OSError):
        tally.damaged_packets += 1


def _fill(
    at: float | None, expected: float | None, rate: int, channels: int, tally: Tally, limits: LimitSet
) -> Iterator[np.ndarray]:
    """Silence for a believable jump of the time stamps, so that what follows keeps its true time."""
    if at is None or expected is None:
        return
    gap_s = at - expected
    if limits.value("time_gap_s") < gap_s < limits.value("time_gap_most_s"):
        tally.filled_s += gap_s
        yield np.zeros((round(gap_s * rate), channels), np.float32)


def _samples(frame: Any, channels: int) -> np.ndarray:
    """One decoded frame as floats, shape (n, channels).

    Reads the planes without a copy: half the time of `to_ndarray` over a minute of AAC (36 against 63 ms).
    """
    kind = np.dtype(_DTYPES[frame.format.name.removesuffix("p")])
    if frame.format.is_planar:
        planes = [np.frombuffer(plane, kind, frame.samples) for plane in frame.planes]
        block = planes[0][:, None] if channels == 1 else np.stack(planes, axis=1)
    else:
        block = np.frombuffer(frame.planes[0], kind, frame.samples * channels).reshape(-1, channels)
    if kind.kind == "f":
        return block.astype(np.float32, copy=False)
    if kind == np.uint8:
        return (block.astype(np.float32) - 128.0) / 128.0
    return (block / float(2 ** (8 * kind.itemsize - 1))).astype(np.float32)


def _wanted(opened: Any, seconds: float | None, rate: int) -> int | None:
    """How many samples are sound and not padding: by the gapless tag (priming, padding, length in hexadecimal) or duration."""
    fields = opened.metadata.get("iTunSMPB", "").split()
    try:
        if len(fields) >= 4 and int(fields[3], 16) > 0:
            return int(fields[3], 16)
    except ValueError:
        pass
    return round(seconds * rate) if seconds else None


def _without_padding(frames: Iterator[np.ndarray], wanted: int | None, most: int) -> Iterator[np.ndarray]:
    """Drop what lies beyond `wanted` samples, but only where it is so little that it can be padding.

    More than `most` samples beyond mean that the index is wrong: then everything is kept, as nothing recorded may be lost.
    """
    count, tail, tail_n = 0, [], 0
    for frame in frames:
        fits = len(frame) if wanted is None else max(0, min(len(frame), wanted - count))
        count += len(frame)
        if fits:
            yield frame[:fits]
        if fits < len(frame):
            tail.append(frame[fits:])
            tail_n += len(frame) - fits
        if tail_n > most:
            yield from tail
            tail, tail_n, wanted = [], 0, None


def _why(stream: BinaryIO, container: Container) -> str:
    """Why a file of a known kind could not be opened, in plain words."""
    if container.kind == "MP4" and not _has_index(stream):
        return (
            "the recording was cut off before it was finished (its index, the moov part, is missing); "
            "copy the file from the phone again, or record again and wait until the phone has saved it"
        )
    return f"it begins like {container.kind} but what follows is damaged; copy the file again or record again"


def _has_index(stream: BinaryIO) -> bool:
    """Whether an MP4-family file has its `moov` box: walks the boxes at the top (ISO/IEC 14496-12, 4.2)."""
    size, at = stream.seek(0, 2), 0
    for _ in range(1000):
        stream.seek(at)
        head = stream.read(16)
        if len(head) < 8:
            return False
        length = int.from_bytes(head[:4], "big")
        if head[4:8] == b"moov":
            return at + length <= size
        if length == 1:
            length = int.from_bytes(head[8:16], "big")
        if length < 8:
            return False
        at += length
    return False


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())[:80] or type(error).__name__

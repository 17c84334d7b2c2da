"""Everything phones make, through PyAV (FFmpeg inside the wheel).

FFmpeg is given an opened file, never a name or an address, and the one demuxer that fits the first bytes, so it opens
nothing else. FFmpeg skips the priming that edit lists, gapless headers and pre-skip fields declare; `padding` cuts the
end of MP4-family files. Raw AAC and AMR declare neither: they start late by their encoder's delay.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, BinaryIO

import numpy as np

from enginelog.limits import LimitSet
from enginelog.media import matroska
from enginelog.media.forgiving import ForFFmpeg
from enginelog.media.mp3 import Holes
from enginelog.media.origin import recorded_at
from enginelog.media.padding import Frame, by_the_second, stated_end, without_padding
from enginelog.media.sniff import MATROSKA, MP3, OGG, TRANSPORT, Container
from enginelog.media.source import Source, Tally, check_sane, note_end, note_filled
from enginelog.media.transport import Losses, losses
from enginelog.model import UnreadableError

_BASE = {"u8": np.uint8, "s16": np.int16, "s32": np.int32, "s64": np.int64, "flt": np.float32, "dbl": np.float64}
_DTYPES = {name + planar: np.dtype(kind) for name, kind in _BASE.items() for planar in ("", "p")}
_CODECS = {"mp3float": "mp3", "amrnb": "amr_nb", "amrwb": "amr_wb", "libopus": "opus"}
_EXACT_LENGTH = ("MP4", "Matroska/WebM", "CAF", "WAV", "AIFF", "W64", "FLAC")  # others only estimate it
_OGG_PAGE_MOST = 65307  # bytes (RFC 3533, 6)
_BROKEN_MOST = 1000  # damaged packets in a row after which the rest is given up
# A transport stream has no head: what its sound is stands where it begins, perhaps behind megabytes of picture.
_TRANSPORT_LOOK = {"probesize": "33554432", "analyzeduration": "30000000"}  # bytes and microseconds looked at, at most


def open_coded(
    stream: BinaryIO, name: str, container: Container, limits: LimitSet, number: int | None = None
) -> Source:
    """Open a sound track of such a file. UnreadableError where there is none or it cannot be decoded.

    number: which of those that can be decoded, from 0; None for the one that the file itself prefers, else the first.
    """
    import av

    av.logging.set_level(av.logging.PANIC)
    stream.seek(0)
    try:
        options = _TRANSPORT_LOOK if container.kind == TRANSPORT.kind else {}
        opened = av.open(ForFFmpeg(stream), format=container.demuxer, options=options, metadata_errors="replace")
    except (av.FFmpegError, ValueError, OSError, MemoryError) as error:
        raise UnreadableError(f"{name}: {_why(stream, container)}") from error
    try:
        return _open_track(opened, stream, name, container, limits, number)
    except (av.FFmpegError, ValueError, OverflowError) as error:
        opened.close()
        raise UnreadableError(f"{name}: its sound cannot be decoded ({_one_line(error)}); export it as WAV") from error
    except UnreadableError:
        opened.close()
        raise


def _open_track(
    opened: Any, stream: BinaryIO, name: str, container: Container, limits: LimitSet, number: int | None
) -> Source:
    tracks = _tracks(opened, name)
    number = _preferred(tracks) if number is None else number
    track = _alone(opened, tracks[number])
    codec = track.codec_context
    check_sane(name, codec.sample_rate or 0, len(codec.layout.channels) if codec.layout else 0, limits)
    tally = Tally(tracks=len(tracks), track=number)
    seconds = matroska.sound_s(opened, track, stream) if container.kind == MATROSKA.kind else _declared_s(opened, track)
    holes = Holes(stream) if container.kind == MP3.kind else None
    lost = losses(stream, track.id) if container.kind == TRANSPORT.kind else None
    chunks = _chunks(opened, track, container, seconds, tally, limits, holes, lost)
    if container.kind == OGG.kind:
        chunks = _with_chain_noted(chunks, stream, codec.sample_rate, tally)
    codec_name = _CODECS.get(codec.name, codec.name)
    if codec_name.startswith("pcm_"):
        codec_name = codec_name.removesuffix("le").removesuffix("be")
    stamp = recorded_at(opened.metadata, track.metadata)
    return Source(codec.sample_rate, len(codec.layout.channels), codec_name, seconds, stamp, chunks, tally)


def _tracks(opened: Any, name: str) -> list[Any]:
    """The sound tracks that can be decoded."""
    if not opened.streams.audio:
        video = "a video" if opened.streams.video else "a file"
        raise UnreadableError(f"{name}: this is {video} without a sound track; record again with sound")
    tracks = [track for track in opened.streams.audio if track.codec_context is not None]
    if not tracks:
        raise UnreadableError(f"{name}: no decoder for its sound; play it on the phone and export it as M4A or WAV")
    return tracks


def _preferred(tracks: list[Any]) -> int:
    """The number of the one track that the file marks as its default, else of the first."""
    from av.stream import Disposition

    marked = [number for number, track in enumerate(tracks) if track.disposition & Disposition.default]
    return marked[0] if len(marked) == 1 else 0


def _alone(opened: Any, track: Any) -> Any:
    """The track; all others are passed over without being read."""
    from av.stream import Discard

    for other in opened.streams:
        if other.index != track.index:
            other.discard = Discard.all
    return track


def _declared_s(opened: Any, track: Any) -> float | None:
    """How long the sound is by the file's own word."""
    if track.duration and track.time_base:
        return float(track.duration * track.time_base)
    return opened.duration / 1e6 if opened.duration else None


def _chunks(
    opened: Any,
    track: Any,
    container: Container,
    seconds: float | None,
    tally: Tally,
    limits: LimitSet,
    holes: Holes | None,
    lost: Losses | None,
) -> Iterator[np.ndarray]:
    """About a second at a time, padding of the encoder cut off."""
    rate = track.codec_context.sample_rate
    end = None
    if container.kind == "MP4":
        end = stated_end(opened.metadata, seconds, rate, limits.value("edit_tick_s"))
    frames = _frames(opened, track, rate, tally, limits, holes, lost)
    read = 0
    try:
        for chunk in by_the_second(without_padding(frames, end, int(limits.value("padding_samples"))), rate):
            read += len(chunk)
            yield chunk
    finally:
        opened.close()
    if container.kind in _EXACT_LENGTH:
        note_end(tally, seconds, read / rate + tally.left_out_s, limits)
    if lost is not None:
        _note_lost(tally, lost)
    if holes is not None:
        _note_lost_of_mp3(tally, holes, seconds, read / rate + tally.left_out_s, limits)


def _note_lost_of_mp3(tally: Tally, holes: Holes, declared_s: float | None, read_s: float, limits: LimitSet) -> None:
    """An MP3 was read to its end: what is missing by its own tag, where it has one, and where nobody knows where."""
    tally.guessed_s = holes.guessed_s
    if not holes.tagged or declared_s is None or tally.stopped_at_s is not None:
        return
    if not tally.damaged_packets and not tally.filled:
        note_end(tally, declared_s, read_s, limits)
    elif declared_s - read_s > limits.value("ends_early_s"):
        tally.unplaced_s = declared_s - read_s


def _note_lost(tally: Tally, lost: Losses) -> None:
    """A transport stream was read to its end: what it lost. How much is missing at a cut end nothing tells."""
    if lost.packets:
        tally.damaged_packets += lost.packets
    if lost.cut and tally.stopped_at_s is None:
        tally.missing_s = np.inf
        if not lost.packets and not tally.filled_s and tally.damaged_packets <= 1:
            tally.damaged_packets = 0  # the piece of a frame that stands at the cut


def _frames(
    opened: Any, track: Any, rate: int, tally: Tally, limits: LimitSet, holes: Holes | None, lost: Losses | None
) -> Iterator[Frame]:
    """Decoded frames in order; a damaged packet or a jump of the time stamps becomes silence of that length.

    A jump too long to be believed is left out, and noted.
    """
    channels, expected = len(track.codec_context.layout.channels), None
    zero_s = (
        (opened.start_time or 0) / 1e6 if lost is not None else 0.0
    )  # the clock of a transport stream begins anywhere
    tick_s, damaged, given, other = 0.0, 0, 0, _Other()
    for frame in _decoded(opened, track, tally, holes):
        if not tick_s:  # the same for all frames of a track; asking each one would cost a tenth of the decoding
            tick_s = float(frame.time_base or 0.0)
        samples = _samples(frame, channels) if frame.sample_rate == rate else None
        if samples is None:
            other.add(frame)
            continue
        other.note(tally, limits)
        at = frame.pts * tick_s - zero_s if frame.pts is not None and tick_s else None
        if at is not None and holes is not None:
            at += holes.lost_s
        if expected is None and tally.damaged_packets:
            expected = 0.0  # the beginning itself was damaged
        least_s = limits.value("time_gap_s") if damaged == tally.damaged_packets else 1.0 / rate
        if lost is not None and lost.packets:  # a frame that is missing is missing whole
            least_s = min(least_s, len(samples) / rate / 2)
        damaged = tally.damaged_packets
        gap_s = at - expected if at is not None and expected is not None else 0.0
        if abs(gap_s) >= limits.value("time_gap_most_s"):
            tally.left_out_s += gap_s
            gap_s = 0.0
        gap_n = round(gap_s * rate) if gap_s > least_s else 0
        if gap_n:
            note_filled(tally, given / rate, (given + gap_n) / rate)
            yield from _silence(gap_n, channels, rate)
        expected = (at if at is not None else expected or 0.0) + len(samples) / rate
        given += gap_n + len(samples)
        declared = round((frame.duration or 0) * tick_s * rate) or len(samples)
        yield Frame(samples, min(declared, len(samples)))
    other.note(tally, limits)


class _Other:
    """Frames in a row that are not like the first ones, of another rate or number of channels: a few are damage, a long
    row is a recording of another kind."""

    def __init__(self) -> None:
        self._frames, self._seconds = 0, 0.0

    def add(self, frame: Any) -> None:
        self._frames += 1
        self._seconds += frame.samples / (frame.sample_rate or 1)

    def note(self, tally: Tally, limits: LimitSet) -> None:
        """The row has ended: note what it was."""
        if self._seconds >= limits.value("ends_early_s"):
            tally.chain_broken = True
            tally.behind_s += self._seconds
        else:
            tally.damaged_packets += self._frames
        self._frames, self._seconds = 0, 0.0


def _silence(n: int, channels: int, rate: int) -> Iterator[Frame]:
    """So many samples of silence, a second at a time: a gap costs its file a few bytes, and must not cost a minute's
    memory."""
    for at in range(0, n, rate):
        part = min(rate, n - at)
        yield Frame(np.zeros((part, channels), np.float32), part)


def _decoded(opened: Any, track: Any, tally: Tally, holes: Holes | None) -> Iterator[Any]:
    """What the packets decode to; damaged packets are counted and passed over, a long row of them ends the sound."""
    import av

    broken = 0
    for packet in _packets(opened, track, tally):
        if holes is not None:
            holes.see(packet)
        try:
            yield from packet.decode()
            broken = 0
        except (av.FFmpegError, ValueError):
            tally.damaged_packets += 1
            broken += 1
            if broken > _BROKEN_MOST:
                return


def _packets(opened: Any, track: Any, tally: Tally) -> Iterator[Any]:
    """The packets of the track; a damaged place ends them and is noted."""
    import av

    try:
        yield from opened.demux(track)
    except av.error.PatchWelcomeError:  # what follows in a chained file is of another kind
        tally.chain_broken = True
    except (av.FFmpegError, ValueError, OSError):
        tally.damaged_packets += 1


def _with_chain_noted(chunks: Iterator[np.ndarray], stream: BinaryIO, rate: int, tally: Tally) -> Iterator[np.ndarray]:
    """The chunks; after them, where a recording chained behind them was left out, how long the last one is.

    By the granule position in its last page (RFC 3533, 6), which counts samples.
    """
    yield from chunks
    if tally.chain_broken:
        stream.seek(max(0, stream.seek(0, 2) - _OGG_PAGE_MOST))
        tail = stream.read()
        page = tail[tail.rfind(b"OggS") :]
        tally.behind_s = int.from_bytes(page[6:14], "little", signed=True) / rate


def _samples(frame: Any, channels: int) -> np.ndarray | None:
    """One decoded frame as floats, shape (n, channels); None where it has another number of channels.

    Reads the planes without a copy: half the time of `to_ndarray` over a minute of AAC (36 against 63 ms).
    """
    form = frame.format
    kind, planes, n = _DTYPES[form.name], frame.planes, frame.samples
    if form.is_planar:
        if len(planes) != channels:
            return None
        columns = [np.frombuffer(plane, kind, n) for plane in planes]
        block = columns[0][:, None] if channels == 1 else np.stack(columns, axis=1)
    else:
        if channels > 1 and len(frame.layout.channels) != channels:
            return None
        block = np.frombuffer(planes[0], kind, n * channels).reshape(-1, channels)
    return _scaled(block, kind)


def _scaled(block: np.ndarray, kind: np.dtype) -> np.ndarray:
    """Samples of any type as float32, full scale -1..1."""
    if kind.kind == "f":
        return block.astype(np.float32, copy=False)
    if kind == np.uint8:
        return (block.astype(np.float32) - 128.0) / 128.0
    return (block / float(2 ** (8 * kind.itemsize - 1))).astype(np.float32)


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

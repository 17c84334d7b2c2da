"""Tells what a file is by its first bytes, never by its name, and refuses what is not a recording.

Only the formats named here ever reach a decoder, and each is handed to exactly one demuxer: playlists, image sequences,
scripts of a player and anything that would make a decoder open a second file or an address never get that far.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import BinaryIO

from enginelog.media.transport import packets_at
from enginelog.model import UnreadableError

HEAD_BYTES = 64
UNKNOWN = "a file of no kind known here"
_SEARCHED = 8192  # bytes: some frames of MP3 at its highest bit rate


@dataclass(frozen=True)
class Container:
    """What kind of file it is.

    demuxer: FFmpeg's name of the one demuxer allowed to read it. plain: libsndfile reads it too.
    """

    kind: str
    demuxer: str
    plain: bool = False


WAV = Container("WAV", "wav", plain=True)
W64 = Container("W64", "w64", plain=True)
FLAC = Container("FLAC", "flac")
AIFF = Container("AIFF", "aiff", plain=True)
OGG = Container("OGG", "ogg")
MP3 = Container("MP3", "mp3")
ADTS = Container("AAC", "aac")
MOV = Container("MP4", "mov")
MATROSKA = Container("Matroska/WebM", "matroska")
AMR = Container("AMR", "amr")
CAF = Container("CAF", "caf")
AU = Container("AU", "au", plain=True)
TRANSPORT = Container("MPEG-TS", "mpegts")

_PICTURE_BRANDS = (b"heic", b"heix", b"hevc", b"mif1", b"msf1", b"avif", b"avis")
_NOT_SOUND = (
    (b"\x89PNG", "a picture (PNG)"),
    (b"\xff\xd8\xff", "a picture (JPEG)"),
    (b"GIF8", "a picture (GIF)"),
    (b"BM", "a picture (BMP)"),
    (b"II*\0", "a picture (TIFF)"),
    (b"MM\0*", "a picture (TIFF)"),
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a ZIP archive or office document"),
    (b"\x1f\x8b", "a compressed archive"),
    (b"#EXTM3U", "a playlist, which holds no sound itself"),
    (b"ffconcat", "a playlist, which holds no sound itself"),
)
# Bit rates of layer III in kbit/s by their number, MPEG-1 and the lower sampling rates after it.
_KBITS_1 = (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320)
_KBITS_2 = (0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160)
_MOV_BOXES = (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot")


def sniff(stream: BinaryIO, name: str) -> Container:
    """Say which container an open file is; the stream is left at its start.

    UnreadableError where it is empty, a picture, a text, or of no format known here.
    """
    stream.seek(0)
    head = stream.read(HEAD_BYTES)
    if not head:
        raise UnreadableError(f"{name}: the file is empty; record again, or copy it from the phone again")
    found = _container(head) or _after_id3(stream, head)
    if found is None:
        found = _transport(stream)
    if found is None and _what(head) == UNKNOWN:
        found = _mp3_within(stream)
    stream.seek(0)
    if found is None:
        raise UnreadableError(
            f"{name}: this is {_what(head)}, not a sound or video recording; give the recording itself"
        )
    return found


def _container(head: bytes) -> Container | None:
    """The container of these first bytes, or None."""
    first, form = head[:4], head[8:12]
    if first in (b"RIFF", b"RF64", b"BW64", b"RIFX"):
        return WAV if form == b"WAVE" else None
    if first == b"FORM":
        return AIFF if form in (b"AIFF", b"AIFC") else None
    if head[4:8] in _MOV_BOXES:
        return None if is_heif(head) else MOV
    if head.startswith(b"#!AMR"):
        return AMR
    by_magic = {b"riff": W64, b"fLaC": FLAC, b"OggS": OGG, b"\x1aE\xdf\xa3": MATROSKA, b"caff": CAF}
    by_magic |= {b".snd": AU, b"dns.": AU}
    return by_magic.get(first) or _mpeg_audio(head)


def is_heif(head: bytes) -> bool:
    """Whether these first bytes are of a picture in a box file, as newer phones make it (HEIC; ISO/IEC 23008-12)."""
    return head[4:8] == b"ftyp" and head[8:12] in _PICTURE_BRANDS


def _mpeg_audio(head: bytes) -> Container | None:
    """MP3 or raw AAC by its frame header: eleven sync bits, then a layer (layer bits 0 mean AAC) and a sane rate."""
    if len(head) < 4 or head[0] != 0xFF or head[1] & 0xE0 != 0xE0:
        return None
    layer = (head[1] >> 1) & 3
    if layer == 0:
        return ADTS if head[1] & 0xF0 == 0xF0 and (head[2] >> 2) & 15 < 13 else None
    version, bitrate, rate = (head[1] >> 3) & 3, head[2] >> 4, (head[2] >> 2) & 3
    return MP3 if version != 1 and bitrate not in (0, 15) and rate != 3 else None


def _after_id3(stream: BinaryIO, head: bytes) -> Container | None:
    """What follows an ID3 tag: raw AAC and FLAC may carry one too; anything else after it is taken for MP3."""
    if head[:3] != b"ID3" or len(head) < 10:
        return None
    size = 0
    for byte in head[6:10]:
        size = size << 7 | (byte & 0x7F)
    stream.seek(10 + size)
    behind = _container(stream.read(HEAD_BYTES))
    return behind if behind in (FLAC, ADTS) else MP3


def _transport(stream: BinaryIO) -> Container | None:
    """A transport stream, also one that begins in the middle of a packet."""
    stream.seek(0)
    return TRANSPORT if packets_at(stream.read(2 * _SEARCHED)) else None


def _mp3_within(stream: BinaryIO) -> Container | None:
    """MP3 that lost its beginning: where a frame header is followed by two more, each where the one before ends."""
    stream.seek(0)
    data = stream.read(2 * _SEARCHED)
    at = data.find(b"\xff")
    while 0 <= at < _SEARCHED:
        place, found = at, 0
        while found < 3 and (length := frame_bytes(data[place : place + 4])):
            place, found = place + length, found + 1
        if found == 3:
            return MP3
        at = data.find(b"\xff", at + 1)
    return None


def frame_bytes(head: bytes) -> int:
    """The length of the MPEG audio frame of layer III with this header (ISO/IEC 11172-3, 2.4); 0 where it is none."""
    if _mpeg_audio(head) is not MP3 or (head[1] >> 1) & 3 != 1:
        return 0
    version = (head[1] >> 3) & 3
    rate_hz = (44_100, 48_000, 32_000)[(head[2] >> 2) & 3] >> {3: 0, 2: 1, 0: 2}[version]
    kbits = (_KBITS_1 if version == 3 else _KBITS_2)[head[2] >> 4]
    return (144_000 if version == 3 else 72_000) * kbits // rate_hz + ((head[2] >> 1) & 1)


def _what(head: bytes) -> str:
    """Plain words for a file that is no recording."""
    for magic, words in _NOT_SOUND:
        if head.startswith(magic):
            return words
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP" or head[4:8] == b"ftyp":
        return "a picture"
    try:
        text = head.decode("utf-8", errors="strict") if len(head) < HEAD_BYTES else head[:-4].decode("utf-8")
    except UnicodeDecodeError:
        return UNKNOWN
    return "a text file" if text.isprintable() or set(text) & set("\n\r\t") else UNKNOWN

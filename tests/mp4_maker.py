"""Writes an MP4 file box by box (ISO/IEC 14496-12 and -14), so that a test decides every number in it."""

import struct

import av
import numpy as np

FRAME = 1024  # samples of an AAC-LC frame


def aac_packets(samples, rate_hz):
    """The AAC packets of mono samples and the decoder's configuration. FFmpeg's encoder primes with 1024."""
    encoder = av.CodecContext.create("aac", "w")
    encoder.sample_rate, encoder.layout, encoder.format = rate_hz, "mono", "fltp"
    encoder.open()
    packets = []
    for at in range(0, len(samples), FRAME):
        frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(samples[None, at : at + FRAME]), "fltp", "mono")
        frame.sample_rate, frame.pts = rate_hz, at
        packets += [bytes(packet) for packet in encoder.encode(frame)]
    packets += [bytes(packet) for packet in encoder.encode(None)]
    return packets, bytes(encoder.extradata)


def mp4(packets, config, rate_hz, *, edit=None, movie_scale=600, gapless=None):
    """An MP4 file of one AAC track.

    edit: (start, length) in samples, written as an edit list; gapless: (priming, padding, length) as an iTunSMPB tag.
    """
    data = b"".join(packets)
    ftyp = box(b"ftyp", b"M4A \0\0\0\0M4A isom")
    media_n = len(packets) * FRAME
    length_n = edit[1] if edit else media_n
    movie_length = round(length_n * movie_scale / rate_hz)
    parts = [full(b"mvhd", 0, struct.pack(">IIII", 0, 0, movie_scale, movie_length) + _MVHD_REST)]
    track = [full(b"tkhd", 7, struct.pack(">IIIII", 0, 0, 1, 0, movie_length) + _TKHD_REST)]
    if edit:
        entry = struct.pack(">IIIHH", 1, movie_length, edit[0], 1, 0)
        track.append(box(b"edts", full(b"elst", 0, entry)))
    offset_at = len(ftyp) + 8
    track.append(_mdia(packets, config, rate_hz, media_n, offset_at))
    parts.append(box(b"trak", *track))
    if gapless:
        parts.append(box(b"udta", _gapless(gapless)))
    return ftyp + box(b"mdat", data) + box(b"moov", *parts)


def box(kind, *parts):
    body = b"".join(parts)
    return struct.pack(">I", len(body) + 8) + kind + body


def full(kind, flags, body):
    return box(kind, struct.pack(">I", flags), body)


_MATRIX = struct.pack(">9I", 0x10000, 0, 0, 0, 0x10000, 0, 0, 0, 0x40000000)
_MVHD_REST = struct.pack(">IHH", 0x10000, 0x100, 0) + bytes(8) + _MATRIX + bytes(24) + struct.pack(">I", 2)
_TKHD_REST = bytes(8) + struct.pack(">HHHH", 0, 0, 0x100, 0) + _MATRIX + bytes(8)


def _mdia(packets, config, rate_hz, media_n, offset):
    mdhd = full(b"mdhd", 0, struct.pack(">IIIIHH", 0, 0, rate_hz, media_n, 0x55C4, 0))
    hdlr = full(b"hdlr", 0, bytes(4) + b"soun" + bytes(12) + b"\0")
    entry = bytes(6) + struct.pack(">H", 1) + bytes(8) + struct.pack(">HHHHI", 1, 16, 0, 0, rate_hz << 16)
    stsd = full(b"stsd", 0, struct.pack(">I", 1) + box(b"mp4a", entry, _esds(config)))
    sizes = struct.pack(f">II{len(packets)}I", 0, len(packets), *map(len, packets))
    stbl = box(
        b"stbl",
        stsd,
        full(b"stts", 0, struct.pack(">III", 1, len(packets), FRAME)),
        full(b"stsc", 0, struct.pack(">IIII", 1, 1, len(packets), 1)),
        full(b"stsz", 0, sizes),
        full(b"stco", 0, struct.pack(">II", 1, offset)),
    )
    dinf = box(b"dinf", full(b"dref", 0, struct.pack(">I", 1) + full(b"url ", 1, b"")))
    return box(b"mdia", mdhd, hdlr, box(b"minf", full(b"smhd", 0, bytes(4)), dinf, stbl))


def _esds(config):
    specific = b"\x05" + bytes([len(config)]) + config
    decoder = bytes([0x40, 0x15]) + bytes(11) + specific
    decoder = b"\x04" + bytes([len(decoder)]) + decoder
    body = bytes([0, 1, 0]) + decoder + b"\x06\x01\x02"
    return full(b"esds", 0, b"\x03" + bytes([len(body)]) + body)


def _gapless(numbers):
    priming, padding, length = numbers
    text = f" 00000000 {priming:08X} {padding:08X} {length:016X} 00000000".encode()
    tag = box(
        b"----",
        full(b"mean", 0, b"com.apple.iTunes"),
        full(b"name", 0, b"iTunSMPB"),
        box(b"data", struct.pack(">II", 1, 0), text),
    )
    hdlr = full(b"hdlr", 0, bytes(4) + b"mdirappl" + bytes(9))
    return full(b"meta", 0, hdlr + box(b"ilst", tag))

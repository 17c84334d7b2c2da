"""MPEG transport streams (ISO/IEC 13818-1) and AU: read as far as they go, in time, and what they lost is told."""

import io
import struct

import av
import numpy as np
import pytest
import soundfile
from test_media_formats import delay_s, knocks

from enginelog import media
from enginelog.media import sniff, transport

RATE = 48_000
SOUND = knocks(RATE, 12.0)
LATE_S = {
    "aac": 1024 / RATE,
    "mp2": 481 / RATE,
}  # the delay of the encoder or decoder, which the stream does not declare


def stream_of(codec, picture=False, packet=188):
    """The bytes of a transport stream; packet: 188, or 192 with a time before each packet, as cameras write it."""
    made_in = io.BytesIO()
    options = {"mpegts_m2ts_mode": "1"} if packet == 192 else {}
    with av.open(made_in, "w", format="mpegts", options=options) as made:
        if picture:
            film = made.add_stream("mpeg2video", rate=25)
            film.width, film.height, film.pix_fmt = 64, 48, "yuv420p"
        track = made.add_stream(codec, rate=RATE, layout="mono")
        for at in range(0, len(SOUND), RATE // 25):
            if picture:
                image = np.random.default_rng(at).integers(0, 255, (48, 64, 3), np.uint8)
                made.mux(film.encode(av.VideoFrame.from_ndarray(image, "rgb24")))
            piece = SOUND[None, at : at + RATE // 25]
            piece = piece if codec == "aac" else (piece * 32767).astype(np.int16)
            frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(piece), "fltp" if codec == "aac" else "s16", "mono")
            frame.sample_rate, frame.pts = RATE, at
            made.mux(track.encode(frame))
        made.mux(track.encode(None))
        if picture:
            made.mux(film.encode(None))
    return made_in.getvalue()


def read(data):
    """Samples, problems by their code, and what was filled with silence."""
    with media.open_recording(io.BytesIO(data), "clip") as recording:
        samples = np.concatenate([block.samples for block in recording.blocks()])
        return samples, {problem.code: problem.text for problem in recording.problems}, recording.filled


@pytest.mark.parametrize("codec", ["aac", "mp2"])
@pytest.mark.parametrize("picture", [False, True])
@pytest.mark.parametrize("packet", [188, 192])
def test_the_sound_of_a_transport_stream_is_read(codec, picture, packet):
    samples, problems, _ = read(stream_of(codec, picture, packet))
    assert problems == {}
    assert len(samples) == pytest.approx(len(SOUND), abs=2047)
    assert delay_s(SOUND, samples, RATE) == pytest.approx(LATE_S[codec], abs=1 / RATE)


@pytest.mark.parametrize("codec", ["aac", "mp2"])
@pytest.mark.parametrize("picture", [False, True])
def test_one_that_is_cut_is_read_as_far_as_it_goes_and_told(codec, picture):
    data = stream_of(codec, picture)
    samples, problems, _ = read(data[: len(data) // 2 // 188 * 188 + 77])
    assert problems == {"file_ends_early": "the file ends early: the end of the recording is missing"}
    assert 0.4 * len(SOUND) < len(samples) < 0.6 * len(SOUND)
    assert delay_s(SOUND[: 4 * RATE], samples, RATE) == pytest.approx(LATE_S[codec], abs=1 / RATE)


def test_one_that_ends_between_packets_of_a_unit_of_sound_is_told():
    """2.4.3.7: each unit says how long it is."""
    data = stream_of("aac")
    units = [at for at in range(0, len(data), 188) if data[at + 1] & 0x40 and data[at + 1] & 0x1F == 1]
    middle = units[len(units) // 2]
    assert set(read(data[: middle + 188])[1]) == {"file_ends_early"}
    assert set(read(data[:middle])[1]) == set()  # whole as far as anything tells


@pytest.mark.parametrize("codec", ["aac", "mp2"])
@pytest.mark.parametrize("picture", [False, True])
@pytest.mark.parametrize("packet", [188, 192])
@pytest.mark.parametrize("lost", [1, 20, 5.4])
def test_packets_that_are_missing_leave_silence_and_keep_the_time_of_what_follows(codec, picture, packet, lost):
    """2.4.3.3: packets of a track are counted. (Other files are filled from 0.05 s on.)"""
    data = stream_of(codec, picture, packet)
    units = transport.packets_at(data[:16384])
    assert units is not None and units[1] == packet
    at = len(data) // 2 // packet * packet
    with av.open(io.BytesIO(data), format="mpegts") as opened:
        own = divmod(opened.streams.audio[0].id, 256)
    while (data[at + packet - 188 + 1] & 0x1F, data[at + packet - 188 + 2]) != own:
        at += packet
    samples, problems, filled = read(data[:at] + data[at + round(lost * packet) :])
    assert set(problems) == {"damaged"} and filled
    assert len(samples) == pytest.approx(len(SOUND), abs=2047)
    tail = SOUND[-4 * RATE :]
    assert delay_s(tail, samples, RATE) - 8.0 == pytest.approx(LATE_S[codec], abs=1.5 / RATE)


def test_one_that_lost_its_beginning_is_read():
    data = stream_of("mp2", True, 192)
    samples, problems, _ = read(data[1000:])
    assert set(problems) <= {"damaged"} and len(samples) > 0.9 * len(SOUND)


def test_its_clock_may_begin_anywhere():
    """A camera's clock runs on between recordings: a damaged beginning is not taken for hours of silence."""
    data = bytearray(stream_of("aac"))
    hours = 5 * 3600 * 90_000
    for at in range(0, len(data), 188):
        begin = at + 4 + (1 + data[at + 4] if data[at + 3] & 0x20 else 0)
        if data[at + 1] & 0x40 and data[begin : begin + 3] == b"\0\0\1":
            coded = data[begin + 9 : begin + 14]
            stamp = (coded[0] >> 1 & 7) << 30 | coded[1] << 22 | coded[2] >> 1 << 15 | coded[3] << 7 | coded[4] >> 1
            stamp += hours
            data[begin + 9 : begin + 14] = bytes(
                [
                    0x21 | stamp >> 29 & 0x0E,
                    stamp >> 22 & 255,
                    stamp >> 14 & 254 | 1,
                    stamp >> 7 & 255,
                    stamp << 1 & 254 | 1,
                ]
            )
    damaged = bytes(data)
    first = damaged.index(b"\xff\xf1")  # the head of the first frame of AAC
    damaged = damaged[:first] + b"\0\0" + damaged[first + 2 :]
    for given in (bytes(data), damaged):
        samples, problems, _ = read(given)
        assert len(samples) == pytest.approx(len(SOUND), abs=3 * 2048) and "pause_left_out" not in problems


def test_a_picture_or_text_that_begins_with_its_sync_byte_is_none():
    for data in (b"G" * 5000, b"GIF89a" + bytes(5000), b"\x47" + bytes(5000)):
        assert transport.packets_at(data) is None
    assert sniff.sniff(io.BytesIO(stream_of("aac")[100:]), "x").kind == "MPEG-TS"


@pytest.mark.parametrize("subtype", ["PCM_S8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE", "ULAW", "ALAW"])
@pytest.mark.parametrize("endian", ["BIG", "LITTLE"])
def test_au_is_read_whole_and_cut(subtype, endian):
    samples = 0.8 * knocks(8000, 4.0)
    stream = io.BytesIO()
    soundfile.write(stream, samples, 8000, format="AU", subtype=subtype, endian=endian)
    data = stream.getvalue()
    got, problems, _ = read(data)
    np.testing.assert_allclose(got, samples, atol=0.04)
    assert problems == {}
    got, problems, _ = read(data[: len(data) // 2])
    assert len(got) == pytest.approx(2.0 * 8000, abs=20)
    assert problems == {"file_ends_early": "the file ends early: the end of the recording is missing (2.0 s)"}


def test_an_au_file_of_unknown_length_is_read_to_its_end():
    """All bits of the length set: not known. (Common practice of the format, no source.)"""
    stream = io.BytesIO()
    soundfile.write(stream, SOUND, RATE, format="AU", subtype="PCM_16")
    data = stream.getvalue()
    got, problems, _ = read(data[:8] + struct.pack(">I", 0xFFFFFFFF) + data[12:])
    assert (len(got), problems) == (len(SOUND), {})

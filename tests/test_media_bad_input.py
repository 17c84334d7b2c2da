"""Files that are no recordings, or broken ones: one clear line each, and never another kind of error."""

import io
import os
import struct
import sys

import av
import numpy as np
import pytest
import soundfile

from enginelog import media
from enginelog.limits import Limit, LimitSet, load
from enginelog.media import source
from enginelog.media.chunks import SoundChunk
from enginelog.model import Clip, EnginelogError, UnreadableError, UsageError

RATE = 8000
TONE = (0.3 * np.sin(2 * np.pi * 220 * np.arange(2 * RATE) / RATE)).astype(np.float32)


def coded(suffix, samples=TONE, rate_hz=RATE):
    """The bytes of a good file of this kind."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "a" + suffix)
        media.write(path, Clip(samples, rate_hz))
        with open(path, "rb") as stream:
            return stream.read()


def wav(samples, rate_hz=RATE, **how):
    stream = io.BytesIO()
    soundfile.write(stream, samples, rate_hz, format="WAV", **how)
    return stream.getvalue()


def with_bytes(data, at, new):
    return data[:at] + new + data[at + len(new) :]


def silent_video():
    stream = io.BytesIO()
    with av.open(stream, "w", format="mp4") as made:
        track = made.add_stream("mpeg4", rate=25)
        track.width, track.height, track.pix_fmt = 64, 48, "yuv420p"
        for _ in range(5):
            made.mux(track.encode(av.VideoFrame.from_ndarray(np.zeros((48, 64, 3), np.uint8), "rgb24")))
        made.mux(track.encode(None))
    return stream.getvalue()


REFUSED = {
    "empty": (b"", "empty"),
    "text": ("Öl gewechselt, Kerze geprüft\n".encode() * 30, "text file"),
    "short text": (b"hello", "text file"),
    "JPEG": (b"\xff\xd8\xff\xe0" + bytes(100), "picture"),
    "PNG": (b"\x89PNG\r\n\x1a\n" + bytes(100), "picture"),
    "HEIC": (b"\0\0\0\x18ftypheic" + bytes(100), "picture"),
    "WEBP": (b"RIFF\x10\0\0\0WEBPVP8 " + bytes(100), "picture"),
    "playlist": (b"#EXTM3U\nhttp://example.invalid/a.ts\n", "playlist"),
    "concat script": (b"ffconcat version 1.0\nfile 'a.wav'\n", "playlist"),
    "zip": (b"PK\x03\x04" + bytes(100), "ZIP"),
    "zeros": (bytes(5000), "no kind known"),
    "M4A cut off": (coded(".m4a")[:3000], "cut off before it was finished"),
    "M4A head alone": (coded(".m4a")[:40], "cut off before it was finished"),
    "WAV head alone": (wav(TONE)[:44], "no sound"),
    "WAV half a head": (wav(TONE)[:20], "damaged"),
    "WAV without samples": (wav(TONE[:0]), "no sound"),
    "WAV of 60 000 channels": (with_bytes(wav(TONE), 22, struct.pack("<H", 60_000)), "channels"),
    "WAV of 1 Hz": (with_bytes(wav(TONE), 24, struct.pack("<I", 1)), "sampling rate"),
    "FLAC head alone": (coded(".flac")[:60], "sound|damaged"),
    "AMR of half a frame": (b"#!AMR\n\x3c" + bytes(5), "damaged"),
    "video without sound": (silent_video(), "without a sound track"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_no_recording_is_refused_in_one_line(tmp_path, name):
    data, words = REFUSED[name]
    (tmp_path / "clip.m4a").write_bytes(data)
    with pytest.raises(UnreadableError, match=words) as caught:
        media.read(tmp_path / "clip.m4a")
    assert "\n" not in str(caught.value)
    assert "clip.m4a" in str(caught.value)


@pytest.mark.parametrize(
    "path", ["no such.m4a", "http://example.invalid/a.wav", "-x.wav", "concat:a.wav|b.wav", "", "a\0b", "line\nend.wav"]
)
def test_no_such_file(tmp_path, monkeypatch, path):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(UnreadableError) as caught:
        media.open_recording(path)
    assert "\n" not in str(caught.value)


def test_a_folder_is_refused(tmp_path):
    with pytest.raises(UnreadableError, match="folder"):
        media.open_recording(tmp_path)


NAMES = [
    "with space.wav",
    'it\'s "quoted".wav',
    "-dash.wav",
    "http:colon.wav",
    "Бензопила 芝刈り機.wav",
    "no_suffix",
    "wrong.jpg",
]


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("suffix", [".wav", ".m4a"])
def test_odd_names_are_read(tmp_path, monkeypatch, name, suffix):
    if sys.platform == "win32" and set(name) & set('":'):
        pytest.skip("this name is not possible on Windows")
    monkeypatch.chdir(tmp_path)
    with open(name, "wb") as stream:
        stream.write(coded(suffix))
    clip, info = media.read(name)
    assert (len(clip.samples), info.name) == (len(TONE), name)


def kept(data):
    """What is read from these bytes: samples, and the codes of the problems with the file."""
    with media.open_recording(io.BytesIO(data), "clip") as recording:
        blocks = list(recording.blocks())
        return np.concatenate([block.samples for block in blocks]), [problem.code for problem in recording.problems]


def test_a_good_file_has_no_problems():
    for suffix in (".wav", ".aiff", ".flac", ".m4a", ".mp4", ".ogg", ".webm", ".mp3", ".amr", ".ts", ".au"):
        rate_hz = 48_000 if suffix in (".ogg", ".webm") else RATE
        assert kept(coded(suffix, TONE, rate_hz))[1] == [], suffix


@pytest.mark.parametrize("suffix", [".wav", ".m4a", ".mp3"])
@pytest.mark.parametrize("early", [True, False])
def test_a_file_that_changes_while_it_is_read_is_told(tmp_path, suffix, early):
    """Its hash may be that of other bytes than were heard. It is asked for while reading, or after."""
    path = tmp_path / f"a{suffix}"
    data = coded(suffix, np.tile(TONE, 20))
    for change in (lambda: None, lambda: path.write_bytes(data + bytes(5000)), lambda: os.truncate(path, 0)):
        path.write_bytes(data)
        with media.open_recording(path) as recording:
            blocks = recording.blocks(seconds=5.0, overlap_s=0.0)
            next(blocks)
            assert not early or recording.info.sha256
            change()
            list(blocks)
            assert recording.info.sha256
            codes = [problem.code for problem in recording.problems]
        assert ("changed" in codes) == (path.read_bytes() != data)
    with media.open_recording(io.BytesIO(data)) as recording:
        assert not recording.problems


@pytest.mark.parametrize("suffix", [".wav", ".aiff", ".flac"])
def test_what_is_left_of_a_cut_file_is_read_and_said(suffix):
    rng = np.random.default_rng(2)
    samples = rng.normal(0, 0.1, 4 * RATE).astype(np.float32)  # noise, so that FLAC grows evenly
    data = coded(suffix, samples)
    got, codes = kept(data[: len(data) // 2])
    assert "file_ends_early" in codes
    assert 0.75 * 2 * RATE < len(got) <= 2 * RATE
    np.testing.assert_allclose(got, samples[: len(got)], atol=1e-4)


def test_a_cut_video_with_its_index_in_front_is_read_and_said(tmp_path):
    with av.open(str(tmp_path / "a.mp4"), "w", options={"movflags": "faststart"}) as made:
        track = made.add_stream("aac", rate=RATE)
        track.layout = "mono"
        frame = av.AudioFrame.from_ndarray(np.tile(TONE, 3)[None], "fltp", "mono")
        frame.sample_rate, frame.pts = RATE, 0
        made.mux(track.encode(frame))
        made.mux(track.encode(None))
    data = (tmp_path / "a.mp4").read_bytes()
    assert data.index(b"moov") < data.index(b"mdat")
    got, codes = kept(data[: len(data) * 3 // 4])
    assert "file_ends_early" in codes
    assert 3 * RATE < len(got) < 5 * RATE


@pytest.mark.parametrize("length", [0, 0xFFFFFFFF, 0x7FFFFF00, 0x7FFFFFD0, 0x80000000, 0xFFFFF000])
def test_a_wav_whose_recorder_never_wrote_the_length_is_read(length):
    data = wav(TONE)
    got, codes = kept(with_bytes(data, data.index(b"data") + 4, struct.pack("<I", length)))
    assert len(got) == len(TONE)
    assert codes == []


def test_a_length_as_long_as_a_recorder_writes_when_it_knows_none_is_meant_where_most_is_there():
    """A copy of two gibibytes that lacks its end; no such file is made for it."""

    def unknown(declared: int, there: int) -> bool:
        return SoundChunk(44, declared, 44 + there, 0, (40, "<I")).unknown

    assert unknown(0x7FFFFF00, 0x100000)
    assert not unknown(0x7FFFFF00, 0x7FFF0000)
    assert not unknown(28 * RATE, 14 * RATE)


def test_not_a_number_becomes_silence_and_is_counted():
    samples = TONE.copy()
    samples[100:200] = np.nan
    samples[300], samples[301], samples[302] = np.inf, -np.inf, 1e30
    with media.open_recording(io.BytesIO(wav(samples, subtype="FLOAT"))) as recording:
        (block,) = recording.blocks()
        (problem,) = recording.problems
    bad = ~(np.abs(samples) < 1e6)
    assert problem.code == "non_finite"
    assert problem.text.startswith("103 samples")
    assert np.all(block.samples[bad] == 0.0)
    np.testing.assert_array_equal(block.samples[~bad], samples[~bad])


def test_a_single_sample_that_is_no_number_is_counted_as_one():
    samples = TONE.copy()
    samples[100] = np.nan
    with media.open_recording(io.BytesIO(wav(samples, subtype="FLOAT"))) as recording:
        list(recording.blocks())
        (problem,) = recording.problems
    assert problem.text.startswith("1 sample is no number")


def test_a_file_of_nothing_but_nan_is_silence():
    got, codes = kept(wav(TONE * np.nan, subtype="FLOAT"))
    assert not got.any()
    assert codes == ["non_finite"]


def test_damaged_packets_keep_their_time():
    """What follows a damaged place comes at its own time: silence stands for what cannot be decoded."""
    samples = np.random.default_rng(4).normal(0, 0.01, 6 * RATE).astype(np.float32)
    samples[5 * RATE : 5 * RATE + 200] = 0.9
    data = bytearray(coded(".m4a", samples))
    start = data.index(b"mdat") + 4
    length = data.index(b"moov") - 4 - start
    for at in range(start + length // 4, start + length // 2):
        data[at] = 0xFF
    got, codes = kept(bytes(data))
    assert "damaged" in codes
    assert len(got) == len(samples)
    loud = np.convolve(np.abs(got[4 * RATE :]), np.ones(200), "same")
    assert abs(int(np.argmax(loud)) - (RATE + 100)) < 20


def with_pause(samples, rate_hz, at_s, pause_s):
    """The bytes of a Matroska file whose time stamps jump ahead by `pause_s` at `at_s`."""
    stream = io.BytesIO()
    with av.open(stream, "w", format="matroska") as made:
        track = made.add_stream("pcm_s16le", rate=rate_hz, layout="mono")
        for at in range(0, len(samples), rate_hz // 10):
            piece = (samples[None, at : at + rate_hz // 10] * 32767).astype(np.int16)
            frame = av.AudioFrame.from_ndarray(piece, "s16", "mono")
            frame.sample_rate, frame.pts = rate_hz, at
            for packet in track.encode(frame):
                if at >= at_s * rate_hz:
                    packet.pts += round(pause_s / packet.time_base)
                    packet.dts = packet.pts
                made.mux(packet)
    return stream.getvalue()


def test_where_silence_was_filled_in_is_handed_on():
    """Quality must not blame the phone for silence that stands for what the file lacks."""
    samples = np.tile(TONE, 3)
    with media.open_recording(io.BytesIO(with_pause(samples, RATE, 2.0, 1.5)), "clip") as recording:
        (block,) = recording.blocks()
        ((start_s, end_s),) = recording.filled
    assert (start_s, end_s) == (pytest.approx(2.0, abs=2e-3), pytest.approx(3.5, abs=2e-3))
    assert not block.samples[round(start_s * RATE) : round(end_s * RATE)].any()
    assert block.samples[round(start_s * RATE) - 3 : round(start_s * RATE)].any()


def test_a_long_pause_is_told_and_no_end_is_missed():
    data = with_pause(np.tile(TONE, 3), RATE, 2.0, 70.0)
    with media.open_recording(io.BytesIO(data), "clip") as recording:
        (block,) = recording.blocks()
        (problem,) = recording.problems
    assert (len(block.samples), problem.code) == (3 * len(TONE), "pause_left_out")
    assert "a pause of 70 s was left out" in problem.text
    assert kept(data[: len(data) * 2 // 3])[1] == ["file_ends_early", "pause_left_out"]


def test_sound_whose_time_stamps_begin_late_has_all_of_its_end():
    data = with_pause(TONE, RATE, 0.0, 5.0)
    got, codes = kept(data)
    assert (len(got), codes) == (len(TONE), [])
    assert kept(data[: len(data) // 2])[1] == ["file_ends_early"]


@pytest.mark.parametrize("tagged", [True, False])
def test_a_picture_that_outlasts_the_sound_is_no_missing_end(tagged):
    """Many writers leave no DURATION tag; the length in the head is then that of the picture."""
    stream = io.BytesIO()
    with av.open(stream, "w", format="matroska") as made:
        sound = made.add_stream("pcm_s16le", rate=RATE, layout="mono")
        picture = made.add_stream("mpeg4", rate=5)
        picture.width, picture.height, picture.pix_fmt = 64, 48, "yuv420p"
        for at in range(0, len(TONE), RATE // 5):
            frame = av.AudioFrame.from_ndarray(
                (TONE[None, at : at + RATE // 5] * 32767).astype(np.int16), "s16", "mono"
            )
            frame.sample_rate, frame.pts = RATE, at
            made.mux(sound.encode(frame))
        for number in range(20):
            image = np.random.default_rng(number).integers(0, 255, (48, 64, 3), np.uint8)
            made.mux(picture.encode(av.VideoFrame.from_ndarray(image, "rgb24")))
        made.mux(picture.encode(None))
    data = stream.getvalue() if tagged else stream.getvalue().replace(b"DURATION", b"SOMETAGS")
    got, codes = kept(data)
    assert (len(got), codes) == (len(TONE), [])
    codes = kept(data[: len(data) // 3])[1]
    assert codes == ["file_ends_early"]


def test_a_hole_in_an_mp3_keeps_the_time_of_what_follows():
    """Its time stamps count the frames that are there; at a constant bit rate the bytes tell how many are not."""
    stream = io.BytesIO()
    samples = 0.01 * np.tile(TONE, 4)
    samples[7 * RATE : 7 * RATE + 200] = 0.9
    with av.open(stream, "w", format="mp3") as made:
        track = made.add_stream("libmp3lame", rate=RATE, layout="mono")
        track.codec_context.bit_rate = 32_000
        for at in range(0, len(samples), RATE // 5):
            frame = av.AudioFrame.from_ndarray(samples[None, at : at + RATE // 5], "fltp", "mono")
            frame.sample_rate, frame.pts = RATE, at
            made.mux(track.encode(frame))
        made.mux(track.encode(None))
    data = stream.getvalue()
    with media.open_recording(io.BytesIO(with_bytes(data, 10_000, bytes(6000))), "clip") as recording:
        (block,) = recording.blocks()
        ((start_s, end_s),) = recording.filled
    assert block.seconds == pytest.approx(len(samples) / RATE, abs=0.1)
    assert (start_s, end_s) == (pytest.approx(2.4, abs=0.2), pytest.approx(3.9, abs=0.2))
    assert np.abs(block.samples).argmax() / RATE == pytest.approx(7.01, abs=0.05)
    twice = len(kept(data + data)[0])
    cover = b"ID3\4\0\0\0\0\x40\0" + bytes(0x2000)
    assert len(kept(data + cover + data[data.index(b"\xff", 10) :])[0]) == pytest.approx(twice, abs=RATE / 4)


@pytest.mark.parametrize("before", [bytes(512), b"", b"\xff\xfb" + bytes(100)])
@pytest.mark.parametrize("rate_hz", [8000, 24_000, 48_000])
def test_an_mp3_that_lost_its_beginning_is_read(before, rate_hz):
    data = coded(".mp3", np.tile(TONE, 12), rate_hz)
    got, _ = kept(before + data[1234:])
    assert 0.5 * 12 * len(TONE) < len(got) < 12.5 * len(TONE)


def test_many_filled_stretches_are_joined_where_they_are_nearest():
    tally = source.Tally()
    for number in range(5000):
        at_s = number + 100.0 * (number // 10)
        source.note_filled(tally, at_s, at_s + 0.25)
    assert len(tally.filled) <= source.FILLED_MOST
    assert tally.filled_s == pytest.approx(1250.0)
    assert all(before[1] < after[0] for before, after in zip(tally.filled, tally.filled[1:], strict=False))
    assert (tally.filled[0][0], tally.filled[-1][1]) == (0.0, 4999 + 100.0 * 499 + 0.25)


def test_a_fifth_of_a_second_is_read():
    assert len(kept(wav(TONE[: RATE // 5]))[0]) == RATE // 5


def test_standard_input_is_read_as_bytes(monkeypatch):
    class Input:
        buffer = io.BytesIO(coded(".m4a"))

    monkeypatch.setattr(sys, "stdin", Input)
    clip, info = media.read("-")
    assert (len(clip.samples), info.name) == (len(TONE), "standard input")


def test_a_stream_without_end_is_refused():
    media_limits = load("media")
    small = LimitSet({**media_limits, "max_stream_bytes": Limit("max_stream_bytes", 3e6, "bytes", "", "chosen", "")})

    with pytest.raises(UnreadableError, match="clip: more than 0.0 GB; save it to a file"):
        media.open_recording(Endless(wav(TONE)[:44]), "clip", limits=small)


class Endless(io.RawIOBase):
    """A stream that begins with this and then goes on for ever, in pieces of at most 9000 bytes."""

    def __init__(self, start: bytes) -> None:
        self.start, self.handed = start, 0

    def read(self, size=-1):
        piece = (self.start[self.handed :] + bytes(9000))[: min(size, 9000)]
        self.handed += len(piece)
        return piece


@pytest.mark.parametrize("start", [b"", b"%PDF-1.7", b"a text\n" * 20, b"\x89PNG"])
def test_of_a_stream_that_is_no_recording_only_its_start_is_copied(start):
    """All of the 4 GB that a stream may have were copied before its first bytes were looked at."""
    stream = Endless(start)
    with pytest.raises(UnreadableError, match="^clip: this is .* not a sound or video recording"):
        media.open_recording(stream, "clip")
    assert stream.handed < 200_000


@pytest.mark.parametrize("kind", [".flac", ".mp3"])
def test_a_stream_with_a_large_picture_in_front_of_its_sound_is_read(kind):
    """An ID3 tag (id3.org, ID3v2.4.0 structure, 3.1) of 300 kB, as players put a cover into."""
    tag = b"ID3\x04\x00\x00" + bytes(300_000 >> shift & 0x7F for shift in (21, 14, 7, 0)) + bytes(300_000)
    clip, _ = media.read(io.BytesIO(tag + coded(kind)))
    assert len(clip.samples) > 0.9 * len(TONE)


def test_reading_stops_at_the_longest_length():
    short = LimitSet({**load("media"), "max_seconds": Limit("max_seconds", 1.5, "s", "", "chosen", "")})
    with media.open_recording(io.BytesIO(wav(TONE)), limits=short) as recording:
        (block,) = recording.blocks()
        assert [problem.code for problem in recording.problems] == ["too_long"]
    assert block.seconds == 1.5


@pytest.mark.parametrize(
    "suffix", [".wav", ".m4a", ".mp4", ".ogg", ".webm", ".mp3", ".amr", ".flac", ".aiff", ".ts", ".au"]
)
def test_random_damage_raises_nothing_else(suffix):
    """Property: whatever bytes a file has, it is read or refused by the project's own error, samples finite."""
    good = coded(suffix, TONE, 48_000 if suffix in (".ogg", ".webm") else RATE)
    for seed in range(16):
        rng = np.random.default_rng(seed)
        data = bytearray(good)
        reach = 200 if seed % 2 else len(data)
        for at in rng.integers(0, min(reach, len(data)), int(rng.choice([1, 5, 50]))):
            data[at] = rng.integers(256)
        if seed % 4 == 0:
            data = data[: rng.integers(1, len(data))]
        check_read_or_refused(bytes(data))


def test_random_bytes_raise_nothing_else():
    heads = [b"", b"ID3", b"OggS", b"fLaC", b"\xff\xfb\x90\x64", b"\xff\xf1\x50\x80", b"#!AMR\n", b"\x1aE\xdf\xa3"]
    heads += [b"RIFF\xff\0\0\0WAVEfmt ", b"\0\0\0\x18ftypM4A ", b"FORM\0\0\1\0AIFF"]
    for seed in range(44):
        rng = np.random.default_rng(seed)
        check_read_or_refused(heads[seed % len(heads)] + rng.bytes(int(rng.integers(0, 4000))))


def check_read_or_refused(data):
    try:
        with media.open_recording(io.BytesIO(data), "clip") as recording:
            for block in recording.blocks():
                assert np.all(np.isfinite(block.samples))
            assert recording.info.seconds > 0
            assert all(problem.text and problem.advice for problem in recording.problems)
    except EnginelogError as error:
        assert "\n" not in str(error)


@pytest.mark.parametrize(
    ("name", "codec", "rate_hz"),
    [("a.xyz", None, 8000), ("a.wav", "nonsense", 8000), ("a.amr", None, 44_100), ("a.webm", "aac", 48_000)],
)
def test_impossible_writing_leaves_nothing_behind(tmp_path, name, codec, rate_hz):
    with pytest.raises(UsageError):
        media.write(tmp_path / name, Clip(TONE, rate_hz), codec)
    assert list(tmp_path.iterdir()) == []


def test_a_long_vorbis_file_is_written_in_blocks(tmp_path):
    """One call for a minute of Vorbis crashes libsndfile 1.2.2."""
    media.write(tmp_path / "a.ogg", Clip(np.tile(TONE, 45), RATE), "vorbis")
    assert len(media.read(tmp_path / "a.ogg")[0].samples) == 90 * RATE

"""Reading what phones and recorders write: lengths, alignment, channels, rates, memory."""

import hashlib
import io
import tracemalloc

import av
import numpy as np
import pytest
import soundfile
from av.stream import Disposition
from mp4_maker import aac_packets, mp4

from enginelog import media
from enginelog.media import sniff
from enginelog.model import Clip, UsageError


def knocks(rate_hz, seconds, every_s=0.05, seed=3):
    """Noise bursts at known times over a quiet tone: something every codec keeps in its place."""
    rng, n = np.random.default_rng(seed), round(rate_hz * seconds)
    samples = 0.02 * np.sin(2 * np.pi * 440 * np.arange(n) / rate_hz)
    length = round(0.004 * rate_hz)
    for at in np.arange(0.02, seconds - 0.02, every_s) * rate_hz:
        samples[round(at) : round(at) + length] += rng.normal(0, 0.3, length)
    return samples.astype(np.float32)


def delay_s(wanted, got, rate_hz):
    """By how much `got` is late, from the highest point of their cross-correlation."""
    n = 1 << (2 * max(len(wanted), len(got)) - 1).bit_length()
    cross = np.fft.irfft(np.conj(np.fft.rfft(wanted, n)) * np.fft.rfft(got, n), n)
    lag = int(cross.argmax())
    return (lag - n if lag > n // 2 else lag) / rate_hz


# suffix, codec, rate, most samples too long at the file's rate, most it may be late (raw streams declare no priming)
WRITTEN = [
    (".wav", "pcm_s16", 8000, 0, 0),
    (".wav", "pcm_s24", 44_100, 0, 0),
    (".wav", "pcm_f32", 96_000, 0, 0),
    (".aiff", "aiff", 48_000, 0, 0),
    (".au", "au", 44_100, 0, 0),
    (".flac", "flac", 44_100, 0, 0),
    (".ogg", "vorbis", 44_100, 0, 0),
    (".ogg", "opus", 48_000, 0, 0),
    (".webm", "opus", 48_000, 0, 0),
    (".mp3", "mp3", 44_100, 0, 0),
    (".m4a", "aac", 48_000, 0, 0),
    (".m4a", "aac", 44_100, 0, 0),
    (".mp4", "aac", 16_000, 0, 0),
    (".mov", "aac", 48_000, 0, 0),
    (".3gp", "aac", 8000, 0, 0),
    (".3gp", "amr_nb", 8000, 0, 0.01),
    (".amr", "amr_nb", 8000, 159, 0.015),
    (".aac", "aac", 48_000, 2047, 1024 / 48_000),
    (".ts", "aac", 48_000, 2047, 1024 / 48_000),
]


@pytest.mark.parametrize(("suffix", "codec", "rate_hz", "longer", "late_s"), WRITTEN)
def test_every_format_keeps_length_and_place(tmp_path, suffix, codec, rate_hz, longer, late_s):
    samples = knocks(rate_hz, 3.0123)
    path = tmp_path / f"clip{suffix}"
    media.write(path, Clip(samples, rate_hz), codec)
    clip, info = media.read(path)
    expected_n = len(samples) * clip.rate_hz / rate_hz
    assert 0 <= len(clip.samples) - expected_n <= longer + 0.5
    assert info.seconds == len(clip.samples) / clip.rate_hz
    assert info.sample_rate_hz == rate_hz
    assert clip.samples.dtype == np.float32
    compared = samples[::2] if rate_hz == 96_000 else samples
    early_s = 0.003 if codec == "amr_nb" else 1 / rate_hz  # its narrow band blurs the highest point
    assert -early_s <= delay_s(compared, clip.samples, clip.rate_hz) <= late_s + 1 / rate_hz


def test_amr_wideband_frames_have_20_ms():
    """3GPP TS 26.201, table 2: mode 0 (6.60 kbit/s) has 132 bits, in 17 octets behind one header octet 0x04."""
    rng = np.random.default_rng(5)
    frames = b"".join(b"\x04" + rng.bytes(17) for _ in range(100))
    clip, info = media.read(io.BytesIO(b"#!AMR-WB\n" + frames))
    assert (info.codec, clip.rate_hz, len(clip.samples)) == ("amr_wb", 16_000, 32_000)


# 5 s at 48 kHz = 240 000 samples -> 237 packets, 242 688 samples, 2112 priming, 576 remainder:
# the encoder-delay example of the QuickTime File Format specification.
PRIMING, REMAINDER, LENGTH, PACKETS = 2112, 576, 240_000, 237


@pytest.mark.parametrize(
    "how",
    [
        {"edit": (PRIMING, LENGTH), "movie_scale": 600},
        {"edit": (PRIMING, LENGTH), "movie_scale": 48_000},
        {"gapless": (PRIMING, REMAINDER, LENGTH)},
        {"edit": (PRIMING, LENGTH), "gapless": (PRIMING, REMAINDER, LENGTH)},
    ],
    ids=["edit list", "fine edit list", "gapless tag", "both"],
)
def test_published_aac_example_decodes_to_240_000_samples(how):
    samples = knocks(48_000, 5.0)
    own_priming = 1024  # FFmpeg's encoder
    packets, config = aac_packets(np.concatenate([np.zeros(PRIMING - own_priming, np.float32), samples]), 48_000)
    assert len(packets) == PACKETS
    assert len(packets) * 1024 == PRIMING + LENGTH + REMAINDER == 242_688
    clip, info = media.read(io.BytesIO(mp4(packets, config, 48_000, **how)))
    assert len(clip.samples) == LENGTH
    assert info.seconds == 5.0
    assert delay_s(samples, clip.samples, 48_000) == 0.0


def test_without_edit_list_nothing_is_cut():
    packets, config = aac_packets(knocks(48_000, 1.0), 48_000)
    clip, _ = media.read(io.BytesIO(mp4(packets, config, 48_000)))
    assert len(clip.samples) == len(packets) * 1024


def test_an_edit_list_that_ends_far_too_soon_loses_no_more_than_ffmpeg_does():
    """The end is only cut where the rest can be padding."""
    from enginelog.media.padding import End, Frame, without_padding

    frames = [Frame(np.full((1024, 1), index, np.float32), 1024) for index in range(20)]
    kept = np.concatenate(list(without_padding(iter(frames), End(3000, 100), 4096)))
    np.testing.assert_array_equal(kept, np.concatenate([frame.samples for frame in frames]))


def test_wav_comes_back_sample_for_sample(tmp_path):
    samples = np.random.default_rng(1).normal(0, 0.1, 48_000).astype(np.float32)
    soundfile.write(tmp_path / "a.wav", samples, 48_000, subtype="FLOAT")
    clip, info = media.read(tmp_path / "a.wav")
    np.testing.assert_array_equal(clip.samples, samples)
    assert (info.seconds, info.sample_rate_hz, info.channels, info.codec) == (1.0, 48_000, 1, "pcm_f32")


def test_vorbis_agrees_with_libsndfile(real_recordings):
    """A second decoder as oracle (libsndfile's libvorbis), on recordings made by others."""
    for name in ("chainsaw_1-116765-A.ogg", "generator_running.ogg"):
        expected, _ = soundfile.read(real_recordings / name, dtype="float32")
        clip, _ = media.read(real_recordings / name)
        np.testing.assert_allclose(clip.samples, expected, atol=1e-4)


@pytest.mark.parametrize("suffix", [".m4a", ".ogg", ".flac", ".wav"])
def test_blocks_join_to_the_whole(tmp_path, suffix):
    samples = knocks(16_000, 21.0)
    path = tmp_path / f"long{suffix}"
    media.write(path, Clip(samples, 16_000))
    whole, _ = media.read(path)
    with media.open_recording(path) as recording:
        blocks = list(recording.blocks(seconds=6.0, overlap_s=1.5))
    assert len(blocks) == 4
    joined = np.full(len(whole.samples), np.nan, np.float32)
    for block in blocks:
        at = round(block.start_s * block.rate_hz)
        there = joined[at : at + len(block.samples)]
        assert np.all(np.isnan(there) | (there == block.samples))
        joined[at : at + len(block.samples)] = block.samples
    np.testing.assert_array_equal(joined, whole.samples)
    for before, after in zip(blocks, blocks[1:], strict=False):
        assert before.start_s + before.seconds - after.start_s == pytest.approx(1.5, abs=1e-3)


def test_a_clip_of_three_minutes_is_one_block(tmp_path):
    media.write(tmp_path / "a.wav", Clip(np.zeros(8000 * 180, np.float32) + 0.1, 8000))
    with media.open_recording(tmp_path / "a.wav") as recording:
        assert [block.seconds for block in recording.blocks()] == [180.0]


def test_reading_twice_and_a_foolish_overlap_are_refused(tmp_path):
    media.write(tmp_path / "a.wav", Clip(np.zeros(8000, np.float32), 8000))
    with media.open_recording(tmp_path / "a.wav") as recording:
        with pytest.raises(UsageError, match="overlap"):
            recording.blocks(seconds=1.0, overlap_s=1.0)
        assert len(list(recording.blocks())) == 1
        with pytest.raises(UsageError, match="once only"):
            recording.blocks()


def test_memory_stays_flat_with_length(tmp_path):
    """Peak of Python and numpy memory for 20 minutes is that of 5 minutes, and below six blocks."""

    def peak(seconds):
        path = tmp_path / f"{seconds}.wav"
        piece = Clip(np.full(8000 * 60, 0.1, np.float32), 8000)
        media.write(path, (piece for _ in range(seconds // 60)))
        tracemalloc.start()
        with media.open_recording(path) as recording:
            total = sum(block.seconds for block in recording.blocks(seconds=30.0, overlap_s=0.0))
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert total == seconds
        return most

    short, long = peak(300), peak(1200)
    assert long < 1.1 * short
    assert long < 6 * 30 * 8000 * 4


@pytest.mark.parametrize("rate_hz", [88_200, 96_000, 192_000])
def test_high_rates_come_at_48_khz_in_time(rate_hz):
    samples = knocks(rate_hz, 2.0)
    clip, info = media.read(wav(samples, rate_hz))
    assert (clip.rate_hz, info.sample_rate_hz) == (48_000.0, rate_hz)
    assert len(clip.samples) == pytest.approx(2.0 * 48_000, abs=1)
    tone = 0.5 * np.sin(2 * np.pi * 1000 * np.arange(rate_hz) / rate_hz)
    got, _ = media.read(wav(tone, rate_hz))
    expected = 0.5 * np.sin(2 * np.pi * 1000 * np.arange(len(got.samples)) / 48_000)
    np.testing.assert_allclose(got.samples[500:-500], expected[500:-500], atol=1e-3)


def wav(samples, rate_hz, **how):
    stream = io.BytesIO()
    soundfile.write(stream, samples, rate_hz, format="WAV", **how)
    stream.seek(0)
    return stream


MONO = knocks(8000, 1.0)


@pytest.mark.parametrize(
    ("columns", "expected"),
    [
        ((MONO, MONO), MONO),
        ((MONO, -MONO), MONO),
        ((-MONO, 0.5 * MONO), -MONO),
        ((0 * MONO, MONO), MONO),
        ((MONO, 0.5 * MONO), 0.75 * MONO),
        ((MONO,) * 6, MONO),
    ],
    ids=["equal", "opposite phase", "partly cancelling", "one silent", "level differs", "six"],
)
def test_channels_become_one_without_cancelling(columns, expected):
    clip, info = media.read(wav(np.stack(columns, axis=1), 8000, subtype="FLOAT"))
    assert info.channels == len(columns)
    np.testing.assert_allclose(clip.samples, expected, atol=1e-6)


def test_channels_are_judged_on_the_first_sound_not_on_silence_before_it():
    later = np.concatenate([np.zeros(8000 * 15, np.float32), knocks(8000, 15.0)])
    clip, _ = media.read(wav(np.stack([later, -later], axis=1), 8000, subtype="FLOAT"))
    np.testing.assert_allclose(clip.samples, later, atol=1e-6)


ROOM, ENGINE = (np.random.default_rng(8).normal(0, 0.002, (2, 8000 * 12)), 0.3 * knocks(8000, 15.0))
LATE = {
    "opposite phase": (ROOM, (ENGINE, -ENGINE), 1.0),
    "on the right, after noise on the left": (ROOM * [[25.0], [5.0]], (0.01 * ENGINE[::-1], ENGINE), 0.5),
    "on the right, after more hiss there on the left": (ROOM * [[0.4], [0.1]], (0.01 * ENGINE[::-1], ENGINE), 1.0),
}


@pytest.mark.parametrize("name", LATE)
@pytest.mark.parametrize("long", [False, True])
def test_an_engine_that_starts_late_is_not_lost_in_the_mix(name, long):
    """What the first ten seconds chose would cancel it or leave it out; the README asks to record before the pull."""
    before, engine, share = LATE[name]
    samples = np.concatenate([*([before] * (10 if long else 1)), np.array(engine)], axis=1).T
    for stream in (wav(samples, 8000, subtype="FLOAT"), Piped(wav(samples, 8000, subtype="FLOAT").read())):
        clip, _ = media.read(stream)
        got = clip.samples[-len(ENGINE) :]
        assert abs(np.corrcoef(got, ENGINE)[0, 1]) > 0.99
        assert np.std(got) == pytest.approx(share * np.std(ENGINE), rel=0.02)


class Piped(io.RawIOBase):
    """A stream that can be read on, and nothing else."""

    def __init__(self, data):
        self._data = io.BytesIO(data)

    def read(self, size=-1):
        return self._data.read(size)


def test_a_knock_on_one_microphone_does_not_change_the_mix():
    """Both are heard throughout; a louder sound on one of them later leaves the mean as it was."""
    left, right = knocks(8000, 30.0), knocks(8000, 30.0, seed=4)
    left[8000 * 15 : 8000 * 16] += np.random.default_rng(9).normal(0, 0.3, 8000).astype(np.float32)
    clip, _ = media.read(wav(np.stack([left, right], axis=1), 8000, subtype="FLOAT"))
    np.testing.assert_allclose(clip.samples, (left + right) / 2, atol=1e-6)


@pytest.mark.parametrize("subtype", ["VORBIS", "OPUS"])
@pytest.mark.parametrize("channels", [1, 2])
def test_what_is_left_out_of_a_chained_ogg_is_told(subtype, channels):
    """RFC 3533, 4: logical streams may follow each other in one file. FFmpeg reads on only where they are alike."""
    rate_hz, parts = 48_000, []
    for seconds, width in ((2.0, 1), (3.0, channels)):
        samples, stream = knocks(rate_hz, seconds), io.BytesIO()
        soundfile.write(stream, np.stack([samples] * width, axis=1), rate_hz, format="OGG", subtype=subtype)
        parts.append(stream.getvalue())
    with media.open_recording(io.BytesIO(b"".join(parts))) as recording:
        (block,) = recording.blocks()
        problems = recording.problems
    assert block.seconds == pytest.approx(5.0 if channels == 1 else 2.0, abs=0.05)
    assert [problem.code for problem in problems] == ([] if channels == 1 else ["chained"])
    assert all("3 s or more were left out" in problem.text for problem in problems)


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE", "ULAW"])
def test_every_sample_type_has_the_same_scale(subtype):
    tone = 0.5 * np.sin(2 * np.pi * 200 * np.arange(8000) / 8000)
    clip, _ = media.read(wav(tone, 8000, subtype=subtype))
    np.testing.assert_allclose(clip.samples, tone, atol=0.02)


def test_the_hash_is_of_the_original_bytes(tmp_path):
    media.write(tmp_path / "a.m4a", Clip(MONO, 8000))
    data = (tmp_path / "a.m4a").read_bytes()
    expected = hashlib.sha256(data).hexdigest()
    assert media.read(tmp_path / "a.m4a")[1].sha256 == expected
    assert media.read(io.BytesIO(data))[1].sha256 == expected


def test_the_hash_may_be_asked_in_the_middle_of_reading(tmp_path):
    samples = knocks(8000, 30.0)
    for suffix in (".wav", ".m4a", ".flac"):
        path = tmp_path / f"a{suffix}"
        media.write(path, Clip(samples, 8000))
        with media.open_recording(path) as recording:
            total = 0
            for block in recording.blocks(seconds=5.0, overlap_s=0.0):
                total += len(block.samples)
                assert len(recording.info.sha256) == 64
        assert total == len(samples)


def test_sound_of_a_phone_video_is_found_beside_the_picture(tmp_path):
    samples = knocks(48_000, 2.0)
    with av.open(str(tmp_path / "v.mp4"), "w") as made:
        picture = made.add_stream("mpeg4", rate=25)
        picture.width, picture.height, picture.pix_fmt = 64, 48, "yuv420p"
        sound = made.add_stream("aac", rate=48_000)
        sound.layout = "mono"
        for index in range(50):
            image = np.full((48, 64, 3), index, np.uint8)
            made.mux(picture.encode(av.VideoFrame.from_ndarray(image, "rgb24")))
        frame = av.AudioFrame.from_ndarray(samples[None], "fltp", "mono")
        frame.sample_rate, frame.pts = 48_000, 0
        made.mux(sound.encode(frame))
        made.mux(sound.encode(None))
        made.mux(picture.encode(None))
    clip, info = media.read(tmp_path / "v.mp4")
    assert (len(clip.samples), info.codec) == (96_000, "aac")
    assert delay_s(samples, clip.samples, 48_000) == 0.0


def with_tracks(*tracks, marked=()):
    """A Matroska file with these sound tracks at 8000 Hz; `marked` are its defaults."""
    stream = io.BytesIO()
    with av.open(stream, "w", format="matroska") as made:
        sounds = [made.add_stream("pcm_s16le", rate=8000, layout="mono") for _ in tracks]
        for number in marked:
            sounds[number].disposition = Disposition.default
        for at in range(0, len(tracks[0]), 800):
            for sound, samples in zip(sounds, tracks, strict=True):
                piece = (samples[None, at : at + 800] * 32767).astype(np.int16)
                frame = av.AudioFrame.from_ndarray(piece, "s16", "mono")
                frame.sample_rate, frame.pts = 8000, at
                made.mux(sound.encode(frame))
    stream.seek(0)
    return stream


FIRST, OTHER, SILENT = 0.5 * MONO, 0.5 * knocks(8000, 1.0, seed=7), np.zeros(8000, np.float32)


@pytest.mark.parametrize(
    ("tracks", "marked", "number"),
    [
        ((FIRST, OTHER), (), 0),
        ((FIRST, OTHER), (1,), 1),
        ((FIRST, OTHER), (0, 1), 0),
        ((SILENT, OTHER), (), 1),
        ((SILENT, OTHER), (0,), 1),
        ((FIRST, SILENT), (1,), 0),
        ((SILENT, SILENT, OTHER), (), 2),
        ((SILENT, SILENT), (1,), 1),
    ],
)
def test_of_several_sound_tracks_one_with_sound_is_read_and_told(tracks, marked, number):
    with media.open_recording(with_tracks(*tracks, marked=marked)) as recording:
        (block,) = recording.blocks()
        (problem,) = recording.problems
    np.testing.assert_allclose(block.samples, tracks[number], atol=1e-4)
    assert problem.text == f"the file holds {len(tracks)} sound tracks: number {number + 1} was read"


@pytest.mark.parametrize(
    ("suffix", "given", "expected"),
    [
        (".m4a", "2024-05-01T10:00:00+02:00", "2024-05-01T08:00:00+00:00"),
        (".mp4", "2024-05-01T10:00:00Z", "2024-05-01T10:00:00+00:00"),
        (".m4a", "1904-01-01T00:00:00Z", None),
        (".mp4", None, None),
        (".wav", None, None),
    ],
)
def test_recording_time_comes_from_the_file_alone(tmp_path, suffix, given, expected):
    path = tmp_path / f"a{suffix}"
    media.write(path, Clip(MONO, 8000), recorded_at=given)
    assert media.read(path)[1].recorded_at == expected


def test_local_time_of_a_phone_wins_and_half_dates_do_not_count():
    from enginelog.media.origin import recorded_at

    local, utc = "2024-05-01T12:00:00+0200", "2024-05-01T10:00:00.000000Z"
    own = {"com.apple.quicktime.creationdate": local, "creation_time": utc}
    assert recorded_at(own) == "2024-05-01T12:00:00+02:00"
    for half in ("2024", "2024-05-01", "2024-05-01T12:00:00", "1970-01-01T00:00:00Z", "yesterday", "T"):
        assert recorded_at({"date": half}) is None


@pytest.mark.parametrize(
    ("head", "kind"),
    [
        (b"RIFF\0\0\0\0WAVE", "WAV"),
        (b"RF64\xff\xff\xff\xffWAVE", "WAV"),
        (b"FORM\0\0\0\0AIFC", "AIFF"),
        (b"\0\0\0\x18ftypmp42", "MP4"),
        (b"\0\0\0\x18ftyp3gp4", "MP4"),
        (b"\0\0\0\x18ftypqt  ", "MP4"),
        (b"\x1aE\xdf\xa3" + bytes(8), "Matroska/WebM"),
        (b"#!AMR-WB\n", "AMR"),
        (b".snd\0\0\0\x18", "AU"),
        (b"\xff\xf1\x50\x80", "AAC"),
        (b"\xff\xfb\x90\x64", "MP3"),
        (b"ID3\4\0\0\0\0\0\4abcd\xff\xfb\x90\x64", "MP3"),
        (b"ID3\4\0\0\0\0\0\4abcdfLaC", "FLAC"),
    ],
)
def test_the_first_bytes_decide(head, kind):
    assert sniff.sniff(io.BytesIO(head), "x").kind == kind

"""Headers that ask for what no file has: one line in the end, nothing printed on the way, and memory that does not
follow what they declare."""

import io
import struct
import sys
import tracemalloc
from fractions import Fraction

import av
import numpy as np
import pytest

from enginelog import media
from enginelog.media.forgiving import ForFFmpeg
from enginelog.model import UnreadableError

FAR = 1 << 56  # bytes; beyond what file systems here take as a place, so that the seek itself fails


def caf(skip):
    """The beginning of a CAF file (Apple Core Audio Format Specification 1.0): a chunk that is so long, then data."""
    described = struct.pack(">d4sIIIII", 48000.0, b"lpcm", 0, 2, 1, 1, 16)
    chunks = (
        (b"desc", described, 32),
        (b"chan", struct.pack(">III", 0x640001, 0, 0), skip),
        (b"data", bytes(90_000), 90_000),
    )
    return b"caff\0\1\0\0" + b"".join(name + struct.pack(">q", size) + body for name, body, size in chunks)


def w64(skip):
    """The beginning of a Sony Wave64 file: names are GUIDs, sizes count the 24 bytes of a chunk's head."""
    tail = bytes.fromhex("f3acd3118cd100c04f8edb8a")
    wave = struct.pack("<HHIIHH", 0x1234, 1, 48000, 96000, 2, 16)  # a coding that libsndfile leaves to FFmpeg
    riff = b"riff" + bytes.fromhex("2e91cf11a5d628db04c10000") + struct.pack("<q", 90_200)
    parts = ((b"fmt ", wave, 24 + len(wave)), (b"junk", b"", skip), (b"data", bytes(90_000), 90_024))
    return riff + b"wave" + tail + b"".join(name + tail + struct.pack("<q", size) + body for name, body, size in parts)


@pytest.mark.parametrize("skip", [FAR, -FAR, (1 << 63) - 1])
@pytest.mark.parametrize(("make", "ending"), [(caf, ".caf"), (w64, ".w64")])
def test_a_header_that_points_beyond_all_files_prints_nothing(tmp_path, capfd, make, ending, skip):
    path = tmp_path / f"a{ending}"
    path.write_bytes(make(skip))
    try:
        with media.open_recording(path) as recording:
            list(recording.blocks())
    except UnreadableError as refused:
        assert "\n" not in str(refused)
    assert capfd.readouterr() == ("", "")


def test_a_file_that_can_no_longer_be_read_says_so_once():
    class Gone(io.BytesIO):
        def read(self, size=-1):
            raise OSError(5, "Input/output error")

    stream = ForFFmpeg(Gone())
    with pytest.raises(OSError, match="Input/output"):
        stream.read(10)
    assert stream.read(10) == b"" and stream.seek(-5) == -1


def video(*tracks, rate_hz=8000, layout="mono", at_s=(0.0,)):
    """A Matroska file with so many PCM tracks, each a level from -1 to 1: 1024 samples of noise of it at each time."""
    stream, noise = io.BytesIO(), np.random.default_rng(3)
    with av.open(stream, "w", format="matroska") as made:
        streams = [made.add_stream("pcm_s16le", rate=rate_hz, layout=layout) for _ in tracks]
        for start_s in at_s:
            for one, level in zip(streams, tracks, strict=True):
                samples = level * 20_000 * noise.uniform(-1, 1, (1, 1024 * one.codec_context.layout.nb_channels))
                frame = av.AudioFrame.from_ndarray(samples.astype(np.int16), "s16", layout)
                frame.rate, frame.pts, frame.time_base = rate_hz, round(start_s * rate_hz), Fraction(1, rate_hz)
                made.mux(one.encode(frame))
    return stream.getvalue()


def test_jumps_of_the_time_stamps_cost_no_memory_of_their_length():
    """16 channels at 384 kHz: a minute of them is 1.5 GB as float32, the file has 100 kB."""
    data = video(1.0, rate_hz=384_000, layout="hexadecagonal", at_s=(0.0, 20.0, 40.0))
    assert len(data) < 120_000
    tracemalloc.start()
    try:
        with media.open_recording(io.BytesIO(data)) as recording:
            seconds = sum(len(block.samples) for block in recording.blocks(overlap_s=0.0)) / recording.rate_hz
            most = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert seconds == pytest.approx(40 + 1024 / 384_000, abs=0.001)
    assert recording.problems[0].code == "damaged" and "39.99 s were filled" in recording.problems[0].text
    assert most < 300e6, f"{most / 1e6:.0f} MB"


def wav_head(channels, rate_hz):
    """A WAV file (RIFF) with the header alone to be believed."""
    form = struct.pack("<HHIIHH", 1, channels, rate_hz, rate_hz * channels * 2, channels * 2, 16)
    data = bytes(channels * 2 * 4000)
    return b"RIFF" + struct.pack("<I", 36 + len(data)) + b"WAVEfmt " + struct.pack("<I", 16) + form + b"data" + (
        struct.pack("<I", len(data)) + data
    )  # fmt: skip


def test_channels_and_rate_together_are_bounded():
    for channels, rate_hz in ((64, 400_000), (64, 192_000), (17, 384_000)):
        with pytest.raises(UnreadableError, match=f"{channels} channels at {rate_hz} Hz; at most 6400000 samples"):
            media.open_recording(io.BytesIO(wav_head(channels, rate_hz)))
    for channels, rate_hz in ((64, 96_000), (16, 384_000), (1, 400_000)):
        with media.open_recording(io.BytesIO(wav_head(channels, rate_hz))) as recording:
            assert recording.info.channels == channels


@pytest.mark.parametrize("where", ["opened", "read"])
def test_too_little_memory_is_an_error_of_one_line(monkeypatch, where):
    def too_much(source, weights, limits):
        def chunks():
            yield np.zeros(100, np.float32)
            raise MemoryError

        if where == "opened":
            raise MemoryError
        return 8000.0, chunks()

    monkeypatch.setattr(sys.modules["enginelog.media.recording"], "to_mono", too_much)
    with pytest.raises(UnreadableError, match="^stream: it asks for more memory than there is; [^\n]*$"):
        list(media.open_recording(io.BytesIO(video(1.0))).blocks())


@pytest.mark.parametrize(("loud", "read"), [(7, 8), (8, 1), (30, 1)])
@pytest.mark.parametrize("layout", ["mono", "stereo"])
def test_of_many_silent_tracks_some_are_looked_at_and_that_is_said(monkeypatch, layout, loud, read):
    levels = [0.0] * 40
    levels[loud] = 1.0
    module, opened = sys.modules["enginelog.media.recording"], []
    really = module._open
    monkeypatch.setattr(module, "_open", lambda *args: opened.append(args) or really(*args))
    with media.open_recording(io.BytesIO(video(*levels, layout=layout))) as recording:
        list(recording.blocks())
    (said,) = (problem.text for problem in recording.problems if problem.code == "several_tracks")
    assert said.startswith(f"the file holds 40 sound tracks: number {read} was read")
    assert ("8 were looked at and are silent, the others were not" in said) == (read == 1)
    assert len(opened) <= 11

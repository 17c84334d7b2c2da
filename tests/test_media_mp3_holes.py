"""MP3 at a changing bit rate, damaged: what is lost is told, and what follows stays in its time."""

import io

import av
import numpy as np
import pytest
from test_media_formats import delay_s, knocks

from enginelog import media
from enginelog.media import mp3

RATE = 44_100
SOUND = knocks(RATE, 16.0)
SOUND[4 * RATE : 8 * RATE] += np.random.default_rng(1).normal(0, 0.1, 4 * RATE).astype(np.float32)


def changing():
    """SOUND at a changing bit rate, whose first frame tells how many frames and bytes there are."""
    stream = io.BytesIO()
    with av.open(stream, "w", format="mp3") as made:
        track = made.add_stream(
            "libmp3lame", rate=RATE, layout="mono", options={"global_quality": "472", "flags": "+qscale"}
        )
        frame = av.AudioFrame.from_ndarray(SOUND[None], "fltp", "mono")
        frame.sample_rate, frame.pts = RATE, 0
        made.mux(track.encode(frame))
        made.mux(track.encode(None))
    return stream.getvalue()


DATA = changing()
FIRST = DATA.index(
    b"\xff\xfb", DATA.index(b"Info" if b"Info" in DATA[:300] else b"Xing")
)  # behind the frame that tells
HOLE = len(DATA) // 3


def read(data):
    with media.open_recording(io.BytesIO(data), "clip") as recording:
        samples = np.concatenate([block.samples for block in recording.blocks()])
        return samples, {problem.code: problem.text for problem in recording.problems}


def late_s(samples):
    """By how much the last four seconds are late."""
    return delay_s(SOUND[-4 * RATE :], samples, RATE) - 12.0


def test_its_bit_rate_changes_and_its_tag_tells_the_frames():
    """A frame of layer III has 1152 samples (ISO/IEC 11172-3)."""
    assert mp3.tag(io.BytesIO(DATA)).whole and not mp3.tag(io.BytesIO(DATA[:HOLE])).whole
    assert mp3.tag(io.BytesIO(DATA)).frames == pytest.approx(len(SOUND) / 1152, abs=3)
    assert mp3.tag(io.BytesIO(DATA[FIRST:])) is None and mp3.tag(io.BytesIO(DATA + DATA)) is None
    samples, problems = read(DATA)
    assert (len(samples), problems, late_s(samples)) == (len(SOUND), {}, 0.0)


@pytest.mark.parametrize("noise", [False, True])
@pytest.mark.parametrize("at", [(HOLE,), (HOLE, 2 * HOLE)])
def test_with_a_tag_what_follows_a_hole_is_in_its_time(noise, at):
    """To two frames: all holes count as alike by their bytes."""
    data = bytearray(DATA)
    for place in at:
        data[place : place + 9000] = np.random.default_rng(place).bytes(9000) if noise else bytes(9000)
    samples, problems = read(bytes(data))
    assert len(samples) == pytest.approx(len(SOUND), abs=2 * 1152)
    assert abs(late_s(samples)) < 2 * 1152 / RATE
    assert set(problems) == {"damaged"} and "besides" not in problems["damaged"] and "likely" not in problems["damaged"]


def test_without_a_tag_its_length_is_guessed_and_that_is_said():
    data = DATA[FIRST:]
    samples, problems = read(data[:HOLE] + bytes(20_000) + data[HOLE + 20_000 :])
    assert abs(late_s(samples)) < 1.0  # two seconds are lost
    assert "as long as the bytes there make likely" in problems["damaged"]


def test_what_was_cut_out_or_off_is_told():
    samples, problems = read(DATA[:HOLE] + DATA[HOLE + 20_000 :])
    assert "s are missing besides" in problems["damaged"] and -3 < late_s(samples) < -1
    samples, problems = read(DATA[:HOLE])
    missing_s = (len(SOUND) - len(samples)) / RATE
    assert problems == {
        "file_ends_early": f"the file ends early: the end of the recording is missing ({missing_s:z.1f} s)"
    }

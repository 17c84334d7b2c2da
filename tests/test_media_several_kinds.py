"""Recordings of several kinds one behind the other in one file: what is left out of it is told as in a chained Ogg."""

import io

import numpy as np
import pytest
import soundfile

from enginelog import media

SOUND = np.random.default_rng(4).normal(0, 0.1, 48_000 * 4).astype(np.float32)


def flac(seconds, rate_hz, channels=1):
    stream = io.BytesIO()
    samples = SOUND[: round(seconds * rate_hz)]
    soundfile.write(stream, np.stack([samples] * channels, axis=1), rate_hz, format="FLAC")
    return stream.getvalue()


def read(*parts):
    with media.open_recording(io.BytesIO(b"".join(parts))) as recording:
        seconds = sum(len(block.samples) for block in recording.blocks(overlap_s=0.0)) / recording.rate_hz
        return seconds, {problem.code: problem.text for problem in recording.problems}


@pytest.mark.parametrize("rate_hz", [16_000, 44_100])
def test_a_flac_of_another_rate_behind_the_first_is_no_damage(rate_hz):
    seconds, found = read(flac(3.0, 48_000), flac(4.0, rate_hz))
    assert seconds == pytest.approx(3.0, abs=0.1) and set(found) == {"chained"}
    assert "one behind the other" in found["chained"] and "4 s or more were left out" in found["chained"]


def test_a_moment_of_another_rate_is_damage():
    """A frame whose header was damaged declares anything."""
    seconds, found = read(flac(3.0, 48_000), flac(0.3, 16_000))
    assert seconds == pytest.approx(3.0, abs=0.1) and set(found) == {"damaged"}

"""Reading what phones and recorders write: lengths, alignment, mixing, rates."""

import numpy as np
import soundfile

from enginelog import media


def test_wav_comes_back_sample_for_sample(tmp_path):
    samples = np.random.default_rng(1).normal(0, 0.1, 48_000).astype(np.float32)
    soundfile.write(tmp_path / "a.wav", samples, 48_000, subtype="FLOAT")
    clip, info = media.read(tmp_path / "a.wav")
    np.testing.assert_array_equal(clip.samples, samples)
    assert (info.seconds, info.sample_rate_hz, info.channels, info.codec) == (1.0, 48_000, 1, "pcm_f32")

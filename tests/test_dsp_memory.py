"""What is kept over hours lies apart, unchanged; and the sound is gone before a recording is judged."""

import weakref
from dataclasses import dataclass

import numpy as np
import pytest

from enginelog import analysis, quality
from enginelog.dsp.memory import LEAST_BYTES, set_aside
from enginelog.model import Engine


@dataclass(frozen=True)
class Kept:
    """Arrays as a stage keeps them."""

    one: np.ndarray
    none: np.ndarray | None
    several: tuple[np.ndarray, ...]
    number: int


@pytest.mark.parametrize("kind", [np.float16, np.float32, np.float64, np.int16, bool])
def test_an_array_set_aside_is_the_same_elsewhere(kind):
    values = (np.random.default_rng(4).standard_normal((3000, 11)) * 5).astype(kind)
    apart = set_aside(values)
    assert apart.dtype == values.dtype and np.array_equal(apart, values)
    assert not np.shares_memory(apart, values)
    apart[7] = 0  # it can be written to, as any other
    assert not np.array_equal(apart, values)


def test_a_dataclass_is_set_aside_with_all_it_holds():
    big, small = np.arange(LEAST_BYTES, dtype=np.float32), np.arange(3.0)
    kept = Kept(big, None, (big + 1, small), 5)
    apart = set_aside(kept)
    assert np.array_equal(apart.one, big) and not np.shares_memory(apart.one, big)
    assert np.array_equal(apart.several[0], big + 1) and apart.several[1] is small  # not worth pages of its own
    assert apart.none is None and apart.number == 5 and set_aside("word") == "word"


def test_no_sound_is_held_while_the_whole_is_judged(tmp_path, monkeypatch):
    import soundfile

    heard, alive = [], []
    measure, judge = quality.measure, analysis._judge

    def measured(clip, limits):
        heard.append(weakref.ref(clip.samples))
        return measure(clip, limits)

    def judged(*parts):
        alive.extend(ref for ref in heard if ref() is not None)
        return judge(*parts)

    monkeypatch.setattr(quality, "measure", measured)
    monkeypatch.setattr(analysis, "_judge", judged)
    noise = np.random.default_rng(5).standard_normal(16000 * 70).astype(np.float32) * 0.1
    soundfile.write(tmp_path / "long.wav", noise, 16000)
    analysis.analyse(str(tmp_path / "long.wav"), Engine())
    assert len(heard) >= 2 and not alive

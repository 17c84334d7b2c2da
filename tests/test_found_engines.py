"""Engines that other people recorded: how a folder of them is halved, a loop of one played on, and what is counted."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import soundfile

from enginelog.model import Clip
from enginelog.timeline.cues import NAMES, READING
from enginelog.timeline.nets import Net

# At the end: one of the scripts has the name of a package of Python's own.
sys.path.append(str(Path(__file__).resolve().parent.parent / "scripts"))

import accuracy  # noqa: E402
import fit_timeline  # noqa: E402
import timeline_examples  # noqa: E402
from measuring import found_engines, found_sounds  # noqa: E402
from measuring.plain_engines import fitted_engine  # noqa: E402

RATE_HZ = 16_000


def tone(seconds: float, hz: float) -> np.ndarray:
    return (0.2 * np.sin(2 * np.pi * hz * np.arange(int(seconds * RATE_HZ)) / RATE_HZ)).astype(np.float32)


def written(folder: Path, *names: str) -> None:
    for name in names:
        path = folder / "engines" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        soundfile.write(path, tone(1.0, 200.0), RATE_HZ)


def test_a_package_is_in_one_half_only_and_no_sound_without_an_engine(tmp_path):
    first = found_engines.FITTED[0]
    written(tmp_path, f"{first}/b.wav", f"{first}/a.wav", "other-data/c.wav", "other-data/readme.wav.txt.wav")
    (tmp_path / "engines" / "other-data" / "notes.txt").write_text("no sound")
    assert [path.name for path in found_engines.engines_in(tmp_path, for_fitting=True)] == ["a.wav", "b.wav"]
    kept = found_engines.engines_in(tmp_path, for_fitting=False)
    assert {path.parent.name for path in kept} == {"other-data"} and len(kept) == 2
    for half in (True, False):
        assert found_sounds.speakers(tmp_path, for_fitting=half) == {}


def test_a_loop_is_played_on_without_a_step_at_its_seams():
    """Between two samples of a sine of 200 Hz and 0.2 at 16 kHz lie at most 2 pi 200 / 16000 * 0.2 = 0.0157; where two
    of the same phase are faded into each other at equal power, the square root of two times as much. End to end the
    loop would step by 0.2 sin(2 pi 200 * 3 / 16000) = 0.046."""
    loop = Clip(tone(1.0, 200.0)[:-3], RATE_HZ)
    clip = found_engines.played_on(loop, 3)
    assert clip.seconds == found_engines.SECONDS
    step = np.abs(np.diff(clip.samples)).max()
    assert 0.012 < step < 0.0157 * 1.1 * 2**0.5
    again = found_engines.played_on(loop, 3)
    assert np.array_equal(clip.samples, again.samples)
    assert not np.array_equal(clip.samples, found_engines.played_on(loop, 4).samples)


def test_a_loop_is_played_faster_by_the_factor():
    loop = Clip(tone(1.0, 200.0), RATE_HZ)
    for factor in (0.6, 1.0, 1.3):
        clip = found_engines.played_on(loop, 3, factor)
        spectrum = np.abs(np.fft.rfft(clip.samples * np.hanning(len(clip.samples))))
        assert abs(np.argmax(spectrum) / found_engines.SECONDS / (200.0 * factor) - 1) < 2 * found_engines.WANDER


def test_the_table_counts_engines_heard_by_hardness_and_package(monkeypatch, tmp_path):
    """An engine that runs clearly, by the second maker, is heard as recorded; a pure tone is not."""
    plain = next(one for one in map(fitted_engine, range(0, 40, 2)) if one.engine.cylinders == 1 and one.start_s == 0)
    written(tmp_path, "tones/tone.wav")
    path = tmp_path / "engines" / "engines-data" / "saw.wav"
    path.parent.mkdir()
    soundfile.write(path, plain.clip.samples, round(plain.clip.rate_hz))
    monkeypatch.setenv("ENGINELOG_SOUNDS", str(tmp_path))
    lines = found_engines.found_engines_table(1, 5, 1).splitlines()[2:]
    cells = {line.split("|")[1].strip(): [cell.strip() for cell in line.split("|")[2:-1]] for line in lines}
    assert list(cells) == list(found_engines.HARDNESS)
    assert cells["as recorded"][:3] == ["2", "2", "50.0"]
    assert cells["as recorded"][-1] == "engines-data 1 of 1, tones 0 of 1"


def test_without_a_folder_the_table_is_left_out_with_the_reason(monkeypatch, tmp_path):
    monkeypatch.delenv("ENGINELOG_SOUNDS", raising=False)
    assert "Left out: ENGINELOG_SOUNDS" in accuracy.Tables(accuracy.Told(("engines",), 2, 1, 1)).engines()
    monkeypatch.setenv("ENGINELOG_SOUNDS", str(tmp_path))
    assert "no folder 'engines'" in found_engines.missing()


def test_examples_to_learn_from_are_of_the_fitted_half_alone(tmp_path):
    assert list(timeline_examples.found_engines(2, 0, tmp_path, tmp_path)) == []
    road, air = found_engines.FITTED
    written(tmp_path, "other-data/c.wav", f"{road}/a.wav", f"{air}/b.wav")
    examples = list(timeline_examples.found_engines(2, 0, tmp_path, tmp_path))
    assert [one.name for one in examples] == ["road_b@bench_0", "road_a@bench_1", "road_a@bench_3"]  # of planes half
    assert all(one.real_engine and one.weight == timeline_examples.BENCH_WEIGHT for one in examples)
    assert examples[1].fold == examples[2].fold


def test_in_learning_on_found_music_counts_most_and_drones_half():
    """A choice, no source: music counts six times its weight, talk three times, drones half."""
    counts = {
        "found_3_easy_music@41": 12.0,
        "found_1_easy_de@41": 6.0,
        "plain_other_5_drone@21": 1.0,
        "own_1_wind@41": 2.0,
    }
    for name, count in counts.items():
        one = timeline_examples.Example(name, timeline_examples.FOUR, None, None, None, weight=2)
        assert fit_timeline.count_of(one) == count


def test_an_example_that_counts_twice_weighs_as_much_as_two():
    rng = np.random.default_rng(1)
    tasks = [(rng.standard_normal((50, 3)), np.full(50, wanted)) for wanted in (0, 1, 1)]
    _, _, weight = fit_timeline.together_of(tasks, 1.0, [1.0, 2.0, 1.0])
    _, _, doubled = fit_timeline.together_of([tasks[0], tasks[1], tasks[1], tasks[2]], 1.0)
    assert np.isclose(weight[50:100].sum(), doubled[50:150].sum()) and np.isclose(weight[:50].sum(), doubled[:50].sum())


def test_what_the_reading_adds_is_learned_without_moving_anything_else():
    """Definition: the other weights stay to the last bit, so where no speed is read the judge says what it said."""
    rng = np.random.default_rng(2)
    count, old = len(NAMES), READING.start
    before = Net(
        *(rng.standard_normal(old).astype(np.float32), np.ones(old, np.float32)),
        *(rng.standard_normal((old, 4)).astype(np.float32), np.zeros(4, np.float32)),
        *(rng.standard_normal((4, 1)).astype(np.float32), np.zeros(1, np.float32)),
    )
    cues = rng.standard_normal((400, count)).astype(np.float32)
    wanted = np.repeat([0, 1], 200)
    cues[:, READING] = 2.0 * wanted[:, None]  # read in engines alone
    tasks = [(cues[:200], wanted[:200]), (cues[200:], wanted[200:])]
    after = fit_timeline.learned_reading(before, tasks, [1.0, 1.0], 1000, 0)
    unread = cues.copy()
    unread[:, READING] = 0.0
    assert np.array_equal(after.inner[:old], before.inner) and np.array_equal(after.outer, before.outer)
    assert np.allclose(after.logits(unread), before.logits(cues[:, :old]), atol=1e-5)
    assert after.logits(cues)[200:].mean() > after.logits(unread)[200:].mean() + 0.5


def test_a_judge_fitted_from_nothing_leaves_the_reading_to_be_learned():
    """What is read decides all here, the first cue nothing: the judge fitted knows neither, the one learned on does."""
    rng = np.random.default_rng(2)
    tasks = []
    for number in range(8):
        features = rng.standard_normal((60, len(fit_timeline.NAMES))).astype(np.float32)
        features[:, fit_timeline.READING] = 2.0 * (number % 2)
        tasks.append((features, np.full(60, number % 2)))
    net = fit_timeline.fit_unread(tasks, 60, 1)
    inside = tasks[1][0].copy()
    inside[:, fit_timeline.READING] = 0.0
    assert np.array_equal(net.logits(tasks[1][0]), net.logits(inside))
    assert (net.mean[fit_timeline.READING] == 0).all() and (net.spread[fit_timeline.READING] == 1).all()
    learned = fit_timeline.learned_reading(net, tasks, [1.0] * 8, 300, 0)
    assert np.mean(learned.logits(tasks[1][0])) > np.mean(learned.logits(tasks[0][0])) + 1.0

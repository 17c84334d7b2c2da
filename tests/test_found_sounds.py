"""Sounds that other people recorded: how a folder of them is halved, strung together and put at the bench."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from enginelog import synthesis
from enginelog.model import Clip

# At the end: one of the scripts has the name of a package of Python's own.
sys.path.append(str(Path(__file__).resolve().parent.parent / "scripts"))

import timeline_examples  # noqa: E402
from measuring import found_sounds, others  # noqa: E402

RATE_HZ = 16_000


def tone(seconds: float, hz: float = 440.0) -> np.ndarray:
    return (0.2 * np.sin(2 * np.pi * hz * np.arange(int(seconds * RATE_HZ)) / RATE_HZ)).astype(np.float32)


def written(folder: Path, *names: str, seconds: float = 1.0) -> None:
    for name in names:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        soundfile.write(folder / name, tone(seconds), RATE_HZ)


def test_a_speaker_is_in_one_half_only(tmp_path):
    written(tmp_path, "voices/de/one.wav", "voices/de/deep/two.wav", "voices/da/one.wav", "ru_RU_f_IvrvoiceRU/one.wav")
    fitted = found_sounds.speakers(tmp_path, for_fitting=True)
    kept = found_sounds.speakers(tmp_path, for_fitting=False)
    assert {name: len(paths) for name, paths in fitted.items()} == {"de": 2}
    assert {name: len(paths) for name, paths in kept.items()} == {"da": 1, "ru_RU_f_IvrvoiceRU": 1}


def test_takes_of_one_effect_stay_together_and_both_halves_get_some():
    stems = [f"{word}-{take}" for word in ("bat", "bow", "gong", "club", "dagger", "door", "storm") for take in (1, 2)]
    half = {stem: found_sounds.fitted(Path("sounds") / f"{stem}.ogg") for stem in stems}
    assert all(half[f"{word}-1"] == half[f"{word}-2"] for word in ("bat", "bow", "gong", "club", "dagger"))
    assert set(half.values()) == {True, False}


def test_all_that_is_named_unseen_is_for_measuring(tmp_path):
    written(tmp_path, "unseen/de/a.wav", "unseen/music/bow.wav", "unseen/music/gong.wav")
    assert found_sounds.speakers(tmp_path, for_fitting=True) == {}
    kept = found_sounds.speakers(tmp_path, for_fitting=False)
    assert {name: len(paths) for name, paths in kept.items()} == {"de": 1, "music": 2}


def test_recordings_of_nothing_and_other_files_are_left_out(tmp_path):
    written(tmp_path, "da/silence/1.wav", "da/word.wav")
    (tmp_path / "da" / "readme.txt").write_text("no sound")
    assert [path.name for path in found_sounds.speakers(tmp_path, for_fitting=False)["da"]] == ["word.wav"]


def test_sounds_are_strung_together_up_to_their_length(tmp_path):
    written(tmp_path, *(f"da/{number}.wav" for number in range(20)))
    paths = sorted(tmp_path.rglob("*.wav"))
    clip = found_sounds.strung(paths, np.random.default_rng(1))
    again = found_sounds.strung(paths, np.random.default_rng(1))
    assert found_sounds.SECONDS <= clip.seconds <= 1.2 * found_sounds.SECONDS
    assert np.array_equal(clip.samples, again.samples)


def test_what_cannot_be_read_or_holds_nothing_is_passed_over(tmp_path):
    written(tmp_path, "da/short.wav", seconds=0.1)
    soundfile.write(tmp_path / "da" / "empty.wav", np.zeros(RATE_HZ), RATE_HZ)
    (tmp_path / "da" / "broken.ogg").write_bytes(b"no recording")
    paths = sorted((tmp_path / "da").iterdir())
    assert found_sounds.strung(paths, np.random.default_rng(1)) is None
    written(tmp_path, "da/word.wav")
    assert found_sounds.strung([*paths, tmp_path / "da" / "word.wav"], np.random.default_rng(1)).seconds > 1.0


def test_speakers_effects_and_music_take_turns(tmp_path):
    words = ("bat", "bow", "gong", "door", "owl", "fox")
    written(tmp_path, "da/a.wav", "el/a.wav", *(f"{kind}/{word}.wav" for word in words for kind in ("music", "sounds")))
    found = found_sounds.speakers(tmp_path, for_fitting=False)
    got = [found_sounds.found_sound(found, seed) for seed in range(5)]
    assert [one.speaker for one in got] == ["da", "el", "effects", "music", "da"]
    assert [one.hardness for one in got] == ["easy"] * 4 + ["ordinary"]


def test_any_sound_can_be_put_at_the_bench():
    sound = Clip(tone(2.0), RATE_HZ)
    clip, again = (synthesis.at_the_bench(sound, 5, "ordinary") for _ in range(2))
    assert clip.seconds == pytest.approx(2.0, abs=0.2) and np.isfinite(clip.samples).all()
    assert np.array_equal(clip.samples, again.samples)
    assert not np.array_equal(clip.samples[:1000], synthesis.at_the_bench(sound, 6, "ordinary").samples[:1000])


def test_without_a_folder_the_table_says_what_to_name(monkeypatch, tmp_path):
    monkeypatch.delenv("ENGINELOG_SOUNDS", raising=False)
    assert "ENGINELOG_SOUNDS" in found_sounds.missing()
    monkeypatch.setenv("ENGINELOG_SOUNDS", str(tmp_path))
    assert "no sounds" in found_sounds.missing()


def test_the_table_counts_what_is_heard(monkeypatch, tmp_path):
    words = ("gong", "owl", "bat", "door", "fox")
    written(tmp_path, "da/a.wav", *(f"{kind}/{word}.wav" for word in words for kind in ("music", "sounds")))
    monkeypatch.setenv("ENGINELOG_SOUNDS", str(tmp_path))
    lines = found_sounds.found_table(4, 0, 1).splitlines()
    cells = {line.split("|")[1].strip(): line.split("|")[2:] for line in lines[2:]}
    told = len(others.TOLD)  # each recording is analysed once for each
    assert {name: int(row[0]) / told for name, row in cells.items()} == {
        "**all**": 4, "talk": 2, "effects": 1, "music": 1, "talk, easy": 2,
    }  # fmt: skip


def test_an_example_counts_as_the_fit_says_whatever_was_kept_of_it(tmp_path):
    """Nearest to an engine of all sounds counts double: here music, the fourth of four seeds (a choice, no source)."""
    speakers = {"de": [], "nl": [], found_sounds.EFFECTS: [], found_sounds.MUSIC: []}
    drawn = [found_sounds.drawn_from(speakers, seed) for seed in range(4)]
    assert drawn == ["de", "nl", found_sounds.EFFECTS, found_sounds.MUSIC]
    assert [timeline_examples.weight_of(name) for name in drawn] == [1, 1, 1, 2]
    clip = Clip(tone(3.0), RATE_HZ)
    for weight in (1, 8):
        again = timeline_examples.kept(tmp_path, "tone", lambda: timeline_examples.taken_for_both("tone", clip), weight)
        assert [one.weight for one in again] == [weight, weight]

"""Whole pieces of music that other people recorded: which are for measuring, and that the table counts what is told."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

# At the end: one of the scripts has the name of a package of Python's own.
sys.path.append(str(Path(__file__).resolve().parent.parent / "scripts"))

import accuracy  # noqa: E402
from measuring import found_sounds, songs  # noqa: E402
from measuring.plain_engines import fitted_engine  # noqa: E402


@pytest.fixture
def some_pieces(monkeypatch, tmp_path):
    """A folder with pieces of a kilobyte and more, in the folders that music lies in and in others."""
    monkeypatch.setattr(songs, "LEAST_BYTES", 1000)
    names = [f"{folder}/pack/{word}.ogg" for folder in ("music", "songs") for word in ("gong", "owl", "bat", "fox")]
    names += ["moh/hold.wav", "songs/unseen/pack/far.ogg", "unseen/pack/Musics/near.ogg", "effects/bang.ogg"]
    for name in names:
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(bytes(2000))
    (tmp_path / "music" / "jingle.ogg").write_bytes(bytes(500))
    (tmp_path / "music" / "words.txt").write_bytes(bytes(2000))
    return tmp_path


def test_each_piece_is_in_one_half_and_the_unseen_are_for_measuring(some_pieces):
    fitted, kept = ({path.name for path in songs.songs_in(some_pieces, half)} for half in (True, False))
    assert not fitted & kept and fitted and {"far.ogg", "near.ogg"} <= kept
    assert fitted | kept == {"gong.ogg", "owl.ogg", "bat.ogg", "fox.ogg", "hold.wav", "far.ogg", "near.ogg"}


def test_whole_pieces_are_none_of_the_found_sounds_put_at_the_bench(some_pieces):
    found = [
        path for half in (True, False) for group in found_sounds.speakers(some_pieces, half).values() for path in group
    ]
    assert found and not any("songs" in path.parts for path in found)


def test_the_table_counts_what_is_told(monkeypatch, tmp_path):
    """A clear engine by the second maker in place of a piece of music is heard, with its speed; noise is not."""
    plain = next(one for one in map(fitted_engine, range(0, 40, 2)) if one.engine.cylinders == 1 and one.start_s == 0)
    path = tmp_path / "songs" / "unseen" / "engine.wav"
    path.parent.mkdir(parents=True)
    soundfile.write(path, plain.clip.samples, round(plain.clip.rate_hz), subtype="FLOAT")
    noise = 0.1 * np.random.default_rng(0).standard_normal(len(plain.clip.samples))
    soundfile.write(path.with_name("noise.wav"), noise, round(plain.clip.rate_hz))
    monkeypatch.setattr(songs, "LEAST_BYTES", 1000)
    monkeypatch.setattr(songs, "TOLD", {"as it is": plain.engine})
    monkeypatch.setenv("ENGINELOG_SOUNDS", str(tmp_path))
    rows = songs.songs_table(1).splitlines()[2:]
    cells = [cell.strip() for cell in rows[0].split("|")[1:-1]]
    assert len(rows) == 1 and cells[:5] == ["packages of which no fit saw any", "2", "50.0", "50.0", "50.0"]
    assert float(cells[5]) > 0.5


def test_without_a_folder_the_table_is_left_out_with_the_reason(monkeypatch, tmp_path):
    monkeypatch.delenv("ENGINELOG_SOUNDS", raising=False)
    assert "Left out: ENGINELOG_SOUNDS" in accuracy.Tables(accuracy.Told(("songs",), 2, 1, 1)).songs()
    monkeypatch.setenv("ENGINELOG_SOUNDS", str(tmp_path))
    assert "no pieces of music" in songs.missing()

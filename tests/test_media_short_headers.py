"""WAV and AIFF files whose header tells of less sound than they hold, as one is left whose recorder broke off between
two times of writing the length; and what may stand behind the sound without being any.

The layout of chunks: Microsoft and IBM, Multimedia Programming Interface and Data Specifications 1.0 (RIFF), Apple,
Audio Interchange File Format 1.3, and EBU Tech 3306 (RF64).
"""

import io
import struct

import numpy as np
import pytest

from enginelog import limits, media
from enginelog.model import Clip
from enginelog.quality import measure
from enginelog.quality.whole import summed
from enginelog.quality.words import fatal, problems

RATE = 8000
SOUND = np.random.default_rng(5).integers(-20_000, 20_000, 4 * RATE).astype("<i2")


def chunk(name, body, length=None, pad=True, number="<I"):
    length = len(body) if length is None else length
    return name + struct.pack(number, length) + body + (b"\0" if pad and len(body) % 2 else b"")


def wav(sound, length=None, behind=b"", riff=None, bits=16, pad=True):
    """A WAV file; length: what its header says of the sound's bytes. riff: and of the whole, less its head."""
    form = chunk(b"fmt ", struct.pack("<HHIIHH", 1, 1, RATE, RATE * bits // 8, bits // 8, bits))
    body = b"WAVE" + form + chunk(b"data", sound, length, pad) + behind
    return b"RIFF" + struct.pack("<I", len(body) if riff is None else riff) + body


def rf64(sound, length):
    """An RF64 file: the lengths stand in its chunk ds64."""
    form = chunk(b"fmt ", struct.pack("<HHIIHH", 1, 1, RATE, RATE * 2, 2, 16))
    sizes = chunk(b"ds64", struct.pack("<QQQI", 72 + length, length, length // 2, 0))
    return b"RF64" + b"\xff" * 4 + b"WAVE" + sizes + form + chunk(b"data", sound, 0xFFFFFFFF)


def aiff(sound, length):
    """An AIFF file; SSND holds two numbers before the sound."""
    rate = struct.pack(">HQ", 16383 + 12, RATE << 51)  # the 80-bit float of 8000
    form = chunk(b"COMM", struct.pack(">hLh", 1, length // 2, 16) + rate, number=">I")
    body = b"AIFF" + form + chunk(b"SSND", bytes(8) + sound, 8 + length, number=">I")
    return b"FORM" + struct.pack(">I", len(body)) + body


def read(data):
    """The samples as 16-bit numbers, and the problems."""
    with media.open_recording(io.BytesIO(data)) as recording:
        samples = np.concatenate([block.samples for block in recording.blocks(overlap_s=0.0)])
        return np.round(samples * 32768).astype(int), recording.problems


@pytest.mark.parametrize("length", [1, 7, 1000, len(SOUND)])
@pytest.mark.parametrize("make", [wav, lambda sound, length: wav(sound, length, riff=36 + length), rf64])
def test_sound_beyond_the_end_that_the_header_tells_is_read_and_that_is_said(make, length):
    samples, found = read(make(SOUND.tobytes(), length))
    assert np.array_equal(samples, SOUND)
    (said,) = found
    assert said.code == "header_short" and f"{4 - length / 2 / RATE:.1f} s too soon" in said.text


def test_so_it_is_with_aiff():
    samples, found = read(aiff(SOUND.astype(">i2").tobytes(), RATE * 2))
    assert np.array_equal(samples, SOUND) and [problem.code for problem in found] == ["header_short"]


def test_sound_that_only_looks_like_a_chunk_at_its_first_letters_is_sound():
    sound = SOUND.copy()
    sound[RATE : RATE + 4] = np.frombuffer(b"LIST\xff\xff\xff\x7f", "<i2")  # no length that fits in
    assert len(read(wav(sound.tobytes(), 2 * RATE))[0]) == len(SOUND)


BEHIND = {
    "chunks": chunk(b"LIST", b"INFO" + bytes(20_000)) + chunk(b"id3 ", SOUND.tobytes()) + chunk(b"bext", bytes(602)),
    "one of a private name": chunk(b"FLLR", SOUND.tobytes()),
    "cue": chunk(b"cue ", struct.pack("<I", 0) + SOUND.tobytes()),
    "a bare tag": b"ID3\4\0\0" + SOUND.tobytes(),
    "the old tag": b"TAG" + SOUND.tobytes(),
    "text": b"recorded at the shed, all in one go; " * 500,
    "room taken and not used": bytes(60_000),
    "an erased card": b"\xff" * 60_000,
    "less than half a second": SOUND.tobytes()[:7000],
}


@pytest.mark.parametrize("kind", BEHIND)
def test_what_is_no_sound_behind_it_is_not_taken_for_sound(kind):
    data = wav(SOUND.tobytes(), behind=BEHIND[kind])
    samples, found = read(data)
    assert np.array_equal(samples, SOUND) and found == ()
    whole = read(wav(SOUND.tobytes(), behind=BEHIND[kind], riff=36 + 2 * len(SOUND)))  # outside the form of RIFF
    assert np.array_equal(whole[0], SOUND) and whole[1] == ()


@pytest.mark.parametrize("pad", [True, False])
def test_a_chunk_behind_an_odd_length_is_one_with_and_without_the_byte_between(pad):
    sound = (SOUND[:-1] // 256 + 128).astype(np.uint8).tobytes()
    samples, found = read(wav(sound, behind=BEHIND["chunks"], bits=8, pad=pad))
    assert len(samples) == len(sound) and found == ()


def test_a_copy_that_breaks_off_within_the_last_chunk_gains_nothing():
    data = wav(SOUND.tobytes(), behind=chunk(b"id3 ", SOUND.tobytes() * 2))
    samples, found = read(data[: -len(SOUND) * 2])
    assert np.array_equal(samples, SOUND) and found == ()


def test_what_fills_the_room_behind_the_sound_that_was_read_on_is_left_out():
    samples, found = read(wav(SOUND.tobytes() + bytes(3 << 20), 1000))
    assert np.array_equal(samples, SOUND) and "3.9 s too soon" in found[0].text


def test_a_copy_that_broke_off_is_still_told_as_one_that_ends_early():
    samples, found = read(wav(SOUND.tobytes()[: 2 * RATE], 2 * len(SOUND)))
    assert len(samples) == RATE and [problem.code for problem in found] == ["file_ends_early"]


@pytest.mark.parametrize("n", [0, 1, 3, 300])
def test_of_no_sound_nobody_is_told_that_it_is_overloaded(n):
    """Three samples of 16 bits reach their own largest with a share of a third and more, whatever they are."""
    chosen = limits.load("quality")
    for samples in (SOUND[:n] / 32768, np.ones(n)):
        clip = Clip(samples.astype(np.float32), float(RATE), 0.0)
        whole = summed([measure(clip, chosen)], n / RATE, chosen)
        codes = {problem.code for problem in (*fatal(whole, chosen), *problems(whole, chosen))}
        assert not codes & {"destroyed", "clipped_heavy", "clipped"}

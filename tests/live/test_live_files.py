"""The file of a live recording survives what happens to its program, and microphones that are not there say so."""

import os
import signal
import struct
import subprocess
import sys
import time
import wave
from pathlib import Path

import numpy as np
import pytest
import soundfile

from enginelog import limits, media
from enginelog.cli import main
from enginelog.cli.listen import lines, one_line, trend
from enginelog.live import NoMicrophoneError, Reading, WaveFile, devices, microphone, sources
from enginelog.model import EnginelogError, UsageError

DEMO = Path(__file__).resolve().parents[2] / "recordings_demo"
CLIP = DEMO / "generator_lantern_50hz.flac"


def sine(seconds: float, rate_hz: int = 8000) -> np.ndarray:
    return (0.4 * np.sin(2 * np.pi * 200 * np.arange(round(seconds * rate_hz)) / rate_hz)).astype(np.float32)


def test_the_file_is_a_wave_file_that_others_read(tmp_path):
    """Read by libsndfile, which knows the format from elsewhere."""
    samples = sine(2.3)
    with WaveFile(tmp_path / "a.wav", 8000, 1.0) as target:
        for part in np.array_split(samples, 23):
            target.add(part)
    read, rate = soundfile.read(tmp_path / "a.wav", dtype="float32")
    assert rate == 8000 and len(read) == len(samples) and np.abs(read - samples).max() < 1 / 32000
    data = (tmp_path / "a.wav").read_bytes()
    assert struct.unpack("<I", data[4:8])[0] == len(data) - 8 and struct.unpack("<I", data[40:44])[0] == len(data) - 44


def test_it_is_whole_at_every_moment(tmp_path):
    """After each block, what lies on the disk can be read, and lacks a second at most."""
    path = tmp_path / "a.wav"
    target = WaveFile(path, 8000, 0.5)
    for number in range(1, 30):
        target.add(sine(0.1))
        there, _ = soundfile.read(path)
        assert len(there) >= 800 * number - 4000
    target.close()
    target.close()


def test_a_killed_program_leaves_the_sound(tmp_path):
    """The program is ended with the signal that nothing can catch, in the middle of recording."""
    path = tmp_path / "take.wav"
    code = (
        "import sys, numpy as np\nfrom pathlib import Path\nfrom enginelog.live import WaveFile\n"
        "w = WaveFile(Path(sys.argv[1]), 8000, 1.0)\n"
        "for n in range(10**9):\n    w.add(np.full(400, 0.25, np.float32))\n    print(n, flush=True)\n"
    )
    running = subprocess.Popen([sys.executable, "-c", code, str(path)], stdout=subprocess.PIPE, text=True)
    written = 0
    for line in running.stdout:
        written = int(line)
        if written >= 150:
            break
    running.kill()
    running.wait()
    clip = media.read(path)
    assert clip[0].seconds > written * 0.05 - 1.1 and np.abs(clip[0].samples - 0.25).max() < 1e-3


def test_no_file_is_written_over(tmp_path):
    (tmp_path / "a.wav").write_bytes(b"mine")
    with pytest.raises(EnginelogError, match="there already"):
        WaveFile(tmp_path / "a.wav", 8000, 1.0)
    assert (tmp_path / "a.wav").read_bytes() == b"mine"
    with pytest.raises(EnginelogError, match="cannot be written"):
        WaveFile(tmp_path / "none" / "a.wav", 8000, 1.0)


@pytest.mark.skipif(os.name == "nt", reason="the bound on file sizes that stands in for a full disk is POSIX")
@pytest.mark.parametrize(("room", "seconds"), [(20, 0.0), (16_044, 1.0), (17_000, 1.0)])
def test_a_full_disk_is_said_in_one_line_and_what_was_recorded_is_whole(tmp_path, room, seconds):
    """RLIMIT_FSIZE (POSIX) refuses what goes past it and takes a part of it first, as a full disk does."""
    program = (
        "import resource, sys, numpy as np\nfrom pathlib import Path\nfrom enginelog.live import WaveFile\n"
        "from enginelog.model import EnginelogError\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]), resource.RLIM_INFINITY))\n"
        "try:\n    with WaveFile(Path(sys.argv[1]), 8000, 0.5) as w:\n        for n in range(9):\n"
        "            w.add(np.full(4000, 0.25, np.float32))\nexcept EnginelogError as told:\n    print(told)\n"
    )
    path = tmp_path / "a.wav"
    done = subprocess.run([sys.executable, "-c", program, path, str(room)], capture_output=True, text=True, timeout=60)
    assert done.stderr == "" and done.stdout.count("\n") == 1 and "cannot be written" in done.stdout
    assert path.exists() == bool(seconds)
    if seconds:
        assert f"{seconds:.1f} s are in it" in done.stdout
        with wave.open(str(path)) as found:
            assert found.getnframes() == 8000 * seconds and path.stat().st_size == 44 + 16_000 * seconds


def test_loud_samples_are_held_at_full_scale(tmp_path):
    with WaveFile(tmp_path / "a.wav", 8000, 1.0) as target:
        target.add(np.array([3.0, -3.0, 1.0, -1.0], np.float32))
    read, _ = soundfile.read(tmp_path / "a.wav", dtype="int16")
    assert read.tolist() == [32767, -32767, 32767, -32767]


class NoPackage:
    """Stands for an environment without the package."""

    def find_spec(self, name, *rest):
        if name == "sounddevice":
            raise ImportError(name)


class NoLibrary:
    """Stands for one with the package but without PortAudio, which the package says with an OSError."""

    def find_spec(self, name, *rest):
        if name == "sounddevice":
            raise OSError("PortAudio library not found")


@pytest.mark.parametrize(("finder", "words"), [(NoPackage(), "pip install"), (NoLibrary(), "libportaudio2")])
def test_what_is_missing_is_said_in_one_line(monkeypatch, capsys, finder, words):
    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr(sys, "meta_path", [finder, *sys.meta_path])
    assert main(["listen", "--devices"]) == 1
    said = capsys.readouterr().err
    assert words in said and said.count("\n") == 1
    with pytest.raises(NoMicrophoneError):
        microphone()


class Library:
    """Stands for the sound library: two inputs and an output, and a stream that plays what it is given."""

    class PortAudioError(Exception):
        pass

    class default:
        device = (1, 2)

    found = [
        {"name": "line in", "max_input_channels": 2, "default_samplerate": 44100.0},
        {"name": "USB microphone", "max_input_channels": 1, "default_samplerate": 48000.0},
        {"name": "speaker", "max_input_channels": 0, "default_samplerate": 48000.0},
    ]

    def query_devices(self):
        return self.found

    class InputStream:
        def __init__(self, device, channels, samplerate, blocksize, dtype, callback):
            self.told = callback, blocksize

        def __enter__(self):
            callback, size = self.told
            for _ in range(5):
                callback(np.full((size, 1), 0.5, np.float32), size, None, None)

        def __exit__(self, *error):
            pass


def test_inputs_are_listed_and_chosen(monkeypatch, capsys):
    monkeypatch.setattr(sources, "_library", Library)
    assert [(d.number, d.usual) for d in devices()] == [(0, False), (1, True)]
    assert main(["listen", "--devices"]) == 0
    shown = capsys.readouterr().out
    assert "USB microphone" in shown and "speaker" not in shown
    assert microphone().rate_hz == 48000 and microphone("line").rate_hz == 44100 and microphone("0").name == "line in"
    with pytest.raises(UsageError, match="--devices"):
        microphone("none of these")
    monkeypatch.setattr(Library, "found", Library.found[2:])
    with pytest.raises(NoMicrophoneError, match="plug one in"):
        devices()
    assert main(["listen", "--devices"]) == 1
    assert "--devices" not in capsys.readouterr().err, "what was just asked for is no advice"


def test_blocks_come_from_the_microphone(monkeypatch):
    from threading import Event

    monkeypatch.setattr(sources, "_library", Library)
    source, stop, got = microphone(), Event(), []
    for block in source.blocks(stop):
        got.append(block)
        if len(got) == 5:
            break
    assert all(block.shape == (2400,) and (block == 0.5).all() for block in got) and source.lost() == 0


def test_listen_from_a_file_records_shows_and_analyses(tmp_path, capsys):
    out = tmp_path / "take.wav"
    command = ["listen", "--from", str(CLIP), "--seconds", "5", "--out", str(out), "--strokes", "4", "--cylinders", "1"]
    assert main([*command, "--rated-rpm", "3000"]) == 0
    shown = capsys.readouterr()
    live_lines = [line for line in shown.out.splitlines() if " s  " in line and "misfires" in line]
    assert len(live_lines) >= 3 and "rpm" in live_lines[-1] and "Recording:" in shown.out
    assert abs(media.read(out)[0].seconds - 5.0) < 0.1
    assert main([*command]) == 1 and "there already" in capsys.readouterr().err


@pytest.mark.skipif(sys.platform == "win32", reason="signals are those of POSIX systems")
def test_ctrl_c_ends_it_with_an_answer(tmp_path):
    out = tmp_path / "take.wav"
    command = [sys.executable, "-c", "import sys; from enginelog.cli import main; sys.exit(main())", "listen"]
    running = subprocess.Popen(
        [*command, "--from", str(CLIP), "--out", str(out)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
    )  # fmt: skip
    until = time.monotonic() + 30
    while not (out.exists() and out.stat().st_size > 300_000) and time.monotonic() < until:
        time.sleep(0.05)
    running.send_signal(signal.SIGINT)
    shown, said = running.communicate(timeout=60)
    assert running.returncode in (0, 3) and "Recording:" in shown, said
    assert soundfile.info(out).duration > 2


def test_the_display_in_words():
    reading = Reading(12.34, -20.0, 0.4, 0.0, 3012.4, 12.1, 0.91, -40.0, 1.2, 300, 4, 0)
    shown = "\n".join(lines(reading))
    for words in ("3012 rpm", "falling by 40 rpm", "1.2 %", "4 of 300", "-20 dB", "none", "12.3 s"):
        assert words in shown
    blank = Reading(0.5, -50.0, 0.1, 2.0, lost=3)
    assert "cannot tell" in one_line(blank) and "clipping" in one_line(blank) and "3 gaps" in "\n".join(lines(blank))
    assert trend(5.0) == "steady" and trend(200.0).startswith("rising") and trend(None) == "cannot tell"
    assert limits.load("live").value("lag_s") + limits.load("live").value("hop_s") <= 0.5

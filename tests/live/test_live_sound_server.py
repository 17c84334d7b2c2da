"""Live listening through a virtual microphone: a sound server plays a known recording into it, in real time.

Needs PortAudio and PulseAudio: apt install libportaudio2 pulseaudio pulseaudio-utils libasound2-plugins
"""

import json
import os
import re
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path
from urllib.parse import urlencode
from urllib.request import Request, urlopen

import numpy as np
import pytest

from enginelog import analysis, media
from enginelog.model import Engine

DEMO = Path(__file__).resolve().parents[2] / "recordings_demo"
CLIP = DEMO / "generator_lantern_50hz.flac"
HUNTING = DEMO / "pump_heron_hunts.m4a"  # swings by 225 rpm at 0.8 a second: a lag shows in its phase
NEEDED = ("pulseaudio", "paplay", "parec", "pactl")
WHY_NOT = "no sound server here: apt install libportaudio2 pulseaudio pulseaudio-utils libasound2-plugins"
SOUND_CARD = "pcm.!default { type pulse }\nctl.!default { type pulse }\n"
LISTEN = [sys.executable, "-c", "import sys; from enginelog.cli import main; sys.exit(main())", "listen"]


@pytest.fixture(scope="module")
def virtual_microphone(tmp_path_factory):
    """The environment of programs that hear what is played into a sink of a sound server of our own."""
    if not all(map(shutil.which, NEEDED)):
        pytest.skip(WHY_NOT)
    home = tmp_path_factory.mktemp("sound")
    (home / ".asoundrc").write_text(SOUND_CARD)
    (home / "run").mkdir(mode=0o700)
    environment = os.environ | {
        "HOME": str(home), "XDG_RUNTIME_DIR": str(home / "run"), "XDG_CONFIG_HOME": str(home / "config"),
        "PULSE_SOURCE": "bench.monitor", "OPENBLAS_NUM_THREADS": "1",
    }  # fmt: skip
    environment.pop("PULSE_SERVER", None)
    modules = ["module-native-protocol-unix", "module-null-sink sink_name=bench rate=48000"]
    command = ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", *(f"--load={each}" for each in modules)]
    server = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        until = time.monotonic() + 15
        while subprocess.run(["pactl", "info"], env=environment, capture_output=True).returncode != 0:
            if server.poll() is not None or time.monotonic() > until:
                pytest.skip(f"the sound server does not start here; {WHY_NOT}")
            time.sleep(0.2)
        listed = subprocess.run([*LISTEN, "--devices"], env=environment, capture_output=True, text=True)
        if "default" not in listed.stdout:
            pytest.skip(f"{listed.stderr.strip() or 'the virtual microphone is not seen'}; {WHY_NOT}")
        yield environment
    finally:
        server.terminate()
        server.wait(10)


def truth_of(clip: Path) -> dict:
    return json.loads(clip.with_name(clip.name.split(".")[0] + ".truth.json").read_text(encoding="utf-8"))


def as_wave(clip: Path, folder: Path) -> Path:
    """The recording as a file that the player of the sound server takes."""
    media.write(folder / "played.wav", media.read(clip)[0])
    return folder / "played.wav"


def enough(shown: list, least: int) -> bool:
    """Whether as many readings came as can be judged. Skips where there are fewer because more programs want to run
    than there are processors: live listening then rightly puts off its display, never the sound."""
    load, processors = os.getloadavg()[0], os.cpu_count() or 1
    if len(shown) < least and load > processors + 0.5:
        pytest.skip(f"too busy a machine to listen live on (load {load:.1f}, {processors} processors): run it alone")
    return len(shown) >= least


def ended(process: subprocess.Popen) -> None:
    process.terminate()
    process.wait(10)


def test_the_virtual_microphone_is_listed(virtual_microphone):
    done = subprocess.run([*LISTEN, "--devices"], env=virtual_microphone, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0 and re.search(r"^ *\*? *\d+ .*default", done.stdout, re.MULTILINE), done.stdout


def test_the_speed_through_a_microphone(virtual_microphone, tmp_path):
    """What is heard through the microphone is within 0.5 % of what was played (the truth beside the recording)."""
    out = tmp_path / "take.wav"
    play = ["paplay", "--device=bench", str(as_wave(CLIP, tmp_path))]
    playing = subprocess.Popen(play, env=virtual_microphone)
    time.sleep(0.3)
    command = [*LISTEN, "--seconds", "9", "--device", "default", "--out", str(out), "--rated-rpm", "3000"]
    done = subprocess.run(command, env=virtual_microphone, capture_output=True, text=True, timeout=90)
    ended(playing)
    assert done.returncode == 0, done.stderr
    run = analysis.analyse(str(out), Engine(rated_rpm=3000.0))
    assert abs(run.clip.seconds - 9.0) < 0.2 and "gaps" not in done.stderr
    speed_rpm = truth_of(CLIP)["speed_rpm"]
    assert abs(run.measures.speed.rpm / speed_rpm - 1) < 0.005
    shown = [float(found) for found in re.findall(r" s +(\d+) rpm \(confidence", done.stdout)]
    assert enough(shown, 4) and abs(np.median(shown) / speed_rpm - 1) < 0.005


# Listens and prints what is shown, each line with the moment by the machine's clock.
WATCH = """
import json, sys, time
from pathlib import Path
from urllib.parse import urlencode
from urllib.request import Request, urlopen
from enginelog import analysis, limits
from enginelog.live import Follower, listen, microphone
from enginelog.model import Engine
live, source = limits.load("live"), microphone("default")
hear = analysis.listener(Engine(strokes=4, cylinders=1, rated_rpm=3600.0))
tell = lambda reading: print(json.dumps([time.monotonic(), reading.rpm]), flush=True)
print("ready", flush=True)
listen(source, Path(sys.argv[1]), Follower(source.rate_hz, hear, live), live, tell, seconds=14.0)
"""
LOUD = 1000  # of 32767: the recording begins with the engine running


def heard_at(recorder: subprocess.Popen, found: list[float]) -> None:
    """The moment (the machine's clock) at which another, quick recorder has the first loud sample."""
    while data := os.read(recorder.stdout.fileno(), 4096):
        loud = np.flatnonzero(np.abs(np.frombuffer(data[: len(data) // 2 * 2], np.int16).astype(int)) > LOUD)
        if len(loud) and not found:
            found.append(time.monotonic() - (len(data) // 2 - loud[0]) / 48_000)


def lag_s(environment, folder: Path) -> tuple[float, float]:
    """(lag, mean error in rpm): the shift by which what is shown at a moment best fits what was played then."""
    wave, recording = as_wave(HUNTING, folder), folder / f"take{time.monotonic_ns()}.wav"
    watching = subprocess.Popen(
        [sys.executable, "-c", WATCH, str(recording)], env=environment, stdout=subprocess.PIPE, text=True
    )
    recorder = subprocess.Popen(
        ["parec", "--device=bench.monitor", "--latency-msec=10", "--format=s16le", "--rate=48000", "--channels=1",
         "--raw"], env=environment, stdout=subprocess.PIPE, bufsize=0,
    )  # fmt: skip
    assert watching.stdout.readline() == "ready\n"
    onset: list[float] = []
    threading.Thread(target=heard_at, args=(recorder, onset), daemon=True).start()
    time.sleep(1.0)
    playing = subprocess.Popen(["paplay", "--device=bench", "--latency-msec=50", str(wave)], env=environment)
    try:
        shown = [json.loads(line) for line in watching.stdout]
        assert watching.wait(30) == 0
    finally:
        for each in (playing, recorder, watching):
            ended(each)
    track = truth_of(HUNTING)["track"]
    known = [(at - onset[0], rpm) for at, rpm in shown if rpm is not None and at - onset[0] > 3.0]
    assert enough(known, 26)
    at_s, rpm = map(np.array, zip(*known, strict=True))
    shifts = np.arange(0.0, 1.2, 0.01)
    error = [np.mean(np.abs(np.interp(at_s - shift, track["t_s"], track["rpm"]) - rpm)) for shift in shifts]
    return float(shifts[int(np.argmin(error))]), float(min(error))


def test_what_is_shown_is_half_a_second_old_at_most(virtual_microphone, tmp_path):
    """From the sound to the display, sound server and processor time included.

    Other work on the machine only adds to it: one of three tries has to be as quick, and where more programs want to
    run than there are processors, nothing can be said.
    """
    tries: list[tuple[float, float]] = []
    while len(tries) < 3 and not any(lag <= 0.5 and error_rpm < 35 for lag, error_rpm in tries):
        tries.append(lag_s(virtual_microphone, tmp_path))
    good = [each for each in tries if each[0] <= 0.5 and each[1] < 35]  # of a swing of 225 rpm
    assert enough(good, 1), tries


class Page:
    """The bench page of a server of its own, asked as a browser asks."""

    def __init__(self, address: str) -> None:
        self.address, self.cookie = address.rstrip("/"), ""
        with self.ask("/") as got:
            self.cookie = got.headers["Set-Cookie"].split(";")[0]
            self.token = re.search(rb'name="csrf" content="([0-9a-f]+)"', got.read())[1].decode()

    def ask(self, path: str, fields: dict | None = None):
        told = None if fields is None else urlencode(fields | {"csrf": self.token}).encode()
        headers = {"Accept": "text/html", "Cookie": self.cookie, "Origin": self.address}
        return urlopen(Request(self.address + path, told, headers), timeout=30)


def test_the_bench_page_hears_the_same(virtual_microphone, tmp_path):
    """Started on the page, the microphone of the serving machine is shown there as it is in the terminal."""
    wave = as_wave(CLIP, tmp_path)
    command = [*LISTEN[:-1], "bench", "--port", "0", "--device", "default", "--store", str(tmp_path / "shed.enginelog")]
    environment = virtual_microphone | {"PYTHONIOENCODING": "utf-8"}
    serving = subprocess.Popen(
        command, env=environment, cwd=tmp_path, stdout=subprocess.PIPE, text=True, encoding="utf-8"
    )
    playing = None
    try:
        address = serving.stdout.readline().split()[-1]
        time.sleep(2.0)
        page = Page(address)
        page.ask("/jobs", {"label": "generator Lantern", "kind": "generator", "rated_rpm": "3000"}).close()
        playing = subprocess.Popen(["paplay", "--device=bench", str(wave)], env=environment)
        page.ask("/jobs/1/live", {}).close()
        shown = []
        with page.ask("/live/events") as events:
            for line in events:
                told = json.loads(line[6:]) if line.startswith(b"data: ") else {}
                shown += [told["rpm"]] if told.get("rpm") else []
                if told.get("at_s", 0) > 7.0:
                    break
        with page.ask("/jobs/1/live/stop", {}) as stopped:
            assert "/takes/" in stopped.url
    finally:
        for each in filter(None, (playing, serving)):
            ended(each)
    assert enough(shown, 10) and abs(np.median(shown) / truth_of(CLIP)["speed_rpm"] - 1) < 0.005
    assert len(list(tmp_path.glob("listen-job-1-*.wav"))) == 1  # never attached: kept where the server was started

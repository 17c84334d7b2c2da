"""Live listening through a virtual microphone: a sound server plays a known recording into it, in real time.

Needs PortAudio and PulseAudio: apt install libportaudio2 pulseaudio pulseaudio-utils libasound2-plugins
"""

import json
import os
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from enginelog import analysis, media
from enginelog.model import Engine

DEMO = Path(__file__).resolve().parents[2] / "recordings_demo"
CLIP = DEMO / "generator_lantern_50hz.flac"
NEEDED = ("pulseaudio", "paplay", "pactl")
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


def test_the_speed_through_a_microphone(virtual_microphone, tmp_path):
    """What is heard through the microphone is within 0.5 % of what was played (the truth beside the recording)."""
    [clip] = [media.read(CLIP)[0]]
    media.write(tmp_path / "played.wav", clip)
    out = tmp_path / "take.wav"
    play = ["paplay", "--device=bench", str(tmp_path / "played.wav")]
    playing = subprocess.Popen(play, env=virtual_microphone)
    time.sleep(0.3)
    command = [*LISTEN, "--seconds", "9", "--device", "default", "--out", str(out), "--rated-rpm", "3000"]
    done = subprocess.run(command, env=virtual_microphone, capture_output=True, text=True, timeout=90)
    playing.terminate()
    playing.wait(10)
    assert done.returncode == 0, done.stderr
    truth = json.loads(CLIP.with_name("generator_lantern_50hz.truth.json").read_text(encoding="utf-8"))
    run = analysis.analyse(str(out), Engine(rated_rpm=3000.0))
    assert abs(run.clip.seconds - 9.0) < 0.2 and "gaps" not in done.stderr
    assert abs(run.measures.speed.rpm / truth["speed_rpm"] - 1) < 0.005
    shown = [float(found) for found in re.findall(r" s +(\d+) rpm \(confidence", done.stdout)]
    assert len(shown) >= 4 and abs(np.median(shown) / truth["speed_rpm"] - 1) < 0.01

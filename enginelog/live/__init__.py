"""The microphone: sound as it comes, into a file that survives a crash, and what is heard in it meanwhile.

    source = microphone(None)  or  from_file("clip.m4a")
    finished = listen(source, Path("take.wav"), follower, tell=print)

`devices` lists the inputs. What the stages hear in a stretch is worked out by a function that the caller hands in, so
that this room stays above them (`analysis.hear`).
"""

from enginelog.live.following import Follower, Reading
from enginelog.live.session import Finished, listen
from enginelog.live.sources import Device, NoMicrophoneError, Source, devices, from_file, microphone
from enginelog.live.wave_file import WaveFile

__all__ = [
    "Device",
    "Finished",
    "Follower",
    "NoMicrophoneError",
    "Reading",
    "Source",
    "WaveFile",
    "devices",
    "from_file",
    "listen",
    "microphone",
]

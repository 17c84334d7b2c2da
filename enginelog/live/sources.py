"""Where live sound comes from: a microphone of this machine, or a recording that stands in for one."""

from __future__ import annotations

import queue
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from threading import Event
from typing import Any

import numpy as np

from enginelog.media import open_recording
from enginelog.model import EnginelogError, UsageError

BLOCK_S = 0.05
HELD_BLOCKS = 1200  # a minute of sound may wait while the disk is busy
NO_PACKAGE = "live listening needs the package sounddevice: pip install 'enginelog[live]'"
NO_LIBRARY = (
    "live listening needs the PortAudio library: on Debian and Ubuntu 'apt install libportaudio2', on Fedora "
    "'dnf install portaudio', on macOS 'brew install portaudio' (on Windows it comes with the package sounddevice)"
)
NO_DEVICE = "no microphone was found: plug one in and try again, or record with a phone and analyse its file"


class NoMicrophoneError(EnginelogError):
    """No sound can be had here; says what to install or to plug in."""


@dataclass(frozen=True)
class Device:
    """An input. usual: taken where none is named."""

    number: int
    name: str
    channels: int
    rate_hz: int
    usual: bool


@dataclass(frozen=True)
class Source:
    """Sound as it comes. rate_hz: of its blocks; name: to show.

    blocks: called once, gives float32 arrays (n,) until the sound or `stop` ends it. waiting: how many blocks have come
    and were not taken yet; lost: how many had to be left out because nobody took them, each a gap in the sound.
    """

    name: str
    rate_hz: int
    blocks: Callable[[Event], Iterator[np.ndarray]]
    waiting: Callable[[], int] = lambda: 0
    lost: Callable[[], int] = lambda: 0


def _library() -> Any:
    """The sounddevice package; NoMicrophoneError with what to install where it or its library is missing."""
    try:
        import sounddevice
    except ImportError:
        raise NoMicrophoneError(NO_PACKAGE) from None
    except OSError:  # the package is there, PortAudio is not
        raise NoMicrophoneError(NO_LIBRARY) from None
    return sounddevice


def devices() -> tuple[Device, ...]:
    """The inputs of this machine; NoMicrophoneError where there is none."""
    library = _library()
    try:
        usual = library.default.device[0]
        found = tuple(
            Device(number, str(each["name"]), each["max_input_channels"], round(each["default_samplerate"]),
                   number == usual)
            for number, each in enumerate(library.query_devices()) if each["max_input_channels"] > 0
        )  # fmt: skip
    except library.PortAudioError as failed:
        raise NoMicrophoneError(f"{NO_DEVICE} ({failed})") from failed
    if not found:
        raise NoMicrophoneError(NO_DEVICE)
    return found


def microphone(device: str | None = None) -> Source:
    """An input of this machine, by its number or part of its name; None takes the usual one."""
    library, chosen = _library(), _chosen(device)
    waiting: queue.Queue[np.ndarray] = queue.Queue(HELD_BLOCKS)
    lost = [0]

    def came(data: np.ndarray, frames: int, at: Any, status: Any) -> None:
        lost[0] += bool(status and status.input_overflow)
        try:
            waiting.put_nowait(data[:, 0].copy())
        except queue.Full:
            lost[0] += 1

    def blocks(stop: Event) -> Iterator[np.ndarray]:
        size = round(BLOCK_S * chosen.rate_hz)
        try:
            with library.InputStream(
                device=chosen.number, channels=1, samplerate=chosen.rate_hz, blocksize=size, dtype="float32",
                callback=came,
            ):  # fmt: skip
                while not stop.is_set():
                    try:
                        yield waiting.get(timeout=1.0)
                    except queue.Empty:
                        continue
        except library.PortAudioError as failed:
            raise NoMicrophoneError(f"'{chosen.name}' gives no sound: {failed}; see --devices") from failed

    return Source(chosen.name, chosen.rate_hz, blocks, waiting.qsize, lambda: lost[0])


def _chosen(device: str | None) -> Device:
    found = devices()
    if device is None:
        return next((each for each in found if each.usual), found[0])
    wanted = device.strip().lower()
    fitting = [each for each in found if str(each.number) == wanted] or [
        each for each in found if wanted and wanted in each.name.lower()
    ]
    if not fitting:
        raise UsageError(f"input '{device}' is not there; 'enginelog listen --devices' lists them")
    return fitting[0]


def from_file(path: str, pace: float | None = 1.0) -> Source:
    """A recording that stands in for the microphone. pace: 1 plays as fast as it sounds; None as fast as it is taken.

    Raises UnreadableError where it is no recording.
    """
    with open_recording(path) as probe:
        rate_hz, name = round(probe.rate_hz), probe.info.name
    begun: list[float] = []
    taken = [0]

    def waiting() -> int:
        if pace is None or not begun:
            return 0
        return max(0, int((time.monotonic() - begun[0]) * pace / BLOCK_S) - taken[0])

    def blocks(stop: Event) -> Iterator[np.ndarray]:
        begun.append(time.monotonic())
        with open_recording(path) as recording:
            for block in _cut(recording.blocks(overlap_s=0.0), round(BLOCK_S * rate_hz)):
                if stop.is_set():
                    return
                taken[0] += 1
                if pace is not None:
                    stop.wait(max(0.0, begun[0] + taken[0] * BLOCK_S / pace - time.monotonic()))
                yield block

    return Source(name, rate_hz, blocks, waiting)


def _cut(clips: Iterator[Any], size: int) -> Iterator[np.ndarray]:
    for clip in clips:
        for start in range(0, len(clip.samples), size):
            yield clip.samples[start : start + size]

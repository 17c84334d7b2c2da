"""Time and memory of analysing long recordings: the recordings, the stop-watch, and a fresh process for the memory."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FunctionType, ModuleType

import numpy as np

from enginelog import analysis, findings, firing, media, quality, speed, synthesis, timeline
from enginelog.model import Clip, Engine

STAGES: tuple[ModuleType, ...] = (quality, timeline, speed, firing, findings)
MINUTE_S = 60.0
RATE_HZ = 48_000
ENGINE = Engine()


@dataclass(frozen=True)
class Spent:
    """Processor time of this process and time on the clock, seconds."""

    process_s: float
    wall_s: float


def write_minute(path: Path, seed: int) -> None:
    """A minute of a made-up generator at 48 kHz as M4A: fifteen seconds, four times."""
    clip, _ = synthesis.make(synthesis.random_scenario(seed, "generator", "ordinary", "steady", seconds=15.0))
    media.write(path, Clip(np.tile(clip.samples, 4)[: int(MINUTE_S * RATE_HZ)], clip.rate_hz))


def write_long(minute: Path, path: Path, minutes: int) -> None:
    """The coded packets of a minute again and again, as one M4A; takes little time and no memory for the sound."""
    import av

    with av.open(str(minute)) as source:
        track = source.streams.audio[0]
        packets = [(bytes(packet), packet.duration) for packet in source.demux(track) if packet.size]
        with av.open(str(path), "w", format="ipod") as target:
            copy = target.add_stream_from_template(track)
            at = 0
            for data, duration in packets * minutes:
                packet = av.Packet(data)
                packet.stream, packet.time_base, packet.duration = copy, track.time_base, duration
                packet.pts = packet.dts = at
                at += duration
                target.mux(packet)


def decode(path: Path) -> float:
    """Decode a recording and let the sound go; returns its seconds."""
    with media.open_recording(str(path)) as recording:
        return sum(clip.seconds for clip in recording.blocks(analysis.BLOCK_S, analysis.OVERLAP_S))


def spent(work: Callable[[], object]) -> Spent:
    """Time that one call takes."""
    process, wall = time.process_time(), time.perf_counter()
    work()
    return Spent(time.process_time() - process, time.perf_counter() - wall)


def alternating(works: dict[str, Callable[[], object]], repeats: int) -> dict[str, Spent]:
    """The least time of each work over rounds in which all take their turn (so that a busy spell hits all alike)."""
    rounds = [{name: spent(work) for name, work in works.items()} for _ in range(repeats)]
    return {
        name: Spent(min(one[name].process_s for one in rounds), min(one[name].wall_s for one in rounds))
        for name in works
    }


@contextmanager
def watched() -> Iterator[dict[str, float]]:
    """Processor seconds spent behind the front door of each stage, by room, while the block runs."""
    times = {_room(stage): 0.0 for stage in STAGES}
    kept = [(stage, *door) for stage in STAGES for door in _doors(stage)]
    try:
        for stage, owner, name, value in kept:
            setattr(owner, name, _timed(value, times, _room(stage)))
        yield times
    finally:
        for _, owner, name, value in kept:
            setattr(owner, name, value)


def _room(stage: ModuleType) -> str:
    return stage.__name__.rsplit(".", 1)[-1]


def _doors(stage: ModuleType) -> list[tuple[object, str, FunctionType]]:
    """What others call of a stage: its functions, and those of its own classes. (where it stands, name, function)"""
    classes = [one for one in vars(stage).values() if isinstance(one, type)]
    owners = [stage, *(one for one in classes if one.__module__.startswith(stage.__name__))]
    found = [(owner, name, value) for owner in owners for name, value in vars(owner).items()]
    return [door for door in found if isinstance(door[2], FunctionType) and not door[1].startswith("_")]


def _timed(work: Callable, times: dict[str, float], room: str) -> Callable:
    def measured(*arguments, **named):
        before, began = times[room], time.process_time()
        try:
            return work(*arguments, **named)
        finally:  # sets, not adds: calls within this one from the same front door are in its own time
            times[room] = before + time.process_time() - began

    return measured


def stage_times(path: Path, repeats: int) -> dict[str, float]:
    """Least processor seconds of each stage over some analyses of one recording."""
    rounds = []
    for _ in range(repeats):
        with watched() as times:
            analysis.analyse(str(path), ENGINE)
        rounds.append(times)
    return {name: min(times[name] for times in rounds) for name in rounds[0]}


PEAK = """
import sys
from enginelog import analysis
from enginelog.model import Engine
run = analysis.analyse(sys.argv[1], Engine())
try:
    lines = open("/proc/self/status").read().splitlines()
    peak = next(int(line.split()[1]) * 1024 for line in lines if line.startswith("VmHWM"))
except (OSError, StopIteration):
    import resource
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)
print(peak, run.clip.seconds)
"""


def peak_memory(path: Path) -> tuple[float, float, float] | str:
    """(megabytes at most, seconds of sound, seconds on the clock) of one analysis in a fresh process, or why not.

    On Linux from /proc: there ru_maxrss of a new process can start at what the process before it had.
    """
    began = time.perf_counter()
    run = subprocess.run([sys.executable, "-c", PEAK, str(path)], capture_output=True, text=True)
    if run.returncode != 0:
        return (run.stderr.strip().splitlines() or ["ended without a word"])[-1]
    peak, seconds = run.stdout.split()
    return int(peak) / 1e6, float(seconds), time.perf_counter() - began

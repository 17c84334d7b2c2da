"""One live recording from its first block to its last."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Event

from enginelog.limits import LimitSet
from enginelog.live.following import Follower, Reading
from enginelog.live.sources import Source
from enginelog.live.wave_file import WaveFile

BEHIND_BLOCKS = 8  # blocks that may wait before what is heard is put off


@dataclass(frozen=True)
class Finished:
    """A live recording that has ended: its file, its length, how many gaps it has, and the last reading."""

    path: Path
    seconds: float
    lost: int
    last: Reading | None


def listen(
    source: Source,
    path: Path,
    follower: Follower,
    limits: LimitSet,
    tell: Callable[[Reading], None],
    stop: Event | None = None,
    seconds: float | None = None,
) -> Finished:
    """Record until the source ends, `stop` is set or `seconds` are full; tell each Reading on the way.

    Every block is in the file before it is listened to: whatever happens then, the sound is kept. Also an error (a
    microphone pulled out, a full disk, Ctrl-C) leaves the file whole up to there.
    """
    stop = stop or Event()
    most_s = min(limits.value("longest_s"), seconds if seconds is not None else float("inf"))
    last: Reading | None = None
    with WaveFile(path, source.rate_hz, limits.value("sync_s")) as target:
        for block in source.blocks(stop):
            target.add(block)
            reading = follower.add(block, behind=source.waiting() > BEHIND_BLOCKS)
            if reading is not None:
                last = replace(reading, lost=source.lost())
                tell(last)
            if target.seconds >= most_s or stop.is_set():
                break
        made_s = target.seconds
    return Finished(path, made_s, source.lost(), last)

"""What a decoder hands on, whichever library did the decoding."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from enginelog.limits import LimitSet
from enginelog.model import Problem, UnreadableError
from enginelog.model.wording import counted

FILLED_MOST = 500  # stretches of filled-in silence kept apart


@dataclass
class Tally:
    """What went wrong or was left out while reading; kept as the sound is read, complete once all of it was.

    filled: (start, end) in seconds of the stretches in which silence stands for what is missing, in order; at most
    `FILLED_MOST`, those nearest to each other joined. filled_s: how long that silence is in all.
    left_out_s: by how much the time stamps jumped ahead where that was too long to be believed, jumps back taken off.
    changed: the file was written to meanwhile. tracks: sound tracks of the file. track: the one read, from 0.
    silent: how many were looked at and are silent, where no other was found (0 else).
    chain_broken: recordings of another kind are chained behind, and were not read. behind_s: length of the last one.
    guessed_s: how much of that silence is only guessed by the bytes that stand there. unplaced_s: how much is missing
    besides, at a damaged place or at the end.
    beyond_s: how much of what was read lies beyond the end that the file's header declares.
    """

    non_finite: int = 0
    damaged_packets: int = 0
    filled_s: float = 0.0
    filled: list[tuple[float, float]] = field(default_factory=list)
    left_out_s: float = 0.0
    missing_s: float | None = None
    stopped_at_s: float | None = None
    changed: bool = False
    tracks: int = 1
    track: int = 0
    silent: int = 0
    chain_broken: bool = False
    behind_s: float = 0.0
    beyond_s: float = 0.0
    guessed_s: float = 0.0
    unplaced_s: float = 0.0


@dataclass(frozen=True)
class Source:
    """One opened sound track.

    chunks: float arrays of shape (n, channels), full scale -1..1, in order, each about a second long; read once.
    seconds: as the file declares it, None where it does not.
    """

    rate_hz: int
    channels: int
    codec: str
    seconds: float | None
    recorded_at: str | None
    chunks: Iterator[np.ndarray]
    tally: Tally = field(default_factory=Tally)


def check_sane(name: str, rate_hz: int, channels: int, limits: LimitSet) -> None:
    """UnreadableError where the header declares what no recording has (a damaged or made-up file)."""
    low, high, most = (limits.value(key) for key in ("lowest_rate_hz", "highest_rate_hz", "max_channels"))
    if not low <= rate_hz <= high:
        raise UnreadableError(f"{name}: its sampling rate is {rate_hz} Hz; {low:z.0f} to {high:z.0f} Hz can be read")
    if not 1 <= channels <= most:
        raise UnreadableError(f"{name}: it declares {channels} channels; 1 to {most:z.0f} can be read")
    together = limits.value("max_samples_per_s")
    if channels * rate_hz > together:
        raise UnreadableError(
            f"{name}: it declares {channels} channels at {rate_hz} Hz; at most {together:z.0f} samples a second of all "
            "channels together can be read"
        )


def note_filled(tally: Tally, start_s: float, end_s: float) -> None:
    """Note a stretch in which silence stands for what is missing; `start_s` is not before that of any other."""
    tally.filled_s += end_s - start_s
    tally.filled.append((start_s, end_s))
    if len(tally.filled) > FILLED_MOST:
        near_s = float(np.median([after[0] - before[1] for before, after in pairwise(tally.filled)]))
        tally.filled = _joined(tally.filled, near_s)


def _joined(stretches: list[tuple[float, float]], near_s: float) -> list[tuple[float, float]]:
    """The stretches, neighbours at most `near_s` apart as one."""
    joined = stretches[:1]
    for start_s, end_s in stretches[1:]:
        if start_s - joined[-1][1] <= near_s:
            joined[-1] = joined[-1][0], end_s
        else:
            joined.append((start_s, end_s))
    return joined


def note_end(tally: Tally, declared_s: float | None, read_s: float, limits: LimitSet) -> None:
    """Note how much is missing where less was read than the file declares."""
    if declared_s is not None and tally.stopped_at_s is None and declared_s - read_s > limits.value("ends_early_s"):
        tally.missing_s = declared_s - read_s


def problems(tally: Tally) -> tuple[Problem, ...]:
    """What went wrong, in plain words."""
    kinds = (_changed, _tracks, _early, _beyond, _long, _chained, _paused, _damaged, _non_finite)
    return tuple(filter(None, (kind(tally) for kind in kinds)))


def _changed(tally: Tally) -> Problem | None:
    if not tally.changed:
        return None
    return Problem("changed", "the file changed while it was read", "check it again once it is copied")


def _tracks(tally: Tally) -> Problem | None:
    if tally.tracks == 1:
        return None
    text = f"the file holds {tally.tracks} sound tracks: number {tally.track + 1} was read"
    if 0 < tally.silent < tally.tracks:
        text += f"; {tally.silent} were looked at and are silent, the others were not looked at"
    return Problem("several_tracks", text, "if the engine is on another one, export that one alone")


def _early(tally: Tally) -> Problem | None:
    if tally.missing_s is None:
        return None
    text = "the file ends early: the end of the recording is missing"
    if np.isfinite(tally.missing_s) and tally.missing_s < 1e6:
        text += f" ({tally.missing_s:z.1f} s)"
    advice = "what was there has been used; let the phone finish saving before copying, and copy the file again"
    return Problem("file_ends_early", text, advice)


def _beyond(tally: Tally) -> Problem | None:
    if not tally.beyond_s:
        return None
    text = f"the file's header ends the sound {tally.beyond_s:z.1f} s too soon: what follows was read, too"
    advice = "let the recorder finish and save before it is closed; where there is no sound at the end, cut it off"
    return Problem("header_short", text, advice)


def _long(tally: Tally) -> Problem | None:
    if tally.stopped_at_s is None:
        return None
    text = f"the recording is longer than {tally.stopped_at_s / 3600:z.0f} hours: the rest was not read"
    return Problem("too_long", text, "cut the recording to the part that matters")


def _chained(tally: Tally) -> Problem | None:
    if not tally.chain_broken:
        return None
    text = "the file holds recordings of several kinds one behind the other: only what is like the first was read"
    if 1 <= tally.behind_s < 1e6:
        text += f" ({tally.behind_s:z.0f} s or more were left out)"
    return Problem("chained", text, "give the recordings one by one, as the phone made them")


def _paused(tally: Tally) -> Problem | None:
    if tally.left_out_s < 1:
        return None
    length = f"{tally.left_out_s:z.0f} s" if tally.left_out_s < 1e6 else "unknown length"
    text = f"a pause of {length} was left out: all after it is told earlier by that much"
    return Problem("pause_left_out", text, "let the phone record from before the first pull to the end without a pause")


def _damaged(tally: Tally) -> Problem | None:
    if not tally.damaged_packets and not tally.filled_s:
        return None
    text = "parts of the file are damaged or missing"
    if tally.filled_s:
        text += f": {tally.filled_s:z.2f} s were filled with silence"
    if tally.guessed_s:
        text += (
            ", as long as the bytes there make likely: what follows may be told too early or too late by a part of that"
        )
    if 0 < tally.unplaced_s < 1e6:
        text += (
            f"; {tally.unplaced_s:z.1f} s are missing besides: if not at the end, what follows a damaged place is told "
            "earlier by up to that much"
        )
    return Problem("damaged", text, "copy the file from the phone again, without sending it through a messenger")


def _non_finite(tally: Tally) -> Problem | None:
    if not tally.non_finite:
        return None
    one = tally.non_finite == 1
    what = (
        "is no number (or far beyond full scale) and was"
        if one
        else "are not numbers (or far beyond full scale) and were"
    )
    text = f"{counted(tally.non_finite, 'sample')} {what} taken as silence"
    return Problem("non_finite", text, "the program that wrote this file damaged it: use the phone's own recording")

"""The same frames through every tracker: gross errors, octave errors, fine error and time."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from enginelog import media, synthesis
from enginelog.model import Clip, Engine
from measuring import real, trackers
from measuring.made import Case, as_told, scenario_of
from measuring.scores import at_times, is_octave, within
from measuring.tables import number, percent, table


@dataclass(frozen=True)
class Labelled:
    """A recording with its firing rate at some moments, from the start of the clip."""

    name: str
    group: str
    clip: Clip
    engine: Engine
    t_s: np.ndarray
    hz: np.ndarray


@dataclass(frozen=True)
class Result:
    """One tracker on one recording: found over true rate at each labelled moment, and processor time."""

    tracker: str
    recording: Labelled
    ratio: np.ndarray
    process_s: float


def real_recordings() -> list[Labelled]:
    """The labelled recordings of real engines; empty where the folder is missing."""
    if real.missing():
        return []
    found = [sound for sound in real.sounds() if sound.kind == "engine" and sound.label_t_s]
    return [
        Labelled(
            sound.name,
            f"real, fold {sound.fold}",
            media.read(sound.path)[0],
            sound.engines[0],
            np.array(sound.label_t_s),
            np.array(sound.label_hz),
        )
        for sound in found
    ]


def made_recordings(count: int, first_seed: int) -> list[Labelled]:
    """Made-up recordings of ordinary quality: even-firing kinds and all but failing starts, in turn.

    Uneven layouts are left out: their waveform repeats with the cycle, so that a general tracker that says so is right.
    """
    kinds = [kind for kind in synthesis.KINDS if kind not in ("twin_270", "twin_180")]
    doing = ("steady", "misfire", "hunting", "moved", "load_step")
    cases = [Case(first_seed + i, kinds[i % len(kinds)], "ordinary", doing[i % len(doing)]) for i in range(count)]
    return [_made(case) for case in cases]


def _made(case: Case) -> Labelled:
    scenario = scenario_of(case)
    clip, truth = synthesis.make(scenario)
    engine = as_told(scenario.engine, rated=False)
    t_s = np.arange((truth.run_up_end_s or 0.0) + 0.2, truth.run_end_s - 0.2, trackers.HOP_S)
    rpm = np.interp(t_s, truth.t_s, truth.rpm)
    return Labelled(f"{case.kind} {case.seed}", "made up", clip, engine, t_s, rpm * engine.firing_hz_per_rpm)


def timed(track: Callable[[], trackers.Found]) -> tuple[trackers.Found, float]:
    """What a tracker found, and the processor time it took."""
    began = time.process_time()
    found = track()
    return found, time.process_time() - began


def compare(recordings: Sequence[Labelled]) -> list[Result]:
    """Every tracker that is installed on every recording, one after the other; peers get the sound at 8 kHz."""
    results = []
    gone = trackers.absent()
    for one in recordings:
        clip, engine = one.clip, one.engine
        results.append(_result("**enginelog, best path**", one, lambda c=clip, e=engine: trackers.own_path(c, e)))
        results.append(_result("**enginelog, reported**", one, lambda c=clip, e=engine: trackers.own_track(c, e)))
        x, (low, high) = trackers.at_8_khz(clip.samples, clip.rate_hz), trackers.search_range(engine)
        for name, (track, _, _) in trackers.PEERS.items():
            if name not in gone:
                results.append(_result(name, one, lambda t=track, a=(x, trackers.RATE_HZ, low, high): t(*a)))
    return results


def _result(name: str, one: Labelled, track: Callable[[], trackers.Found]) -> Result:
    (t_s, hz), process_s = timed(track)
    return Result(name, one, at_times(one.t_s, np.asarray(t_s), np.asarray(hz, float)) / one.hz, process_s)


def warm_up(engines: Iterable[Engine] = (Engine(),)) -> None:
    """Call every tracker once on some noise, so that what is loaded, compiled or laid out at first is not timed."""
    noise = np.random.default_rng(0).normal(0, 0.1, int(3 * trackers.RATE_HZ))
    for engine in set(engines):
        trackers.own_track(Clip(np.tile(noise, 6).astype(np.float32), 6 * trackers.RATE_HZ), engine)
    for name, (track, _, _) in trackers.PEERS.items():
        if name not in trackers.absent():
            track(noise, trackers.RATE_HZ, 25.0, 260.0)


HEAD = (
    *("tracker", "frames", "no answer %", "off by over 20 % or none", "off by over 3 % or none", "octave errors %"),
    *("of answers: over 3 %", "median error of the right %", "ms a second"),
)


def row(name: str, results: Sequence[Result]) -> list[object]:
    """Shares in per cent of all frames, but for "of answers"; fine error of answers within 3 %."""
    ratio = np.concatenate([one.ratio for one in results])
    known = np.isfinite(ratio)
    seconds = sum(one.recording.clip.seconds for one in results)
    fine = np.abs(ratio[within(ratio, 3.0)] - 1)
    count = len(ratio)
    return [
        name,
        count,
        percent((~known).sum(), count),
        percent((~within(ratio, 20.0)).sum(), count),
        percent((~within(ratio, 3.0)).sum(), count),
        percent(is_octave(ratio).sum(), count),
        percent((known & ~within(ratio, 3.0)).sum(), known.sum()),
        number(100 * float(np.median(fine)) if len(fine) else None),
        number(1000 * sum(one.process_s for one in results) / seconds, 1),
    ]


def comparison(results: Sequence[Result], wanted: Callable[[Labelled], bool]) -> str:
    """One row a tracker over the recordings wanted."""
    chosen = [one for one in results if wanted(one.recording)]
    names = dict.fromkeys(one.tracker for one in chosen)
    return table(HEAD, [row(name, [one for one in chosen if one.tracker == name]) for name in names])

"""Every firing opportunity in one block of sound: laid out by the speed, seen in the bands, judged chunk by chunk."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from enginelog.dsp.rows import rows_of
from enginelog.firing import bursts, cues, envelopes, grid, holes, judging, local, moments, shapes
from enginelog.firing.joining import join
from enginelog.firing.judging import LOST
from enginelog.limits import LimitSet
from enginelog.model import Clip, Engine, Firings, Track

LEAST_EVENTS = 4  # of a stretch
CLEAR = 0.5  # strength over the norm (what else the cylinder does stays below)
ROUNDS = 2  # of refining the moments
CHUNK = 400  # cycles that share one set of templates, about
CONFIDENCE_S = 1.5  # to either side: a burst of lost firings takes the speed's confidence away, yet the grid bridges it


@dataclass(frozen=True)
class _Seen:
    """What is measured of the events of one chunk (model.Firings has the words)."""

    t_s: np.ndarray
    std_s: np.ndarray
    strength: np.ndarray
    miss_probability: np.ndarray
    likely: np.ndarray
    slot_level: np.ndarray
    noise: np.ndarray


def locate(clip: Clip, track: Track, engine: Engine, limits: LimitSet, silent: holes.Silent = ()) -> Firings:
    """Locate every firing opportunity in `clip` (up to some minutes) where `track` tells the speed.

    silent: stretches without sound (`Quality.silent_s`), in which and beside which none is told.
    """
    track = replace(track, t_s=track.t_s - clip.start_s)
    here = tuple((start_s - clip.start_s, end_s - clip.start_s) for start_s, end_s in silent)
    sound, placed = _placed(clip, track, engine, limits, here)
    if sound is None:
        return join([])
    parts = [_stretch(sound, grids, engine, limits) for grids in placed]
    return join([replace(part, t_s=part.t_s + clip.start_s) for part in parts])


def lay(clip: Clip, track: Track, engine: Engine, limits: LimitSet) -> tuple[envelopes.Sound | None, list[grid.Grid]]:
    """The bands of the sound, and the expected firings of each stretch of known speed (four at least); times from the
    start of the clip, which `track` must have too. (None, []) where the speed is never known."""
    sound, placed = _placed(clip, track, engine, limits)
    return sound, [grids[0] for grids in placed]


def _placed(
    clip: Clip, track: Track, engine: Engine, limits: LimitSet, silent: holes.Silent = ()
) -> tuple[envelopes.Sound | None, list[list[grid.Grid]]]:
    """As `lay`; of each stretch wherever in the cycle its firings may lie, likeliest first; without those beside what
    is silent."""
    runs = grid.stretches(track, engine, limits)
    if not runs:
        return None, []
    fastest = np.nanpercentile(track.rpm, 95) * engine.firing_hz_per_rpm
    sound = envelopes.amplitudes(clip.samples, clip.rate_hz, fastest, limits)
    activity = envelopes.activity(sound.amplitude, sound.rate_hz)
    shortest = float(np.diff(np.append(grid.places(engine), 1.0)).min())
    placed = [
        [holes.without(laid, silent, shortest, engine.cylinders) for laid in grids]
        for grids in (grid.follow(activity, sound.rate_hz, run, engine, track) for run in runs)
    ]
    return sound, [[laid for laid in grids if enough(laid)] for grids in placed if enough(grids[0])]


def enough(laid: grid.Grid) -> bool:
    """Whether there are events enough to look at."""
    return len(laid.t_s) >= LEAST_EVENTS


def _telling(told: list[tuple[float, float]], limits: LimitSet) -> tuple[int, bool]:
    """Of the places at which the firings of a stretch may lie, the number of the one that tells of lost ones, 0 (the
    likeliest) where none does; and whether the others agree. told: `_lost_share` of each.

    What comes and goes from cycle to cycle is fired and lost, wherever in the cycle it is heard; what is always there
    may be a valve or the intake. So a place where firings are lost beyond doubt counts more than one where none is. But
    both cylinders' places may lie on sounds of one of them: then two placements tell different shares.
    """
    if len(told) == 1:
        return 0, True
    least, much = limits.value("lost_elsewhere"), limits.value("lost_plainly_elsewhere")
    counted = [number for number, (_, known) in enumerate(told) if known >= limits.value("told_elsewhere")]
    losing = [number for number in counted if told[number][0] > least]
    if losing:
        shares = [told[number][0] for number in losing]
        return losing[0], max(shares) - min(shares) <= least
    return 0, 0 not in counted or all(share * known < much for share, known in told)


def _lost_share(one: _Seen) -> tuple[float, float]:
    """Share of the judged firings that is lost, and share of all that could be judged."""
    known = np.isfinite(one.miss_probability)
    return float(np.mean(one.miss_probability[known] > LOST)) if known.any() else 0.0, float(np.mean(known))


def chunks(laid: grid.Grid, slots: int) -> list[grid.Grid]:
    """A stretch in pieces of about CHUNK cycles."""
    pieces = np.array_split(np.arange(len(laid.t_s)), max(1, len(laid.t_s) // (CHUNK * slots)))
    return [rows_of(laid, piece) for piece in pieces]


def _stretch(sound: envelopes.Sound, grids: list[grid.Grid], engine: Engine, limits: LimitSet) -> Firings:
    """All events of one stretch of known speed, chunk by chunk, wherever of `grids` they lie."""
    slots, places = engine.cylinders, grid.places(engine)
    step = np.diff(np.append(places, 1.0))
    grids = [whole(laid, sound, step.min()) for laid in grids]
    judged = [_all_judged(sound, laid, engine, step.min(), limits) for laid in grids]
    best, agreed = _telling([_lost_share(one) for one in judged], limits)
    laid, one = grids[best], judged[best]
    ran = _surely_running(one)
    if ran is not None:
        left_out = len(one.t_s) - len(ran)
        laid, one = rows_of(laid, ran), rows_of(one, ran)
        if slots > 1 or left_out > limits.value("few_left_out") * len(ran):
            one = _all_judged(sound, laid, engine, step.min(), limits)
    if engine.even_firing:
        laid, one = _without_surplus(laid, one)
    interval_s = laid.cycle_s / slots
    timing, timing_std = moments.unevenness(one.t_s, one.std_s, step[laid.slot], laid.slot, interval_s)
    timing[~(timing_std < limits.value("most_moment_noise"))] = np.nan
    torn = holes.breaks(laid.skipped_s)
    timing[torn] = timing[torn + 1] = np.nan
    around = max(1, round(CONFIDENCE_S * slots / float(np.median(laid.cycle_s))))
    confidence = local.running_rank(laid.confidence, around, 0.5)
    unsure = confidence < limits.value("least_track_confidence")
    unsure |= _half_speed(one.miss_probability, engine) or not agreed
    return Firings(
        t_s=one.t_s,
        slot=laid.slot,
        strength=np.maximum(one.strength, 0.0),
        slot_level=one.slot_level,
        miss_probability=np.where(unsure, np.nan, one.miss_probability),
        timing=timing,
        snr_db=-20 * np.log10(one.noise),
        revolutions=(laid.cycle + places[laid.slot]) * engine.revs_per_cycle,
    )


def _surely_running(one: _Seen) -> np.ndarray | None:
    """The events from the first clear firing to the last; None where that is all of them, or there are hardly any.
    What is weak before or after cannot be told from an ignition off."""
    firing = np.flatnonzero((one.likely < LOST) & (one.strength > CLEAR))
    if len(firing) < LEAST_EVENTS or firing[-1] - firing[0] + 1 == len(one.likely):
        return None
    return np.arange(firing[0], firing[-1] + 1)


def _all_judged(sound: envelopes.Sound, laid: grid.Grid, engine: Engine, shortest: float, limits: LimitSet) -> _Seen:
    """One stretch, chunk by chunk."""
    judged = [_judged(sound, piece, engine, shortest, limits) for piece in chunks(laid, engine.cylinders)]
    lost = judging.told([verdicts for _, _, verdicts in judged], limits)
    seen = [
        _Seen(t_s, std_s, found.strength, told, found.likely, found.level, found.noise)
        for (t_s, std_s, found), told in zip(judged, lost, strict=True)
    ]
    return _Seen(*(np.concatenate([getattr(s, f.name) for s in seen]) for f in fields(_Seen)))


def whole(laid: grid.Grid, sound: envelopes.Sound, shortest: float) -> grid.Grid:
    """The opportunities whose window lies within the sound: one cut off at its ends looks like a lost one."""
    window_s = laid.cycle_s * shortest
    end_s = sound.amplitude.shape[1] / sound.rate_hz
    inside = (laid.t_s >= shapes.BEFORE * window_s) & (laid.t_s <= end_s - (1 - shapes.BEFORE) * window_s)
    return rows_of(laid, np.flatnonzero(inside)) if inside.sum() >= LEAST_EVENTS else laid


def _without_surplus(laid: grid.Grid, one: _Seen) -> tuple[grid.Grid, _Seen]:
    """Both without the opportunities that bursts of losses had no room for; the cycles counted on without them."""
    parts = np.split(np.arange(len(one.t_s)), holes.breaks(laid.skipped_s) + 1)
    too_many = np.concatenate([bursts.surplus(one.t_s[part], one.likely[part]) for part in parts])
    laid = replace(laid, cycle=laid.cycle - np.cumsum(too_many) // (laid.slot.max() + 1))
    kept = np.flatnonzero(~too_many)
    return rows_of(laid, kept), rows_of(one, kept)


def _half_speed(probability: np.ndarray, engine: Engine) -> bool:
    """Whether every second firing of a four-stroke single seems lost: far likelier, the speed is read double."""
    if engine.strokes != 4 or engine.cylinders != 1:
        return False
    lost = probability[np.isfinite(probability)] > 0.5
    in_turn = np.mean(lost[1:] != lost[:-1]) if len(lost) > 8 else 0.0
    return bool(in_turn > 0.7)


def _judged(
    sound: envelopes.Sound, laid: grid.Grid, engine: Engine, shortest: float, limits: LimitSet
) -> tuple[np.ndarray, np.ndarray, judging.Verdicts]:
    """One chunk: the moments refined, their deviations, and what is found there."""
    seen, std_s = see(sound, laid, engine.cylinders, shortest, limits)
    return seen.t_s + laid.skipped_s, std_s, judging.judge_chunk(seen, engine, limits)


def see(
    sound: envelopes.Sound, laid: grid.Grid, slots: int, shortest: float, limits: LimitSet
) -> tuple[cues.Windows, np.ndarray]:
    """The windows of one chunk at refined moments (less the time skipped before each), and the moments' standard
    deviations, (events,) in seconds.

    The shape of a firing is learned from the chunk; shortest: distance of two firings in cycles, at least.
    """
    t_s = expected_s = laid.t_s
    width_s = laid.cycle_s * shortest
    spread = limits.value("moment_spread")
    for _ in range(ROUNDS):
        cut = shapes.windows(sound.amplitude, sound.rate_hz, t_s, width_s)
        core = cut[:, :, shapes.REACH : -shapes.REACH]
        shape = shapes.learn(core, laid.slot, slots)
        factor = shapes.common_factor(shapes.project(core, laid.slot, shape))
        moved = shapes.project_moved(cut, laid.slot, shape, factor.band_weight)
        t_s, std_s = moments.refine(t_s, expected_s, width_s, moved, factor.noise, spread)
        expected_s = moments.path(t_s, std_s, laid.t_s, width_s)
    cut = shapes.windows(sound.amplitude, sound.rate_hz, t_s, width_s)[:, :, shapes.REACH : -shapes.REACH]
    return cues.Windows(
        cut, t_s - laid.skipped_s, laid.slot, laid.confidence, sound.centres_hz, factor.band_weight
    ), std_s

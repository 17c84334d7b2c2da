"""The whole: the only place that knows the order of the stages.

A recording is read once, in blocks of under a minute that overlap a little, so that hours need no more memory than
minutes do.
Each block goes through the stages that listen; what they found is put together and judged as a whole.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, fields, replace
from datetime import UTC, datetime
from itertools import chain, islice
from typing import Any, BinaryIO, TypeVar

import numpy as np

from enginelog import __version__, findings, firing, limits, media, quality, speed, timeline
from enginelog.dsp.memory import give_back, set_aside
from enginelog.dsp.signals import WORK_RATE_HZ, resample
from enginelog.model import RHYTHM, Clip, Engine, Firings, Run, Track

BLOCK_S = 30.0
OVERLAP_S = 4.0
BLOCKS_ASKED = 10  # blocks kept at most until it is known how a twin fires
PARTS = 32  # blocks whose tracks and firings are kept apart
FLOATS = ("pcm_f32", "pcm_f64")  # codings that hold samples beyond full scale as they are


Timed = TypeVar("Timed", timeline.Activity, Track, Firings)


@dataclass
class _Heard:
    """What the listening stages found, block by block.

    fires: how it fires by its sound, None where that was told. latest: of the last block, which the next one cuts
    short. double_rpm: of that block, where it fired on every second turn (`tracked`). tracks (without their rhythm),
    rhythms, firings: the first `chunks` parts are those of PARTS blocks each, since many small arrays take far more
    room than they hold. beside: what each block showed of another engine, (t_s, columns of `Track.beside`).
    """

    watch: timeline.Watch
    fires: speed.HeardAngles | None = None
    quality: list = field(default_factory=list)
    latest: tuple[timeline.Activity, Track, Firings] | None = None
    double_rpm: float | None = None
    tracks: list[Track] = field(default_factory=list)
    rhythms: list = field(default_factory=list)
    firings: list[Firings] = field(default_factory=list)
    spectrum: speed.OrderPower | None = None
    beside: list = field(default_factory=list)
    chunks: int = 0


def analyse(
    source: str | BinaryIO,
    engine: Engine,
    name: str | None = None,
    progress: Callable[[float], None] | None = None,
    ran: bool = False,
) -> Run:
    """Analyse one recording.

    source: path of a file, or an open binary stream. name: what to call it (default: the file's name).
    progress: called with the share done, 0..1, from time to time. ran: somebody says that an engine ran in it, which
    counts where the sound alone tells of none.
    Raises UnreadableError where the source cannot be read as a recording.
    """
    sets = {topic: limits.load(topic) for topic in ("quality", "speed", "timeline", "firing", "findings")}
    with media.open_recording(source, name=name) as recording:
        as_heard, heard = _heard_throughout(recording, engine, sets, progress)
        info, problems, filled = recording.info, recording.problems, recording.filled
    del recording  # with the last of its sound
    return _judge(info, problems, filled, replace(as_heard, assumed=engine.assumed), sets, heard, ran)


def _heard_throughout(
    recording: media.Recording, engine: Engine, sets: dict, progress: Callable[[float], None] | None
) -> tuple[Engine, _Heard]:
    """What was heard in all blocks, and the engine that it was heard as; the sound itself is let go."""
    blocks, fires = _how_it_fires(recording.blocks(seconds=BLOCK_S, overlap_s=OVERLAP_S), engine, sets)
    as_heard = engine if fires is None else speed.fires(engine, fires.angles_deg)
    heard = _Heard(timeline.Watch(as_heard, sets["timeline"]), fires)
    for clip in blocks:
        start_s, end_s = clip.start_s, clip.start_s + clip.seconds
        found = _listen(clip, as_heard, sets, heard)
        del clip  # before what was found is looked at further, and the next one made
        _keep(heard, start_s + OVERLAP_S / 2 if heard.latest else 0.0, *found)
        if progress and recording.info.seconds:
            progress(min(1.0, end_s / recording.info.seconds))
    return as_heard, heard


def _how_it_fires(
    blocks: Iterator[Clip], engine: Engine, sets: dict
) -> tuple[Iterator[Clip], speed.HeardAngles | None]:
    """The same blocks, and how a twin fires whose firing angles nobody told, by as many of the first as it takes."""
    if not engine.firing_open:
        return blocks, None
    twin, taken = speed.Twin(engine, sets["speed"]), []
    for clip in islice(blocks, BLOCKS_ASKED):
        taken.append(clip)
        twin.hear(clip)
        if twin.enough:
            break
    return chain(taken, blocks), twin.angles()


def listener(engine: Engine) -> Callable[[Clip, bool], tuple[Track, Firings | None]]:
    """The listening stages for one stretch of sound after the other, as live listening needs them.

    The function returned gives the speed over time and, where asked for (None else), the firings of a stretch, by the
    same code as `analyse`; how a twin fires that nobody told as soon as it was heard for long enough. Only the order of
    a two-stroke's turns is not asked: so short a stretch tells too little.
    """
    speed_limits, firing_limits = limits.load("speed"), limits.load("firing")
    taken = speed.Taken(engine, speed_limits)

    def hear(clip: Clip, with_firings: bool) -> tuple[Track, Firings | None]:
        as_heard = taken.engine
        track = speed.track(clip, as_heard, speed_limits)
        taken.hear(clip, track)
        return track, firing.locate(clip, track, as_heard, firing_limits) if with_firings else None

    return hear


def tracked(
    clip: Clip,
    engine: Engine,
    speed_limits: limits.LimitSet,
    firing_limits: limits.LimitSet,
    before_rpm: float | None = None,
) -> Track:
    """The speed over time through one block; where a two-stroke may fire on every second turn of its double, whichever
    of both the order of its turns tells. Where it tells neither, the double still if that is about `before_rpm`: the
    speed of the block before, which fired so (`speed.settled_double`)."""
    clip = _at_work_rate(clip)
    track = speed.track(clip, engine, speed_limits)
    double_rpm = speed.double_in_question(track, engine, speed_limits)
    if double_rpm is None:
        return track
    faster = speed.track(clip, engine, speed_limits, about_rpm=double_rpm)
    order = firing.order_of_turns(clip, track, faster, engine, firing_limits)
    if firing.fires_every_turn(order, firing_limits):
        return speed.settled(track)
    as_before = before_rpm is not None and abs(math.log(double_rpm / before_rpm)) < speed_limits.value("about_within")
    return speed.settled(track, faster) if as_before or firing.fires_every_second(order, firing_limits) else track


def _at_work_rate(clip: Clip) -> Clip:
    return replace(clip, samples=resample(clip.samples, clip.rate_hz, WORK_RATE_HZ), rate_hz=WORK_RATE_HZ)


def _listen(clip: Clip, engine: Engine, sets: dict, heard: _Heard) -> tuple[timeline.Activity, Track, Firings]:
    """Run the listening stages over one block."""
    measured = quality.measure(clip, sets["quality"])
    low = _at_work_rate(clip)
    activity = timeline.listen(low, sets["timeline"])
    track = tracked(low, engine, sets["speed"], sets["firing"], heard.double_rpm)
    heard.double_rpm = speed.settled_double(track)
    heard.quality.append(quality.with_hum(measured, track.hum))
    heard.spectrum = speed.added(heard.spectrum, speed.order_power(low, track, engine))
    # No band of the firings reaches beyond the work rate; a recording of a lower one is read as it is.
    heard_in = low if low.rate_hz < clip.rate_hz else clip
    silent = quality.silences([measured], math.inf, sets["quality"])
    firings = firing.locate(heard_in, track, engine, sets["firing"], silent)
    track = replace(track, turning_rpm=firing.turning_rpm(track.t_s, firings, sets["firing"]).astype(np.float32))
    return activity, track, firings


def _keep(heard: _Heard, start_s: float, activity: timeline.Activity, track: Track, firings: Firings) -> None:
    """Keep what a block found from `start_s` on, the middle of its overlap with the one before; of that, what it found
    until then is put away."""
    _put_away(heard, start_s)
    own = (start_s, math.inf)
    heard.latest = _between(activity, *own), _between(track, *own), _between(firings, *own)


def _put_away(heard: _Heard, until_s: float) -> None:
    """What the latest block found before `until_s`, in as little memory as does: this is what grows by the hour."""
    if heard.latest is None:
        return
    activity, track, firings = heard.latest
    heard.latest, own = None, (-math.inf, until_s)
    track = _between(track, *own)
    heard.watch.add(_between(activity, *own), track)
    small = track.confidence.astype(np.float32), track.rpm_std.astype(np.float32)
    heard.tracks.append(replace(track, confidence=small[0], rpm_std=small[1], rhythm=None, hum=None, beside=None))
    heard.beside.append(speed.thinned(track))
    heard.rhythms.append(track.rhythm)
    heard.firings.append(_between(firings, *own))
    if len(heard.tracks) - heard.chunks >= PARTS:
        heard.tracks.append(set_aside(_end_to_end(_taken(heard.tracks, heard.chunks))))
        heard.rhythms.append(set_aside(_packed(np.concatenate(_taken(heard.rhythms, heard.chunks)))))
        heard.firings.append(set_aside(firing.join(_taken(heard.firings, heard.chunks))))
        heard.chunks += 1
        give_back()


def _packed(rhythm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A rhythm (n, len(RHYTHM)) in half the room: what a run's speed asks of it needs no more, but for the pitch."""
    return rhythm.astype(np.float16), rhythm[:, RHYTHM.index("pitch")].copy()


def _unpacked(parts: list) -> np.ndarray:
    """Rhythms that follow each other, packed or not, as one."""
    parts = [part if isinstance(part, tuple) else (part, part[:, RHYTHM.index("pitch")]) for part in parts]
    whole = np.concatenate([rhythm for rhythm, _ in parts], dtype=np.float32)
    whole[:, RHYTHM.index("pitch")] = np.concatenate([pitch for _, pitch in parts])
    return whole


def _taken(parts: list, first: int = 0) -> list:
    """The parts from number `first` on, which are taken out of the list."""
    taken = parts[first:]
    del parts[first:]
    return taken


def _end_to_end(parts: list[Track]) -> Track:
    """One track from parts without rhythm that follow each other, which are let go column by column."""
    names = [each.name for each in fields(Track) if getattr(parts[0], each.name) is not None and each.name != "rhythm"]
    columns: dict[str, list] = {name: [getattr(part, name) for part in parts] for name in names}
    parts.clear()
    return Track(**{name: np.concatenate(columns.pop(name)) for name in tuple(columns)})


def _between(part: Timed, start_s: float, end_s: float) -> Timed:
    """The entries of `part`, arrays of equal length beside `t_s` (or None), from `start_s` until before `end_s`."""
    mine = (part.t_s >= start_s) & (part.t_s < end_s)
    columns = ((each.name, getattr(part, each.name)) for each in fields(part))
    own: dict[str, Any] = {name: None if column is None else column[mine] for name, column in columns}
    return replace(part, **own)


def _judge(info, problems, filled, engine: Engine, sets: dict, heard: _Heard, ran: bool) -> Run:
    """Put the blocks together and judge the recording as a whole."""
    _put_away(heard, math.inf)
    long = heard.chunks > 0
    give_back(long)
    track = _end_to_end(_taken(heard.tracks))
    silent_s = quality.silences(heard.quality, info.seconds, sets["quality"])
    story = timeline.tell(heard.watch.finish(), track, engine, sets["timeline"], ran, silent_s)
    track = speed.coasted(track, story, sets["speed"])
    running = story.spans if story.engine_heard else ()
    floats = info.codec in FLOATS
    parts = _taken(heard.quality)
    clip_quality = quality.judge(parts, info.seconds, sets["quality"], problems, running, floats, filled)
    other = speed.running_beside(heard.beside, running, sets["speed"])
    clip_quality = quality.with_beside(clip_quality, other)
    if not story.engine_heard and story.pulls == 0:
        clip_quality = quality.nothing_read(clip_quality, sets["quality"])
    told = replace(track, rhythm=_unpacked(_taken(heard.rhythms)))
    as_heard = engine if heard.fires is None else speed.fires(engine, heard.fires.angles_deg)
    run_speed = speed.summarise(told, running, sets["speed"], clip_quality.trust, as_heard)
    by_lines = speed.settled_by_lines(told, running, as_heard, sets["speed"])
    del told  # nothing after this asks for the rhythm, and it is the most of the track
    give_back(long)
    # No speed is surer than that there was an engine.
    run_speed = replace(run_speed, confidence=min(run_speed.confidence, story.confidence))
    run_speed = run_speed if heard.fires is None else heard.fires.doubted(run_speed, sets["speed"])
    firings = firing.join(heard.firings.pop(0) for _ in range(len(heard.firings)))
    spectrum = speed.spectrum_of(heard.spectrum) if story.engine_heard and heard.spectrum else None
    if not by_lines and not speed.settled_by_turns(track, running):
        run_speed = speed.doubted_as_one(run_speed, spectrum, as_heard, sets["speed"])
    cancelled_db = speed.cancelled_db(spectrum, engine)
    heard_beside = cancelled_db, other
    measures = findings.judge(engine, clip_quality, story, run_speed, track, firings, sets["findings"], *heard_beside)
    return Run(
        program_version=__version__,
        analysed_at=datetime.now(UTC).isoformat(timespec="seconds"),
        clip=info,
        engine=engine,
        quality=clip_quality,
        timeline=story,
        track=track,
        firings=firings,
        measures=measures,
        spectrum=spectrum,
        limits_used={
            f"{topic}.{limit.name}": limit.value
            for topic, chosen in sets.items()
            for limit in chosen.values()
            if math.isfinite(limit.value)
        },
    )

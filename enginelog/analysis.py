"""The whole: the only place that knows the order of the stages.

A recording is read once, in blocks of under a minute that overlap a little, so that hours need no more memory than
minutes do.
Each block goes through the stages that listen; what they found is put together and judged as a whole.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace
from datetime import UTC, datetime
from typing import BinaryIO

from enginelog import __version__, findings, firing, limits, media, quality, speed, timeline
from enginelog.model import Clip, Engine, Firings, Run, Track

BLOCK_S = 30.0
OVERLAP_S = 4.0


@dataclass
class _Heard:
    """What the listening stages found, block by block."""

    starts_s: list = field(default_factory=list)
    quality: list = field(default_factory=list)
    activity: list = field(default_factory=list)
    tracks: list = field(default_factory=list)
    firings: list = field(default_factory=list)
    spectra: list = field(default_factory=list)


def analyse(
    source: str | BinaryIO,
    engine: Engine,
    name: str | None = None,
    progress: Callable[[float], None] | None = None,
) -> Run:
    """Analyse one recording.

    source: path of a file, or an open binary stream. name: what to call it (default: the file's name).
    progress: called with the share done, 0..1, from time to time.
    Raises UnreadableError where the source cannot be read as a recording.
    """
    sets = {topic: limits.load(topic) for topic in ("quality", "speed", "timeline", "firing", "findings")}
    heard = _Heard()
    with media.open_recording(source, name=name) as recording:
        for clip in recording.blocks(seconds=BLOCK_S, overlap_s=OVERLAP_S):
            _listen(clip, engine, sets, heard)
            if progress and recording.info.seconds:
                progress(min(1.0, (clip.start_s + clip.seconds) / recording.info.seconds))
        info, problems = recording.info, recording.problems
    return _judge(info, problems, engine, sets, heard)


def listener(engine: Engine) -> Callable[[Clip, bool], tuple[Track, Firings | None]]:
    """The listening stages for one stretch of sound after the other, as live listening needs them.

    The function returned gives the speed over time and, where asked for (None else), the firings of a stretch, by the
    same code as `analyse`.
    """
    speed_limits, firing_limits = limits.load("speed"), limits.load("firing")

    def hear(clip: Clip, with_firings: bool) -> tuple[Track, Firings | None]:
        track = speed.track(clip, engine, speed_limits)
        return track, firing.locate(clip, track, engine, firing_limits) if with_firings else None

    return hear


def _listen(clip: Clip, engine: Engine, sets: dict, heard: _Heard) -> None:
    """Run the listening stages over one block."""
    first = not heard.starts_s
    heard.starts_s.append(0.0 if first else clip.start_s + OVERLAP_S / 2)
    heard.quality.append(quality.measure(clip, sets["quality"]))
    heard.activity.append(timeline.listen(clip, sets["timeline"]))
    track = speed.track(clip, engine, sets["speed"])
    heard.tracks.append(track)
    heard.firings.append(firing.locate(clip, track, engine, sets["firing"]))
    heard.spectra.append(speed.order_power(clip, track, engine))


def _own_parts(heard: _Heard) -> list[Firings]:
    """The firings of each block without those that the next block hears again."""
    ends = [*heard.starts_s[1:], math.inf]
    parts = []
    for found, start_s, end_s in zip(heard.firings, heard.starts_s, ends, strict=True):
        mine = (found.t_s >= start_s) & (found.t_s < end_s)
        parts.append(Firings(**{each.name: getattr(found, each.name)[mine] for each in fields(found)}))
    return parts


def _judge(info, problems, engine: Engine, sets: dict, heard: _Heard) -> Run:
    """Put the blocks together and judge the recording as a whole."""
    clip_quality = quality.judge(heard.quality, info.seconds, sets["quality"], extra=problems)
    # What has been put together is let go at once: hours of it twice over would be the most that is ever held.
    track = speed.join(heard.tracks, heard.starts_s)
    heard.tracks.clear()
    activity = timeline.join(heard.activity, heard.starts_s)
    heard.activity.clear()
    firings = firing.join(_own_parts(heard))
    heard.firings.clear()
    story = timeline.build(activity, track, engine, sets["timeline"])
    if not story.engine_heard and story.pulls == 0:
        clip_quality = quality.nothing_read(clip_quality, sets["quality"])
    running = story.spans if story.engine_heard else ()
    run_speed = speed.summarise(track, running, sets["speed"], clip_quality.trust, engine)
    # No speed is surer than that there was an engine.
    run_speed = replace(run_speed, confidence=min(run_speed.confidence, story.confidence))
    del activity
    measures = findings.judge(engine, clip_quality, story, run_speed, track, firings, sets["findings"])
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
        spectrum=speed.join_spectra(heard.spectra) if story.engine_heard else None,
        limits_used={
            f"{topic}.{limit.name}": limit.value
            for topic, chosen in sets.items()
            for limit in chosen.values()
            if math.isfinite(limit.value)
        },
    )

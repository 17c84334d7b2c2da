"""The one figure of the run: the median speed over running, and how far it can be trusted.

The interval is of the median of this run as measured from this sound. Where the speed itself varies, the median of a
noisy track is off by more: with N independent measurements of noise s_e, of a speed that spreads by s_t in all, its
variance is about 2 s_e s_t / N (to first order, from the density 1 / (s_t sqrt(2 pi)) at the median and the mean size
s_e sqrt(2/pi) of the noise), which for a steady speed passes into 2 s_e^2 / N, a little over the textbook's
pi/2 s_e^2 / N. Frames of which it is not known whether they belong to the run may move the median further, by no more
than as many places up or down the order of the speeds (the definition of a quantile). Neither reach alone says how far
the median is off: the noise's is too wide for a sure track and too narrow for an unsure one. The interval reaches to
their geometric mean, the doubtful frames counted twice, stretched so that it holds 95 % of the time whether little or
much of the run is sure (made-up recordings with known truth, tuning seeds), and to the doubtful frames at least. How
far the median moves where the speeds are evened less or more (not at all, over half a second) is added: the noise of a
reading pulls it towards the emptier side of the speeds, and evening makes the peaks of a swing less.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from enginelog.dsp.smoothing import moving_mean
from enginelog.dsp.spread import MAD
from enginelog.limits import LimitSet
from enginelog.model import READ_OVER_S, RHYTHM, Engine, Span, Speed, Track
from enginelog.speed.kinds import faster_reading
from enginelog.speed.run_confidence import figures, run_confidence
from enginelog.speed.tracks import may_be_faster

AT_ONE_RATE = 1e-9  # change of a speed over a quarter of a second that no engine's is below
SMOOTHED = 7  # frames whose mean tells the speed from the noise of a frame


def summarise(
    track: Track, spans: tuple[Span, ...], limits: LimitSet, trust: float = 1.0, engine: Engine | None = None
) -> Speed:
    """Median speed over the run spans and its 95 % interval.

    The confidence falls where the interval is so wide that the run has no one speed, and to what `run_confidence` makes
    of the whole, where the engine is told. The speed is read over a quarter
    of a second. The run-up of a run span is left out, unless the recording begins with it. Frames too unsure to report
    still count where they lie near their sure neighbours: leaving them out would leave out the dips. Without known
    frames, or where they are too few and too unsure, every number is None. Where only the run as a whole makes the
    median unlikely, as it does where the throttle was moved, it is handed on with `told` False.
    """
    track = _with_unsure(track, spans, engine, limits)
    path = _path(track)
    inside = _running(track.t_s, path, spans, limits)
    known = inside & np.isfinite(track.rpm)
    if known.sum() < limits.value("least_known_frames"):
        return Speed.unknown()
    counted, rpm = _filled(track, path, known, inside, limits)
    once = _read(track, counted, rpm, limits)
    confidence = float(np.mean(track.confidence[known])) * float(np.mean(known[inside])) ** 0.5
    middle, low, high = _median_and_interval(track, path, spans, inside, rpm, once, confidence, limits)
    half_width = (high - low) / 2 / middle
    chance = 1.0
    if engine is not None and track.rhythm is not None:
        chance = run_confidence(figures(track, inside, once, half_width, engine, limits))
    if confidence < limits.value("least_run_confidence"):
        return Speed.unknown()
    told = _worth_telling(chance, half_width, limits)
    confidence = min(confidence * min(1.0, limits.value("one_speed_within") / max(half_width, 1e-9)), chance) * trust
    faster = _faster(track, inside, engine, limits)
    or_rpm = None if faster is None else faster * middle
    confidence = confidence if faster is None else min(confidence, limits.value("confidence_in_doubt"))
    return Speed(middle, low, high, None, float(np.clip(confidence, 0.0, 1.0)), or_rpm, told=told)


def _worth_telling(chance: float, half_width: float, limits: LimitSet) -> bool:
    """Whether a speed is told, by how likely it is right within 1 % and the half width of its interval, relative to it.

    Of a run that kept to one speed less is asked: what is off is mostly off by 1 to 3 %, and the interval says so. Of
    a wide interval nothing is left where its middle is wrong.
    """
    narrow = half_width <= limits.value("near_within")
    return chance >= limits.value("least_near_chance" if narrow else "least_run_chance")


def _with_unsure(track: Track, spans: tuple[Span, ...], engine: Engine | None, limits: LimitSet) -> Track:
    """The track with the speed of less sure frames, too, where hardly any frame of the runs was sure enough to report:
    many that agree may tell what none tells alone. The confidence of the whole stays as low as theirs."""
    enough = np.isfinite(track.rpm[within(track.t_s, spans, "run")]).sum() >= limits.value("least_known_frames")
    if engine is None or track.rhythm is None or enough:
        return track
    path = np.exp(track.rhythm[:, RHYTHM.index("pitch")].astype(float)) * 60.0 * engine.revs_per_cycle
    return replace(track, rpm=np.where(track.confidence >= limits.value("least_confidence_together"), path, np.nan))


def _median_and_interval(
    track: Track,
    path: np.ndarray,
    spans: tuple[Span, ...],
    inside: np.ndarray,
    rpm: np.ndarray,
    once: np.ndarray,
    confidence: float,
    limits: LimitSet,
) -> tuple[float, float, float]:
    """Median of `once` (n,) evened once more, and its 95 % interval from the noise of `rpm` (n,), frame by frame, the
    frames in doubt, and how far less or more evening moves it: see the module's docstring."""
    read = _evened(once, 1, limits)
    middle = float(np.median(read))
    noise = 1.96 * _median_std(rpm, confidence, limits)
    missed = _heard_outside(track, path, spans)
    bounds = np.array(_between(read, _doubtful_share(track, spans, inside, len(rpm), limits), missed))
    doubt = np.abs(np.log(bounds / middle))
    reach = limits.value("interval_factor") * np.cbrt(noise * (doubt + limits.value("least_doubt")) ** 2)
    moves = max(abs(float(np.log(np.median(other) / middle))) for other in (once, _evened(once, 2, limits)))
    low, high = np.exp([-1.0, 1.0] * (np.maximum(reach, doubt) + moves))
    return middle, float(middle * low), float(middle * high)


def _faster(track: Track, inside: np.ndarray, engine: Engine | None, limits: LimitSet) -> int | None:
    """How many times as fast the engine may have turned in most of the frames that count; None where it did not."""
    if engine is None or track.rhythm is None:
        return None
    may_be = may_be_faster(track.rhythm, engine, limits)[inside]  # the rhythm of hours is not copied
    in_doubt = np.mean(may_be if track.settled is None else may_be & (track.settled[inside] == 0)) > 0.5
    return faster_reading(engine) if in_doubt else None


def _doubtful_share(track: Track, spans: tuple[Span, ...], inside: np.ndarray, used: int, limits: LimitSet) -> float:
    """Frames not known to belong to the run (left out as unsure, or near a start or cut) over those used, up to 1.

    A share of the unsure ones that were used counts too: the crank slows while firings are lost, and a track that
    hears none of them runs on level. Less of those that the turns between firings tell, too. However sure all are, a
    few may lie on the other side of the median, which shifts that of a run at two speeds by far.
    """
    hop_s = float(track.t_s[1] - track.t_s[0])
    first_s, last_s = float(track.t_s[0]) + 0.2, float(track.t_s[-1]) - 0.2
    runs = [span for span in spans if span.kind == "run"]
    edges = sum((run.start_s > first_s) + (run.end_s < last_s) for run in runs)
    frames = inside.sum() - used + edges * limits.value("edge_doubt_s") / hop_s
    unsure = 1.0 - track.confidence[inside]
    if track.turning_rpm is not None:
        unsure = unsure * np.where(np.isfinite(track.turning_rpm[inside]), limits.value("unheard_in_turns"), 1.0)
    share = frames / used + limits.value("unheard_per_doubt") * float(np.mean(unsure))
    return float(np.clip(share, limits.value("least_in_doubt"), 1.0))


def _heard_outside(track: Track, path: np.ndarray, spans: tuple[Span, ...]) -> np.ndarray:
    """Speeds told where nothing was heard to run: a quiet part of a run may have been missed."""
    return path[within(track.t_s, spans, "quiet") & np.isfinite(track.rpm)]


def _between(read: np.ndarray, doubtful: float, missed: np.ndarray) -> tuple[float, float]:
    """Least and largest median that speeds with this share of doubtful ones can have, with or without the missed ones.

    Quantiles about the middle: hardly any width for a run at one speed, the whole span of a run whose throttle was
    moved half-way.
    """
    bounds = np.quantile(read, [0.5 - doubtful / 2, 0.5 + doubtful / 2])
    both = np.append(bounds, np.median(np.concatenate([read, missed])))
    return float(both.min()), float(both.max())


def _running(t_s: np.ndarray, path: np.ndarray, spans: tuple[Span, ...], limits: LimitSet) -> np.ndarray:
    """Mask of the frames that count: running, run-up left out."""
    inside = np.zeros(len(t_s), bool)
    for span in spans:
        frames = within(t_s, (span,), "run")
        inside |= frames & (t_s >= _run_up_end(t_s[frames], path[frames], span, limits))
    return inside


def within(t_s: np.ndarray, spans: tuple[Span, ...], kind: str) -> np.ndarray:
    """Mask of the frames that lie in a span of this kind, ends included."""
    inside = np.zeros(len(t_s), bool)
    for span in spans:
        if span.kind == kind:
            inside |= (t_s >= span.start_s) & (t_s <= span.end_s)
    return inside


def _run_up_end(t_s: np.ndarray, rpm: np.ndarray, span: Span, limits: LimitSet) -> float:
    """When the speed first comes near to where it then stays for a while; the start of a run already going on."""
    latest = min(limits.value("run_up_s"), 0.3 * (span.end_s - span.start_s))
    if span.start_s <= 0.2 or len(t_s) < 2:
        return span.start_s
    stay = max(1, int(limits.value("run_up_stays_s") / (t_s[1] - t_s[0])))
    for number in np.flatnonzero(t_s <= span.start_s + latest):
        usual = np.median(rpm[number : number + stay])
        if abs(rpm[number] / usual - 1.0) < limits.value("run_up_within"):
            return float(t_s[number])
    return span.start_s + latest


def _path(track: Track) -> np.ndarray:
    """The tracked speed of every frame, sure or not; NaN where only the sure ones were kept, or none is sure."""
    known = np.isfinite(track.rpm)
    if track.rhythm is None or not known.any():
        return track.rpm
    path = np.exp(track.rhythm[:, RHYTHM.index("pitch")])
    return path * np.median(track.rpm[known] / path[known])


def _read(track: Track, counted: np.ndarray, rpm: np.ndarray, limits: LimitSet) -> np.ndarray:
    """Speeds read over a quarter of a second, (n,): by the turns between firings where those are clear, which the track
    may smooth out; else by the mean of the track's `rpm` (n,) in the `counted` frames. Where the track is the same to
    the last digits its lines were in step all along (`tracking`), which tells the speed finer than any turn."""
    read = moving_mean(rpm, min(_quarter(limits), len(rpm)))
    if track.turning_rpm is None:
        return read
    turning = track.turning_rpm[counted].astype(float)
    alike = np.abs(np.log(turning / read)) < limits.value("turning_within")  # never where unknown
    wanders = np.abs(rpm / read - 1.0) > AT_ONE_RATE
    return np.where(alike & wanders, turning, read)


def _evened(read: np.ndarray, times: int, limits: LimitSet) -> np.ndarray:
    """Speeds (n,) evened over `times` quarters of a second more."""
    return moving_mean(read, min(times * _quarter(limits) + times - 1, len(read)))


def _quarter(limits: LimitSet) -> int:
    """Frames over which a speed is read."""
    return round(READ_OVER_S / limits.value("frame_hop_s"))


def _filled(
    track: Track, path: np.ndarray, known: np.ndarray, inside: np.ndarray, limits: LimitSet
) -> tuple[np.ndarray, np.ndarray]:
    """Mask of the frames that count, and their speeds: sure ones, and unsure ones of the tracked path near these."""
    path = np.where(known, track.rpm, path)
    between = np.interp(track.t_s, track.t_s[known], track.rpm[known])
    near = np.abs(np.log(path / between)) < limits.value("near_neighbours")
    counted = inside & (known | near)
    return counted, path[counted]


def _median_std(rpm: np.ndarray, confidence: float, limits: LimitSet) -> float:
    """Relative deviation of the median: see the module's docstring. An unsure track is noisier than it looks."""
    log = np.log(rpm)
    rough = MAD * np.median(np.abs(log - moving_mean(log, min(SMOOTHED, len(log)))))
    noise = np.hypot(limits.value("noise_per_roughness") * rough, limits.value("least_noise"))
    noise *= 1.0 + limits.value("noise_of_doubt") * (1.0 - confidence)
    total = max(float(np.std(log)), noise)
    count = max(len(rpm) / limits.value("frames_per_measurement"), 1.0)
    return float(np.sqrt(2 * noise * total / count))

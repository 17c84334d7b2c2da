"""Hand-built run records for the tests of the pictures, the page and the store: no sound is made or analysed.

Each builder returns a `model.Run` whose parts agree with one another (the misfire count is the number of lost firings
in `firings`, the median speed is that of `track`), so a renderer that mixes fields up shows it. Machines are invented.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from enginelog.model import (
    ClipInfo,
    CylinderFiring,
    Engine,
    Finding,
    Firings,
    FiringSummary,
    Hunting,
    LoadStep,
    Measures,
    Pop,
    Problem,
    Quality,
    Run,
    Settling,
    Span,
    Spectrum,
    Speed,
    Timeline,
    Track,
)

FRAME_S = 0.05
NAN = float("nan")
EMPTY = np.empty(0)
ISO_BAND = "ISO 8528-5, class G2, as tabulated by King & Knight, table 1.1"
NO_FIRINGS = Firings(EMPTY, np.empty(0, int), EMPTY, EMPTY, EMPTY, EMPTY, EMPTY, EMPTY)


def clip(name: str, seconds: float, **changes) -> ClipInfo:
    info = ClipInfo(name, "5f" * 32, seconds, 48000, 1, "aac", "2025-05-03T10:12:44+02:00")
    return replace(info, **changes)


def track(spans: tuple[Span, ...], seconds: float, rpm_at: Callable[[np.ndarray], np.ndarray], seed: int) -> Track:
    """Speed inside run and run-down spans (run-down falls to zero), unknown elsewhere; a little measuring noise."""
    rng = np.random.default_rng(seed)
    t_s = (np.arange(int(seconds / FRAME_S)) + 0.5) * FRAME_S
    rpm, std = np.full(len(t_s), NAN), np.full(len(t_s), NAN)
    confidence = np.zeros(len(t_s))
    for span in spans:
        inside = (t_s >= span.start_s) & (t_s < span.end_s)
        if span.kind in ("run", "rundown") and inside.any():
            level = rpm_at(t_s[inside])
            if span.kind == "rundown":
                level = level * (1 - (t_s[inside] - span.start_s) / (span.end_s - span.start_s + 0.3))
            std[inside] = 0.002 * level
            rpm[inside] = level * (1 + 0.002 * rng.standard_normal(inside.sum()))
            sure = 0.95 if span.kind == "run" else 0.55
            confidence[inside] = np.clip(sure - 0.03 * np.abs(rng.standard_normal(inside.sum())), 0, 1)
    rpm[confidence == 0] = NAN
    return Track(t_s, rpm, confidence, std)


def firings(engine: Engine, speed: Track, run: Span, lost: Callable, seed: int, spread=0.06, levels=None) -> Firings:
    """Firing opportunities of one run; `lost(t_s, slot, rng)` gives the mask of the lost ones."""
    rng = np.random.default_rng(seed)
    inside = (speed.t_s >= run.start_s) & (speed.t_s < run.end_s)
    t, revs = speed.t_s[inside], np.cumsum(speed.rpm[inside]) / 60 * FRAME_S
    angles = np.sort(np.asarray(engine.firing_angles_deg)) / 360
    cycles = np.arange(0, revs[-1] - 1, engine.revs_per_cycle)
    at_rev = (cycles[:, None] + angles[None, :]).ravel()
    slot = np.tile(np.arange(engine.cylinders), len(cycles))
    t_s = np.interp(at_rev, revs, t)
    gone = lost(t_s, slot, rng)
    wide = np.broadcast_to(np.asarray(spread(t_s) if callable(spread) else spread), t_s.shape)
    strength = np.clip(1 + wide * rng.standard_normal(len(t_s)), 0.3, None)
    strength[gone] = np.clip(0.05 + 0.04 * rng.standard_normal(gone.sum()), 0, None)
    level = np.asarray(levels if levels is not None else np.ones(engine.cylinders))[slot]
    timing = 0.01 * rng.standard_normal(len(t_s))
    probability = np.where(gone, 0.97, 0.01)
    return Firings(t_s, slot, strength, level, probability, timing, np.full(len(t_s), 14.0), at_rev)


def summary(engine: Engine, found: Firings, pattern: str | None, levels=None) -> FiringSummary:
    gone = found.miss_probability > 0.5
    n, k = len(gone), int(gone.sum())
    half = 1.96 * np.sqrt(k * (n - k) / n) / n * 100
    low, high = (0.0, 100 * (1 - 0.05 ** (1 / n))) if k == 0 else (max(0.0, 100 * k / n - half), 100 * k / n + half)
    levels = levels if levels is not None else [1.0] * engine.cylinders
    cylinders = tuple(
        CylinderFiring(i, 100 * float(gone[found.slot == i].mean()), float(levels[i])) for i in range(engine.cylinders)
    )
    return FiringSummary(n, k, 100 * k / n, low, high, pattern, 1.1, 100 * float(found.strength.std()), cylinders)


def spectrum(engine: Engine, seed: int, halves=-35.0) -> Spectrum:
    """Lines at multiples of half an order over noise; the firing order and its multiples stand out."""
    rng = np.random.default_rng(seed)
    order = np.arange(0.1, 12.0, 0.01)
    power = 10 ** (-5.5 + 0.5 * rng.standard_normal(len(order)) / 3)
    firing = engine.cylinders / engine.revs_per_cycle
    for line in np.arange(1, 24) / 2:
        level = -6.0 - 1.5 * line if np.isclose(line % firing, 0) or not engine.even_firing else halves
        power += 10 ** (level / 10) * np.exp(-(((order - line) / 0.015) ** 2))
    level_db = 10 * np.log10(power)
    return Spectrum(order, level_db - level_db.max())


def speed_figure(found: Track, band: float | None) -> Speed:
    known = found.rpm[found.confidence > 0.8]
    middle = float(np.median(known))
    return Speed(middle, middle - 6.0, middle + 6.0, band, 0.96)


def never(t_s, slot, rng):
    return np.zeros(len(t_s), bool)


def ok(code: str, text: str, **rest) -> Finding:
    return Finding(code, "ok", text, **rest)


def build(name, engine, spans, seconds, rpm_at, *, seed=1, lost=never, spread=0.06, levels=None, **parts) -> Run:
    """Put one run together; `parts`: band, pattern, hunting, settling, loads, findings, timeline, quality."""
    found = track(spans, seconds, rpm_at, seed)
    run = next(span for span in spans if span.kind == "run")
    fired = firings(engine, found, run, lost, seed + 1, spread, levels)
    figure = speed_figure(found, parts.get("band", 1.1))
    spans = tuple(replace(span, rpm=figure.rpm) if span.kind == "run" else span for span in spans)
    measures = Measures(
        figure,
        summary(engine, fired, parts.get("pattern", "none"), levels),
        parts.get("hunting", Hunting(False)),
        parts.get("settling", Settling(False)),
        parts.get("loads", ()),
        parts.get("findings", ()),
    )
    timeline = Timeline(True, 0.98, spans, **parts.get("timeline", {}))
    quality = parts.get("quality", Quality(True, 18.0, 0.0, 120.0))
    return Run(
        "0.1.0", "2025-05-03T09:20:00Z", clip(name, seconds), engine, quality, timeline, found, fired, measures,
        spectrum(engine, seed + 2), {"findings.steady_band_percent": 1.5},
    )  # fmt: skip


def healthy_generator() -> Run:
    """A 50 Hz generator: steady, two load steps, no misfire heard; the engine fully told."""
    engine = Engine(4, 1, (0.0,), 3150.0, None, "generator", None, 2)
    spans = (Span("quiet", 0, 1.5), Span("pull", 1.5, 2.1), Span("run", 2.6, 31.0), Span("rundown", 31.0, 33.4))

    def rpm_at(t_s):
        return 3150 - 150 * ((t_s > 14) & (t_s < 22)) * (1 + 0.8 * np.exp(-np.abs(t_s - 14) / 0.5))

    return build(
        "red-lantern-generator.m4a", engine, spans, 34.0, rpm_at,
        loads=(LoadStep(14.0, 8.1, 5.0, 1.2),), timeline={"pulls": 1, "seconds_to_run": 1.1, "rundown_s": 2.4},
        findings=(
            ok("misfire", "No misfire was heard in the 735 firings that could be judged.", value=0.0, unit="%",
               limit=1.0, source="13 CCR 1968.2 counting windows; limit chosen"),
            ok("steadiness", "Apart from the load steps the speed stays within a narrow band.", value=1.1, unit="%",
               limit=1.5, source=ISO_BAND),
            ok("hunting", "The speed does not swing to and fro."),
            ok("starting", "Ran by itself 1.1 s after the first pull."),
            ok("load", "Taking the load the speed dipped by 8.1 % and was steady again after 1.2 s.", value=1.2,
               unit="s", limit=5.0, source=ISO_BAND, start_s=14.0, end_s=15.2),
        ),
    )  # fmt: skip


def hunting_pump() -> Run:
    """A water pump whose speed swings at 0.8 Hz; strokes and cylinders not told."""
    engine = Engine(assumed=("strokes", "cylinders", "firing_angles_deg"))
    spans = (Span("quiet", 0, 1.0), Span("run", 1.0, 25.0))
    return build(
        "pump shed, windy.m4a", engine, spans, 25.0, lambda t: 3200 + 110 * np.sin(2 * np.pi * 0.8 * t), seed=11,
        band=6.9, hunting=Hunting(True, 0.8, 220.0, 6.9),
        quality=Quality(True, 9.0, 0.02, 240.0, (
            Problem("wind", "Wind blows on the microphone.", "Stand with your back to the wind, a cloth over it."),
            Problem("low_cut", "The phone cuts everything below about 240 Hz.", "Use the lossless or \"raw\" setting."),
        ), 0.8),
        findings=(
            Finding("hunting", "fault", "The speed swings 220 rpm to and fro, 0.8 times a second, all through the run.",
                    6.9, "%", 1.5, "limit chosen; a small wobble is normal for a mechanical governor", 1.0, 25.0,
                    ("Governor linkage and spring: free, right hole, no slack", "Carburettor pilot jet and air leaks: "
                     "a mixture too lean or too rich can both do this", "Throttle shaft: no play")),
            ok("misfire", "No misfire was heard in the 640 firings that could be judged."),
            Finding("stopping", "unknown", "The recording ends while the engine is running."),
        ),
    )  # fmt: skip


def settling_start() -> Run:
    """Rough at first with misfires in bursts, clean after about eight seconds."""
    engine = Engine(4, 1, (0.0,), 3000.0, 1800.0, "tiller")
    spans = (Span("pull", 0.4, 0.9), Span("pull", 1.8, 2.3), Span("pull", 3.3, 3.8), Span("run", 4.0, 30.0),
             Span("rundown", 30.0, 31.8))  # fmt: skip

    def lost(t_s, slot, rng):
        return rng.random(len(t_s)) < 0.25 * np.exp(-(((t_s - 4) / 4.0) ** 2))

    def spread(t_s):
        return 0.05 + 0.2 * np.exp(-(((t_s - 4) / 4.0) ** 2))

    def rpm_at(t_s):
        return 3000 - 250 * np.exp(-(t_s - 4) / 3) + 90 * np.exp(-(t_s - 4) / 4) * np.sin(2 * np.pi * 1.7 * t_s)

    return build(
        "tiller before.m4a", engine, spans, 32.0, rpm_at, seed=21, lost=lost, spread=spread, pattern="burst", band=2.4,
        settling=Settling(True, 8.2, 14.0, 180.0),
        timeline={"pulls": 3, "seconds_to_run": 3.6, "rundown_s": 1.8, "pops": (Pop(30.6, 12.0, "after_cut"),)},
        findings=(
            Finding("misfire", "watch", "Misfires come in bursts during the first eight seconds, then stop.", 2.3, "%",
                    1.0, "limit chosen", 4.0, 12.2, ("Spark plug: look, clean, set the gap",)),
            Finding("settling", "watch", "Rough at first (14 % of firings lost), clean 8.2 s after it began to run.",
                    8.2, "s", 5.0, "aircraft-engine service letter on valve sticking", 4.0, 12.2,
                    ("Valves: a sticking valve is one usual cause among others", "Choke: opens fully?")),
            ok("starting", "Ran by itself 3.6 s after the first of three pulls."),
            ok("hunting", "No lasting swing of the speed."),
            Finding("pops", "watch", "One loud pop after the ignition was cut.", 1, None, None, None, 30.6, 30.6),
        ),
    )  # fmt: skip


def weak_twin() -> Run:
    """A 90-degree twin (270/450) with one cylinder weak and missing now and then."""
    engine = Engine(4, 2, (0.0, 270.0), 3400.0, 1600.0, "mower", 533.0)
    spans = (Span("quiet", 0, 0.8), Span("pull", 0.8, 2.2), Span("run", 2.2, 22.0), Span("rundown", 22.0, 24.4))
    return build(
        "twin-mower.mp4", engine, spans, 25.0, lambda t: np.full(len(t), 3320.0), seed=31, levels=[1.18, 0.72],
        lost=lambda t, slot, rng: (slot == 1) & (rng.random(len(t)) < 0.12), pattern="cylinder",
        timeline={"pulls": 1, "seconds_to_run": 1.4, "rundown_s": 2.4},
        findings=(
            Finding("misfire", "fault", "One cylinder loses about one firing in eight; the other loses none.", 5.9,
                    "%", 1.0, "13 CCR 1968.2(e)(3.1.3), attribution by more than 90 %", 2.2, 22.0,
                    ("Plug and lead of the weak cylinder", "Compression of both cylinders", "Valve clearance")),
            Finding("blade_stop", "unknown", "A clip cannot certify the blade's stopping time: 2.4 s were heard.", 2.4,
                    "s", 3.0, "16 CFR 1205.5(a)(1)(iii)", 22.0, 24.4),
            ok("hunting", "The speed does not swing to and fro."),
        ),
    )  # fmt: skip


def every_second() -> Run:
    """A two-stroke brushcutter, unloaded, firing every second revolution."""
    engine = Engine(2, 1, (0.0,), None, 2800.0, "brushcutter")
    spans = (Span("pull", 0.3, 0.8), Span("run", 1.2, 9.0))

    def lost(t_s, slot, rng):
        return (np.arange(len(t_s)) % 2 == 1) & (t_s > 3)

    return build(
        "brushcutter.3gp", engine, spans, 9.0, lambda t: 6800 + 500 * np.sin(t), seed=41, lost=lost,
        pattern="every_second", band=None, timeline={"pulls": 1, "seconds_to_run": 0.9},
        findings=(
            Finding("misfire", "watch", "Fires every second revolution for most of the run; without load this can be "
                    "normal for a two-stroke running rich.", 38.0, "%", None, "encyclopedia text on two-strokes", 3, 9,
                    ("Record again under load",)),
            Finding("steadiness", "unknown", "The throttle was moved, so steadiness cannot be told."),
        ),
    )  # fmt: skip


def _without_engine(name, seconds, spans, timeline, quality, findings=()) -> Run:
    t_s = (np.arange(int(seconds / FRAME_S)) + 0.5) * FRAME_S
    blank = np.full(len(t_s), NAN)
    return Run(
        "0.1.0", "2025-05-03T09:20:00Z", clip(name, seconds), Engine(assumed=("strokes", "cylinders")), quality,
        replace(timeline, spans=spans), Track(t_s, blank, np.zeros(len(t_s)), blank), NO_FIRINGS,
        Measures(Speed(None, None, None, None, 0.0), FiringSummary(0, None, None, None, None, None, None, None),
                 Hunting(None), Settling(None), (), findings),
    )  # fmt: skip


def pulls_only() -> Run:
    """Five pulls of the starter and no running."""
    spans = tuple(Span("pull", 1.0 + 2.5 * i, 1.6 + 2.5 * i) for i in range(5))
    reason = "The starter was pulled 5 times; the engine did not run by itself."
    found = (Finding("starting", "fault", reason, 5, "pulls", None, None, 1.0, 11.6, ("Spark", "Fuel", "Compression")),)
    return _without_engine("won't start.m4a", 13.0, spans, Timeline(False, 0.9, (), 5, reason=reason),
                           Quality(True, 15.0, 0.0, 100.0), found)  # fmt: skip


def unusable_clip() -> Run:
    problems = (
        Problem("clipped", "31 % of the samples are at full scale.", "Hold the phone about two metres away."),
        Problem("too_short", "Only 1.4 s of sound.", "Record at least ten seconds of running."),
    )
    reason = "The recording is too poor to tell whether an engine runs."
    return _without_engine("clip.amr", 1.4, (), Timeline(False, 0.1, (), reason=reason),
                           Quality(False, None, 31.0, None, problems, 0.0))  # fmt: skip


def talk_only() -> Run:
    reason = "What is heard is mostly speech: it has no steady beat of an engine."
    return _without_engine("meeting.m4a", 20.0, (Span("quiet", 0, 20.0),), Timeline(False, 0.95, (), reason=reason),
                           Quality(True, 22.0, 0.0, None))  # fmt: skip


def two_hours() -> Run:
    """Two hours of a generator: 144 000 frames, about 175 000 firings, a misfire now and then."""
    engine = Engine(4, 1, (0.0,), 3000.0, None, "generator", None, 2)
    spans = (Span("quiet", 0, 20), Span("pull", 20, 20.6), Span("run", 21, 7180), Span("rundown", 7180, 7183))
    return build(
        "night watch.flac", engine, spans, 7200.0, lambda t: 3000 + 40 * np.sin(2 * np.pi * t / 900), seed=51,
        lost=lambda t, slot, rng: rng.random(len(t)) < 0.002, pattern="random", band=3.1,
        timeline={"pulls": 1, "seconds_to_run": 1.0, "rundown_s": 3.0},
        findings=(Finding("misfire", "ok", "A firing is lost now and then: 0.2 %.", 0.2, "%", 1.0, "limit chosen"),
                  Finding("steadiness", "watch", "The speed drifts slowly by about 80 rpm.", 3.1, "%", 2.5, ISO_BAND)),
    )  # fmt: skip


def nothing_known() -> Run:
    """Every value that may be unknown is unknown; the clip has no sound at all."""
    info = ClipInfo("", "", 0.0, 8000, 1, "pcm_s16le", None)
    empty = Track(EMPTY, EMPTY, EMPTY, EMPTY)
    measures = Measures(Speed(None, None, None, None, 0.0), FiringSummary(0, None, None, None, None, None, None, None),
                        Hunting(None), Settling(None), (), ())  # fmt: skip
    quality, engine = Quality(False, None, 0.0, None, (), 0.0), Engine(assumed=("strokes", "cylinders"))
    timeline = Timeline(False, 0.0, ())
    return Run("0.1.0", "2025-05-03T09:20:00Z", info, engine, quality, timeline, empty, NO_FIRINGS, measures)


HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>=cmd|' /C calc'!A0\x1b[31m\u202egpj.m4a"


def hostile() -> Run:
    """Markup, formulas, terminal codes and a right-to-left override wherever a user or a file can put text."""
    run = healthy_generator()
    finding = Finding("<b>x</b>", "fault", HOSTILE, 1.0, HOSTILE, 2.0, HOSTILE, 1.0, 2.0, (HOSTILE,))
    return replace(
        run,
        clip=replace(run.clip, name=HOSTILE, codec=HOSTILE, recorded_at=HOSTILE),
        engine=replace(run.engine, machine=HOSTILE),
        quality=replace(run.quality, problems=(Problem(HOSTILE, HOSTILE, HOSTILE),)),
        timeline=replace(run.timeline, reason=HOSTILE),
        measures=replace(run.measures, findings=(finding,)),
    )


ALL: dict[str, Callable[[], Run]] = {
    "healthy_generator": healthy_generator,
    "hunting_pump": hunting_pump,
    "settling_start": settling_start,
    "weak_twin": weak_twin,
    "every_second": every_second,
    "pulls_only": pulls_only,
    "unusable_clip": unusable_clip,
    "talk_only": talk_only,
    "two_hours": two_hours,
    "nothing_known": nothing_known,
    "hostile": hostile,
}

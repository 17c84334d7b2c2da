"""The problems in plain words, each with advice on how to record better."""

from __future__ import annotations

from collections.abc import Iterator

from enginelog.limits import LimitSet
from enginelog.model import Beside, Problem
from enginelog.model.wording import counted, lasted, percent
from enginelog.quality.whole import Measured

_FARTHER = "hold the phone farther away (1 to 2 m) and out of the exhaust stream, and record again"
_NEARER = "go nearer (about 1 m, clear of exhaust and moving parts), or turn off other sources of sound"
_QUIETER = "turn off other sources of sound, and record where nothing echoes"  # too loud already to go nearer
_NO_MAINS = "record away from chargers, lamps, transformers and freezers, and with the phone's own charger unplugged"
_ONE_ALONE = "stop the other machine, or go closer to the one under test (about 1 m), and record again"
_COPY_AGAIN = "copy the file from the phone again, without sending it through a messenger"
_PLAIN_APP = "use a plain recorder app with noise reduction and voice enhancement turned off, or record a video"


NOTHING_READ = Problem(
    "nothing_read",
    "too poor to tell whether an engine ran: no firing could be made out, and the recording has other faults, too",
    "record again, close enough that the engine is by far the loudest sound, out of the wind, and without talking",
)


def beside(other: Beside) -> Problem:
    """Another engine that seems to run beside the one under test."""
    text = f"{other.words}"
    if other.alike:
        text += "; both are about as loud, so that it is not sure which one was read"
    return Problem("beside", text, _ONE_ALONE)


def fatal(whole: Measured, limits: LimitSet, damaged: bool = False) -> tuple[Problem, ...]:
    """Why nothing can be read from the recording; empty where something can. damaged: holes in it are the file's."""
    return tuple(_fatal(whole, limits, damaged))


def problems(whole: Measured, limits: LimitSet) -> tuple[Problem, ...]:
    """What is wrong with the recording though it can be used; what makes it useless is said by `fatal` alone."""
    return (*_of_length(whole, limits), *_of_level(whole, limits), *_of_phone(whole, limits), *_of_place(whole, limits))


def _fatal(whole: Measured, limits: LimitSet, damaged: bool) -> Iterator[Problem]:
    if _silent(whole, limits):
        yield _of_silence(whole)
        return
    if whole.sounding_s < limits.value("shortest_s"):
        text = f"only {whole.sounding_s:z.1f} s of sound: too short to read anything from"
        yield Problem("too_short", text, "record at least 10 s, better 30 s, of the running engine")
    if _cut_off(whole, limits):
        text = f"overloaded beyond use: {100 * whole.clipped_share:z.0f} % of the sound is cut off"
        yield Problem("destroyed", text, _FARTHER)
    elif _full_of_holes(whole, limits):
        holes = f"{counted(whole.gaps, 'hole')} in the sound, {whole.gap_s:z.1f} s in all"
        text = f"{holes}: too many to read anything from"
        yield Problem("destroyed", text, _COPY_AGAIN if damaged else _PLAIN_APP)


def _of_silence(whole: Measured) -> Problem:
    if not whole.offset:
        return Problem("silent", "the recording is silent", "check that nothing covers the microphone; record again")
    text = "the recording is silent: a constant level without any sound"
    return Problem("silent", text, "check that the right microphone is chosen, plugged in and works; record again")


def _cut_off(whole: Measured, limits: LimitSet) -> bool:
    return whole.clipped_share > limits.value("clipped_destroyed_share")


def _full_of_holes(whole: Measured, limits: LimitSet) -> bool:
    return whole.gap_s > limits.value("gaps_destroyed_share") * whole.seconds


def _silent(whole: Measured, limits: LimitSet) -> bool:
    return whole.peak < limits.value("silent_peak")


def _of_length(whole: Measured, limits: LimitSet) -> Iterator[Problem]:
    if whole.sounding_s < limits.value("shortest_s"):
        return
    if whole.sounding_s < limits.value("short_speed_s"):
        text = f"only {whole.sounding_s:z.1f} s of sound: speed is uncertain, misfires cannot be counted"
        yield Problem("short_speed", text, "record at least 10 s, better 30 s")
    elif whole.sounding_s < limits.value("short_misfire_s"):
        text = f"{lasted(whole.sounding_s)} s of sound: what happens rarely may be missed"
        yield Problem("short_misfire", text, "record 30 s or more")


def _of_level(whole: Measured, limits: LimitSet) -> Iterator[Problem]:
    share = 0.0 if _cut_off(whole, limits) else whole.clipped_share
    if share > limits.value("clipped_heavy_share"):
        text = f"heavily overloaded: {100 * share:z.0f} % of the sound is cut off"
        yield Problem("clipped_heavy", text, _FARTHER)
    elif share > limits.value("clipped_share"):
        text = f"overloaded: the loudest {100 * share:z.2f} % of the sound is cut off"
        yield Problem("clipped", text, _FARTHER)
    if not _silent(whole, limits) and whole.loud_db < limits.value("low_level_db"):
        yield Problem("level_low", "the recording is very quiet", _NEARER)


def _of_phone(whole: Measured, limits: LimitSet) -> Iterator[Problem]:
    if whole.gaps and (_cut_off(whole, limits) or not _full_of_holes(whole, limits)):
        text = f"{counted(whole.gaps, 'short hole')} in the sound ({whole.gap_s:z.2f} s in all)"
        yield Problem("gaps", text, "close other apps on the phone; " + _PLAIN_APP)
    silent = _silent(whole, limits)
    if not silent and whole.black_share - whole.gap_s / max(whole.seconds, 1e-9) > limits.value("black_share"):
        text = f"{100 * whole.black_share:z.0f} % of the recording was silenced by the phone or by editing"
        yield Problem("gated", text, _PLAIN_APP)
    elif whole.holes_share > limits.value("holes_share"):
        text = "parts of the sound come and go, as noise reduction makes them, or talk and music nearby"
        yield Problem("suppressed", text, "record without other sounds; " + _PLAIN_APP)
    if whole.low_cut_hz is not None and whole.low_cut_hz > limits.value("low_cut_hz"):
        text = f"the phone leaves out what is below about {whole.low_cut_hz:z.0f} Hz"
        yield Problem("low_cut", text, "usual for phones, and allowed for; an app without voice filter keeps more")
    if whole.top_hz is not None and whole.top_hz < limits.value("top_hz"):
        text = f"telephone quality: nothing above {whole.top_hz / 1000:z.1f} kHz"
        yield Problem("narrow", text, "choose the best quality in the recorder app; do not send it as a voice message")


def _of_place(whole: Measured, limits: LimitSet) -> Iterator[Problem]:
    if whole.wind:
        yield Problem("wind", "wind blows into the microphone", "shelter the phone with your body or a cloth")
    if _silent(whole, limits):
        return  # nothing beats in silence, and nothing drowns the engine
    if whole.repeat is not None and whole.repeat < limits.value("repeat_chance") and whole.quiet_db is None:
        advice = _QUIETER if whole.clipped_share > limits.value("clipped_share") else _NEARER
        yield Problem("noisy", "no regular beat stands out: an engine, if there is one, drowns in noise", advice)
    if whole.hum_share is not None and whole.hum_share > limits.value("hum_share"):
        share = f"{percent(100 * whole.hum_share)} % of the sound"
        text = f"mains hum was {share}; it was taken out before the speed was read"
        yield Problem("hum", text, _NO_MAINS)

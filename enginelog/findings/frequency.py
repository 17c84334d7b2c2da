"""The verdict on a generator's frequency: within the window of its mains, as far as the reading tells."""

from __future__ import annotations

from dataclasses import dataclass

from enginelog.findings import halved, speed_limits
from enginelog.findings.doubt import UNREAD, next_of
from enginelog.findings.gather import Evidence
from enginelog.findings.words import GOVERNOR, graded, unknown, worst
from enginelog.limits import Limit, LimitSet
from enginelog.limits.trade import formulas
from enginelog.model import Finding, Speed, nearer_rated
from enginelog.model.wording import as_told

IDLED = "it idled, and then it feeds nothing"
IDLED_OR_LOST = "it idled, and then it feeds nothing, or it turned twice as fast ({hz:z.1f} Hz)"
AT_RATED = ("record it at its rated speed",)
# The limits of a set of these mains, below and above.
WINDOW = {
    50.0: ("frequency_50_low_hz", "frequency_50_high_hz"),
    60.0: ("frequency_60_low_hz", "frequency_60_high_hz"),
}
METER = "measure frequency and voltage with a meter, loaded and not"


def judge_frequency(evidence: Evidence, speed: Speed, limits: LimitSet) -> Finding:
    """Frequency an alternator at crankshaft speed gives, against 50 or 60 Hz: what it gives at the told rated speed is
    nearer to one of them; where none was told, what it gives as heard. A set that only idled is not judged. What it
    gave for a while beside that is judged, too: appliances bear it as they bear the rest."""
    poles = evidence.engine.alternator_poles
    if poles is None:
        return unknown(
            "generator_frequency", "the number of the alternator's poles was not told (two at 3000 or 3600 rpm)"
        )
    rpm = speed.top_rpm  # idling, it feeds nothing
    if rpm is None:
        return unknown("generator_frequency", UNREAD)
    hz = formulas.alternator_hz(poles, rpm)
    if speed.or_rpm is not None and halved.at_half(speed, evidence.engine, limits):
        return unknown("generator_frequency", IDLED_OR_LOST.format(hz=2 * hz), next_of(evidence.engine))
    nominal = formulas.mains_hz(poles, rpm, evidence.engine.rated_rpm)
    full_rpm = evidence.engine.rated_rpm or formulas.alternator_rpm(poles, nominal)
    if evidence.engine.idle_rpm is not None and not nearer_rated(rpm, evidence.engine.idle_rpm, full_rpm):
        return unknown("generator_frequency", IDLED, AT_RATED)
    whole = _of_nominal(hz, nominal, limits)
    beside = _for_a_while(evidence, poles, whole, limits)
    far = max([whole, *beside], key=lambda one: one.far)
    # too low for a while is no fault: which load it bore then nobody told
    verdict = worst(
        graded(whole.surely_far, 1.0, 2.0),
        *(graded(each.surely_far, 1.0, 2.0 if each.above else None) for each in beside),
        "unknown" if whole.in_doubt else "ok",
    )
    whiles = [f" For {limits.value('frequency_while_s'):z.0f} s or more it gave {one.words}." for one in beside]
    near = f" Its limit is {as_told(far.limit.value)} Hz, too near to say whether it is kept."
    text = (
        f"{'The highest speed held, ' if speed.changed else ''}{rpm:z.0f} rpm with {poles} poles"
        f"{',' if speed.changed else ''} gives {whole.words}.{''.join(whiles)}{near if verdict == 'unknown' else ''}"
        " Without load it stands above nominal, under full load a little below: measure it with a meter."
    )
    amiss = verdict in ("watch", "fault")
    advice = (METER, *GOVERNOR[:1]) if amiss else () if verdict == "ok" else (METER,)
    bound = far.limit
    return Finding("generator_frequency", verdict, text, far.hz, "Hz", bound.value, bound.cited, next=advice)


@dataclass(frozen=True)
class _Frequency:
    """A frequency against its nominal: far in widths of the window's part on that side, surely_far less what the
    reading may be off by; in words."""

    hz: float
    nominal: float
    far: float
    surely_far: float
    limit: Limit
    words: str

    @property
    def above(self) -> bool:
        return self.hz >= self.nominal

    @property
    def in_doubt(self) -> bool:
        """Whether the limit lies within what the reading may be off by."""
        return self.surely_far <= 1.0 < self.far + (self.far - self.surely_far)


def _of_nominal(hz: float, nominal: float, limits: LimitSet) -> _Frequency:
    above = hz >= nominal
    limit = limits[WINDOW[nominal][above]]
    width, doubt = abs(limit.value - nominal), limits.value("top_doubt_percent") / 100 * hz
    off = abs(hz - nominal)
    words = f"{hz:z.1f} Hz, {100 * off / nominal:z.1f} % {'above' if above else 'below'} {nominal:z.0f} Hz"
    return _Frequency(hz, nominal, off / width, (off - doubt) / width, limit, words)


def _for_a_while(evidence: Evidence, poles: int, whole: _Frequency, limits: LimitSet) -> list[_Frequency]:
    """The lowest and the highest frequency held for a while, where it surely lies outside its window and is another
    than that of the whole run. Not of a set that hunts, which is told of it as such, and not where it is too slow to
    feed anything."""
    if evidence.hunting.found is True:
        return []
    nominal = whole.nominal
    held = speed_limits.held_for(evidence.series, limits.value("frequency_while_s"), limits)
    found = [_of_nominal(formulas.alternator_hz(poles, rpm), nominal, limits) for rpm in held]
    feeds, other = (limits.value(name) * nominal for name in ("frequency_feeds_share", "frequency_other_share"))
    return [one for one in found if one.surely_far > 1.0 and one.hz >= feeds and abs(one.hz - whole.hz) > other]

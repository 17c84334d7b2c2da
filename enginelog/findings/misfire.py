"""Misfire: share of firing opportunities lost, with an interval, where, and in which pattern.

percent = 100 * misfires / firing opportunities (definition; opportunities in R revolutions = R * cylinders /
(strokes / 2)).
An opportunity counts as lost where its probability of a miss is above one half.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from enginelog.dsp.masks import rows_of_true
from enginelog.dsp.rows import rows_of
from enginelog.findings import hidden, patterns
from enginelog.findings.cutting_out import CutOut, longest_cut_out
from enginelog.findings.series import rows_within
from enginelog.findings.shares import confusion, share_interval
from enginelog.findings.spreads import strength_spread, timing_spread
from enginelog.limits import LimitSet
from enginelog.model import CylinderFiring, Engine, Firings, FiringSummary, FiringWindow, Span
from enginelog.model.wording import counted

ROW, IN_ROW = 5, 0.7  # lost in a row up to which each was an opportunity, and the share of more that surely were
LOST_OR_WEAK = 0.9  # probability of a miss that stands for either (model.Firings)
AT_ONCE = 50_000  # windows looked at together
BESIDE = 10  # neighbours on either side among which a firing must not be the only one told
WINDOWS = (200.0, 1000.0)  # revolutions (13 CCR 1968.2 counts misfires over these)


@dataclass(frozen=True)
class MisfireStudy:
    """The summary for the record and what the verdict needs besides. `reason` says why a count is withheld;
    plainly_lost: firings that were lost without doubt where it is (the others might be, too); as_single: it sounds as a
    single would that was told as this twin. What may be weak or lost, 0..1 of what fires: faint: a cylinder;
    weak_turns: every second firing. cut_out: where it cut out for a moment."""

    summary: FiringSummary
    reason: str | None
    first_s: float | None
    last_s: float | None
    alternation: float | None = None
    plainly_lost: int = 0
    as_single: bool = False
    faint: float | None = None
    weak_turns: float | None = None
    cut_out: CutOut | None = None


def in_spans(firings: Firings, spans: list[Span]) -> np.ndarray:
    """Which opportunities lie within the running spans (mask)."""
    inside = np.zeros(len(firings.t_s), bool)
    for span in spans:
        inside[rows_within(firings.t_s, span.start_s, span.end_s)] = True
    return inside


def take(firings: Firings, mask: np.ndarray) -> Firings:
    """The firings where `mask` is true."""
    return firings if mask.all() else rows_of(firings, mask)


def cannot_count(firings: Firings, limits: LimitSet) -> str | None:
    """Why lost firings cannot be judged at all; None where they can."""
    n, least = len(firings.t_s), limits.value("misfire_least_events")
    if n < least:
        few = f"only {counted(n, 'firing')}" if n else "no firing"
        return f"{few} could be followed while it ran; at least {least:z.0f} are needed"
    snr = float(np.nanmedian(firings.snr_db)) if np.isfinite(firings.snr_db).any() else float("-inf")
    if snr < limits.value("misfire_least_snr_db"):
        return f"the firings stand only {snr:z.0f} dB above the noise; a lost one cannot be told from a weak one"
    return None


def judged(firings: Firings) -> np.ndarray:
    """Firings told among told neighbours (mask). One told alone is no sample: where the firings cannot be judged, only
    those plainly lost are marked."""
    told = np.isfinite(firings.miss_probability)
    if not len(told):
        return told
    window, every = np.ones(2 * BESIDE + 1, np.float32), np.ones(len(told), np.float32)
    each = [np.convolve(x, window)[BESIDE : BESIDE + len(told)] for x in (told.astype(np.float32), every)]
    return told & (each[0] > 0.5 * each[1])


def _hardly_judged(told: np.ndarray, limits: LimitSet) -> str | None:
    """Why the share of firings that could be judged is too small, where enough were heard; None where it is not."""
    n = len(told)
    if n < limits.value("misfire_least_events") or told.mean() >= limits.value("misfire_least_told"):
        return None
    if not told.any():
        return "lost and weak firings sound too much alike here"
    part = 100 * told.mean()
    return f"only {part:z.0f} % of the {n} firings heard could be judged; lost and weak ones sound too much alike"


def followed_share(firings: Firings, spans: list[Span]) -> float:
    """Share of the running time over which firings were laid, 0..1; gaps of more than three intervals are left out."""
    running_s, covered_s = 0.0, 0.0
    for span in spans:
        running_s += span.end_s - span.start_s
        step_s = np.diff(firings.t_s[rows_within(firings.t_s, span.start_s, span.end_s)])
        if len(step_s):
            usual_s = float(np.median(step_s))
            covered_s += float(step_s[step_s < 3 * usual_s].sum()) + usual_s
    return min(covered_s / running_s, 1.0) if running_s > 0 else 0.0


def _hardly_followed(firings: Firings, spans: list[Span], limits: LimitSet) -> str | None:
    """Why too much of the run is missing for a share of it; None where it is not. An engine that nearly dies falls
    silent and its speed is lost: what is not followed is not likely to be like the rest."""
    share = followed_share(firings, spans)
    if share >= limits.value("misfire_least_followed"):
        return None
    return f"the firings could be followed over only {100 * share:z.0f} % of the run, and the rest may be worse"


def study_misfire(
    engine: Engine, firings: Firings, spans: list[Span], limits: LimitSet, untold: str | None = None
) -> MisfireStudy:
    """Count, interval, windows, pattern and cylinders over the running spans.

    Where firings are heard but too many are doubtful, the count is withheld and only the interval given; nothing at all
    is told of them where `untold` says why.
    """
    firings = take(firings, in_spans(firings, spans))
    if untold is not None:
        return MisfireStudy(_withheld(engine, firings, (None, None), limits), untold, None, None)
    told = judged(firings)
    known = take(firings, told)
    reason = _hardly_judged(told, limits) or cannot_count(known, limits)
    reason = reason or _hardly_followed(firings, spans, limits)
    if reason is not None:
        return _plain_study(engine, firings, reason, limits)
    firings = known
    turns = patterns.alternation(firings, limits)
    probability = patterns.with_dead_slots(engine, firings, limits)
    if turns.open and turns.ratio is not None:
        weak = patterns.in_turn(firings, turns)
        return _weak_or_lost(engine, firings, probability, weak, limits, weak_turns=turns.ratio)
    faint = patterns.faint_slots(engine, firings, probability, limits)
    if faint.level is not None:
        return _weak_or_lost(engine, firings, probability, faint.own, limits, faint=faint.level)
    probability = patterns.with_turns(probability, turns) if turns.lost else probability
    undecided = 100 * sum(confusion(probability)) / len(probability)
    if undecided > limits.value("misfire_undecided_percent"):
        share, low, high = share_interval(probability, limits)
        reason = (
            f"between {100 * low:z.0f} and {100 * high:z.0f} % of the firings were lost: too unsure to state a count"
        )
        return MisfireStudy(_withheld(engine, firings, (100 * low, 100 * high), limits), reason, None, None)
    perhaps = hidden.perhaps_lost(engine, firings, probability, limits)
    if hidden.too_many(firings, perhaps, limits):
        reason = (
            f"{perhaps.sum()} of {len(perhaps)} firings sound no stronger than a lost one would, and more may be lost"
        )
        return MisfireStudy(_withheld(engine, firings, (None, None), limits), reason, None, None)
    return _counted(engine, firings, probability, turns, spans, perhaps, limits)


def _weak_or_lost(
    engine: Engine,
    firings: Firings,
    probability: np.ndarray,
    open_ones: np.ndarray,
    limits: LimitSet,
    faint: float | None = None,
    weak_turns: float | None = None,
) -> MisfireStudy:
    """No count where all of `open_ones` (mask) may be lost or burn weakly: the interval reaches from none of them lost
    to all of them."""
    low = share_interval(np.where(open_ones, 0.0, probability), limits)[1]
    high = share_interval(np.where(open_ones, 1.0, probability), limits)[2]
    reason = _faint_words(faint) if faint is not None else _turn_words(weak_turns or 0.0)
    summary = _withheld(engine, firings, (100 * low, 100 * high), limits)
    return MisfireStudy(summary, reason, None, None, faint=faint, weak_turns=weak_turns)


def _faint_words(level: float) -> str:
    """What one cylinder sounds like that is so strong over the strongest, 0..1."""
    return f"one cylinder sounds {100 * level:z.0f} % as strong as the strongest: it may burn weakly or not at all"


def _turn_words(level: float) -> str:
    """The same of every second firing over the others."""
    return f"every second firing sounds {100 * level:z.0f} % as strong as the others: it may burn weakly or not at all"


def _plain_study(engine: Engine, firings: Firings, reason: str, limits: LimitSet) -> MisfireStudy:
    """No count, but those that were lost without doubt: the least that was lost.

    What a faint cylinder loses is never without doubt, nor what a silent one does where not even that count was likely
    to be right: its place may lie in the sound of the one before."""
    lost = np.nan_to_num(firings.miss_probability) > 0.95
    lost &= ~patterns.may_burn(firings, lost, limits)
    faint = patterns.faint_slots(engine, firings, np.zeros(len(lost)), limits, silent_too=True)
    level = (faint.level or _often_weak(engine, firings, limits)) if cannot_count(firings, limits) is None else None
    lost &= ~faint.own
    many = at_least(lost)
    least = 100 * many / len(lost) if many else None
    pattern = "every_second" if patterns.takes_turns(firings.slot, lost) else None
    if patterns.attributed_cylinders(firings.slot, lost, engine.cylinders, limits):
        pattern = "cylinder"
    summary = replace(_withheld(engine, firings, (least, None), limits), pattern=pattern)
    reason = reason if level is None else _faint_words(level)
    single = patterns.sounds_as_single(engine, firings, lost, limits)
    ends = _ends(firings, lost)
    return MisfireStudy(summary, reason, *ends, plainly_lost=many, as_single=single, faint=level)


def _often_weak(engine: Engine, firings: Firings, limits: LimitSet) -> float | None:
    """Level of a cylinder that sounds weak, of which often enough a firing is lost or weaker still; None if none."""
    weak = np.abs(np.nan_to_num(firings.miss_probability) - LOST_OR_WEAK) < 0.01
    own = patterns.attributed_cylinders(firings.slot, weak, engine.cylinders, limits)
    if not own or 100 * weak.mean() < limits.value("misfire_watch_percent"):
        return None
    level = float(patterns.levels_over_loudest(engine, firings)[own[0]])
    return level if level < limits.value("weak_cylinder_level") else None


def at_least(lost: np.ndarray) -> int:
    """Firings lost, of a mask (n,); only a part counts where many follow one another: the crank slows there unheard,
    and there may have been fewer opportunities than were laid."""
    first, past = rows_of_true(lost)
    return int(sum(row if row <= ROW else max(ROW, int(IN_ROW * row)) for row in past - first))


def _ends(firings: Firings, lost: np.ndarray) -> tuple[float | None, float | None]:
    """When the first firing was lost and the last; None where none was."""
    at = firings.t_s[lost]
    return (float(at[0]), float(at[-1])) if len(at) else (None, None)


def _counted(
    engine: Engine,
    firings: Firings,
    probability: np.ndarray,
    turns: patterns.Alternation,
    spans: list[Span],
    perhaps: np.ndarray,
    limits: LimitSet,
) -> MisfireStudy:
    """perhaps: those of which it is not sure that they fired (mask), for the upper end."""
    share, low, high = hidden.with_perhaps_lost(share_interval(probability, limits), perhaps)
    lost = probability > 0.5
    summary = FiringSummary(
        events=len(lost),
        misfires=int(round(share * len(lost))),
        misfire_percent=100 * share,
        misfire_low=100 * low,
        misfire_high=100 * high,
        pattern=_pattern(engine, firings, probability, turns, limits),
        timing_spread_percent=timing_spread(firings, limits),
        strength_spread_percent=strength_spread(firings, limits),
        cylinders=_cylinders(engine, firings, lost),
        windows=tuple(w for n in WINDOWS if (w := worst_window(engine, firings, probability, spans, n, limits))),
    )
    single = patterns.sounds_as_single(engine, firings, lost, limits)
    gone = longest_cut_out(firings, probability, limits)
    return MisfireStudy(summary, None, *_ends(firings, lost), alternation=turns.ratio, as_single=single, cut_out=gone)


def _pattern(
    engine: Engine, firings: Firings, probability: np.ndarray, turns: patterns.Alternation, limits: LimitSet
) -> str | None:
    """The pattern's name; None where too many of the losses, or all, are doubtful for their order to mean anything."""
    doubtful = sum(confusion(probability)) > limits.value("pattern_doubt") * max(probability.sum(), 1e-9)
    if doubtful and not turns.lost and 100 * probability.mean() > limits.value("misfire_sum_percent"):
        return None
    return patterns.name_pattern(engine, firings, probability, turns, limits)


def _withheld(
    engine: Engine, firings: Firings, interval: tuple[float | None, float | None], limits: LimitSet
) -> FiringSummary:
    spreads = timing_spread(firings, limits), strength_spread(firings, limits)
    cylinders = tuple(CylinderFiring(k, None, None) for k in range(engine.cylinders))
    return FiringSummary(len(firings.t_s), None, None, *interval, None, *spreads, cylinders)


def without_lost(study: MisfireStudy, why: str) -> MisfireStudy:
    """The same without the firings told as lost or as a cylinder's weak ones, and why; as it is where none is told."""
    summary = study.summary
    if not (summary.misfires or summary.misfire_low or study.plainly_lost or study.faint is not None):
        return study
    cylinders = tuple(CylinderFiring(one.index, None, None) for one in summary.cylinders)
    summary = replace(
        summary, misfires=None, misfire_percent=None, misfire_low=None, misfire_high=None, pattern=None,
        cylinders=cylinders, windows=(),
    )  # fmt: skip
    return MisfireStudy(summary, why, None, None)


def worst_window(
    engine: Engine, firings: Firings, probability: np.ndarray, spans: list[Span], revolutions: float, limits: LimitSet
) -> FiringWindow | None:
    """The window of so many revolutions of one run with the largest share lost, and the interval of its own share; None
    where no run holds one.

    It counts only where enough of the firings due in it (revolutions * cylinders / revolutions a cycle) were judged:
    revolutions go on being counted by time where none could be followed, and between two runs.
    """
    due = revolutions * engine.cylinders / engine.revs_per_cycle
    rows = [rows_within(firings.t_s, span.start_s, span.end_s) for span in spans]
    lost, least = probability > 0.5, limits.value("misfire_least_told") * due
    found = [window for own in rows if (window := _worst(firings.revolutions, lost, own, revolutions, least))]
    if not found:
        return None
    share, inside = max(found, key=lambda one: one[0])
    _, low, high = share_interval(probability[inside], limits)
    at = firings.t_s[inside]
    return FiringWindow(revolutions, share, min(100 * low, share), max(100 * high, share), float(at[0]), float(at[-1]))


def _worst(
    revolutions: np.ndarray, lost: np.ndarray, own: slice, length: float, least: float
) -> tuple[float, slice] | None:
    """Largest per cent lost of the windows of `length` revolutions within the rows `own` that hold `least` firings, and
    the rows of that window; None where there is none."""
    revs = revolutions[own]
    if len(revs) < least or revs[-1] - revs[0] < 0.98 * length:
        return None
    total = np.concatenate([[0], np.cumsum(lost[own], dtype=np.int32)])
    windows = int(np.searchsorted(revs, max(revs[-1] - length, revs[0]), side="right"))
    share, inside = -1.0, slice(0)
    for begin in range(0, windows, AT_ONCE):  # hours of firings a part at a time
        first = np.arange(begin, min(begin + AT_ONCE, windows))
        past = np.searchsorted(revs, revs[first] + length)
        count = np.maximum(past - first, 1)
        percent = np.where(count >= least, 100 * (total[past] - total[first]) / count, -1.0)
        worst = int(np.argmax(percent))
        if percent[worst] > share:
            share, inside = float(percent[worst]), slice(own.start + first[worst], own.start + past[worst])
    return None if share < 0 else (share, inside)


def _cylinders(engine: Engine, firings: Firings, lost: np.ndarray) -> tuple[CylinderFiring, ...]:
    """Each place of the firing order: share lost, and its slow level against the mean of all."""
    result = []
    levels = {
        k: float(np.nanmedian(firings.slot_level[firings.slot == k]))
        for k in range(engine.cylinders)
        if np.any(firings.slot == k)
    }
    mean = float(np.mean(list(levels.values()))) if levels else float("nan")
    for k in range(engine.cylinders):
        own = firings.slot == k
        percent = 100 * float(np.mean(lost[own])) if own.any() else None
        relative = levels[k] / mean if k in levels and np.isfinite(levels[k]) and mean > 0 else None
        result.append(CylinderFiring(k, percent, relative))
    return tuple(result)

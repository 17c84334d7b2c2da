"""The page: one self-contained HTML file, the answer first."""

from __future__ import annotations

import base64
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from enginelog import limits
from enginelog.limits.trade.pages import Term
from enginelog.model import MOST_HELD, Finding, Quality, Run, Span, in_turn
from enginelog.model.wording import as_told, begun_large
from enginelog.report import pictures, words
from enginelog.report.advice_page import Explained, advice_section, machine_cautions, meaning
from enginelog.report.cautions import cautions, take_care
from enginelog.report.facts import Fact, facts, is_measured, limit_of, reason_alone, speaks_of, why_unknown
from enginelog.report.headline import headline
from enginelog.report.hurting import said_first
from enginelog.report.judged import beside, judged, limit_words, row_name
from enginelog.report.next_steps import BAD, NextSteps, allowed, next_steps
from enginelog.report.templates import asset, template

TILES = ("speed", "misfire", "hunting", "steadiness", "settling", "starting")
MOST_TILES = 4
TERMS_BELOW = ("95 % interval", "misfire", "hunting", "band")  # explained under the table of measures in any case
MOST_SPANS = 80
MEDIA_TYPE = re.compile(r"audio/[a-z0-9][a-z0-9.+-]*\Z")
NO_QUIET = "not told: its quietest part is hardly quieter than the rest"


@dataclass(frozen=True)
class AudioExcerpt:
    """A short piece of the recording to stand in the page: encoded bytes and their media type (`audio/...`)."""

    data: bytes
    media_type: str
    start_s: float
    end_s: float


@dataclass(frozen=True)
class Card:
    """One finding as the page shows it."""

    finding: Finding
    title: str
    where: str
    measured: str
    limit: str
    picture: pictures.Picture | None
    next: tuple[str, ...] = ()
    meaning: str = ""
    terms: tuple[Term, ...] = ()


@dataclass(frozen=True)
class Row:
    """One row of the table of measures."""

    label: str
    value: str
    behind: str
    limit: str
    source: str
    verdict: str
    measured: bool = False


@dataclass(frozen=True)
class UsedLimit:
    name: str
    value: str
    meaning: str
    source: str


def to_html(run: Run, audio_excerpt: AudioExcerpt | None = None, fields: Mapping[str, str] | None = None) -> str:
    """The report as one HTML document that fetches nothing from elsewhere. Every text of the run is escaped.

    fields: as of `advice_section`.
    """
    usable = run.quality.usable
    found = facts(run) if usable else []
    heard = usable and run.timeline.engine_heard
    drawn = [pictures.firing(run), pictures.orders(run)] if heard else []
    explained = Explained()
    cards = _cards(run, explained)
    rows = _rows(run, found)
    unknown = _unknown(run, found, cards)
    steps = next_steps(run)
    spans = run.timeline.spans if any(span.kind != "quiet" for span in run.timeline.spans) else ()
    return template("page.html").render(
        run=run,
        heard=heard,
        css=asset("page.css") + asset("print.css"),
        name=_name(run),
        top=headline(run),
        first=said_first(run),
        tiles=_tiles(found),
        cards=[card for card in cards if card.finding.verdict in BAD],
        unknown=unknown,
        good=[card for card in cards if card.finding.verdict == "ok"],
        main=pictures.speed(run) if spans or heard else None,
        pictures=[picture for picture in drawn if picture is not None],
        rows=rows,
        terms=_terms_below(explained, cards, rows, unknown),
        advice=advice_section(run, fields),
        machine_cautions=machine_cautions(run.engine.machine),
        spans=spans[:MOST_SPANS],
        spans_left=max(0, len(spans) - MOST_SPANS),
        cautions=cautions(run.engine.machine),
        take_care=take_care(run.engine.machine),
        facts=_about(run),
        limits=used_limits(run),
        audio=_audio(audio_excerpt),
        ordered=bool(steps.checks),
        to_tell_more=_not_with_a_finding(steps, cards),
        words=words,
        length=_length,
        speed_of=partial(_span_speed, run),
    )


def _not_with_a_finding(steps: NextSteps, cards: list[Card]) -> list[str]:
    """What would tell more, where the rules name no check and no finding on the page names it already."""
    shown = {step for card in cards if card.finding.verdict in BAD for step in card.next}
    return [] if steps.checks else [step for step in steps.others if step not in shown]


def _name(run: Run) -> str:
    machine = run.engine.machine
    return begun_large(machine) if machine else run.clip.name or "recording without a name"


def _tiles(found: list[Fact]) -> list[Fact]:
    """The few figures that stand on top: known ones first, in the order of `TILES`."""
    wanted = [fact for name in TILES for fact in found if fact.group == name]
    return sorted(wanted, key=lambda fact: not fact.known)[:MOST_TILES]


def _cards(run: Run, explained: Explained) -> list[Card]:
    """All findings, the worst first; the small picture stands with the first bad finding of its group, and a word is
    explained with the first bad finding that has it."""
    drawn: set[str] | None = set() if run.timeline.engine_heard and run.quality.usable else None
    return [_card(run, finding, drawn, explained) for finding in words.ranked(run.measures.findings)]


def _card(run: Run, finding: Finding, drawn: set[str] | None, explained: Explained) -> Card:
    group = words.group(finding.code)
    picture = None
    if drawn is not None and finding.verdict in BAD and group not in drawn:
        drawn.add(group)
        picture = pictures.evidence(run, group)
    return Card(
        finding,
        words.title(finding.code, finding.of),
        _where(run, finding),
        words.measured(finding),
        limit_words(run, finding),
        picture,
        allowed(run, finding.next),
        *_in_plain_words(finding, explained),
    )


def _in_plain_words(finding: Finding, explained: Explained) -> tuple[str, tuple[Term, ...]]:
    """What a bad finding means, and the words in it that were not explained yet; nothing for others."""
    if finding.verdict not in BAD:
        return "", ()
    means = meaning(finding)
    return means, explained.new_in(finding.text, means, finding.source or "", *finding.next)


def _terms_below(
    explained: Explained, cards: list[Card], rows: list[Row], unknown: list[tuple[str, str, bool]]
) -> tuple[Term, ...]:
    """The words of everything else on the page that were not explained with a finding."""
    texts = [card.finding.text for card in cards if card.finding.verdict == "ok"]
    texts += [text for _, text, _ in unknown]
    texts += [text for row in rows for text in (row.label, row.value, row.behind, row.source)]
    return tuple(term for term in explained.new_in(*texts) if term.name not in TERMS_BELOW)


def _where(run: Run, finding: Finding) -> str:
    if finding.start_s is None:
        return ""
    begin = words.moment(finding.start_s, run.clip.seconds)
    if finding.end_s is None or finding.end_s - finding.start_s < 0.1:
        return f"at {begin}"
    return f"{begin} to {words.moment(finding.end_s, run.clip.seconds)}"


def _unknown(run: Run, found: list[Fact], cards: list[Card]) -> list[tuple[str, str, bool]]:
    """What could not be told or judged, and why: findings that say so, then measures no finding speaks of; one reason
    in one row. (titles, reason, whether a figure of it is told)"""
    unknown = [card.finding for card in cards if card.finding.verdict == "unknown"]
    rest = [f for f in found if not f.known and not any(speaks_of(finding, f) for finding in unknown)]
    above = words.said_above(run)
    rows: dict[tuple[str, bool], list[str]] = {}
    for finding in unknown:
        reason = words.sentence(reason_alone(finding.text))
        reason = "The reason stands at the top." if above and above in finding.text else reason
        rows.setdefault((reason, is_measured(found, finding)), []).append(words.title(finding.code))
    for fact in rest:
        rows.setdefault((why_unknown(run, fact), False), []).append(fact.label)
    return [(words.listed(titles), words.glued(reason), measured) for (reason, measured), titles in rows.items()]


def _rows(run: Run, found: list[Fact]) -> list[Row]:
    """Each measure with its limit, then the findings with a limit of their own that no measure carries."""
    rows = []
    for fact in found:
        finding = limit_of(run, fact)
        if finding is None:
            rows.append(Row(fact.label, fact.value, fact.behind, "", "", ""))
            continue
        behind = "; ".join(part for part in (fact.behind, judged(run, fact, finding)) if part)
        rows.append(Row(fact.label, fact.value, behind, limit_words(run, finding), finding.source or "",
                        finding.verdict, fact.known))  # fmt: skip
    return rows + [
        Row(row_name(f), words.measured(f) or words.CANNOT_TELL, "", limit_words(run, f), f.source or "", f.verdict,
            f.value is not None)
        for f in beside(run, found)
    ]  # fmt: skip


def _length(span: Span) -> str:
    return words.seconds(span.end_s - span.start_s)


def _span_speed(run: Run, span: Span) -> str:
    """The speed of a span; the speeds held in it where the run was not at one."""
    if span.kind == "run" and run.measures.speed.changed:
        held = [one.rpm for one in run.measures.speed.held if span.start_s <= one.start_s <= span.end_s]
        return ", then ".join(words.rpm(round(each, -1)) for each in in_turn(held)[:MOST_HELD])
    if span.kind == "run" and sum(one.kind == "run" for one in run.timeline.spans) == 1:
        known = run.measures.speed  # the one run's speed, as everywhere on the page: the span's own is a mean of it
        return words.one_speed(known) + (f" or {words.other_speed(known)}" if known.or_rpm is not None else "")
    if span.rpm is None:
        return words.CANNOT_TELL if span.kind == "pull" else ""
    return f"from {words.rpm(span.rpm)}" if span.kind == "rundown" else words.rpm(span.rpm)  # its speed as it begins


def _about(run: Run) -> list[tuple[str, str]]:
    """How it was recorded and what was taken of the engine: (name, text)."""
    clip, quality, chance = run.clip, run.quality, run.timeline.engine_probability
    told = [("idle", run.engine.idle_rpm), ("rated", run.engine.rated_rpm)]
    speeds = ", ".join(f"{name} {words.rpm(value)}" for name, value in told if value is not None)
    assumed = words.assumed_words(run.engine)
    loud = "Engine sound" if run.timeline.engine_heard else "Loud parts"
    beside = "the noise around it" if run.timeline.engine_heard else "its quietest"
    noise = NO_QUIET if quality.snr_db is None else f"{quality.snr_db:z.0f} dB above {beside}"
    low = "no cut found" if quality.low_cut_hz is None else f"cut by the phone below {quality.low_cut_hz:z.0f} Hz"
    return [
        ("File", clip.name or "without a name"),
        ("Recorded", words.recorded(run) or "the file does not say"),
        ("Length", words.seconds(clip.seconds)),
        ("Sound", f"{clip.sample_rate_hz} Hz, {words.count(clip.channels, 'channel')}, {clip.codec}"),
        (loud, noise),
        ("Overloaded", f"{words.percent(quality.clipped_percent)} of the samples"),
        ("Low tones", low),
        ("Mains hum", _hum(quality)),
        ("Trust", f"{quality.trust:z.2f} of 1; every confidence on this page is scaled by it"),
        ("Engine running", "too short to judge" if chance is None else f"with a probability of {chance:z.2f}"),
        ("Engine", words.engine_words(run.engine) + (f"; {speeds}" if speeds else "")),
        ("Assumed", f"{assumed}, because nobody said otherwise: all figures rest on it" if assumed else "nothing"),
        ("Analysed", f"{words.date(run.analysed_at)} by enginelog {run.program_version}"),
    ]


def _hum(quality: Quality) -> str:
    """What was heard of the mains, and what became of it."""
    if quality.hum_percent is None:
        return "not known: only six seconds of sound and more tell"
    if not quality.hum_percent:
        return "none found"
    share = "under 0.1\u00a0%" if quality.hum_percent < 0.1 else words.percent(quality.hum_percent)
    return f"{share} of the sound; taken out before the speed was looked for"


def used_limits(run: Run) -> list[UsedLimit]:
    """Every threshold used, with meaning and source where the project's limit files know its name (`topic.name`)."""
    known = {f"{topic}.{name}": limit for topic in limits.topics() for name, limit in limits.load(topic).items()}
    rows = []
    for name, value in sorted(run.limits_used.items()):
        limit = known.get(name)
        unit = limit.unit if limit and limit.unit != "1" else ""
        source = limit.cited if limit else ""
        rows.append(UsedLimit(name, f"{as_told(value)} {unit}".strip(), limit.meaning if limit else "", source))
    return rows


def _audio(excerpt: AudioExcerpt | None) -> dict[str, Any] | None:
    if excerpt is None:
        return None
    if not MEDIA_TYPE.match(excerpt.media_type):
        raise ValueError(f"media type {excerpt.media_type!r} given, 'audio/...' expected")
    data = base64.b64encode(excerpt.data).decode("ascii")
    return {"src": f"data:{excerpt.media_type};base64,{data}", "start_s": excerpt.start_s, "end_s": excerpt.end_s}

"""The one-screen summary and the words it shares with the page."""

import re
from dataclasses import replace

import make_runs
import pytest

from enginelog import report
from enginelog.model import Engine, Finding, FiringSummary, Quality, Settling, Span
from enginelog.report import words
from enginelog.report.facts import facts
from enginelog.report.headline import headline

NEVER = re.compile(
    r"\bdB\s?\(?A\)?\b|dB\s?SPL|\bOBD\b|complian|certified|\bnan\b|\binf\b|(?-i:\bNone\b)", re.IGNORECASE
)


@pytest.fixture(scope="module", params=list(make_runs.ALL))
def named_run(request):
    return request.param, make_runs.ALL[request.param]()


@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_fits_the_width_and_one_screen(named_run, width):
    name, run = named_run
    lines = report.summary_text(run, width).splitlines()
    assert max(map(len, lines)) <= width
    assert all(line == line.rstrip() for line in lines)
    if width == 80 and name != "hostile":
        assert len(lines) <= 36
    assert not any(a == b == "" for a, b in zip(lines, lines[1:], strict=False))


def test_never_says_what_a_clip_cannot_carry(named_run):
    assert not NEVER.search(report.summary_text(named_run[1]))


def test_no_control_or_direction_characters(named_run):
    text = report.summary_text(named_run[1])
    assert all(c.isprintable() or c == "\n" for c in text)


def test_cautions_are_always_there(named_run):
    text = flat(named_run[1])
    for word in ("Take care", "manual", "outdoors", "plug lead", "hot", "fuel", "ear defenders"):
        assert word in text


def flat(run, width=80):
    return " ".join(report.summary_text(run, width).split())


def test_no_misfire_heard_is_not_zero():
    # Rule of three, exact form: with none in n firings the 95 % upper bound is 1 - 0.05^(1/n); n = 735 gives 0.407 %.
    bound = 100 * (1 - 0.05 ** (1 / 735))
    assert f"none heard in 735 firings; up to {bound:.2f} % cannot be ruled out (95 %)" in flat(
        make_runs.healthy_generator()
    )


def test_the_headline_says_how_sure_the_speed_is():
    run = make_runs.healthy_generator()
    for change, said in (
        ({"confidence": 0.9}, "at 3000 rpm"),
        ({"confidence": 0.3}, ", perhaps at 3000 rpm"),
        ({"confidence": 0.3, "or_rpm": 6000.0}, "at 3000 rpm, or at 6000 rpm, which sounds nearly the same"),
        ({"rpm": None, "confidence": 0.0}, "The engine ran for"),
    ):
        speed = replace(run.measures.speed, **({"rpm": 3000.0} | change))
        text = " ".join(words.ran_words(replace(run, measures=replace(run.measures, speed=speed))).split())
        assert said in text and ("rpm" in text) == (speed.rpm is not None)
        assert ("perhaps" in text) == ("perhaps" in said)


def test_a_speed_with_a_wide_interval_is_about_that_speed():
    """Its row says "no one speed, or too little of it heard": no headline tells such a speed to a turn a minute."""
    run = make_runs.healthy_generator()
    for low, high, about in ((2985.0, 3015.0, ""), (2700.0, 3300.0, "about ")):
        wide = replace(run.measures.speed, rpm=3000.0, rpm_low=low, rpm_high=high, or_rpm=6000.0, confidence=0.3)
        told = replace(run, measures=replace(run.measures, speed=wide))
        text, page = flat(told), report.to_html(told).replace("\u00a0", " ")
        assert f"at {about}3000 rpm, or at {about}6000 rpm, which sounds nearly the same" in text
        assert f"Speed {about}3000 rpm; or {about}6000 rpm, which" in text
        assert f'<td class="n">{about}3000 rpm or {about}6000 rpm</td>' in page
        assert ("no one speed" in text) == bool(about)


def test_what_cannot_be_timed_is_said_in_its_row():
    """One word for it, in its row, and not a line of its own where nothing else of the evenness is known."""
    run = make_runs.healthy_generator()
    untold = Finding("timing", "unknown", "Cannot tell: too few firings in a row stand clear enough to time them.")
    for strength, row in ((None, "Evenness cannot tell: too few firings"), (12.0, "Evenness strength 12 %; how far")):
        firing = replace(run.measures.firing, timing_spread_percent=None, strength_spread_percent=strength)
        measures = replace(run.measures, firing=firing, findings=(*run.measures.findings, untold))
        text = flat(replace(run, measures=measures))
        assert row in text and text.lower().count("too few firings in a row") == 1 and " Timing." not in text
        assert ("Cannot tell: Evenness of timing. Too few" in text) == (strength is not None)


def test_the_speed_is_nowhere_surer_than_in_the_headline():
    """Row, tile, table of measures and table of what happened when say "perhaps" where the headline does."""
    run = make_runs.healthy_generator()
    for change, row, where in (
        ({"confidence": 0.9}, "Speed 3000 rpm; 95 %", "3000 rpm"),
        ({"confidence": 0.3}, "Speed perhaps 3000 rpm; 95 %", "perhaps 3000 rpm"),
        ({"confidence": 0.3, "or_rpm": 6000.0}, "Speed 3000 rpm; or 6000 rpm, which", "3000 rpm or 6000 rpm"),
    ):
        told = replace(run, measures=replace(run.measures, speed=replace(run.measures.speed, rpm=3000.0, **change)))
        assert row in flat(told)
        page = " ".join(report.to_html(told).replace("\u00a0", " ").split())
        assert f'<td class="n">{where}</td>' in page
        assert page.count(">perhaps 3000 rpm<") == (3 if where.startswith("perhaps") else 0)


def test_a_start_or_stop_that_was_not_heard_is_said_once_with_its_reason():
    """In a line of its own and again as not to be told, it would stand twice, first without the reason."""
    run = make_runs.hunting_pump()
    begun = Finding("start", "unknown", "Cannot tell: the recording begins with the engine running.")
    blade = Finding("blade_stop", "unknown", "A clip cannot certify the blade's stopping time.")
    text = flat(replace(run, measures=replace(run.measures, findings=(*run.measures.findings, begun, blade))))
    assert "Starting not heard; the recording begins with the engine running" in text
    assert "Stopping not heard; the recording ends while the engine is running" in text
    assert "Cannot tell: Starting" not in text and "Cannot tell: Stopping" not in text
    assert "Cannot tell: Blade stop. A clip cannot certify" in text
    bare = flat(replace(run, measures=replace(run.measures, findings=())))
    assert "Starting not heard; no pull of the starter in the recording" in bare


def test_a_figure_is_said_to_be_not_sure_where_its_finding_says_so():
    run = make_runs.healthy_generator()
    assert "Misfires none heard" in flat(run)
    unsure = tuple(replace(f, verdict="unknown") if f.code == "misfire" else f for f in run.measures.findings)
    assert "Misfires not sure: none heard" in flat(replace(run, measures=replace(run.measures, findings=unsure)))


def test_hunting_settling_and_misfires_in_words():
    assert "220 rpm from top to bottom, 0.8 times a second; 6.9 % of the speed" in flat(make_runs.hunting_pump())
    text = flat(make_runs.settling_start())
    assert "smooth after 8.2 s; 14 % of firings lost at first" in text
    assert "2.3 %: 15 of 644 firings; 95 % interval 1.2 to 3.5 %; in bursts; more at first, while rough" in text
    run = make_runs.settling_start()
    singly = replace(run.measures, firing=replace(run.measures.firing, pattern="random"))
    assert "3.5 %; more at first, while rough" in flat(replace(run, measures=singly)), "not spread at random then"
    assert "ran by itself 3.6 s after the first" in text
    assert "stood still 1.8 s after ignition off" in text


def test_pulls_in_vain_and_pulls_that_hardly_stand_out_in_words():
    """An engine that stopped and was not started again was said to have taken all those pulls; no number is told as
    "0 or more"."""
    run = make_runs.settling_start()
    end_s = run.timeline.spans[-1].end_s
    spans = (*run.timeline.spans, *(Span("pull", end_s + at_s, end_s + at_s + 0.5) for at_s in (1.0, 3.0)))
    text = flat(replace(run, timeline=replace(run.timeline, spans=spans, pulls_after=2)))
    assert "Then it stopped; 2 pulls, and it did not start again." in text
    assert "stood still 1.8 s after it fired last" in text
    why = "pulls of the starter may be heard, but hardly stand out"
    doubtful = replace(run.timeline, pulls_low=0, pulls_high=None, pulls_reason=why, seconds_to_run=None)
    text = flat(replace(run, timeline=doubtful))
    assert "0 or more" not in text and "not clear" in text and why in text


def test_a_run_that_stays_rough_is_not_said_to_have_no_rough_start():
    run = make_runs.settling_start()
    rough = tuple(
        replace(f, text="Rough throughout; it did not settle while recorded.") if f.code == "settling" else f
        for f in run.measures.findings
    )
    text = flat(replace(run, measures=replace(run.measures, settling=Settling(False), findings=rough)))
    assert "does not clear; rough to the end of what was recorded" in text and "no change from rough" not in text


def test_the_speed_says_what_follows_from_what_was_told():
    """The frequency of a generator whose poles were told (f = rpm * poles / 120), and how far off the rated is."""
    run = make_runs.healthy_generator()
    told = replace(run, engine=replace(run.engine, alternator_poles=2, rated_rpm=run.measures.speed.rpm / 1.03))
    assert f"{run.measures.speed.rpm / 60:.1f} Hz with 2 poles; 3 % above the rated" in flat(told)
    near = replace(run, engine=replace(run.engine, alternator_poles=None, rated_rpm=run.measures.speed.rpm / 1.005))
    assert " Hz with" not in flat(near) and "above the rated" not in flat(near)
    fast = Finding("speed", "fault", "Too fast.", 1.12 * told.engine.rated_rpm, "rpm", 1.05 * told.engine.rated_rpm)
    found = replace(run.measures, findings=(fast, *(f for f in run.measures.findings if f.code != "speed")))
    judged = flat(replace(told, measures=found))
    assert "12.0 % above the rated" in judged and "3 % above" not in judged, "as its finding says"
    doubted = replace(told, measures=replace(run.measures, speed=replace(run.measures.speed, or_rpm=1500.0)))
    assert " Hz with" not in flat(doubted) and "above the rated" not in flat(doubted)


def test_a_count_withheld_says_in_the_table_what_the_finding_says():
    """Of a twin whose cylinders sound alike: the table must not say 'cannot tell' beside 'at least 45 lost'."""
    run = make_runs.weak_twin()
    firing = run.measures.firing
    unknown = tuple(replace(each, relative_strength=None) for each in firing.cylinders)
    firing = replace(firing, misfires=None, misfire_percent=None, misfire_high=None, misfire_low=6.1, cylinders=unknown)
    found = (
        Finding("misfire", "watch", "At least 47 of 766 firings lost (6.1 %); how many in all cannot be told."),
        Finding("cylinder_balance", "unknown", "Cannot tell: the cylinders could not be told apart."),
    )
    text = flat(replace(run, measures=replace(run.measures, firing=firing, findings=found)))
    assert re.search(r"Misfires +at least 6.1 % of \d+ firings; how many in all cannot be told", text)
    assert text.count("the cylinders could not be told apart.") == 1 and "A cannot tell" not in text
    assert re.search(r"Cylinders +cannot tell: the cylinders could not", text)
    page = report.to_html(replace(run, measures=replace(run.measures, firing=firing, findings=found)))
    assert "at least 6.1" in page and "A cannot tell" not in page


def test_speed_stands_with_its_interval():
    run = make_runs.weak_twin()
    speed = run.measures.speed
    expected = (
        f"{speed.rpm:.0f} rpm; 95 % interval {speed.rpm_low:.0f} to {speed.rpm_high:.0f} rpm; confidence 0.96 of 1"
    )
    assert expected in flat(run)


def test_what_was_assumed_is_said():
    assert "assumed, as nobody said otherwise: 4 strokes and 1 cylinder" in flat(make_runs.hunting_pump())
    assert "assumed" not in flat(make_runs.weak_twin())


def test_what_cannot_be_told_comes_with_the_reason():
    assert "Steadiness cannot tell: the throttle was moved" in flat(make_runs.every_second())
    run = make_runs.healthy_generator()
    nothing = FiringSummary(0, None, None, None, None, None, None, None)
    run = replace(run, measures=replace(run.measures, firing=nothing))
    assert "Misfires cannot tell: the recording does not carry it." in flat(run)
    spelt = Finding("misfire", "unknown", "Cannot tell: AGC of the phone levelled it.")
    said = replace(run.measures, findings=(spelt,))
    assert "Misfires cannot tell: AGC of the phone levelled it." in flat(replace(run, measures=said))


@pytest.mark.parametrize(
    ("name", "verdict", "title"),
    [
        ("healthy_generator", "ok", "It ran, and no fault could be heard"),
        ("hunting_pump", "fault", "A fault can be heard: hunting"),
        ("settling_start", "watch", "It ran, with something to watch: misfires, rough start, bangs"),
        ("weak_twin", "fault", "A fault can be heard: misfires"),
        ("pulls_only", "fault", "The starter was pulled, but the engine did not run"),
        ("unusable_clip", "unknown", "This recording cannot be judged"),
        ("talk_only", "unknown", "No running engine was heard"),
        ("nothing_known", "unknown", "This recording cannot be judged"),
    ],
)
def test_headline(name, verdict, title):
    top = headline(make_runs.ALL[name]())
    assert (top.verdict, top.title) == (verdict, title)


def test_unknown_findings_alone_are_never_good():
    run = make_runs.healthy_generator()
    lone = (Finding("misfire", "unknown", "Too noisy."),)
    top = headline(replace(run, measures=replace(run.measures, findings=lone)))
    assert (top.verdict, top.title) == ("unknown", "It ran, but little more can be told")
    none = headline(replace(run, measures=replace(run.measures, findings=())))
    assert none.verdict == "unknown"


def test_a_run_is_good_only_where_lost_firings_would_have_been_heard():
    run = make_runs.healthy_generator()
    blind = tuple(f for f in run.measures.findings if words.group(f.code) != "misfire")
    assert any(finding.verdict == "ok" for finding in blind)
    top = headline(replace(run, measures=replace(run.measures, findings=blind)))
    assert (top.verdict, top.title) == ("unknown", "It ran, but whether firings were lost cannot be told")


def test_the_headline_says_where_it_is_not_sure_that_this_was_an_engine():
    for name, sure, title in (
        ("healthy_generator", 0.71, "It ran, and no fault could be heard"),
        ("healthy_generator", 0.69, "An engine was perhaps heard, but not clearly enough to judge"),
        ("hunting_pump", 0.69, "Perhaps a fault, if this was an engine: hunting"),
        ("settling_start", 0.4, "Perhaps an engine, with something to watch: misfires, rough start, bangs"),
    ):
        run = make_runs.ALL[name]()
        top = headline(replace(run, timeline=replace(run.timeline, confidence=sure)))
        assert top.title == title
        doubted = sure < words.SURE_ENGINE
        assert top.text.startswith("What may be an engine ran for" if doubted else "The engine ran for")
        assert (words.RECORD_AGAIN in top.text) == doubted and (doubted and top.verdict == "ok") is False


def test_poor_recording_is_taken_with_care():
    run = make_runs.healthy_generator()
    poor = replace(run, quality=Quality(True, 3.0, 0.0, None, (), 0.3))
    assert "take all figures with care" in headline(poor).text
    assert "care" not in headline(run).text


def test_unusable_clip_shows_no_figures():
    run = replace(make_runs.healthy_generator(), quality=make_runs.unusable_clip().quality)
    text = report.summary_text(run)
    assert "cannot be judged" in text and "3147" not in text and "Misfires" not in text


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.84, "0.8 s"), (9.96, "10.0 s"), (34.4, "34 s"), (59.97, "1 min"), (125, "2 min 5 s"), (7159, "1 h 59 min")],
)
def test_lengths_of_time(value, text):
    assert words.seconds(value).replace(words.GAP, " ") == text


def test_moments():
    assert words.moment(12.34, 60).replace(words.GAP, " ") == "12.3 s"
    assert words.moment(845, 1000) == "14:05"
    assert words.moment(7199.6, 7200) == "2:00:00"


def test_numbers_have_no_powers_and_no_noise():
    assert [words.figure(v) for v in (0.407, 1.1, 12.34, 178974.0, 0.0, 100.0)] == [
        "0.41", "1.1", "12.3", "178974", "0", "100",
    ]  # fmt: skip
    assert words.interval(0.178, 0.219).replace(words.GAP, " ") == "0.18 to 0.22 %"
    assert words.interval(4.53, 7.33).replace(words.GAP, " ") == "4.5 to 7.3 %"


def test_dates():
    assert words.date("2025-05-03T10:12:44+02:00") == "2025-05-03 10:12 UTC+02:00"
    assert words.date("2025-05-03T09:20:00Z") == "2025-05-03 09:20 UTC"
    assert words.date("last Tuesday\x1b[0m") == "last Tuesday\\x1b[0m"


def test_engine_in_words():
    # Published firing-order tables: 270/450 for a 90-degree V, 180/540 for a crank of 180 degrees.
    assert "2 cylinders firing 270/450 degrees apart" in words.engine_words(Engine(4, 2, (0.0, 270.0)))
    assert "2 cylinders firing 180/540 degrees apart" in words.engine_words(Engine(4, 2, (0.0, 180.0)))
    assert words.engine_words(Engine(2, 1)) == "two-stroke, 1 cylinder"


def test_lines_have_known_kinds(named_run):
    kinds = {"title", "fault", "watch", "unknown", "ok", "fact", "problem", "next", "note", "caution", "blank"}
    lines = report.summary_lines(named_run[1])
    assert {line.kind for line in lines} <= kinds
    assert lines[0].kind == "title" and lines[1].kind in words.WORST_FIRST


def test_texts_become_sentences():
    assert words.sentence("wind blows on the microphone") == "Wind blows on the microphone."
    assert words.sentence("Only 1.4 s.") == "Only 1.4 s."
    assert words.sentence("rpm swings!") == "Rpm swings!"
    assert words.sentence("mV readings stay") == "mV readings stay."
    assert words.sentence("") == ""


def test_an_interval_without_a_count_is_said_in_plain_words():
    run = make_runs.healthy_generator()
    unsure = replace(run.measures.firing, misfires=None, misfire_percent=None, misfire_low=4.6, misfire_high=76.2)
    fact = next(f for f in facts(replace(run, measures=replace(run.measures, firing=unsure))) if f.group == "misfire")
    assert not fact.known
    assert (
        fact.behind.replace("\u202f", " ").replace("\u00a0", " ") == "between 5 and 76 %: too unsure to state a count"
    )


def test_an_interval_is_shown_only_where_it_is_wide():
    from enginelog.report.facts import between

    assert between(6.0, 5.0, 7.0, "s") == ""
    assert between(6.0, 4.0, 9.0, "s") == " (4.0 to 9.0 s)"
    assert between(6.0, None, None, "s") == "" and between(None, 1.0, 2.0, "%") == ""


def test_a_pull_whose_speed_cannot_be_told_is_said_to_be_so():
    run = make_runs.pulls_only()
    known = tuple(replace(span, rpm=600.0) if index < 3 else span for index, span in enumerate(run.timeline.spans))
    run = replace(run, timeline=replace(run.timeline, spans=known))
    assert "pulled at about 600 rpm (2 of 5 not told)" in flat(run)
    rows = re.findall(r'scope="row">pull of the starter</th>.*?<td class="n">([^<]*)</td></tr>', report.to_html(run))
    assert [row.replace(words.GAP, " ") for row in rows] == ["600 rpm"] * 3 + ["cannot tell"] * 2


@pytest.mark.parametrize(
    ("stamp", "analysed_at", "doubted"),
    [
        ("2026-04-12T09:20:00+00:00", "2026-04-12T09:21:00+00:00", False),
        ("2026-04-12T11:25:00+02:00", "2026-04-12T09:21:00+00:00", False),  # five minutes: clocks are as far apart
        ("2027-04-12T09:20:00+00:00", "2026-04-12T09:21:00+00:00", True),
        ("2027-04-12T09:20:00", "2026-04-12T09:21:00+00:00", False),  # without a zone it is no moment
        ("not a time", "2026-04-12T09:21:00+00:00", False),
    ],
)
def test_a_recording_dated_after_its_analysis_gets_a_remark(stamp, analysed_at, doubted):
    run = make_runs.healthy_generator()
    run = replace(run, clip=replace(run.clip, recorded_at=stamp), analysed_at=analysed_at)
    assert ("a clock was wrong" in flat(run)) is doubted
    assert ("a clock was wrong" in report.to_html(run)) is doubted


def test_a_recording_that_says_no_time_has_none():
    run = make_runs.healthy_generator()
    assert words.recorded(replace(run, clip=replace(run.clip, recorded_at=None))) is None

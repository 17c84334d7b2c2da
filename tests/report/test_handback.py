"""The hand-back: what it says, that it is inert, that its PDF holds the same; the page is opened in a real browser."""

import re
import shutil
import subprocess
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser
from io import BytesIO

import make_runs
import numpy as np
import pytest

from enginelog import report
from enginelog.advice import usual_values
from enginelog.model import (
    FOR_OWNER,
    Analysis,
    BenchCheck,
    Engine,
    Finding,
    Handback,
    Job,
    JobRecord,
    Machine,
    Moment,
    RunFigures,
    Settling,
    Span,
    StoredRun,
    TakeIn,
    WorkEntry,
)
from enginelog.report.handback_open import open_checks
from enginelog.report.handback_sheet import AUDIENCES, duration, money, sheet
from enginelog.report.handback_text import LONGEST, sheet_text
from enginelog.report.words import GAP, RECORD_AGAIN

HOSTILE = (
    "<script>document.title='owned'</script><img src=x onerror=\"document.title='owned'\">\"'>&lt;b&gt;\x1b[31m\u202e"
)


def at(day: str) -> Moment:
    return Moment(f"{day}T09:00:00Z", "+02:00")


def stored(number: int, stage: str, run, letter: str, **more) -> StoredRun:
    run = replace(run, clip=replace(run.clip, sha256=letter * 64))
    figures = RunFigures(heard=run.timeline.engine_heard, usable=True, pulls=run.timeline.pulls,
                         rpm=run.measures.speed.rpm, misfire_percent=run.measures.firing.misfire_percent)  # fmt: skip
    analysis = Analysis(number, at(f"2026-04-1{number}"), "0.1.0", figures)
    return StoredRun(number, 7, stage, at(f"2026-04-1{number}"), recording_name=run.clip.name,
                     recording_sha256=letter * 64, analysis=analysis, run=run, **more)  # fmt: skip


TRIALS = ("choke_test", "cold_warm", "load_off", "loaded_run", "slow_stop")
MACHINE = Machine("Tiller Marigold", kind="tiller", rated_rpm=3200.0, serial="T-15", cost_limit_cents=4000, id=3)
JOB = Job(
    7, 3, at("2026-04-11"), "Stutters.\nNo strength in clay.", TakeIn("full", "old", "", "guard bent"),
    state="handed_back",
    handback=Handback(at("2026-04-14"), "Fresh petrol only.", "The rope is worn.", "October, or 25 hours."),
)  # fmt: skip
CHECKS = (
    BenchCheck("compression", "pass", at("2026-04-11"), reading=6.2, unit="bar"),
    BenchCheck("spark", "fail", at("2026-04-11"), "plug black"),
    BenchCheck("valves", "not_checked", at("2026-04-11")),
)
WORK = (
    WorkEntry("part", "spark plug", at("2026-04-12"), 620, 10),
    WorkEntry("fluid", "fresh petrol", at("2026-04-12"), 310, 5, 1.5),
    WorkEntry("labour", "carburettor cleaned", at("2026-04-12"), 0, 65),
)


@pytest.fixture(scope="module")
def hunting():
    return stored(1, "before", make_runs.hunting_pump(), "a", conditions=("cold",))


@pytest.fixture(scope="module")
def healthy():
    return stored(3, "after", make_runs.healthy_generator(), "b", conditions=("warm",))


@pytest.fixture(scope="module")
def record(hunting, healthy) -> JobRecord:
    return JobRecord(JOB, MACHINE, CHECKS, WORK, (hunting, healthy))


class Words(HTMLParser):
    """The visible text, and every element with its attributes."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements, self.parts, self.hidden = [], [], 0
        self.feed(html)
        self.text = " ".join("".join(self.parts).split())

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        self.hidden += tag in ("style", "script")

    def handle_endtag(self, tag):
        self.hidden -= tag in ("style", "script")

    def handle_data(self, data):
        if not self.hidden:
            self.parts.append(data)


def pdf_text(data: bytes) -> tuple[int, str]:
    pypdf = pytest.importorskip("pypdf", reason="pypdf, which reads the PDF back, is not installed")
    pages = pypdf.PdfReader(BytesIO(data)).pages
    return len(pages), " ".join(" ".join(page.extract_text() for page in pages).split())


EVERYWHERE = (
    "Tiller Marigold", "Job 7", "It runs better than before", "Stutters.", "No strength in clay.", "guard bent",
    "plug black", "spark plug", "1.5 × fresh petrol", "9.30 EUR", "1 h 20 min", "40.00 EUR; 30.70 EUR left",
    "The rope is worn.", "Fresh petrol only.", "October, or 25 hours.", "The conditions differed",
    "Exhaust gas kills quickly", "none heard after", "certify nothing",
)  # fmt: skip


@pytest.mark.parametrize("audience", AUDIENCES)
def test_page_and_pdf_say_all_of_it(record, audience):
    page = Words(report.hand_back_html(record, audience)).text
    pages, pdf = pdf_text(report.hand_back_pdf(record, audience))
    for words in EVERYWHERE:
        assert words in page.replace("\xa0", " ") and words in pdf.replace("\xa0", " "), words
    assert pages <= (2 if audience == "owner" else 5)


def test_the_bench_gets_what_the_owner_is_spared(record):
    owner, bench = (Words(report.hand_back_html(record, who)).text for who in AUDIENCES)
    told = ("all measures together)", "Compression", "SHA-256", "Where the limit is from", "Strength of the firings")
    for words in told:
        assert words in bench and words not in owner, words
    assert len(owner) < 0.6 * len(bench)
    assert "Cannot tell" not in owner


def test_self_contained(record):
    for audience in AUDIENCES:
        html = report.hand_back_html(record, audience)
        found = Words(html).elements
        assert not [tag for tag, _ in found if tag in ("script", "link", "iframe", "object", "embed", "form")]
        assert not [attrs for _, attrs in found if any(name.startswith("on") for name in attrs)]
        assert not re.search(r"(?:src|href)=\"(?!#|data:)", html) and "http" not in html.replace("http-equiv", "")
        assert "default-src 'none'" in html


def everywhere_hostile(record: JobRecord) -> JobRecord:
    job = replace(
        record.job, complaint=HOSTILE, seen=TakeIn(HOSTILE, HOSTILE, HOSTILE, HOSTILE), note=HOSTILE,
        handback=Handback(at("2026-04-14"), HOSTILE, HOSTILE, HOSTILE),
    )  # fmt: skip
    runs = tuple(
        replace(one, recording_name=HOSTILE, note=HOSTILE, conditions=(HOSTILE + one.stage,), run=replace(
            one.run, clip=replace(one.run.clip, name=HOSTILE), program_version=HOSTILE,
            measures=replace(one.run.measures, findings=make_runs.hostile().measures.findings)))
        for one in record.runs
    )  # fmt: skip
    return JobRecord(
        job, replace(record.machine, label=HOSTILE, serial=HOSTILE, kind=HOSTILE, currency=HOSTILE),
        tuple(replace(one, note=HOSTILE, unit=HOSTILE, step=HOSTILE, reading=1.0, photo_sha256="c" * 64,
                      photo_name=HOSTILE) for one in record.checks),
        tuple(replace(one, text=HOSTILE) for one in record.work), runs,
    )  # fmt: skip


def test_markup_in_any_text_is_only_text(record):
    hostile = everywhere_hostile(record)
    for audience in AUDIENCES:
        html = report.hand_back_html(hostile, audience)
        page = Words(html)
        assert not [tag for tag, _ in page.elements if tag in ("script", "img", "b")]
        assert "<script>document.title" in page.text and "\x1b" not in html and "\u202e" not in html
    text = report.hand_back_text(hostile)
    assert "\x1b" not in text and "\u202e" not in text
    assert report.hand_back_pdf(hostile, "owner").startswith(b"%PDF-")


def browser() -> str:
    found = next((path for name in ("chromium", "chromium-browser", "google-chrome", "chrome") if (path := shutil.which(name))), None)  # fmt: skip  # noqa: E501
    if found is None:
        pytest.skip("no chromium or chrome at hand to open the page in")
    return found


@pytest.mark.parametrize("audience", AUDIENCES)
def test_markup_is_inert_in_a_real_browser(record, audience, tmp_path):
    """The page is opened with scripts allowed: had any text become markup, it would have renamed the page."""
    page = tmp_path / "page.html"
    html = report.hand_back_html(everywhere_hostile(record), audience)
    # Without its policy, so that the escaping alone is tried.
    assert "Content-Security-Policy" in html
    page.write_text(re.sub(r"<meta http-equiv[^>]*>", "", html), encoding="utf-8")
    control = tmp_path / "control.html"
    control.write_text(f"<html><head><title>control</title></head><body>{HOSTILE}</body></html>", encoding="utf-8")
    titles = [re.search(r"<title>(.*?)</title>", opened(browser(), one, tmp_path), re.S)[1] for one in (control, page)]
    assert titles[0] == "owned"  # the browser does run what is markup
    assert titles[1] != "owned" and titles[1].startswith("Job 7")


def opened(program: str, page, folder) -> str:
    call = [program, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={folder / 'profile'}",
            "--virtual-time-budget=2000", "--dump-dom", page.as_uri()]  # fmt: skip
    try:
        return subprocess.run(call, capture_output=True, text=True, timeout=90, check=True).stdout
    except (OSError, subprocess.SubprocessError) as failed:
        pytest.skip(f"the browser did not start: {failed}")


# ---------------------------------------------------------------- less than everything


def test_nothing_at_all():
    bare = JobRecord(Job(1, 1, at("2026-04-11")), Machine("X", id=1))
    for audience in AUDIENCES:
        page = Words(report.hand_back_html(bare, audience)).text
        assert "No recording was made" in page and "No work was written down" in page and "Take care" in page
        assert "Limit" not in page
        assert pdf_text(report.hand_back_pdf(bare, audience))[0] == 1
    assert report.hand_back_text(bare).splitlines()[1] == "X: no recording was made."


def test_without_a_before(healthy):
    page = Words(report.hand_back_html(JobRecord(JOB, MACHINE, runs=(healthy,)))).text
    assert "no recording from before the work" in page and "The run after the work" in page


def test_without_an_after(hunting):
    page = Words(report.hand_back_html(JobRecord(JOB, MACHINE, work=WORK, runs=(hunting,)))).text
    assert "Not recorded after the work" in page and "The run before the work" in page
    assert "Before the work: a fault can be heard: hunting. The engine ran for" in page.replace(GAP, " ")


def test_only_pulls_before(healthy):
    pulls = stored(1, "before", make_runs.pulls_only(), "d")
    page = Words(report.hand_back_html(JobRecord(JOB, MACHINE, runs=(pulls, healthy)))).text
    assert "It runs now" in page and "did not start (5 pulls)" in page.replace("\xa0", " ")


def test_an_engine_that_died_and_was_pulled_in_vain_is_not_handed_back_as_running(healthy):
    pulls = stored(1, "before", make_runs.pulls_only(), "d")
    spans = (Span("pull", 1.0, 1.5), Span("run", 2.0, 8.0), Span("pull", 12.0, 12.5), Span("pull", 14.0, 14.5))
    died = replace(healthy.run, timeline=replace(healthy.run.timeline, spans=spans, pulls=1, pulls_after=2))
    top = sheet(JobRecord(JOB, MACHINE, runs=(pulls, stored(3, "after", died, "e")))).top
    assert top.tone == "unknown" and top.mark == "?"
    said = top.answer.replace(GAP, " ")
    assert said == "It started, ran 6.0 s and stopped; then it was pulled twice without starting"
    hunted = stored(1, "before", make_runs.hunting_pump(), "a")
    found = sheet(JobRecord(JOB, MACHINE, runs=(hunted, stored(3, "after", died, "e"))))
    assert found.top.tone == "watch" and "After: it stopped, and was then pulled twice without starting." in found.notes


def test_an_engine_that_died_twice_is_not_handed_back_as_running(healthy):
    """Its two runs of four seconds were told in green as "It runs now ... ran 8.0 s"."""
    pulls = stored(1, "before", make_runs.pulls_only(), "d")

    def top_of(*runs):
        spans = [Span("pull", 1.0, 1.5)]
        for start_s, end_s in runs:
            spans += [Span("pull", start_s - 0.5, start_s), Span("run", start_s, end_s)]
        line = replace(healthy.run.timeline, spans=tuple(spans), pulls=1)
        return sheet(
            JobRecord(JOB, MACHINE, runs=(pulls, stored(3, "after", replace(healthy.run, timeline=line), "e")))
        ).top

    died = top_of((1.5, 5.7), (9.5, 13.4))
    assert died.tone == "unknown" and died.answer.replace(GAP, " ") == "It started twice, and ran only 4.2 s and 3.9 s"
    assert "not shown. Whether somebody" in died.text and "ecord a start" not in died.text, "that is for the bench"
    ran_on = top_of((1.5, 9.5), (14.0, 34.0))
    assert ran_on.answer == "It runs now" and ran_on.tone == "watch" and "stopped in between" in ran_on.text


def test_stopping_before_the_work_is_on_the_owners_page_and_in_the_message(healthy):
    spans = tuple(Span("run", start_s, end_s) for start_s, end_s in ((1.0, 11.0), (15.0, 21.0)))
    died = replace(healthy.run, timeline=replace(healthy.run.timeline, spans=spans))
    job = JobRecord(JOB, MACHINE, runs=(stored(1, "before", died, "e"), healthy))
    assert sheet(job).top.answer != "It runs as before"
    assert "- Stopping and starting again: once before (ran 10 s and 6.0 s), not" in report.hand_back_text(job)


def too_fast_then_right():
    run = make_runs.healthy_generator()
    speed = run.measures.speed

    def at_speed(rpm, verdict):
        found = Finding("speed", verdict, f"Highest held {rpm:.0f} rpm.", rpm, "rpm", 3307.5)
        own = (found, *run.measures.findings)
        ratio = rpm / speed.rpm
        measures = replace(run.measures, findings=own, speed=replace(
            speed, rpm=rpm, rpm_low=speed.rpm_low * ratio, rpm_high=speed.rpm_high * ratio))  # fmt: skip
        return replace(run, measures=measures, track=replace(run.track, rpm=run.track.rpm * ratio))

    return stored(1, "before", at_speed(3650.0, "fault"), "a"), stored(3, "after", at_speed(3150.0, "ok"), "b")


def test_a_speed_that_was_too_fast_and_is_not_any_more_is_the_answer():
    """It was "Whether it runs better cannot be told", since the two were made at different speeds."""
    job = JobRecord(JOB, MACHINE, runs=too_fast_then_right())
    for audience in AUDIENCES:
        top = sheet(job, audience).top
        assert (top.tone, top.answer) == ("ok", "It no longer runs too fast")
        assert top.text.startswith("Better: speed. ") and "are not compared" in top.text
        assert "Record both" not in top.text
    assert report.hand_back_text(job).splitlines()[0] == "Tiller Marigold: it no longer runs too fast."


def test_a_fault_that_is_left_takes_the_green_away(healthy):
    pulls = stored(1, "before", make_runs.pulls_only(), "d")
    still = stored(3, "after", make_runs.hunting_pump(), "e")
    found = sheet(JobRecord(JOB, MACHINE, runs=(pulls, still)))
    assert found.top.tone == "watch" and "a fault can be heard: hunting" in found.top.text
    assert any(line.startswith("Its speed goes up and down by itself, by about 6.9") for line in found.watch)


def test_the_owner_reads_no_bench_terms_and_the_bench_reads_all(hunting):
    """Intervals, ISO classes and worst stretches are for the bench; the message takes the owner's line."""
    job = JobRecord(replace(JOB, handback=replace(JOB.handback, watch="")), MACHINE, runs=(missing(),))
    owner, bench = sheet(job), sheet(job, "bench")
    text = " ".join(owner.watch).replace("\xa0", " ")
    assert not re.search("95 %|revolutions|ISO|peak to peak|interval", text), text
    assert "Some firings fail: about 9 of 100 while it was recorded." in text
    assert "after starting, then smoothly." in text
    assert any(re.search("95.%", line) for line in bench.watch)
    message = report.hand_back_text(job)
    assert "Please watch: Some firings fail: about 9 of 100 while it was recorded. It runs rough for" in message
    first = sheet(JobRecord(JOB, MACHINE, runs=(stored(3, "after", make_runs.settling_start(), "f"),)))
    assert "Some firings fail: about 2 of 100 while it was recorded, more of them at first." in first.watch


def test_how_it_was_measured_is_for_the_bench(record):
    """How bands were freed of drift says nothing of the machine, and its owner has no other report to hold it to."""
    assert any("slow drift" in note for note in sheet(record, "bench").notes)
    assert not any("slow drift" in note for note in sheet(record).notes)


def test_the_owner_is_not_told_that_a_cylinder_works_less_where_it_may_only_stand_farther_away():
    """The report said that it cannot be told by sound, and the owner read that it works less."""
    twin = make_runs.weak_twin()
    faint = Finding("cylinder_balance", "watch", "One cylinder sounds 59 % as strong.", 59.0, "%", 70.0, "x")
    untold = replace(twin.measures.firing, misfires=None, misfire_percent=None)
    found = replace(twin, measures=replace(twin.measures, firing=untold, findings=(faint,)))
    told = replace(twin, measures=replace(twin.measures, findings=(faint,)))
    assert twin.measures.firing.pattern == "cylinder"
    said = [sheet(JobRecord(JOB, MACHINE, runs=(stored(3, "after", each, "f"),))).watch[-1] for each in (found, told)]
    assert "or is only farther from the microphone" in said[0] and said[1] == "One cylinder works less than another."


def test_what_can_hurt_stands_first_in_the_owners_words():
    """Too fast for its rated speed: before what the mechanic wrote, and never cut off the message."""
    run = make_runs.hunting_pump()
    fast = Finding("speed", "watch", "Ran at 2948 rpm, told rated 2900 rpm. Too fast.", 3055.0, "rpm", 2987.0, "x")
    idle = Finding("speed", "watch", "Idles at 1900 rpm.", 1900.0, "rpm", 1700.0, "x", of="idle")
    for finding, first in ((fast, True), (idle, False)):
        job = rated_job(run, (*run.measures.findings, finding), watch="long " * 80)
        assert sheet(job).watch[0].startswith("Do not use it until its top speed has been set") == first
        assert ("Please watch: Do not use it until" in report.hand_back_text(job)) == first
    assert "it turned at up to 3055 rpm, and is rated for 2900" in " ".join(sheet(rated_job(run, (fast,))).watch)


SLOW = Finding("stop", "watch", "From ignition off to standstill 2.6 s; within 3.0 s.", 2.6, "s", 3.0, "x")
BLADE = Finding("blade_speed", "fault", "The blade's tip is too fast.", 3400.0, "rpm", 3092.0, "x")


@pytest.mark.parametrize("danger", [SLOW, BLADE], ids=lambda each: each.code)
@pytest.mark.parametrize("since", [None, "talk", "not heard", "well"])
def test_what_can_hurt_and_was_heard_before_the_work_is_told_until_a_recording_shows_it_gone(danger, since):
    """Handed back unmended, or recorded since without its stop: the owner would not have read a word of it."""
    run = make_runs.hunting_pump()
    before = with_findings(1, "before", run, (danger,))
    after = {
        None: (),
        "talk": (stored(3, "after", make_runs.talk_only(), "f"),),
        "not heard": (with_findings(3, "after", run, (replace(danger, verdict="unknown", value=None),)),),
        "well": (with_findings(3, "after", run, (replace(danger, verdict="ok"),)),),
    }[since]
    found = JobRecord(JOB, MACHINE, runs=(before, *after))
    for audience in AUDIENCES:
        first = sheet(found, audience).watch[0]
        assert first.startswith("Heard before the work, and not shown to be put right: ") == (since != "well")
    assert ("not shown to be put right" in report.hand_back_text(found)) == (since != "well")


@pytest.mark.parametrize(
    ("verdict", "said"),
    [("watch", "Have its blade brake seen to before it is used again: it"), ("fault", "Do not use it")],
)
def test_a_blade_slow_to_stand_still_stands_first_for_its_owner(verdict, said):
    after = with_findings(3, "after", make_runs.hunting_pump(), (replace(SLOW, verdict=verdict),))
    first = sheet(JobRecord(JOB, MACHINE, runs=(after,))).watch[0].replace(GAP, " ")
    assert first.startswith(said) and "took about 2.6 s to stand still" in first and "may take 3.0 s." in first


@pytest.mark.parametrize(
    ("confidence", "said"), [(0.9, "Do not use it until"), (0.2, "It is perhaps too fast for its")]
)
def test_a_blade_that_turns_too_fast_is_told_plainly_and_whole_in_the_message(confidence, said):
    """The message broke off before it said what was the matter with the blade, two dangers being long."""
    run = make_runs.hunting_pump()
    speed = replace(run.measures.speed, confidence=confidence)
    run = replace(run, measures=replace(run.measures, speed=speed), engine=replace(run.engine, rated_rpm=2900.0))
    fast = Finding("speed", "watch", "Ran at 3400 rpm, told rated 2900 rpm. Too fast.", 3400.0, "rpm", 2987.0, "x")
    job = JobRecord(JOB, MACHINE, runs=(with_findings(1, "before", run, (fast, BLADE)),))
    first = sheet(job).watch[0]
    assert f"{said} " in first and "3092 rpm at most" in first and "tip" not in first
    if confidence > 0.5:
        assert "its blade may turn at 3092 rpm at most, and it turned at up to 3400." in report.hand_back_text(job)


def with_findings(number, stage, run, findings):
    """A stored run that has these findings alone."""
    return stored(
        number, stage, replace(run, measures=replace(run.measures, findings=findings)), "de"[stage == "after"]
    )


def test_what_the_owner_and_advise_say_of_a_blade_stop_near_its_limit_is_the_same():
    """2.8 s by ear: 'do not use the mower' to the mechanic, and not a word of that to the owner."""
    mower = replace(make_runs.healthy_generator(), engine=Engine(machine="mower"))
    mower = replace(mower, timeline=replace(mower.timeline, rundown_s=2.8))
    near = next(line for line in usual_values(report.record(mower)) if line.position == "near")
    first = sheet(JobRecord(JOB, MACHINE, runs=(with_findings(3, "after", mower, (SLOW,)),))).watch[0]
    assert near.to_do == "Have the blade brake seen to before the mower is used again."
    assert "Have its blade brake seen to before it is used again: " in first and "Do not use" not in first


def test_the_owner_reads_of_a_start_in_plain_words():
    """'6 pulls of the starter heard (pulls 1, 2 and 4 at about 530 rpm with about 3 to 6 compression strokes each)'."""
    run = make_runs.settling_start()
    start = Finding("start", "watch", "6 pulls heard (at about 530 rpm with 3 to 6 strokes).", 6.0, "pulls", 4.0, "x")
    said = {
        (6, run.timeline.spans): "It took 6 pulls of the starter until it ran.",
        (2, (Span("run", 0, 9), Span("pull", 12, 13))): "It stopped, and did not start again when it was pulled.",
        (0, (Span("run", 0, 9), Span("run", 12, 20))): "It stopped, and was started again.",
    }
    for (pulls, spans), words in said.items():
        vain = int(spans[-1].kind == "pull")
        heard = replace(run, timeline=replace(run.timeline, pulls=pulls, pulls_after=vain, spans=spans))
        assert words in sheet(JobRecord(JOB, MACHINE, runs=(with_findings(3, "after", heard, (start,)),))).watch


def test_a_speed_that_is_only_perhaps_too_fast_is_said_so_to_the_owner():
    run = make_runs.hunting_pump()
    fast = Finding("speed", "watch", "Ran at 2948 rpm. Not sure.", 3055.0, "rpm", 2987.0, "x")
    perhaps = replace(run, measures=replace(run.measures, speed=replace(run.measures.speed, confidence=0.2)))
    first = sheet(rated_job(perhaps, (fast,))).watch[0]
    assert first.startswith("It is perhaps too fast: it seemed to turn at up to 3055 rpm, and is rated for 2900.")
    assert first.endswith("Have its top speed measured before it is used.")


def rated_job(run, findings, watch=JOB.handback.watch):
    """A job whose run after the work, told 2900 rpm, has these findings; watch: what the mechanic wrote."""
    engine, measures = replace(run.engine, rated_rpm=2900.0), replace(run.measures, findings=findings)
    after = stored(3, "after", replace(run, engine=engine, measures=measures), "e")
    return JobRecord(replace(JOB, handback=replace(JOB.handback, watch=watch)), MACHINE, runs=(after,))


def missing():
    """A run after the work that loses firings, roughly at first."""
    run = make_runs.hunting_pump()
    firing = replace(run.measures.firing, misfires=40, misfire_percent=9.2, misfire_low=7.0, misfire_high=12.0)
    found = (
        Finding("misfire", "fault", "40 of 435 firings lost: 9.2 % (95 % interval 7 to 12). Worst 200 revolutions."),
        Finding("settling", "watch", "Rough at first, settled after about 6.1 s (95 % interval 5.5 to 8.1 s)."),
        Finding("steadiness", "watch", "Wider than class G1 of ISO 8528-5 asks of generating sets."),
    )  # fmt: skip
    measures = replace(run.measures, firing=firing, settling=Settling(True, 6.1, 5.5, 8.1), findings=found)
    return stored(3, "after", replace(run, measures=measures), "e")


def rows_of(page: str, title: str) -> list[list[str]]:
    """The cells of the table under a heading, as text."""
    table = page.split(f"<h2>{title}</h2>")[1].split("</table>")[0]
    rows = re.findall(r"<tr>(.*?)</tr>", table, re.DOTALL)
    cells = [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.DOTALL) for row in rows]
    return [[" ".join(unescape(re.sub(r"<[^>]+>", " ", cell)).split()) for cell in row] for row in cells]


def test_a_value_beside_a_limit_is_the_one_that_was_held_against_it(hunting):
    """The run's middle value lies within the limit, the highest speed does not: both papers say which was judged."""
    fast = Finding("speed", "watch", "Speed 2948 rpm, highest held for a second 3055 rpm; told rated speed 2900 rpm.",
                   3055.2, "rpm", 3045.0, "x")  # fmt: skip
    run = make_runs.healthy_generator()
    measures = replace(run.measures, findings=(fast,), speed=replace(run.measures.speed, rpm=2948.3))
    run = replace(run, measures=measures, engine=replace(run.engine, rated_rpm=2900.0))
    judged = "judged: 3055 rpm, the highest held for a second"
    papers = JobRecord(JOB, MACHINE, (), (), (stored(2, "after", run, "c"),))
    paper = report.hand_back_html(papers, "bench")
    row = next(row for row in rows_of(paper, "After the work: measures and limits") if row[0] == "Speed")
    assert row[1] == f"2948 rpm {judged}" and row[2].startswith("3045 rpm")
    assert judged in pdf_text(report.hand_back_pdf(papers, "bench"))[1]
    row = next(row for row in rows_of(report.to_html(run), "Measures and limits") if row[0] == "Speed")
    assert row[1].endswith(judged) and row[2].startswith("3045 rpm")


def test_a_limit_on_idle_is_the_speed_told_and_how_far_off_it_may_be():
    run = make_runs.healthy_generator()
    idle = Finding("speed", "ok", "Idles at 1390 rpm, 6.9 % above the told 1300 rpm.", 1390.0, "rpm", 1300.0, "x")
    measures = replace(run.measures, findings=(idle,), speed=replace(run.measures.speed, rpm=1390.2))
    engine, used = replace(run.engine, idle_rpm=1300.0), {"findings.idle_watch_percent": 10.0}
    run = replace(run, engine=engine, limits_used=used, measures=measures)
    row = next(row for row in rows_of(report.to_html(run), "Measures and limits") if row[0] == "Speed")
    assert "judged" not in row[1] and row[2].startswith("1300 rpm told, 10 % either way")


@pytest.mark.parametrize("make", [make_runs.healthy_generator, make_runs.hunting_pump, make_runs.settling_start,
                                  make_runs.weak_twin, make_runs.two_hours])  # fmt: skip
def test_every_row_with_a_limit_says_the_value_of_its_finding(make):
    run = make()
    said = [row[1] for row in rows_of(report.to_html(run), "Measures and limits")]
    held = [each for each in run.measures.findings if each.limit is not None and each.value]
    for finding in held:
        digits = re.compile(rf"([\d.]+) {re.escape(finding.unit)}")
        found = [float(number) for value in said for number in digits.findall(value.replace(GAP, " "))]
        assert any(abs(number - finding.value) <= 0.0501 for number in found), (finding.code, finding.value)
    assert held


def test_the_benchs_paper_holds_every_limit_that_the_page_does():
    """A mower with a generator on its belt: blade and frequency have limits of their own, and no measure carries them
    (figures from memory of common machines; what counts is that both papers say them)."""
    blade = Finding("blade_speed", "watch", "Highest speed held 3055 rpm.", 3055.2, "rpm", 2980.0, "blade source")
    hertz = Finding("generator_frequency", "fault", "gives 58.0 Hz.", 58.0, "Hz", 53.0, "frequency source")
    pause = Finding("throttle", "ok", "0.4 s.", 0.4, "s", 1.0, "throttle source")
    run = make_runs.healthy_generator()
    run = replace(run, measures=replace(run.measures, findings=(*run.measures.findings, blade, hertz, pause)))
    papers = JobRecord(JOB, MACHINE, (), (), (stored(2, "after", run, "c"),))
    paper = rows_of(report.hand_back_html(papers, "bench"), "After the work: measures and limits")
    page = [row for row in rows_of(report.to_html(run), "Measures and limits") if len(row) > 2]
    assert [row[0] for row in paper] == [row[0] for row in page]
    said = {row[0]: row[1:] for row in paper}
    assert said["Highest speed held, for the tip of the blade"] == ["3055 rpm", "2980 rpm ! Watch", "blade source"]
    assert said["Generator frequency"] == ["58.0 Hz", "53 Hz ✕ Fault", "frequency source"]
    assert "Pause as the throttle opens" in said
    printed = pdf_text(report.hand_back_pdf(papers, "bench"))[1]
    assert "58.0 Hz" in printed and "2980 rpm" in printed and "frequency source" in printed


@pytest.mark.parametrize("audience", AUDIENCES)
def test_page_and_pdf_go_from_what_was_wrong_over_what_was_found_to_what_was_done(record, audience):
    """The page had the work before the checks that called for it, the PDF the other way round."""
    found = "What was found" if audience == "owner" else "What the bench checks showed"
    page, printed = report.hand_back_html(record, audience), pdf_text(report.hand_back_pdf(record, audience))[1]
    for text in (page, printed):
        places = [text.index(heading) for heading in ("What was wrong", found, "What was done")]
        assert places == sorted(places)
    bare = report.hand_back_html(replace(record, checks=()), audience)
    assert found not in bare and bare.index("What was wrong") < bare.index("What was done")


def draft_of(record: JobRecord) -> JobRecord:
    return replace(record, job=replace(record.job, state="open"))


@pytest.mark.parametrize("audience", AUDIENCES)
def test_a_draft_says_so_and_that_nothing_was_handed_back_yet(record, audience):
    """On the page, on every sheet of the PDF (its foot) and at the head of the message."""
    draft, real = draft_of(record), record
    for made, is_draft in ((draft, True), (real, False)):
        text = Words(report.hand_back_html(made, audience)).text
        pages, printed = pdf_text(report.hand_back_pdf(made, audience))
        message = report.hand_back_text(made, audience)
        assert ("not handed back yet" in text) == ("handed back 2026-04-14" not in text) == is_draft
        assert ("not handed back yet" in printed) == ("handed back 2026-04-14" not in printed) == is_draft
        assert printed.count("draft of the hand-back") >= (pages if is_draft else 0)
        assert message.startswith("Draft: the machine is not handed back yet") == is_draft
        assert ("raft" in text + printed + message) == is_draft
    text = Words(report.hand_back_html(draft, audience)).text
    assert "Fresh petrol only." in text and "owner was told" not in text


def test_a_check_that_failed_and_then_passed_is_called_put_right(healthy):
    checks = (BenchCheck("spark", "fail", at("2026-04-11"), "black"), BenchCheck("spark", "pass", at("2026-04-12")),
              BenchCheck("valves", "fail", at("2026-04-12")))  # fmt: skip
    job = JobRecord(JOB, MACHINE, checks, (), (healthy,))
    assert [row.detail for row in sheet(job).checks] == ["black; it passed when checked again", ""]
    assert [row.result for row in sheet(job).checks] == ["mended", "fail"], "no red mark beside what was put right"
    assert "(put right: black; it passed when checked again)" in report.hand_back_text(job)
    assert [row.result for row in sheet(job, "bench").checks] == ["fail", "pass", "fail"]


def test_the_bench_reads_when_the_file_says_it_was_recorded(healthy):
    clip = replace(healthy.run.clip, recorded_at="2025-05-01T10:15:00+00:00")
    job = JobRecord(JOB, MACHINE, runs=(replace(healthy, run=replace(healthy.run, clip=clip)),))
    told = dict(sheet(job, "bench").facts)["After"]
    assert "recorded 2025-05-01 10:15 UTC by its file" in told and "entered for 2026-04-13" in told


def test_a_fault_is_still_heard_only_where_it_was_heard_before(hunting):
    again = stored(3, "after", make_runs.hunting_pump(), "e")
    text = sheet(JobRecord(JOB, MACHINE, runs=(hunting, again))).top.text
    assert "After the work a fault can still be heard: hunting." in text
    other = stored(3, "after", missing().run, "e")
    text = sheet(JobRecord(JOB, MACHINE, runs=(hunting, other)), "bench").top.text
    assert "After the work a fault can be heard: misfires" in text and "still be heard" not in text


def test_not_comparable_is_said_with_what_to_record_to_the_bench_and_what_was_heard_to_the_owner(hunting):
    unusable = stored(3, "after", make_runs.unusable_clip(), "f")
    job = JobRecord(JOB, MACHINE, runs=(hunting, unusable))
    bench, owner = sheet(job, "bench").top, sheet(job).top
    assert owner.tone == bench.tone == "unknown"
    assert "cannot be compared" in bench.text and "Record the run after again" in bench.text
    said = owner.text.replace(GAP, " ")
    assert "cannot be compared" in said and "ecord" not in said.replace("recording", "")
    assert "Before the work: a fault can be heard: hunting. The engine ran for" in said
    assert "After the work: this recording cannot be judged." in said


@pytest.mark.parametrize("stages", [("during",), ("before", "during")])
def test_a_recording_from_during_the_work_is_no_missing_one(stages):
    runs = tuple(stored(n, stage, make_runs.hunting_pump(), "ab"[n - 1]) for n, stage in enumerate(stages, 1))
    top = sheet(JobRecord(JOB, MACHINE, work=WORK, runs=runs)).top
    assert top.answer == "Not recorded after the work"
    assert "During the work: a fault can be heard: hunting. The engine ran for" in top.text
    assert ("Before the work: " in top.text) == ("before" in stages)


def test_an_owner_is_not_told_how_to_record():
    for stage in ("before", "after"):
        job = JobRecord(JOB, MACHINE, runs=(stored(1, stage, make_runs.unusable_clip(), "f"),))
        assert RECORD_AGAIN in sheet(job, "bench").top.text
        assert RECORD_AGAIN[:20] not in sheet(job).top.text


def test_the_newest_pair_that_can_be_compared_is_taken(hunting, healthy):
    unusable = stored(4, "after", make_runs.unusable_clip(), "f")
    found = sheet(JobRecord(JOB, MACHINE, runs=(hunting, healthy, unusable)))
    assert found.top.answer == "It runs better than before"


def test_letters_of_other_scripts(record):
    strange = replace(record, machine=replace(MACHINE, label="Мотоблок Γεώτρηση 耕運機"), runs=())
    assert "Мотоблок Γεώτρηση 耕運機" in Words(report.hand_back_html(strange)).text
    _, text = pdf_text(report.hand_back_pdf(strange))
    assert "Мотоблок Γεώτρηση □□□" in text and "shown as boxes" in text
    assert "shown as boxes" not in pdf_text(report.hand_back_pdf(replace(record, runs=())))[1]


def test_long_texts_and_much_work(record):
    long = "It ran well last autumn. " * 400
    job = replace(JOB, complaint=long, note="x" * 3000)
    many = replace(record, job=job, work=WORK * 40, runs=())
    pages, text = pdf_text(report.hand_back_pdf(many, "bench"))
    assert pages > 5 and text.count("carburettor cleaned") == 40
    message = report.hand_back_text(many)
    assert max(map(len, message.splitlines())) <= LONGEST + 40 and " ..." in message


def test_a_long_label_at_the_foot_does_not_run_into_the_number_of_the_page(record):
    """Places are read back from the PDF by pypdf; the label is as long as the job record allows."""
    pypdf = pytest.importorskip("pypdf", reason="pypdf, which reads the PDF back, is not installed")
    named = replace(record, machine=replace(MACHINE, label="m" * 80), runs=())
    page = pypdf.PdfReader(BytesIO(report.hand_back_pdf(named, "bench"))).pages[0]
    foot: list[tuple[float, str]] = []
    page.extract_text(
        visitor_text=lambda text, cm, tm, fonts, size: (
            foot.append((cm[4] + tm[4], text.strip())) if size == 7.5 else None
        )
    )
    (left, label), (right, number) = [each for each in foot if each[1]][-2:]
    assert number.startswith("page 1 of") and label.endswith("m ...")
    width_pt = 7.5 * (
        0.974 * label.count("m") + 0.5 * (len(label) - label.count("m"))
    )  # m of DejaVu Sans: 1995 of 2048
    assert left + width_pt < right, (left, width_pt, right)


@pytest.mark.parametrize(
    ("rest", "foot"),
    [("", "handle from plot nineteen page 1 of"), (" by the upper gate there", "from plot nineteen ... page 1 of")],
)
def test_a_label_that_is_cut_at_the_foot_is_seen_to_be(record, rest, foot):
    """ "... bull handle from p" stood there as if it were the whole of it."""
    label = f"Self-propelled mower with the red deck and bull handle from plot nineteen{rest}"
    named = replace(record, machine=replace(MACHINE, label=label), runs=())
    printed = pdf_text(report.hand_back_pdf(named, "bench"))[1]
    assert foot in printed.split("Job 7: hand-back, for the bench · ")[1], printed


def test_each_note_has_a_line_of_its_own(record):
    """Notes come one by one, on the page and by `enginelog note`; run together nobody knows where one ends."""
    notes = ("tank was half empty", "blade blunt", "owner asks for Saturday")
    told = "Fuel drained\nNew plug fitted\n"
    back = replace(JOB.handback, told_owner=told, watch="Old fuel\n\nOil level")
    job = replace(
        record.job,
        note="\n".join(FOR_OWNER + note for note in notes),
        complaint="stutters\nsmells of fuel",
        handback=back,
    )
    written = replace(record, job=job)
    html = report.hand_back_html(written)
    assert "".join(f"<p>{note}</p>" for note in notes) in html and "<dt>Notes</dt><dd><p>" in html
    message = report.hand_back_text(written)
    assert "Came in with: Stutters. Smells of fuel." in message
    assert "<li>Old fuel</li>" in html and "<li>Oil level</li>" in html
    assert "Fuel drained. New plug fitted." in message
    pypdf = pytest.importorskip("pypdf", reason="pypdf, which reads the PDF back, is not installed")
    pages = pypdf.PdfReader(BytesIO(report.hand_back_pdf(written))).pages
    lines = [line.strip() for page in pages for line in page.extract_text().splitlines()]
    assert {"blade blunt", "owner asks for Saturday"} <= set(lines)
    assert any(line.endswith("tank was half empty") for line in lines)


def test_the_benchs_own_notes_are_on_no_page_for_the_owner(record):
    """Not on the page, not in the PDF, not in the message; one that is marked as for the owner is, without its mark."""
    notes = (
        "owner is a pain, charge double",
        f"{FOR_OWNER}store it with an empty tank",
        f"{FOR_OWNER}  ",
        "for the owner: x",
    )
    photo = replace(CHECKS[1], photo_sha256="c" * 64, photo_name="IMG_77.jpg")
    written = replace(record, job=replace(record.job, note="\n".join(notes)), checks=(CHECKS[0], photo))
    owners = (
        report.hand_back_html(written),
        pdf_text(report.hand_back_pdf(written))[1],
        report.hand_back_text(written),
    )
    for text in owners:
        assert "charge double" not in text and "IMG_77" not in text and "for the owner: x" not in text.lower()
    for text in owners[:2]:
        assert "store it with an empty tank" in text and FOR_OWNER not in text
    bench = report.hand_back_html(written, "bench")
    assert "charge double" in bench and "IMG_77" in bench and "empty tank" in bench
    private = replace(written, job=replace(record.job, note=notes[0]))
    assert "<dt>Note" not in report.hand_back_html(private)


def test_the_same_record_gives_the_same_files(record):
    assert report.hand_back_html(record) == report.hand_back_html(record)
    assert report.hand_back_pdf(record, "owner") == report.hand_back_pdf(record, "owner")


def test_trend_over_the_seasons_for_the_bench(record, hunting, healthy):
    earlier = replace(healthy, id=9, job_id=5, at=at("2025-03-01"))
    html = report.hand_back_html(record, "bench", (earlier, hunting, healthy))
    assert "The machine over the seasons" in html
    assert "The machine over the seasons" not in report.hand_back_html(record, "bench", (hunting, healthy))
    assert "The machine over the seasons" not in report.hand_back_html(record, "owner", (earlier, hunting))


def test_the_trend_breaks_off_where_another_engine_is_told(record, hunting, healthy):
    from enginelog import plots

    earlier = replace(healthy, id=9, job_id=5, at=at("2025-03-01"))
    runs = (earlier, hunting, healthy)
    said = "another engine is told"
    assert said in report.hand_back_html(record, "bench", runs, {hunting.id})
    assert said not in report.hand_back_html(record, "bench", runs, {77}) + report.hand_back_html(record, "bench", runs)
    for changes, broken in (((), 0), ((hunting.id,), 1)):
        figure = plots.machine_trend(runs, changes=changes)
        speed = next(ax for ax in figure.axes if ax.get_ylabel() == "rpm")
        course = speed.lines[0].get_ydata()
        assert np.count_nonzero(np.isnan(course)) == broken and np.isfinite(course[[0, -1]]).all()
        assert sum(line.get_linestyle() == "--" for line in speed.lines) == broken
        key = [text.get_text() for ax in figure.axes if ax.get_legend() for text in ax.get_legend().get_texts()]
        assert ("another engine told" in key) == bool(broken)


def test_files_are_written_together(record, tmp_path):
    written = report.write_hand_back(record, tmp_path / "out")
    assert [path.name for path in written] == ["owner.html", "owner.pdf", "bench.html", "bench.pdf", "message.txt"]
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(path.name for path in written)


def test_money_and_time():
    assert money(1234, "EUR") == "12.34\xa0EUR" and money(-5, "EUR") == "\u22120.05\xa0EUR" and money(0, "") == "0.00"
    assert [duration(n) for n in (0, 45, 60, 80)] == ["0\xa0min", "45\xa0min", "1\xa0h", "1\xa0h 20\xa0min"]
    with pytest.raises(ValueError, match="audience"):
        sheet(JobRecord(JOB, MACHINE), "boss")


def test_whether_before_and_after_are_swapped_is_asked_of_the_bench_not_of_the_owner():
    runs = [stored(1, "before", make_runs.hunting_pump(), "a"), stored(2, "after", make_runs.healthy_generator(), "b")]
    made = ("2026-04-14T09:00:00+00:00", "2026-04-12T09:00:00+00:00")
    runs = [replace(one, run=replace(one.run, clip=replace(one.run.clip, recorded_at=each)))
            for one, each in zip(runs, made, strict=True)]  # fmt: skip
    record = JobRecord(JOB, MACHINE, (), (), tuple(runs))
    assert "swapped" in " ".join(report.hand_back_questions(record))
    assert "swapped" in report.hand_back_html(record, "bench") and "swapped" not in report.hand_back_html(record)
    assert "swapped" not in report.hand_back_text(record)


def test_what_can_hurt_and_failed_is_not_handed_back_in_green():
    """A bent blade on record, never checked again: 'it runs better' was all the owner read at first sight."""
    runs = (stored(1, "before", make_runs.pulls_only(), "a"), stored(2, "after", make_runs.healthy_generator(), "b"))
    bent = BenchCheck("blade", "fail", at("2026-04-12"), note="bent", id=1)
    black = BenchCheck("plug", "fail", at("2026-04-12"), note="black", id=2)
    record = JobRecord(JOB, MACHINE, (bent, black), (), runs)
    found = sheet(record)
    assert found.top.tone == "watch" and "Do not use it until this is put right" in found.top.text
    assert (
        found.watch[0] == "Do not use it until this is put right, which failed at the bench: blade and what holds it."
    )
    assert "Do not use it" in report.hand_back_text(record)
    assert "blade and what holds it and spark plug failed" in report.hand_back_questions(record)[0]
    again = replace(record, checks=(bent, black, replace(bent, result="pass", id=3)))
    assert sheet(again).top.tone == "ok" and "Do not use it until this" not in report.hand_back_html(again)
    assert report.hand_back_questions(again)[0].startswith("spark plug failed")
    skipped = replace(record, checks=(bent, replace(bent, result="not_checked", id=3)))
    assert sheet(skipped).top.tone == "watch", "left out is not passed"
    linkage = replace(record, checks=(replace(bent, step="governor"),))
    assert sheet(linkage).top.tone == "watch", "by its name in the table of bench checks"


def test_a_trial_is_no_fault_that_was_found_or_put_right(healthy):
    """'Found at fault: choke test', and asked: put right?"""
    tried = [BenchCheck(step, "fail", at("2026-04-11"), id=n) for n, step in enumerate(TRIALS, 1)]
    record = JobRecord(JOB, MACHINE, tuple(tried), (), (healthy,))
    assert not sheet(record).checks and not open_checks(record)
    assert "Found at fault" not in report.hand_back_text(record)
    assert len(sheet(record, "bench").checks) == len(tried)
    assert report.suggestion(record).text.startswith("Nothing amiss is heard after the work")
    again = replace(record, checks=(tried[0], replace(tried[0], result="pass", id=9)))
    assert "put right" not in report.hand_back_html(again)
    controls = replace(record, checks=(replace(tried[0], step="controls"),))
    assert report.hand_back_questions(controls)[0].startswith("controls failed")


def test_no_danger_is_cut_off_by_those_before_it():
    """All of what to watch stood on one line of 320 characters: the third danger broke off in the middle."""
    bent = BenchCheck("blade", "fail", at("2026-04-12"), id=1)
    found = sheet(JobRecord(JOB, MACHINE, (bent,)))
    watch = tuple(f"Do not use it until {name * 40} is put right." for name in ("aaa ", "bbb ", "ccc "))
    lines = sheet_text(replace(found, watch=watch)).splitlines()
    assert [line for line in lines if line.endswith("is put right.")] == [f"Please watch: {each}" for each in map(str, [
        " ".join(one.split()) for one in watch])]  # fmt: skip


def test_the_message_leaves_out_nothing_to_watch_or_to_know_and_says_where_more_stands():
    own = [f"Own line {number}: look after the guard." for number in range(9)]
    back = replace(JOB.handback, watch="\n".join(own), told_owner="Keep off slopes. " * 40, next_service="soon " * 90)
    bent = BenchCheck("blade", "fail", at("2026-04-12"), id=1)
    job = replace(JOB, handback=back, complaint="It rattles. " * 60)
    lines = sheet_text(sheet(JobRecord(job, MACHINE, (bent,)))).splitlines()
    watched = [line for line in lines if line.startswith("Please watch: ")]
    assert watched[0].startswith("Please watch: Do not use it until") and watched[1:] == [
        f"Please watch: {each}" for each in own
    ]
    assert any(line.count("Keep off slopes.") == 40 for line in lines)
    assert any(line.count("soon") == 90 for line in lines)
    assert any(line.startswith("Came in with: ") and line.endswith("... (more on the page)") for line in lines)

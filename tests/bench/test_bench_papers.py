"""What goes with the machine and what to check next, on the page: both say what `report` and `advice` say, no more."""

import re
from dataclasses import replace
from html import unescape
from pathlib import Path

import make_runs
import pytest
from serve import new_job, with_answer

from enginelog import report
from enginelog.advice import Heard, Situation, advise
from enginelog.limits import bench as bench_rules
from enginelog.model import Finding
from enginelog.store import open_store

DEMO = Path(__file__).resolve().parents[2] / "recordings_demo"


def words_of(text: str) -> str:
    """A page's text without its marks."""
    body = re.sub(r"<(script|style)\b.*?</\1>|<[^>]+>", " ", text, flags=re.DOTALL)
    return " ".join(unescape(body).split())


@pytest.fixture
def job(store, server, browser) -> int:
    """A job with a recording from before and one from after the work."""
    made = new_job(store)
    for stage, run in (("before", make_runs.hunting_pump()), ("after", make_runs.healthy_generator())):
        assert browser.post(f"/takes/{with_answer(server, made, run)}/attach", {"stage": stage}).status == 303
    return made


# ---------------------------------------------------------------- hand-back


def test_hand_back_with_its_papers(store, server, browser, job):
    page = browser.get(f"/jobs/{job}/hand-back")
    with open_store(store) as opened:
        record = opened.record(job)
        history = [run for visit in opened.history(record.machine.id).visits for run in visit.runs]
    assert " ".join(report.hand_back_text(record).split()) in words_of(page.text)
    for audience in ("owner", "bench"):
        html = browser.get(f"/jobs/{job}/papers/{audience}.html")
        assert html.status == 200 and html.text == report.hand_back_html(record, audience, history)
        pdf = browser.ask("GET", f"/jobs/{job}/papers/{audience}.pdf")
        assert pdf.status == 200 and pdf.headers["content-type"] == "application/pdf"
        assert pdf.body == report.hand_back_pdf(record, audience, history)
        assert pdf.headers["content-disposition"] == f'attachment; filename="job-{job}-{audience}.pdf"'
    told = {"told": "Runs evenly again. <b>x</b>", "watch": "The rope.", "next_service": "October"}
    done = browser.post(f"/jobs/{job}/hand-back", told)
    assert done.status == 303 and done.headers["location"] == f"/jobs/{job}/hand-back"
    with open_store(store) as opened:
        record = opened.record(job)
        kept = next(one for one in opened.files_of(job) if one.of.startswith("hand-back"))
        back = record.job.handback
        assert record.job.state == "handed_back"
        assert (back.told_owner, back.watch, back.next_service) == tuple(told.values())
        assert kept.path.read_text(encoding="utf-8") == report.hand_back_html(record)
    shown = browser.get(f"/jobs/{job}/hand-back").text
    assert "Handed back" in shown and "&lt;b&gt;x" in shown and "<b>x" not in shown
    again = browser.post(f"/jobs/{job}/hand-back", told)
    assert again.status == 400 and "handed back already" in again.text
    assert browser.post(f"/jobs/{job}/state", {"state": "open"}).status == 303
    assert browser.post(f"/jobs/{job}/hand-back", {"told": "anew"}).status == 303


def test_hand_back_of_a_job_without_recordings(store, server, browser):
    bare = new_job(store, "mower Clover", kind="mower")
    page = browser.get(f"/jobs/{bare}/hand-back")
    assert page.status == 200 and "No recording was made" in page.text
    assert browser.ask("GET", f"/jobs/{bare}/papers/owner.pdf").body.startswith(b"%PDF-")


@pytest.mark.parametrize("name", ["owner.txt", "x.html", "owner.html.pdf", "..%2fowner.html", "OWNER.HTML"])
def test_no_other_papers(server, browser, job, name):
    assert browser.get(f"/jobs/{job}/papers/{name}").status == 404


def test_papers_name_what_is_not_attached(server, browser, job):
    with_answer(server, job, make_runs.weak_twin())
    assert "1 recording not attached" in words_of(browser.get(f"/jobs/{job}/hand-back").text)


# ---------------------------------------------------------------- advice


@pytest.fixture
def hunting(store, server, browser) -> int:
    """A job with a recording from before the work alone: a run after it that is well would ask for no check."""
    made = new_job(store)
    take = with_answer(server, made, make_runs.hunting_pump())
    assert browser.post(f"/takes/{take}/attach", {"stage": "before"}).status == 303
    return made


def expected(**more) -> object:
    """The advice for the hunting pump by itself, as the library gives it."""
    return advise(Situation((Heard(report.record(make_runs.hunting_pump())),), **more))


def test_the_advice_is_that_of_the_library(browser, hunting):
    found, page = expected(), words_of(browser.get(f"/jobs/{hunting}/advice").text)
    assert found.causes and found.checks and found.questions
    for likely in found.causes[:5]:
        assert likely.cause.why in page and likely.cause.source in page
        assert all(because in page for because in likely.because)
    assert len(found.checks) >= 5  # as many as the summary names
    for each in found.checks[:5]:
        passed, failed = report.advising.check_results(each)
        assert each.check.how in page and f"about {each.check.minutes} min" in page
        assert " ".join(passed.split()) in page and " ".join(failed.split()) in page
        assert report.advising.check_cautions(each) in page
    assert all(question.text in page and question.why in page for question in found.questions[:4])
    assert report.advising.SUGGESTION in page and all(line in page for line in found.cannot)


def test_every_check_that_is_asked_for_can_be_ticked_on_the_job(store, server, browser):
    """What is looked at first is mostly none of the bench checks: its result is kept all the same, and it is not asked
    for again."""
    made = new_job(store)
    take = with_answer(server, made, make_runs.pulls_only())
    assert browser.post(f"/takes/{take}/attach", {"stage": "before"}).status == 303
    page = browser.get(f"/jobs/{made}").text
    assert (
        "<strong>Next:</strong> controls, about 1 min; then fuel in the tank" in page and 'id="tick-controls"' in page
    )
    assert f'href="/jobs/{made}?check=controls#tick-controls"' in browser.get(f"/jobs/{made}/advice").text
    assert browser.post(f"/jobs/{made}/checks", {"step": "controls", "result": "pass", "note": "all set"}).status == 303
    page = browser.get(f"/jobs/{made}").text
    assert "controls passed: all set" in page and 'id="tick-controls"' not in page
    assert 'id="tick-plug_lead"' in browser.get(f"/jobs/{made}?check=plug_lead").text
    assert browser.get(f"/jobs/{made}?check=%3Cb%3E").status == 200
    browser.post(f"/jobs/{made}/checks", {"step": "plug_lead", "result": "fail"})
    page = browser.get(f"/jobs/{made}").text
    assert "<strong>Failed:</strong> plug lead and cap. Put right, and check again." in page
    with open_store(store) as opened:
        assert [check.step for check in opened.record(made).checks] == ["controls", "plug_lead"]


def test_without_a_recording_the_page_knows_the_machine_and_asks_as_the_job_does(store, browser):
    made = new_job(store, "mower Daisy", kind="mower", strokes=4)
    page = words_of(browser.get(f"/jobs/{made}/advice").text)
    assert "the engine is a four-stroke" in page
    assert "Next: fuel in the tank" in words_of(browser.get(f"/jobs/{made}").text)
    assert page.index("Next checks Fuel in the tank") < page.index("Compression about")
    assert browser.post(f"/jobs/{made}/checks", {"step": "fuel-tank", "result": "fail"}).status == 303
    page = words_of(browser.get(f"/jobs/{made}/advice").text)
    assert "two-stroke fuel" not in page and "Next checks Compression" in page
    assert "Next: compression" in words_of(browser.get(f"/jobs/{made}").text)


@pytest.mark.parametrize("state", ["done", "handed back"])
def test_nothing_is_asked_for_once_the_work_is_done_as_on_the_command_line(store, server, browser, state):
    made = new_job(store)
    take = with_answer(server, made, make_runs.pulls_only())
    assert browser.post(f"/takes/{take}/attach", {"stage": "before"}).status == 303
    with open_store(store) as opened:
        opened.finish(made) if state == "done" else opened.hand_back(made)
    page = browser.get(f"/jobs/{made}").text
    assert "<strong>Next" not in page and '<details class="step" open>' not in page
    assert ("not on the page its owner has" in page) == (state == "handed back")
    assert 'id="tick-plug_lead"' in browser.get(f"/jobs/{made}?check=plug_lead").text


def test_that_nothing_is_left_to_check_stands_open_on_the_job(store, browser, job):
    """It lay in the folded list of what the checks leave, and with it what can hurt and is not shown to be gone."""
    with open_store(store) as opened:
        said = report.suggestion(opened.record(job))
    assert not (said.failed or said.next), "the recording from after the work is well"
    page = browser.get(f"/jobs/{job}").text
    assert words_of(f"<p>{said.text}</p>") in words_of(page) and "What the checks leave" not in page


def test_answers_and_ticked_checks_change_it(browser, hunting):
    answered = words_of(browser.get(f"/jobs/{hunting}/advice?answer.choke_helps=yes").text)
    assert expected(answers={"choke_helps": "yes"}).causes[0].cause.why in answered and "Told here" in answered
    assert browser.post(f"/jobs/{hunting}/checks", {"step": "governor", "result": "fail"}).status == 303
    ticked = expected(checks={"governor": "fail"})
    page = words_of(browser.get(f"/jobs/{hunting}/advice?check.governor=pass").text)  # what is on record counts
    assert ticked.causes[0].cause.why in page and "what was checked points to it" in page
    open_check = browser.get(f"/jobs/{hunting}/advice?answer.choke_helps=").text
    assert "Told here" not in open_check  # left empty is no answer


def test_what_can_hurt_stands_first_on_recording_and_job_too(store, server, browser):
    """The run's line said 'fault: speed', and the checks went on to the linkage."""
    made = new_job(store, "tiller Marigold", kind="tiller", strokes=4, rated_rpm=3000.0)
    run = make_runs.healthy_generator()
    fast = Finding("speed", "fault", "Ran at 3400 rpm.", 3400.0, "rpm", 3300.0, "x")
    run = replace(run, measures=replace(run.measures, findings=(fast,)))
    take = with_answer(server, made, run)
    answers = [words_of(browser.get(f"/takes/{take}").text)]
    sent = browser.post(f"/takes/{take}/attach", {"stage": "before"})
    with open_store(store) as opened:
        [kept] = opened.record(made).runs
    answers.append(words_of(browser.get(f"/runs/{kept.id}").text))
    for answer in answers:
        headline = answer.index("A fault that can hurt can be heard: too fast")
        first = answer.index("First It turns faster than it may. Stop using it")
        assert 0 < headline < first < answer.index("Ran at 3400 rpm.")
    assert sent.status == 303
    page = words_of(browser.get(f"/jobs/{made}").text)
    assert 0 < page.index("First: It turns faster than it may. Stop using it") < page.index("Next: governor linkage")


def test_a_machine_s_page_lists_no_check_of_what_it_does_not_have(store, browser):
    """Valves and governor linkage stood open on a two-stroke trimmer's job."""
    trimmer = new_job(store, "trimmer Nettle", kind="trimmer", strokes=2)
    page = browser.get(f"/jobs/{trimmer}").text
    assert 'id="tick-valves"' not in page and 'id="tick-governor"' not in page and 'id="tick-exhaust"' in page
    with open_store(store) as opened:
        opened.tick(trimmer, "valves", "fail")
    assert 'id="tick-valves"' in browser.get(f"/jobs/{trimmer}").text, "made all the same, it can be made again"
    tiller = browser.get(f"/jobs/{new_job(store, 'tiller Marigold', kind='tiller', strokes=4)}").text
    assert 'id="tick-valves"' in tiller and 'id="tick-governor"' in tiller


def test_what_can_hurt_is_said_first(store, browser):
    made = new_job(store, "mower Daisy", kind="mower", strokes=4)
    assert "First" not in words_of(browser.get(f"/jobs/{made}/advice").text)
    page = words_of(browser.get(f"/jobs/{made}/advice?check.blade=fail").text)
    assert "First Blade and what holds it, failed: do not run it so." in page


@pytest.mark.parametrize("query", ["answer.nonsense=yes", "answer.choke_helps=<b>", "check.none=pass", "check.drive=x"])
def test_an_answer_that_is_none_is_refused_in_words(browser, job, query):
    told = browser.get(f"/jobs/{job}/advice?{query}")
    assert told.status == 400 and "expected" in told.text and "<b>'" not in told.text


def test_a_check_on_the_list_leads_to_its_tick(store, browser):
    """On a job without a recording the answers and checks alone speak."""
    bare = new_job(store, "mower Clover", kind="mower")
    assert "Record or choose a clip" in browser.get(f"/jobs/{bare}/advice").text
    browser.post(f"/jobs/{bare}/checks", {"step": "spark", "result": "fail"})
    page = browser.get(f"/jobs/{bare}/advice").text
    shown = browser.get(f"/jobs/{bare}").text
    anchors = set(re.findall(rf'href="/jobs/{bare}#(tick-[a-z_]+)"', page))
    assert anchors <= {f"tick-{step.name}" for step in bench_rules.steps()}
    assert all(f'id="{anchor}"' in shown for anchor in anchors)


def test_the_answer_page_says_what_next_and_why(server, browser, job):
    run = browser.get("/runs/1").text
    first = expected().checks[0]
    assert first.check.how in words_of(run) and expected().causes[0].cause.title in words_of(run)


# ---------------------------------------------------------------- comparing


def test_pulls_alone_are_a_before(store, server, browser):
    """A recording of nothing but pulls: the answer says so, it is attached, and compared with the run after."""
    made = new_job(store, "mower Clover", kind="mower")
    take = with_answer(server, made, make_runs.pulls_only())
    shown = browser.get(f"/takes/{take}").text
    assert "did not run" in shown and "Attach to job" in shown
    assert browser.post(f"/takes/{take}/attach", {"stage": "before", "conditions": ["cold", "choke on"]}).status == 303
    after = with_answer(server, made, make_runs.healthy_generator())
    assert browser.post(f"/takes/{after}/attach", {"stage": "after"}).status == 303
    page = words_of(browser.get(f"/jobs/{made}/compare").text)
    assert "It runs now. Before: did not start (5 pulls)." in page
    assert page.count("Before: did not start") == 1, "once is enough"
    assert browser.ask("GET", f"/jobs/{made}/before-after.svg?narrow=1").status == 200
    assert browser.get(f"/jobs/{made}/hand-back").status == 200
    assert browser.ask("GET", f"/jobs/{made}/papers/bench.pdf").body.startswith(b"%PDF-")


def test_a_recording_of_pulls_alone_as_a_phone_sends_it(store, server, browser):
    """From its bytes on (truth beside the recording: five pulls, it never runs)."""
    data = (DEMO / "mower_clover_only_pulled.m4a").read_bytes()
    take = browser.send(new_job(store, "mower Clover", kind="mower"), data, "pulls.m4a")
    assert browser.wait(take)["state"] == "done"
    shown = browser.get(f"/takes/{take}").text
    assert "did not run" in shown and "Attach to job" in shown
    track = browser.ask("GET", f"/takes/{take}/track").json  # no speed is drawn of what did not run
    assert len(track["rpm"]) > 20 and set(track["rpm"]) == {None}
    assert browser.post(f"/takes/{take}/attach", {"stage": "before", "conditions": ["cold"]}).status == 303
    assert "did not run" in browser.get("/jobs/1").text


def test_what_is_still_to_be_watched_stands_under_the_answer(store, server, browser):
    """Less hunting than before is "better", in green; that it still hunts a little stood on the paper alone."""
    job, run = new_job(store), make_runs.healthy_generator()
    watched = Finding("hunting", "watch", "Hunts: speed swings by 2 %.", 2.0, "%", 1.25, "x")
    after = replace(run, measures=replace(run.measures, findings=(watched,)))
    for stage, each in (("before", make_runs.hunting_pump()), ("after", after)):
        assert browser.post(f"/takes/{with_answer(server, job, each)}/attach", {"stage": stage}).status == 303
    page = words_of(browser.get(f"/jobs/{job}/compare").text)
    assert "In the recording after, something to watch can be heard: hunting." in page


def test_a_comparison_says_each_thing_once(store, server, browser):
    """Both values stood over each card and again at the head of its text."""
    job, run = new_job(store), make_runs.healthy_generator()
    for stage in ("before", "after"):
        assert browser.post(f"/takes/{with_answer(server, job, run)}/attach", {"stage": stage}).status == 303
    cards = re.findall(r'<p class="big">(.*?)</p>(.*?)</li>', browser.get(f"/jobs/{job}/compare").text, re.DOTALL)
    assert cards and any("Difference" in text for _, text in cards)
    assert not [short for short, text in cards if short.lower() in text.lower()]


def test_any_two_runs(store, server, browser, job):
    page = browser.get("/machines/1").text
    assert 'action="/compare"' in page and len(re.findall('<option value="[12]"', page)) == 4
    told = browser.get("/compare?before=1&after=2")
    assert told.status == 200 and words_of(told.text).count("Hunting") >= 1
    back = browser.get("/compare?before=2&after=1")
    assert "Worse" in words_of(back.text)
    pictures = {browser.ask("GET", f"/compare.svg?before={a}&after={b}").text for a, b in ((1, 2), (2, 1))}
    assert len(pictures) == 2 and all(each.startswith("<svg ") for each in pictures)
    for query in ("", "?before=1", "?before=x&after=2", "?before=1&after=-2"):
        assert browser.get(f"/compare{query}").status == 400
    assert browser.get("/compare?before=1&after=99").status == 404
    other = new_job(store, "pump Heron")
    assert browser.post("/runs/2/move", {"job": other}).status == 303
    for address in ("/compare", "/compare.svg"):  # of two machines, whatever was mended on either
        refused = browser.get(f"{address}?before=1&after=3")
        assert refused.status == 400 and "two runs of one machine expected" in refused.text

"""What a form writes down, and what it leaves alone. No outside source: these are the page's own promises."""

import html
import re
import threading
from dataclasses import replace

import make_runs
import pytest
from serve import Browser, new_job, with_answer

from enginelog import report
from enginelog.bench.repeats import MARK
from enginelog.store import open_store


@pytest.mark.parametrize(
    ("told", "changed"),
    [
        ({"rated_rpm": "3600"}, {"rated_rpm": 3600.0}),
        ({"strokes": "2"}, {"strokes": 2}),
        ({"kind": "pump"}, {"kind": "pump"}),
    ],
)
def test_what_is_told_anew_of_a_known_machine_leaves_the_rest(store, browser, told, changed):
    fields = {"strokes": "4", "cylinders": "1", "kind": "tiller", "rated_rpm": "3350", "idle_rpm": "1800"}
    assert browser.post("/jobs", {"label": "tiller Marigold"} | fields).status == 303
    with open_store(store) as opened:
        before = opened.machine("tiller Marigold")
    assert browser.post("/jobs", {"label": "Tiller  marigold"} | told).status == 303
    with open_store(store) as opened:
        after = opened.machine("tiller Marigold")
    names = ("kind", "strokes", "cylinders", "rated_rpm", "idle_rpm", "assumed")
    expected = {name: getattr(before, name) for name in names} | changed
    assert {name: getattr(after, name) for name in names} == expected


@pytest.mark.parametrize("minutes", ["7.5", "0,5"])
def test_minutes_are_not_cut_down_in_silence(store, browser, minutes):
    job = new_job(store)
    told = browser.post(f"/jobs/{job}/work", {"kind": "labour", "text": "cleaned", "minutes": minutes})
    assert told.status == 400 and "whole number" in told.text


ONCE = "abcdefghijkl"


def test_a_form_that_comes_twice_is_done_once(store, server, browser):
    """A second tap, also while the first is still at work, or a form sent again because its answer was lost."""
    job = new_job(store)
    told = {"kind": "part", "text": "spark plug", "cost": "7.20", "once": ONCE}
    answers = []
    taps = [threading.Thread(target=lambda: answers.append(browser.post(f"/jobs/{job}/work", told))) for _ in range(3)]
    for tap in taps:
        tap.start()
    for tap in taps:
        tap.join()
    answers.append(browser.post(f"/jobs/{job}/work", told))
    assert {(each.status, each.headers["location"]) for each in answers} == {(303, f"/jobs/{job}#work")}
    with open_store(store) as opened:
        assert opened.record(job).cost_cents == 720
    assert browser.post(f"/jobs/{job}/work", told | {"text": "plug lead"}).status == 303
    assert browser.post(f"/jobs/{job}/work", told | {"once": "mnopqrstuvwx"}).status == 303
    with open_store(store) as opened:
        assert opened.record(job).cost_cents == 3 * 720


def test_a_second_tap_on_attach_leads_to_the_run(store, server, browser):
    job = new_job(store)
    take = with_answer(server, job, make_runs.healthy_generator())
    told = {"stage": "before", "once": ONCE}
    first, second = (browser.post(f"/takes/{take}/attach", told) for _ in range(2))
    assert (second.status, second.headers["location"]) == (first.status, first.headers["location"])
    assert first.headers["location"].startswith("/runs/")


def test_a_refused_form_may_be_sent_again(store, browser):
    job = new_job(store)
    told = {"kind": "part", "text": "x", "once": ONCE}
    assert browser.post(f"/jobs/{job + 1}/work", told).status == 404
    new_job(store)
    assert browser.post(f"/jobs/{job + 1}/work", told).status == 303


def test_other_sessions_do_not_get_the_answer(store, server, browser):
    job, other = new_job(store), Browser(server)
    other.get("/")
    told = {"note": "rang the owner", "once": ONCE}
    assert browser.post(f"/jobs/{job}/notes", told).status == other.post(f"/jobs/{job}/notes", told).status == 303
    with open_store(store) as opened:
        assert opened.job(job).note.count("rang the owner") == 2


def test_every_form_bears_a_mark_of_its_own(store, browser):
    job = new_job(store)
    marks = []
    for path in (f"/jobs/{job}", "/jobs/new", f"/jobs/{job}/hand-back", f"/jobs/{job}/live"):
        text = browser.get(path).text
        found = re.findall(r'name="once" value="([^"]*)"', text)
        assert len(found) == text.count('<form method="post"')
        marks += found
    assert len(marks) == len(set(marks)) > 10 and all(MARK.fullmatch(each) for each in marks)


def test_a_refusal_leads_back_to_the_form(store, server, browser):
    """A token that is too old (the server was started anew meanwhile) or a wrong number: a page, with the way back."""
    job = new_job(store)
    where = {"Referer": f"{server.url}/jobs/{job}"}
    wrong = browser.post(f"/jobs/{job}/work", {"kind": "part", "cost": "-5"}, **where)
    old = browser.post(f"/jobs/{job}/notes", {"note": "x", "csrf": "0" * 64}, token=False, **where)
    assert (wrong.status, old.status) == (400, 403)
    for answer in (wrong, old):
        assert answer.headers["content-type"].startswith("text/html")
        assert f'href="/jobs/{job}"' in answer.text and "Go back<" in answer.text
        assert "script-src 'self'" in answer.headers["content-security-policy"]
    for elsewhere in (
        "https://evil.example/jobs/1",
        f"{server.url}//evil.example/",
        f"{server.url}/\\evil.example",
        "x",
    ):
        assert "Go back<" not in browser.post(f"/jobs/{job}/work", {"cost": "-5"}, Referer=elsewhere).text


def test_an_entry_can_be_taken_back(store, browser):
    """It no longer counts, on the page and in the owner's paper; the command brings it back."""
    job = new_job(store)
    for cost in ("7.20", "7.20"):
        browser.post(f"/jobs/{job}/work", {"kind": "part", "text": "spark plug", "cost": cost})
    browser.post(f"/jobs/{job}/checks", {"step": "spark", "result": "fail"})
    page = browser.get(f"/jobs/{job}").text
    assert page.count(f'action="/jobs/{job}/take-back"') == 3
    assert browser.post(f"/jobs/{job}/take-back", {"kind": "work", "entry": "2"}).status == 303
    assert browser.post(f"/jobs/{job}/take-back", {"kind": "check", "entry": "1"}).status == 303
    with open_store(store) as opened:
        record = opened.record(job)
        assert record.cost_cents == 720 and record.checks == ()
        opened.drop("work", 2, undo=True)
        assert opened.record(job).cost_cents == 1440


@pytest.mark.parametrize(("kind", "entry"), [("work", "1"), ("job", "1"), ("machine", "1"), ("check", "x"), ("", "")])
def test_only_entries_of_this_job_are_taken_back(store, browser, kind, entry):
    first, other = new_job(store), new_job(store, "saw Thistle")
    browser.post(f"/jobs/{first}/work", {"kind": "part", "text": "spark plug"})
    assert browser.post(f"/jobs/{other}/take-back", {"kind": kind, "entry": entry}).status == 400
    with open_store(store) as opened:
        assert len(opened.record(first).work) == 1 and opened.job(first).dropped is None


def test_what_was_seen_at_the_counter_stands_on_the_job(store, browser):
    told = {"label": "saw Thistle", "oil_level": "at the lower mark", "damage": "<b>cord</b> frayed"}
    where = browser.post("/jobs", told).headers["location"]
    page = browser.get(where).text
    assert "oil: at the lower mark; damage: &lt;b&gt;cord&lt;/b&gt; frayed." in page


def test_a_wrong_engine_is_put_right(store, browser):
    """Of a saw whose strokes nobody told the page says what that does to the speed, and where to tell them."""
    job = browser.post("/jobs", {"label": "saw Thistle", "kind": "saw", "rated_rpm": "9000"}).headers["location"]
    assert "double its true speed" in browser.get(job).text and 'href="/machines/1#engine"' in browser.get(job).text
    assert browser.post("/machines/1/engine", {"strokes": "2"}).headers["location"] == "/machines/1"
    with open_store(store) as opened:
        saw = opened.machine(1)
    assert (saw.strokes, saw.kind, saw.rated_rpm) == (2, "saw", 9000.0) and "strokes" not in saw.assumed
    assert "double its true speed" not in browser.get(job).text
    assert browser.post("/machines/1/engine", {}).status == 400
    assert browser.post("/machines/9/engine", {"strokes": "2"}).status == 404


@pytest.mark.parametrize(
    ("told", "fields"),
    [
        ({"cylinders": "3", "firing": "0,270"}, ["How a four-stroke twin fires", "Cylinders"]),
        ({"strokes": "2", "cylinders": "2", "firing": "0,360"}, ["How a four-stroke twin fires", "Strokes"]),
        ({"rated_rpm": "1500", "idle_rpm": "3000"}, ["Idle speed, rpm", "Rated speed, rpm"]),
        ({"rated_rpm": "fast"}, ["Rated speed, rpm"]),
        ({"idle_rpm": "1"}, ["Idle speed, rpm"]),
        ({"cylinders": "13"}, ["Cylinders"]),
        ({"strokes": "3"}, ["Strokes"]),
        ({"firing": "0,1"}, ["How a four-stroke twin fires"]),
        ({"kind": "rocket"}, ["Kind of machine"]),
        ({"blade_length_mm": "9"}, ["Blade from tip to tip, mm"]),
        ({"poles": "3"}, ["Poles of the alternator"]),
    ],
)
def test_what_is_wrong_with_an_engine_names_the_fields_of_the_page(store, browser, told, fields):
    new_job(store)
    for address, more in (("/machines/1/engine", {}), ("/jobs", {"label": "pump Heron"})):
        got = browser.post(address, told | more)
        said = html.unescape(re.search(r'<h1 class="answer">(.*?)</h1>', got.text, re.S)[1])
        assert got.status == 400 and all(field in said for field in fields), said
        assert "--" not in said and "_" not in said
        form = html.unescape(browser.get("/machines/1" if not more else "/jobs/new").text)
        assert all(re.search(rf">{re.escape(field)}\b", form) for field in fields)


def test_blade_and_poles_are_told_on_the_page(store, browser):
    """The tip's limit and the frequency hang on them: the page asks for both, so it has fields for both."""
    told = {"label": "mower Daisy", "kind": "mower", "blade_length_mm": "460,5"}
    assert browser.post("/jobs", told).status == 303
    assert browser.post("/jobs", {"label": "generator Lantern", "kind": "generator", "poles": "2"}).status == 303
    with open_store(store) as opened:
        assert opened.machine("mower Daisy").blade_length_mm == 460.5
        assert opened.machine("generator Lantern").alternator_poles == 2


def test_what_is_worth_reading_off_the_machine_is_asked_for_without_options(store, browser):
    job = new_job(store)
    with open_store(store) as opened:
        opened.attach(job, make_runs.hunting_pump(), "before")
    text = browser.get(f"/jobs/{job}/advice").text
    [asked] = re.findall(r"worth reading off the machine: (.*?)</p>", text)
    assert "strokes (4 assumed)" in asked and "--" not in asked and 'href="/machines/1#engine"' in asked


def test_a_report_opened_from_the_page_names_its_fields_and_no_options(store, browser):
    job = new_job(store)
    with open_store(store) as opened:
        generator = make_runs.healthy_generator()
        untold = replace(generator.engine, rated_rpm=None, alternator_poles=None, assumed=("strokes",))
        run = opened.attach(job, replace(generator, engine=untold), "before")
    text = html.unescape(browser.get(f"/runs/{run.id}/report").text)
    [asked] = re.findall(r"worth reading off the machine: (.*?)</p>", text)
    assert "strokes (field 'Strokes'; 4 assumed)" in asked and "--" not in asked
    assert "field 'Poles of the alternator'" in asked and "field 'Rated speed, rpm'" in asked
    assert "enginelog advise" not in text
    [told] = re.findall(r"worth reading off the machine: (.*?)</p>", html.unescape(report.to_html(run.run)))
    assert "strokes (--strokes; 4 assumed)" in told, "a report by the command names its options"


def test_an_odd_reading_is_asked_about_beside_its_check(store, browser):
    job = new_job(store)
    told = {"step": "compression", "result": "fail", "unit": "psi"}
    browser.post(f"/jobs/{job}/checks", told | {"reading": "95"})
    assert "slip" not in browser.get(f"/jobs/{job}").text
    browser.post(f"/jobs/{job}/checks", told | {"reading": "-650"})
    page = browser.get(f"/jobs/{job}").text
    assert "-650 psi is below zero: kept as written; is it a slip?" in page
